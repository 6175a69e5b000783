"""What a person reads at the end of a run, as plain tables: a few rows, or one row a group."""

import csv
import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from micromeasure.estimate import rounded
from micromeasure.quantities import derivations, quantities
from micromeasure.study.model import Study
from micromeasure.tables.cells import restored_text
from micromeasure.tables.columns import FAILURES_TABLE, MEASUREMENTS_TABLE

# The statistics a person looks for first; sd, min and max stay in the file.
MAIN = frozenset({"mean", "value"})
_ROWS_SHOWN = 40
_FAILURES_SHOWN = 10

Group = tuple[str, str, str, str, str]


@dataclass(slots=True)
class _Spread:
    """Running mean and spread of one group (Welford), so that no row need be kept."""

    n: int = 0
    mean: float = 0.0
    squares: float = 0.0
    low: float = math.inf
    high: float = -math.inf
    flagged: int = 0

    def add(self, value: float) -> None:
        self.n += 1
        step = value - self.mean
        self.mean += step / self.n
        self.squares += step * (value - self.mean)
        self.low, self.high = min(self.low, value), max(self.high, value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A table for people.

    Attributes
    ----------
    title : str
    header : tuple of str
    rows : list of tuple of str
    numeric : frozenset of int
        Columns set flush right.
    """

    title: str
    header: tuple[str, ...]
    rows: list[tuple[str, ...]] = field(default_factory=list)
    numeric: frozenset[int] = frozenset()


def results_shown(out: Path, study: Study) -> Shown:
    """Return the main results: row by row in a small study, else one row a group.

    Parameters
    ----------
    out : pathlib.Path
        The results folder.
    study : Study
        Only the quantities it asks for are shown; what comes along with them is in the files.
    """
    wanted = _asked_for(out, study)
    first: list[Mapping[str, str]] = []
    groups: dict[Group, _Spread] = defaultdict(_Spread)
    for row in _rows(out / MEASUREMENTS_TABLE.file):
        if row["statistic"] not in MAIN or row["quantity"] not in wanted:
            continue
        if len(first) <= _ROWS_SHOWN:
            first.append(_as_given(row))
        key = (row["quantity"], row["feature"], _view(row), row["unit"], row["revision"])
        spread = groups[key]
        spread.flagged += bool(row["flags"])
        if row["value"]:
            spread.add(float(row["value"]))
    return _row_by_row(first) if len(first) <= _ROWS_SHOWN else _by_group(groups, wanted)


def _asked_for(out: Path, study: Study) -> list[str]:
    """Return the quantities to show, in the study's order, derived ones last."""
    there = {row["quantity"] for row in _rows(out / MEASUREMENTS_TABLE.file)}
    wanted: list[str] = []
    for measure in study.measures:
        along = quantities()[measure.quantity].accompanied_by
        # A quantity without a number of its own shows those that come along with it.
        names = [measure.quantity] if measure.quantity in there else along
        wanted += [name for name in names if name in there and name not in wanted]
    return [*wanted, *(name for name in derivations() if name in there and name not in wanted)]


def _view(row: Mapping[str, str]) -> str:
    return " ".join(filter(None, (row["view"], row["state"])))


def failures_shown(out: Path) -> Shown:
    """Return the first failures with their reasons."""
    rows: list[tuple[str, ...]] = []
    total = 0
    for row in _rows(out / FAILURES_TABLE.file):
        total += 1
        if len(rows) < _FAILURES_SHOWN:
            given = _as_given(row)
            rows.append((given["image"] or "–", given["quantity"], given["reason"]))
    more = f"; {total - len(rows)} more in {FAILURES_TABLE.file}" if total > len(rows) else ""
    return Shown(
        title=f"not measured: {total}{more}", header=("image", "quantity", "reason"), rows=rows
    )


def _row_by_row(rows: Sequence[Mapping[str, str]]) -> Shown:
    return Shown(
        title="results (U: expanded uncertainty, 95 %)",
        header=("image", "specimen", "quantity", "feature", "value", "U", "unit", "flags"),
        rows=[
            (
                row["image"] or "–",
                " ".join(filter(None, (row["specimen"], row["position"], row["state"]))),
                row["quantity"],
                row["feature"],
                *_value_texts(row),
                _unit_text(row["unit"]),
                row["flags"],
            )
            for row in rows
        ],
        numeric=frozenset({4, 5}),
    )


def _by_group(groups: Mapping[Group, _Spread], wanted: Sequence[str]) -> Shown:
    shown = Shown(
        title="results by revision (sd: between images)",
        header=("quantity", "feature", "view", "revision", "n", "mean", "sd", "min", "max", "unit",
                "flagged"),
        numeric=frozenset({4, 5, 6, 7, 8, 10}),
    )  # fmt: skip
    order = {name: number for number, name in enumerate(wanted)}
    for key in sorted(groups, key=lambda key: (order[key[0]], key[1:])):
        quantity, feature, view, unit, revision = key
        spread = groups[key]
        sd = math.sqrt(spread.squares / (spread.n - 1)) if spread.n > 1 else None
        mean = spread.mean if spread.n else None
        numbers = (*rounded(mean, sd), *(rounded(v, sd)[0] for v in (spread.low, spread.high)))
        names = (quantity, *map(restored_text, (feature, view, revision)))
        shown.rows.append(
            (*names, str(spread.n), *numbers, _unit_text(unit), str(spread.flagged or ""))
        )
    return shown


def _value_texts(row: Mapping[str, str]) -> tuple[str, str]:
    """Return value and expanded uncertainty as texts, rounded by the latter."""
    if not row["value"]:
        return (f"> {float(row['low_95']):.4g}", "–") if row["low_95"] else ("–", "–")
    value = float(row["value"])
    if not row["high_95"]:
        return rounded(value, None)
    return rounded(value, (float(row["high_95"]) - float(row["low_95"])) / 2)


def _unit_text(unit: str) -> str:
    """Return a unit as people write it; nothing for a plain number."""
    if unit == "1":
        return ""
    return {"deg": "°", "um": "µm", "um2": "µm²"}.get(unit, unit)


def _as_given(row: Mapping[str, str]) -> dict[str, str]:
    return {name: restored_text(cell) for name, cell in row.items()}


def _rows(path: Path) -> Iterator[Mapping[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        yield from csv.DictReader(file)
