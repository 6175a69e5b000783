"""Tables of a detectability study: true cracks and candidates in, figures, curve and plot out."""

import csv
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from micromeasure.errors import StudyError
from micromeasure.tables.cells import number_cell, text_cell
from micromeasure.tables.writing import CsvFile, replace_file, unwritable

CRACK_COLUMNS = ("image", "length_um", "hit", "measured_length_um", "score")
CANDIDATE_COLUMNS = ("image", "length_um", "score", "true")
RESULT_COLUMNS = ("statistic", "value", "unit", "remark")
CURVE_COLUMNS = ("length_um", "probability_of_detection")


@dataclass(frozen=True, slots=True, kw_only=True)
class CrackTable:
    """True cracks and whether, or how clearly, each was found.

    Attributes
    ----------
    length_um : tuple of float
    hit : tuple of float or None
        1 found, 0 missed.
    signal : tuple of float or None
        NaN where there was none; given instead of `hit`.
    """

    length_um: tuple[float, ...]
    hit: tuple[float, ...] | None = None
    signal: tuple[float, ...] | None = None


def read_crack_table(path: Path) -> CrackTable:
    """Read a CSV of true cracks with ``length_um`` and ``hit`` or ``signal``.

    Raises
    ------
    StudyError
        With one sentence for each fault.
    """
    rows = _rows(path)
    problems: list[str] = []
    names = set(rows[0]) if rows else set()
    if "length_um" not in names or not names & {"hit", "signal"}:
        message = (
            f"{path.name}: has the columns {', '.join(sorted(names)) or '(none)'}; needs length_um "
            "and one of hit (0 or 1) and signal."
        )
        raise StudyError([message])
    lengths = [
        _number(f"{path.name}, line {line}", row, "length_um", problems)
        for line, row in _numbered(rows)
    ]
    if "hit" in names:
        hits = [
            _number(f"{path.name}, line {line}", row, "hit", problems)
            for line, row in _numbered(rows)
        ]
        problems += [
            f"{path.name}, line {line}, hit: found {row['hit']!r}; must be 0 or 1."
            for (line, row), hit in zip(_numbered(rows), hits, strict=True)
            if not math.isnan(hit) and hit not in (0.0, 1.0)
        ]
        table = CrackTable(length_um=tuple(lengths), hit=tuple(hits))
    else:
        signals = [
            math.nan
            if not row["signal"].strip()
            else _number(f"{path.name}, line {line}", row, "signal", problems)
            for line, row in _numbered(rows)
        ]
        table = CrackTable(length_um=tuple(lengths), signal=tuple(signals))
    if problems:
        raise StudyError(problems)
    return table


def count_false(path: Path) -> int:
    """Return how many candidates of a CSV with a column ``true`` (0 or 1) were no crack.

    Raises
    ------
    StudyError
        If the column is missing or holds anything else.
    """
    rows = _rows(path)
    if rows and "true" not in rows[0]:
        message = (
            f"{path.name}: has no column 'true'; add it with 1 for candidates that lie on a crack "
            "and 0 for the others."
        )
        raise StudyError([message])
    problems = [
        f"{path.name}, line {line}, true: found {row['true']!r}; must be 0 or 1."
        for line, row in _numbered(rows)
        if row["true"].strip() not in ("0", "1")
    ]
    if problems:
        raise StudyError(problems)
    return sum(row["true"].strip() == "0" for row in rows)


def write_table(path: Path, header: Sequence[str], rows: Sequence[Mapping[str, object]]) -> None:
    """Write rows of plain values as CSV; None and NaN become empty cells.

    Raises
    ------
    ResultsError
        If the folder cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with CsvFile(path, header) as file:
            for row in rows:
                file.add([_cell(row.get(name)) for name in header])
    except OSError as error:
        raise unwritable(path, error) from error


def write_plot(path: Path, svg: bytes) -> None:
    """Write a plot whole.

    Raises
    ------
    ResultsError
        If the folder cannot be written.
    """
    try:
        replace_file(path, svg)
    except OSError as error:
        raise unwritable(path, error) from error


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(int(value))
    if isinstance(value, (int, float)):
        return number_cell(float(value))
    return text_cell(str(value))


def _rows(path: Path) -> list[dict[str, str]]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            return [
                {str(k).strip(): v or "" for k, v in row.items() if k is not None}
                for row in csv.DictReader(file)
            ]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise StudyError([f"{path}: cannot be read as a CSV table ({reason})."]) from error


def _numbered(rows: list[dict[str, str]]) -> list[tuple[int, dict[str, str]]]:
    """Return rows with their line in the file; the header is line 1."""
    return list(enumerate(rows, start=2))


def _number(where: str, row: dict[str, str], name: str, problems: list[str]) -> float:
    try:
        value = float(row[name])
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or (name == "length_um" and value <= 0):
        wanted = "a number above 0" if name == "length_um" else "a number"
        problems.append(f"{where}, {name}: found {row[name]!r}; must be {wanted}.")
        return math.nan
    return value
