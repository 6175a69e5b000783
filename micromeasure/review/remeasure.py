"""Measuring what a person drew by the code of the batch, as plain data for the record."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from typing import Any

import numpy as np

from micromeasure.errors import MeasurementError, MicromeasureError
from micromeasure.estimate import Component, Estimate
from micromeasure.fields import specs
from micromeasure.micrograph.header import MAX_PIXELS
from micromeasure.micrograph.image import Micrograph
from micromeasure.outcome import FloatArray, Indication, Mark, Outcome
from micromeasure.quantities import quantities
from micromeasure.quantities.declare import Frames
from micromeasure.review.lines import from_wkt
from micromeasure.run.frames import FrameStore
from micromeasure.study.model import Job, Measure
from micromeasure.tables.rows import line_string

CRACKS = "crack_length"

_FRAMES = FrameStore()


def crack_measure(job: Job) -> Measure | None:
    """Return the study's crack measure of an image, None where it has none."""
    return next((measure for measure in job.measures if measure.quantity == CRACKS), None)


def marks_measured(job: Job, micrograph: Micrograph) -> dict[int, tuple[Mark, ...]]:
    """Measure an image again and return what each measure marks in it, by measure number."""
    marks: dict[int, tuple[Mark, ...]] = {}
    for measure in job.measures:
        try:
            frames = frames_of(job, measure)
            marks[measure.number] = measure_again(micrograph, measure, frames, {}).marks
        except MicromeasureError:
            # The reason is in failures.csv; here it only means that nothing can be drawn.
            marks[measure.number] = ()
    return marks


def frames_of(job: Job, measure: Measure) -> Frames:
    """Read the companion images of a measure.

    Raises
    ------
    ImageReadError
        If one of them cannot be read.
    """
    frames, _, _ = _FRAMES.read(job, measure, MAX_PIXELS)
    return frames


def redrawable(measure: Measure) -> dict[str, str]:
    """Return which settings of a measure a person may draw, with their kind.

    Returns
    -------
    dict of str to str
        ``rectangle`` or ``segment`` by the setting's name.
    """
    kinds = {name: spec.kind for name, spec in specs(type(measure.settings)).items()}
    return {name: kind for name, kind in kinds.items() if kind in {"rectangle", "segment"}}


def fold_marks_of(job: Job, micrograph: Micrograph) -> dict[int, tuple[Mark, ...]]:
    """Return the fold lines and bands that an image was searched along; none where unknown."""
    from micromeasure.quantities.crack_length import CrackSettings, fold_lines, fold_marks

    measure = crack_measure(job)
    if measure is None or not isinstance(measure.settings, CrackSettings):
        return {}
    try:
        folds, _ = fold_lines(micrograph, measure.settings)
    except MeasurementError:
        return {}
    scale, band_um = micrograph.calibration.um_per_px, measure.settings.band_um
    marks = [
        mark for name, line in folds.items() for mark in fold_marks(name, line, band_um, scale)
    ]
    return {measure.number: tuple(marks)}


def measure_drawn(
    micrograph: Micrograph, points_px: FloatArray, *, marks: Sequence[Mark], score: float | None
) -> dict[str, Any]:
    """Measure along points that a person set on a crack, by the code of the batch.

    Parameters
    ----------
    micrograph : Micrograph
    points_px : ndarray of float, shape (n, 2)
        ``x y``, from end to end.
    marks : sequence of Mark
        From `fold_marks_of`; the nearest fold is taken.
    score : float or None
        Of the indication that is corrected; None for one that was missed.

    Returns
    -------
    dict
        As `drawn_values` makes it.

    Raises
    ------
    MeasurementError
        If there are fewer than two points or one lies outside the image.
    """
    from micromeasure.cracks.indication import measure_centreline

    folds = [mark for mark in marks if mark.role == "fold"]
    fold = min(folds, key=lambda mark: _distance(mark.points_px, points_px), default=None)
    indication = measure_centreline(
        micrograph,
        points_px,
        fold="" if fold is None else fold.label,
        fold_px=None if fold is None else _segment(fold.points_px),
        score=math.nan if score is None else score,
    )
    return drawn_values(indication, micrograph)


def drawn_values(indication: Indication, micrograph: Micrograph) -> dict[str, Any]:
    """Return what the record keeps of a line that a person drew and the program measured."""
    length = indication.length
    return {
        "centreline_px": line_string(indication.centreline_px),
        "fold": indication.fold,
        "length_um": length.value,
        "u_length_um": length.standard_uncertainty,
        "width_um": _known(indication.width_um),
        "angle_to_fold_deg": _known(indication.angle_to_fold_deg),
        "distance_to_fold_um": _known(indication.distance_to_fold_um),
        "contrast": _known(indication.contrast),
        "score": _known(indication.score),
        "length": estimate_values(length),
        "um_per_px": list(micrograph.calibration.um_per_px),
        "calibration": micrograph.calibration.id,
    }


def indication_of(drawn: Mapping[str, Any]) -> Indication:
    """Return the indication that `drawn_values` was given; unknown numbers are NaN."""
    return Indication(
        fold=str(drawn.get("fold", "")),
        length=estimate_of(drawn["length"]),
        width_um=_number(drawn, "width_um"),
        angle_to_fold_deg=_number(drawn, "angle_to_fold_deg"),
        distance_to_fold_um=_number(drawn, "distance_to_fold_um"),
        contrast=_number(drawn, "contrast"),
        score=_number(drawn, "score"),
        centreline_px=from_wkt(str(drawn["centreline_px"])),
    )


def estimate_values(estimate: Estimate) -> dict[str, Any]:
    """Return an estimate as plain data; infinite degrees of freedom become None."""
    values = asdict(estimate)
    for component in values["components"] or ():
        component["dof"] = _known(component["dof"])
    return values


def estimate_of(values: Mapping[str, Any]) -> Estimate:
    """Return the estimate that `estimate_values` was given."""
    given = values["components"]
    components = given and tuple(
        Component(**{**one, "dof": math.inf if one["dof"] is None else one["dof"]}) for one in given
    )
    return Estimate(**{**values, "components": None if given is None else tuple(components)})


def measure_again(
    micrograph: Micrograph,
    measure: Measure,
    frames: Frames,
    changes: Mapping[str, Any],
) -> Outcome:
    """Measure a quantity in one image, with settings that a person drew anew.

    Parameters
    ----------
    micrograph : Micrograph
    measure : Measure
    frames : mapping
        Companion images by settings field.
    changes : mapping of str to tuple of floats
        Settings by name, such as ``region``, see `redrawable`.

    Returns
    -------
    Outcome

    Raises
    ------
    MeasurementError
        If nothing can be measured that way.
    """
    settings, record = measure.settings, micrograph.record
    for name, value in changes.items():
        settings = replace(settings, **{name: value})
        if hasattr(record, name):
            # What a person drew goes before the manifest, too.
            record = replace(record, **{name: value})
    quantity = quantities()[measure.quantity]
    return quantity.measure(replace(micrograph, record=record), settings, frames)


def _segment(points_px: FloatArray) -> tuple[float, float, float, float]:
    (x0, y0), (x1, y1) = points_px[0], points_px[-1]
    return float(x0), float(y0), float(x1), float(y1)


def _distance(fold_px: FloatArray, points_px: FloatArray) -> float:
    """Return the distance of a line's middle from a fold line, pixels."""
    start, along = fold_px[0], fold_px[-1] - fold_px[0]
    away = points_px.mean(axis=0) - start
    return float(abs(along[0] * away[1] - along[1] * away[0]) / max(np.hypot(*along), 1e-9))


def _known(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _number(drawn: Mapping[str, Any], name: str) -> float:
    value = drawn.get(name)
    return math.nan if value is None else float(value)
