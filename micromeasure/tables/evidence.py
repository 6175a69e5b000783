"""Results of other instruments, brought in as CSV files in the columns of `measurements.csv`."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from micromeasure.errors import ResultsError
from micromeasure.estimate import Estimate
from micromeasure.tables.columns import MEASUREMENTS_TABLE
from micromeasure.tables.reading import Result, number_of, read_rows, stated

REQUIRED = ("specimen", "revision", "quantity", "value")
"""Columns that such a file must have; any other of `measurements.csv` may be there."""

_PLACES = ("image", "specimen", "revision", "position", "state", "view", "feature")


def read_evidence(path: Path) -> tuple[Result, ...]:
    """Read the results of another instrument.

    Parameters
    ----------
    path : pathlib.Path
        A CSV file with the columns `REQUIRED`; `unit`, `standard_uncertainty`, `feature`,
        `position`, `statistic`, `method` and the others of `measurements.csv` where known.

    Returns
    -------
    tuple of Result
        A cell of `value` that is no number is a result in words.

    Raises
    ------
    ResultsError
        If the file cannot be read, lacks a column or a cell.
    """
    rows = read_rows(path)
    found = []
    for number, row in enumerate(rows, start=2):
        where = f"{path.name}, row {number}"
        missing = [name for name in REQUIRED if name not in row]
        if missing:
            message = (
                f"{path.name}: there is no column {', '.join(missing)}; a file brought in needs "
                f"{', '.join(REQUIRED)}."
            )
            raise ResultsError(message)
        empty = [name for name in REQUIRED if not row[name].strip()]
        if empty:
            message = f"{where}: {', '.join(empty)} is empty; fill it in or remove the row."
            raise ResultsError(message)
        found.append(_result(row, path.name, where))
    return tuple(found)


def _result(row: Mapping[str, str], name: str, where: str) -> Result:
    estimate, text = _value(row, where)
    places: Any = {place: row.get(place, "").strip() for place in _PLACES}
    return Result(
        **places,
        quantity=row["quantity"].strip(),
        statistic=row.get("statistic", "").strip() or "value",
        estimate=estimate,
        text=text,
        flags=tuple(row.get("flags", "").split()),
        calibration=row.get("calibration", ""),
        method=row.get("method", ""),
        software=row.get("software", ""),
        extra={k: v for k, v in row.items() if k not in MEASUREMENTS_TABLE.header},
        brought_in=name,
    )


def _value(row: Mapping[str, str], where: str) -> tuple[Estimate, str]:
    cell, unit = row["value"].strip(), row.get("unit", "").strip()
    try:
        value = float(cell)
    except ValueError:
        return Estimate(value=None, unit=unit), cell
    u = number_of(row.get("standard_uncertainty", ""), f"{where}, standard_uncertainty")
    if u is not None and u <= 0:
        message = (
            f"{where}, standard_uncertainty: found {u:g}; must be above 0, or empty where it is "
            "unknown."
        )
        raise ResultsError(message)
    return stated(value, unit, u), ""
