"""A study as the rest of the package sees it: checked, complete, with every path resolved."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from micromeasure.calibration.file import Calibration
from micromeasure.micrograph.image import ImageRecord
from micromeasure.quantities.declare import Settings


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """One ``[[measure]]`` of the study: a quantity, the view it is measured in, its settings."""

    number: int
    quantity: str
    view: str
    settings: Settings


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """One ``[[compare]]``: how the revisions are compared in one quantity.

    Attributes
    ----------
    quantity : str
    feature, statistic : str
        Empty for every feature and for the quantity's main statistic.
    tolerance : float or None
        Two revisions closer than this count as the same for the purpose, in `unit`.
    unit : str
        Unit of the tolerance, from the key's ending (``tolerance_um``).
    """

    quantity: str
    feature: str = ""
    statistic: str = ""
    tolerance: float | None = None
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """All that is to be measured in one image.

    Attributes
    ----------
    number : int
        Place in the manifest, from 0; results keep this order.
    record : ImageRecord
    path : pathlib.Path
        The image file, or the folder of a focus stack.
    calibration : Calibration or None
        None where the study names none: the pixel size must then come from the file.
    measures : tuple of Measure
        In the study's order.
    frames : mapping
        Companion image files by measure number and settings field.
    frame_records : mapping
        What the manifest says about companion files, by path, where it has rows for them.
    """

    number: int
    record: ImageRecord
    path: Path
    calibration: Calibration | None
    measures: tuple[Measure, ...]
    frames: Mapping[tuple[int, str], tuple[Path, ...]] = field(default_factory=dict)
    frame_records: Mapping[Path, ImageRecord] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """A checked study.

    Attributes
    ----------
    path : pathlib.Path
        The study file.
    title : str
    images : pathlib.Path
        The images folder; no image lies outside it.
    calibrations : mapping of str to Calibration
        Those that images use, by id.
    measures : tuple of Measure
    comparisons : tuple of Comparison
    reference : str
        Revision the others are compared with; empty for the first in the manifest.
    evidence : tuple of pathlib.Path
        CSV files brought in from other instruments.
    records : tuple of ImageRecord
        One per row of the manifest, in its order.
    jobs : tuple of Job
        One per image that any measure asks for.
    extra_columns : tuple of str
        Manifest columns that are carried through to the results.
    """

    path: Path
    title: str
    images: Path
    calibrations: Mapping[str, Calibration]
    measures: tuple[Measure, ...]
    comparisons: tuple[Comparison, ...]
    reference: str
    evidence: tuple[Path, ...]
    records: tuple[ImageRecord, ...]
    jobs: tuple[Job, ...]
    extra_columns: tuple[str, ...] = ()
