"""Candidate crack indications at fold lines and their length.

An indication is a response that still needs interpretation; nothing here calls one a crack. A
person confirms or rejects each, and an indication may be missed: see the page on indications and
cracks in the documentation.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.calibration.file import Calibration
from micromeasure.cracks.summary import SUMMARY_QUANTITIES, summarise_indications
from micromeasure.errors import MeasurementError
from micromeasure.fields import declared
from micromeasure.micrograph.image import Header, ImageRecord, Micrograph, Rectangle
from micromeasure.outcome import Indication, Mark, Outcome
from micromeasure.quantities.declare import Frames, Quantity, Settings

Segment = tuple[float, float, float, float]

# A fold line's name where only one is given.
FOLD = "fold"
_CLIPPED_SHARE = 0.01
_WHOLE_BAND = 0.98


@dataclass(frozen=True, slots=True, kw_only=True)
class CrackSettings(Settings):
    """Where to look for crack indications, and which to report."""

    band_um: float = declared(
        "number", 150.0, unit="um", above=0, help="searched on each side of the fold line"
    )
    min_length_um: float = declared(
        "number", 20.0, unit="um", above=0, help="shorter indications are not reported"
    )
    max_width_um: float = declared(
        "number", 10.0, unit="um", above=0, help="widest dark line that is looked for"
    )
    threshold: float = declared(
        "number", 0.25, low=0, high=1, help="least score of an indication that is reported"
    )
    fold: Segment | None = declared(
        "segment", None, unit="px",
        help="fold line of every image that has none in the manifest, x0 y0 x1 y1",
    )  # fmt: skip
    folds: Mapping[str, Segment] | None = declared(
        "segments", None, unit="px",
        help="several fold lines by name, for images that have none in the manifest",
    )  # fmt: skip

    def __post_init__(self) -> None:
        """Check that fold lines are given in one way only."""
        if self.fold is not None and self.folds is not None:
            message = "both 'fold' and 'folds' are given; keep one of them."
            raise ValueError(message)


def measure_crack_length(
    micrograph: Micrograph, settings: CrackSettings, frames: Frames
) -> Outcome:
    """Find and measure candidate crack indications along the fold lines of an image.

    Parameters
    ----------
    micrograph : Micrograph
    settings : CrackSettings
    frames : mapping
        Not used.

    Returns
    -------
    Outcome
        Indications, best score first in each fold; number, total and greatest length per fold.

    Raises
    ------
    MeasurementError
        If no fold line is given and none is found, or the band lies outside the image.
    """
    from micromeasure.cracks.finding import find_candidates
    from micromeasure.cracks.indication import indication_from
    from micromeasure.cracks.patch import cut_strip

    folds, flags = fold_lines(micrograph, settings)
    region = _region(micrograph.record, settings)
    indications: list[Indication] = []
    marks: list[Mark] = []
    for name, fold_px in folds.items():
        patch = cut_strip(micrograph, fold_px, band_um=settings.band_um, region=region)
        searched = _searched_share(patch.valid, patch.fold_row, patch.band_px, patch.fold_columns)
        if searched == 0:
            message = (
                f"{micrograph.record.image}: the band along '{name}' lies outside the image or "
                "region; correct the fold line."
            )
            raise MeasurementError(message)
        if searched < _WHOLE_BAND:
            flags.add("band-cut")
        if _clipped(micrograph, patch.values):
            flags.add("saturated")
        found = find_candidates(
            patch, min_length_um=settings.min_length_um, max_width_um=settings.max_width_um,
            threshold=settings.threshold,
        )  # fmt: skip
        indications += [
            indication_from(
                item.line, patch, micrograph.calibration, fold=name, fold_px=fold_px,
                score=item.score, branches=item.branches,
            )
            for item in found
        ]  # fmt: skip
        marks += fold_marks(name, fold_px, settings.band_um, micrograph.calibration.um_per_px)
    marks += _indication_marks(indications)
    ordered = tuple(sorted(flags))
    rows = summarise_indications(
        [(indication, "candidate") for indication in indications],
        folds=list(folds), flags=ordered, with_confirmed=False,
    )  # fmt: skip
    return Outcome(
        measurements=tuple(rows),
        marks=tuple(marks),
        indications=tuple(indications),
        caption=_caption(indications),
        facts={"folds": {name: list(line) for name, line in folds.items()}, "flags": list(ordered)},
    )


def window(
    record: ImageRecord, settings: CrackSettings, header: Header, calibration: Calibration
) -> Rectangle | None:
    """Return the part of an image that the search needs; None where the fold must be found."""
    from micromeasure.cracks.patch import strip_window, working_um

    folds = _given_folds(record, settings)
    if not folds:
        return None
    scale = calibration.um_per_px
    pixel_um = working_um(scale, calibration.light.rayleigh_um)
    boxes = np.array(
        [strip_window(line, settings.band_um, scale, pixel_um) for line in folds.values()]
    )
    x0, y0 = np.maximum(boxes[:, :2].min(axis=0), 0)
    x1, y1 = np.minimum(boxes[:, 2:].max(axis=0), (header.width_px - 1, header.height_px - 1))
    if x1 <= x0 or y1 <= y0:
        return None
    return float(x0), float(y0), float(x1), float(y1)


def _given_folds(record: ImageRecord, settings: CrackSettings) -> dict[str, Segment]:
    """Return the fold lines that are given: the manifest's goes before the study's."""
    if record.fold is not None:
        return {FOLD: record.fold}
    if settings.folds is not None:
        return dict(settings.folds)
    return {} if settings.fold is None else {FOLD: settings.fold}


def fold_lines(
    micrograph: Micrograph, settings: CrackSettings
) -> tuple[dict[str, Segment], set[str]]:
    """Return the fold lines of an image by name, given or found, and the flags that go with it."""
    from micromeasure.cracks.fold_line import find_fold_line

    folds = _given_folds(micrograph.record, settings)
    if folds:
        return folds, set()
    found = find_fold_line(micrograph, _region(micrograph.record, settings))
    return {FOLD: found}, {"fold-found"}


def _region(record: ImageRecord, settings: CrackSettings) -> Rectangle | None:
    return record.region if record.region is not None else settings.region


def _searched_share(
    valid: NDArray[np.uint8], fold_row: float, band_px: float, columns: tuple[float, float]
) -> float:
    """Return the share of the band that lies on the image."""
    top, bottom = max(0, round(fold_row - band_px)), round(fold_row + band_px) + 1
    left, right = max(0, round(columns[0])), round(columns[1]) + 1
    part = valid[top:bottom, left:right]
    return float(part.mean()) if part.size else 0.0


def _clipped(micrograph: Micrograph, values: NDArray[np.float32]) -> bool:
    """Return whether too much of the band is at the end of the camera's range."""
    limit = micrograph.full_scale * 0.999
    return float((values[::2, ::2] >= limit).mean()) > _CLIPPED_SHARE


def fold_marks(
    name: str, fold_px: Segment, band_um: float, um_per_px: tuple[float, float]
) -> list[Mark]:
    """Return a fold line and the band searched along it, to be drawn."""
    scale = np.asarray(um_per_px)
    ends = np.array(fold_px).reshape(2, 2)
    along = (ends[1] - ends[0]) * scale
    along = along / np.hypot(*along)
    across = np.array((-along[1], along[0])) * band_um / scale
    outline = np.array([ends[0] + across, ends[1] + across, ends[1] - across, ends[0] - across])
    return [
        Mark(role="fold", points_px=ends, label=name),
        Mark(role="band", points_px=outline, closed=True),
    ]


def _indication_marks(indications: list[Indication]) -> list[Mark]:
    marks = []
    for number, item in enumerate(indications, start=1):
        gap = np.full((1, 2), np.nan)
        parts = [item.centreline_px]
        for branch in item.branches_px:
            parts += [gap, branch]
        label = f"{number}: {item.length.value:.0f} µm, score {item.score:.2f}"
        marks.append(Mark(role="candidate", points_px=np.vstack(parts), label=label))
    return marks


def _caption(indications: list[Indication]) -> str:
    if not indications:
        return "no candidate crack indication (one may have been missed)"
    longest = max(item.length.value or 0.0 for item in indications)
    many = "s" if len(indications) > 1 else ""
    return f"{len(indications)} candidate crack indication{many}, longest {longest:.0f} µm"


QUANTITIES = (
    Quantity(
        name="crack_length",
        title="candidate crack indications",
        unit="um",
        settings=CrackSettings,
        measure=measure_crack_length,
        method="crack_length 2",
        accompanied_by=SUMMARY_QUANTITIES,
        window=window,
    ),
)
