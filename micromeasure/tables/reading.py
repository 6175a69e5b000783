"""Reading result files back: rows become estimates again, with their components.

The inverse of `rows`; comparison and report work on nothing else, so they can be repeated
without measuring again and on results that came from elsewhere.
"""

import csv
import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from micromeasure.errors import ResultsError
from micromeasure.estimate import Component, Estimate
from micromeasure.tables.cells import restored_text
from micromeasure.tables.columns import (
    FAILURES_TABLE,
    INDICATIONS_TABLE,
    MEASUREMENTS_TABLE,
    UNCERTAINTY_TABLE,
)

_WHOSE = (
    "image", "specimen", "revision", "position", "state", "view", "quantity", "feature",
    "statistic",
)  # fmt: skip
_OF_INDICATIONS = (
    "indication", "image", "specimen", "revision", "position", "fold", "length_um", "u_length_um",
    "width_um", "decision", "decided_by", "decided_at", "remark", "centreline_px",
)  # fmt: skip
# Both files carry ten digits, so a budget and its total agree far better than this.
_SAME_TOTAL = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One row of `measurements.csv`, or of a file brought in from another instrument.

    Attributes
    ----------
    image, specimen, revision, position, state, view, quantity, feature, statistic : str
        Empty where the row does not say.
    estimate : Estimate
        Its value is None for a lower limit and for a text result.
    text : str
        A result in words, such as the name of a polymer; empty for numbers.
    n : int or None
    flags : tuple of str
    calibration, image_sha256, method, software : str
    extra : mapping of str to str
        Columns that were carried through.
    brought_in : str
        File name where the row comes from another instrument, empty for our own.
    """

    image: str = ""
    specimen: str = ""
    revision: str = ""
    position: str = ""
    state: str = ""
    view: str = ""
    quantity: str
    feature: str = ""
    statistic: str = "value"
    estimate: Estimate
    text: str = ""
    n: int | None = None
    flags: tuple[str, ...] = ()
    calibration: str = ""
    image_sha256: str = ""
    method: str = ""
    software: str = ""
    extra: Mapping[str, str] = field(default_factory=dict)
    brought_in: str = ""


def read_results(folder: Path) -> tuple[Result, ...]:
    """Read `measurements.csv` with the budgets in `uncertainty.csv`.

    Parameters
    ----------
    folder : pathlib.Path
        The results folder.

    Returns
    -------
    tuple of Result
        In the order of the file.

    Raises
    ------
    ResultsError
        If a file is missing, lacks a column or holds a cell that is no number.
    """
    budgets = _budgets(folder / UNCERTAINTY_TABLE.file)
    path = folder / MEASUREMENTS_TABLE.file
    carried = None
    results = []
    for number, row in _rows(path, MEASUREMENTS_TABLE.header):
        if carried is None:
            carried = [name for name in row if name not in MEASUREMENTS_TABLE.header]
        key = tuple(row[name] for name in _WHOSE)
        results.append(
            Result(
                **{name: row[name] for name in _WHOSE},
                estimate=_estimate(row, budgets.get(key), f"{path.name}, row {number}"),
                n=_count(row["n"]),
                flags=tuple(row["flags"].split()),
                calibration=row["calibration"],
                image_sha256=row["image_sha256"],
                method=row["method"],
                software=row["software"],
                extra={name: row[name] for name in carried},
            )
        )
    return tuple(results)


def read_indications(folder: Path) -> tuple[dict[str, str], ...]:
    """Read `indications.csv` as texts by column; empty where there is no such file."""
    path = folder / INDICATIONS_TABLE.file
    return tuple(row for _, row in _rows(path, _OF_INDICATIONS)) if path.is_file() else ()


def read_failures(folder: Path) -> tuple[dict[str, str], ...]:
    """Read `failures.csv` as texts by column; empty where there is no such file."""
    path = folder / FAILURES_TABLE.file
    return tuple(row for _, row in _rows(path, FAILURES_TABLE.header)) if path.is_file() else ()


def read_rows(path: Path) -> tuple[dict[str, str], ...]:
    """Read any CSV file with a header row as texts by column.

    Raises
    ------
    ResultsError
        If the file cannot be read or is no table.
    """
    return tuple(row for _, row in _rows(path, ()))


def _rows(path: Path, needed: Sequence[str]) -> Iterator[tuple[int, dict[str, str]]]:
    """Yield row numbers, the header being row 1, and cells with their texts restored."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file, strict=True, restval="")
            missing = [c for c in needed if c not in _header(reader, path)]
            if missing:
                message = (
                    f"{path.name}: there is no column {', '.join(missing)}; the file was changed "
                    "or written by another version, run the study again."
                )
                raise ResultsError(message)
            for row in reader:
                if None in row:
                    message = (
                        f"{path.name}, row {reader.line_num}: found more cells than the header "
                        "has columns; put cells that hold a comma in quotation marks."
                    )
                    raise ResultsError(message)
                yield reader.line_num, {k: restored_text(v) for k, v in row.items()}
    except FileNotFoundError as error:
        message = f"{path}: there is no such file; run the study first."
        raise ResultsError(message) from error
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        message = f"{path.name}: cannot be read as a CSV file in UTF-8 ({error})."
        raise ResultsError(message) from error


def _header(reader: "csv.DictReader[str]", path: Path) -> list[str]:
    header = list(reader.fieldnames or ())
    doubled = sorted({name for name in header if header.count(name) > 1})
    if doubled:
        message = f"{path.name}: column {', '.join(doubled)} is there twice; keep one."
        raise ResultsError(message)
    return header


def _budgets(path: Path) -> dict[tuple[str, ...], tuple[Component, ...]]:
    if not path.is_file():
        return {}
    found: dict[tuple[str, ...], list[Component]] = defaultdict(list)
    for number, row in _rows(path, UNCERTAINTY_TABLE.header):
        where = f"{path.name}, row {number}"
        u = number_of(row["standard_uncertainty"], f"{where}, standard_uncertainty")
        dof = number_of(row["dof"], f"{where}, dof")
        found[tuple(row[name] for name in _WHOSE)].append(
            Component(
                name=row["component"],
                u=u or 0.0,
                dof=math.inf if dof is None else dof,
                shared=row["shared"] or None,
                kind=row["kind"],
                source=row["source"],
            )
        )
    return {key: tuple(parts) for key, parts in found.items()}


def _estimate(row: Mapping[str, str], budget: tuple[Component, ...] | None, where: str) -> Estimate:
    value = number_of(row["value"], f"{where}, value")
    u = number_of(row["standard_uncertainty"], f"{where}, standard_uncertainty")
    low = number_of(row["low_95"], f"{where}, low_95")
    unit = row["unit"]
    limit = low if value is None else None
    if u is None:
        return Estimate(value=value, unit=unit, components=None, low_limit=limit)
    if budget is not None:
        estimate = Estimate(value=value, unit=unit, components=budget)
        if math.isclose(estimate.standard_uncertainty or 0.0, u, rel_tol=_SAME_TOTAL):
            return estimate
    # Two measures of one name share a key, or a budget was edited: the row's own figure rules.
    return stated(value, unit, u)


def stated(value: float | None, unit: str, u: float | None) -> Estimate:
    """Return an estimate whose uncertainty comes as one figure, or not at all."""
    if u is None:
        return Estimate(value=value, unit=unit, components=None)
    return Estimate(value=value, unit=unit, components=(Component(name="stated", u=u),))


def number_of(cell: str, where: str) -> float | None:
    """Return a cell as a number; None for an empty one.

    Raises
    ------
    ResultsError
        If it is no number.
    """
    if not cell.strip():
        return None
    try:
        number = float(cell)
    except ValueError as error:
        message = f"{where}: found '{cell}'; must be a number with a decimal point, or empty."
        raise ResultsError(message) from error
    if math.isnan(number):
        return None
    return number


def _count(cell: str) -> int | None:
    return int(float(cell)) if cell.strip() else None
