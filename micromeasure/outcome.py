"""What a quantity hands back: measurements, traces, marks to draw, indications and failures.

Everything here is plain data. Nothing writes a file; rows are made in `tables` and pictures
in `run.overlay`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.estimate import Estimate

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """One number of one feature: one row of `measurements.csv`.

    Attributes
    ----------
    feature : str
        Layer, film, foot or fold it belongs to; ``all`` for the whole image.
    statistic : str
        ``mean``, ``sd``, ``min``, ``max`` or ``value``.
    estimate : Estimate
        The number with its unit and uncertainty.
    n : int or None
        Number of profiles, pixels or points it rests on.
    flags : tuple of str
        Names in `micromeasure.flags.REGISTRY`.
    quantity : str or None
        Quantity's name where it is not the one asked for (``crown_radius`` with ``dome_height``).
    """

    feature: str
    statistic: str
    estimate: Estimate
    n: int | None = None
    flags: tuple[str, ...] = ()
    quantity: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Failure:
    """A part of the request that could not be measured, and why, in one sentence."""

    reason: str
    feature: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """A measured curve, written to `profiles/` as CSV.

    Attributes
    ----------
    name : str
        Layer or part; becomes part of the file name.
    columns : mapping of str to ndarray, shape (n,)
        Column names carry their units, such as ``distance_um``.
    """

    name: str
    columns: Mapping[str, FloatArray]


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """Something to draw over the image, in full-image pixel coordinates.

    Attributes
    ----------
    role : str
        What it shows; the overlay picks colour and line by role: ``edge``, ``mid-line``,
        ``base-line``, ``fit``, ``region``, ``excluded``, ``fold``, ``band``, ``candidate``,
        ``point``.
    points_px : ndarray of float, shape (n, 2)
        Points ``x y``. Rows of NaN break a line.
    label : str
        Text beside the mark; empty for none.
    closed : bool
        Whether the last point joins the first.
    """

    role: str
    points_px: FloatArray
    label: str = ""
    closed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Indication:
    """A candidate crack indication: a response that still needs a person's interpretation.

    Attributes
    ----------
    fold : str
        Name of the fold line it lies at.
    length : Estimate
        Length along the centreline, um.
    width_um, angle_to_fold_deg, distance_to_fold_um, contrast, score : float
        As in `indications.csv`; `score` is between 0 and 1.
    centreline_px : ndarray of float, shape (n, 2)
        Main line, ``x y`` in full-image pixels.
    branches_px : tuple of ndarray
        Side branches.
    """

    fold: str
    length: Estimate
    width_um: float
    angle_to_fold_deg: float
    distance_to_fold_um: float
    contrast: float
    score: float
    centreline_px: FloatArray
    branches_px: tuple[FloatArray, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """All that one quantity found in one image.

    Attributes
    ----------
    measurements : tuple of Measurement
    failures : tuple of Failure
    traces : tuple of Trace
    marks : tuple of Mark
    indications : tuple of Indication
    caption : str
        The value as shown on the overlay.
    facts : mapping
        Diagnostics as plain numbers and texts, kept in the ledger for derived quantities.
    """

    measurements: tuple[Measurement, ...] = ()
    failures: tuple[Failure, ...] = ()
    traces: tuple[Trace, ...] = ()
    marks: tuple[Mark, ...] = ()
    indications: tuple[Indication, ...] = ()
    caption: str = ""
    facts: Mapping[str, Any] = field(default_factory=dict)
