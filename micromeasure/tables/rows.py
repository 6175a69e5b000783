"""Rows of the result files, made from finished measures."""

import hashlib
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from micromeasure.estimate import Component, as_plain
from micromeasure.micrograph.image import ImageRecord
from micromeasure.outcome import FloatArray, Indication, Measurement, Outcome
from micromeasure.tables.cells import count_cell, dof_cell, number_cell, text_cell

Row = list[str]

_INDICATION_NUMBERS = (
    "fold", "length_um", "u_length_um", "width_um", "angle_to_fold_deg", "distance_to_fold_um",
    "contrast", "score",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Finished:
    """One finished measure of one image, with all that its rows repeat.

    Attributes
    ----------
    record : ImageRecord
        The manifest's row; for derived quantities what the images have in common.
    quantity : str
    outcome : Outcome
    method : str
        Name and version of the method.
    software : str
        Program and version that measured it.
    calibration : str
        Id, empty for none.
    image_sha256 : str
        Empty for what rests on several images.
    """

    record: ImageRecord
    quantity: str
    outcome: Outcome
    method: str
    software: str
    calibration: str = ""
    image_sha256: str = ""


def measurement_rows(finished: Finished, extra_columns: Sequence[str]) -> Iterator[Row]:
    """Make the rows of `measurements.csv`, one per measurement."""
    extra = [text_cell(finished.record.extra.get(name, "")) for name in extra_columns]
    for measurement in finished.outcome.measurements:
        numbers = as_plain(measurement.estimate)
        yield [
            *_whose(finished.record, measurement, finished.quantity),
            number_cell(numbers["value"]),
            text_cell(measurement.estimate.unit),
            number_cell(numbers["standard_uncertainty"]),
            number_cell(numbers["low_95"]),
            number_cell(numbers["high_95"]),
            count_cell(measurement.n),
            text_cell(" ".join(measurement.flags)),
            text_cell(finished.calibration),
            finished.image_sha256,
            text_cell(finished.method),
            text_cell(finished.software),
            *extra,
        ]


def uncertainty_rows(finished: Finished) -> Iterator[Row]:
    """Make the rows of `uncertainty.csv`, one per component of every measurement."""
    for measurement in finished.outcome.measurements:
        whose = _whose(finished.record, measurement, finished.quantity)
        unit = text_cell(measurement.estimate.unit)
        for component in measurement.estimate.components or ():
            yield [*whose, *_component_cells(component, unit)]


def failure_rows(finished: Finished) -> Iterator[Row]:
    """Make the rows of `failures.csv`; a failed part names its feature in the reason."""
    for failure in finished.outcome.failures:
        reason = f"{failure.feature}: {failure.reason}" if failure.feature else failure.reason
        yield failure_row(finished.record, finished.quantity, reason)


def failure_row(record: ImageRecord, quantity: str, reason: str) -> Row:
    """Make one row of `failures.csv`."""
    return [text_cell(cell) for cell in (record.image, record.view, quantity, reason)]


def indication_row(
    finished: Finished, name: str, cells: Mapping[str, str], decision: Sequence[str]
) -> Row:
    """Make one row of `indications.csv`.

    Parameters
    ----------
    finished : Finished
        The measure of the image it lies in.
    name : str
        Identifier, see `indication_id`.
    cells : mapping of str to str
        Finished cells by column, see `indication_cells`.
    decision : sequence of str
        The columns ``decision``, ``decided_by``, ``decided_at`` and ``remark``.
    """
    record = finished.record
    return [
        name,
        *_texts(record.image, record.specimen, record.revision, record.position, record.view),
        *(cells.get(column, "") for column in _INDICATION_NUMBERS),
        *_texts(*decision),
        cells.get("centreline_px", "LINESTRING EMPTY"),
        text_cell(finished.calibration),
        finished.image_sha256,
        cells.get("flags", ""),
    ]


def indication_cells(indication: Indication) -> dict[str, str]:
    """Return what the program found of an indication as cells by column."""
    return {
        "fold": text_cell(indication.fold),
        "length_um": number_cell(indication.length.value),
        "u_length_um": number_cell(indication.length.standard_uncertainty),
        "width_um": number_cell(indication.width_um),
        "angle_to_fold_deg": number_cell(indication.angle_to_fold_deg),
        "distance_to_fold_um": number_cell(indication.distance_to_fold_um),
        "contrast": number_cell(indication.contrast),
        "score": number_cell(indication.score),
        "centreline_px": line_string(indication.centreline_px),
    }


def drawn_cells(drawn: Mapping[str, object]) -> dict[str, str]:
    """Return what a person drew and measured as cells by column; other keys are left out."""
    known = {*_INDICATION_NUMBERS, "centreline_px"}
    return {
        column: number_cell(float(value))
        if isinstance(value, (int, float))
        else text_cell(str(value or ""))
        for column, value in drawn.items()
        if column in known
    }


def indication_id(image_sha256: str, indication: Indication) -> str:
    """Return a short name that stays as long as the image and the line found in it do."""
    line = line_string(indication.centreline_px)
    digest = hashlib.sha256(f"{image_sha256}|{indication.fold}|{line}".encode())
    return digest.hexdigest()[:12]


def line_string(points_px: FloatArray) -> str:
    """Write points as a WKT LINESTRING, to a hundredth of a pixel.

    Parameters
    ----------
    points_px : ndarray of float, shape (n, 2)
        Points ``x y``; a single point is written twice, as WKT wants two.
    """
    points = [(float(x), float(y)) for x, y in points_px if math.isfinite(x) and math.isfinite(y)]
    if not points:
        return "LINESTRING EMPTY"
    if len(points) == 1:
        points *= 2
    # Adding 0.0 turns -0.00 into 0.00, so that the identifier does not hang on a sign of zero.
    return (
        "LINESTRING ("
        + ", ".join(f"{round(x, 2) + 0.0:.2f} {round(y, 2) + 0.0:.2f}" for x, y in points)
        + ")"
    )


def _whose(record: ImageRecord, measurement: Measurement, quantity: str) -> Row:
    return _texts(
        record.image,
        record.specimen,
        record.revision,
        record.position,
        record.state,
        record.view,
        measurement.quantity or quantity,
        measurement.feature,
        measurement.statistic,
    )


def _component_cells(component: Component, unit: str) -> Row:
    return [
        text_cell(component.name),
        number_cell(component.u),
        unit,
        dof_cell(component.dof),
        component.kind,
        *_texts(component.shared or "", component.source),
    ]


def _texts(*texts: str) -> Row:
    return [text_cell(text) for text in texts]
