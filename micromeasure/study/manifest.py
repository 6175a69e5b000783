"""The manifest: which image shows which specimen in which view."""

import csv
import datetime as dt
import io
import math
import re
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from micromeasure.fields import nearest
from micromeasure.micrograph.header import SUFFIXES
from micromeasure.micrograph.image import ImageRecord, Rectangle

REQUIRED_COLUMNS = ("image", "specimen", "revision", "view")
STATES = ("free", "pressed")
OPTIONAL_COLUMNS = (
    "position",
    "state",
    "calibration",
    "taken",
    "section_tilt_deg",
    "u_section_tilt_deg",
    "region",
    "fold",
)
_NAME_FIELDS = ("specimen", "revision", "view", "position", "state", "calibration")


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """The records of a manifest and the names of the columns carried through."""

    records: tuple[ImageRecord, ...] = ()
    extra_columns: tuple[str, ...] = ()


def records_from_table(path: Path, images: Path, problems: list[str]) -> Manifest:
    """Read a manifest CSV, collecting every problem as a sentence.

    Parameters
    ----------
    path : pathlib.Path
        UTF-8 CSV with a header row; a comma, semicolon or tab separates.
    images : pathlib.Path
        The images folder; paths that leave it are refused.
    problems : list of str
        Sentences are appended here, with line and column.
    """
    table = _read_cells(path, problems)
    if not table:
        return Manifest()
    columns = [name.strip() for name in table[0][1]]
    if not _check_columns(columns, path.name, problems):
        return Manifest()
    extra = tuple(c for c in columns if c not in REQUIRED_COLUMNS + OPTIONAL_COLUMNS)
    records: dict[str, tuple[int, ImageRecord]] = {}
    for line, row in table[1:]:
        where = f"{path.name}, line {line}"
        if len(row) != len(columns):
            problems.append(
                f"{where}: found {len(row)} cells; must be {len(columns)} as in the header row."
            )
            continue
        cells = dict(zip(columns, (cell.strip() for cell in row), strict=True))
        record = _Row(cells, where, problems).record(images, extra)
        if record is None:
            continue
        if record.image in records:
            problems.append(
                f"{where}, image: '{record.image}' stands in line {records[record.image][0]} "
                "too; keep one row."
            )
        else:
            records[record.image] = (line, record)
    if len(table) == 1:
        problems.append(f"{path.name}: has no rows; add one row an image.")
    return Manifest(records=tuple(r for _, r in records.values()), extra_columns=extra)


def _read_cells(path: Path, problems: list[str]) -> list[tuple[int, list[str]]]:
    """Return the rows that hold anything, each with its line number, the header first."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        problems.append(f"{path.name}: cannot be read ({error.strerror}).")
        return []
    except UnicodeDecodeError:
        problems.append(f"{path.name}: is not UTF-8 text; save it as CSV in UTF-8.")
        return []
    separator = max(",;\t", key=text.split("\n", 1)[0].count)
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    try:
        table = [(rows.line_num, row) for row in rows if any(cell.strip() for cell in row)]
    except csv.Error as error:
        problems.append(f"{path.name}, line {rows.line_num}: is not valid CSV ({error}).")
        return []
    if not table:
        problems.append(f"{path.name}: is empty; it needs a header row and one row an image.")
    return table


def records_from_names(pattern: str, images: Path, study: str, problems: list[str]) -> Manifest:
    """Read specimen, revision and the rest from file names such as ``K_1_section_2.tif``.

    Parameters
    ----------
    pattern : str
        Name with fields in braces, such as ``{revision}_{specimen}_{view}_{position}.tif``. A
        field holds any characters but ``_`` and ``/``, or more where that is the only way.
    images : pathlib.Path
        The images folder, searched with its subfolders.
    study : str
        Name of the study file, for messages.
    problems : list of str
        Sentences are appended here.
    """
    parts = re.split(r"\{(\w*)\}", pattern)
    fields = parts[1::2]
    unknown = [f for f in fields if f not in _NAME_FIELDS]
    if unknown or not fields:
        found = unknown[0] if unknown else pattern
        problems.append(
            f"{study}, pattern: unknown field '{found}'; {nearest(found, _NAME_FIELDS)}"
        )
        return Manifest()
    if len(set(fields)) != len(fields):
        problems.append(f"{study}, pattern: a field stands twice; name each field once.")
        return Manifest()
    expression = "".join(
        f"(?P<{part}>[^/]+?)" if index % 2 else re.escape(part) for index, part in enumerate(parts)
    )
    matcher = re.compile(expression)
    records = []
    for file in sorted(p for p in images.rglob("*") if p.suffix.lower() in SUFFIXES):
        name = file.relative_to(images).as_posix()
        match = matcher.fullmatch(name)
        if match is not None:
            values: dict[str, Any] = match.groupdict()
            records.append(ImageRecord(image=name, **values))
    if not records:
        problems.append(f"{study}, pattern: no file in the images folder fits '{pattern}'.")
    return Manifest(records=tuple(records))


def _check_columns(columns: list[str], name: str, problems: list[str]) -> bool:
    before = len(problems)
    problems.extend(
        f"{name}, header: column '{column}' stands twice; remove one."
        for column in sorted({c for c in columns if columns.count(c) > 1})
    )
    for column in REQUIRED_COLUMNS:
        if column not in columns:
            others = [c for c in columns if c not in REQUIRED_COLUMNS + OPTIONAL_COLUMNS]
            hint = f"; {nearest(column, others)}" if others else "."
            problems.append(f"{name}, header: column '{column}' is missing{hint}")
    return len(problems) == before


class _Row:
    """One line of a manifest while it is checked."""

    def __init__(self, cells: dict[str, str], where: str, problems: list[str]) -> None:
        self.cells = cells
        self.where = where
        self.problems = problems

    def record(self, images: Path, extra: tuple[str, ...]) -> ImageRecord | None:
        before = len(self.problems)
        state = self.cells.get("state", "")
        if state and state not in STATES:
            self.fault("state", state, f"free, pressed or empty ({nearest(state, STATES)})")
        record = ImageRecord(
            image=self.image(images),
            specimen=self.cells["specimen"],
            revision=self.cells["revision"],
            view=self.cells["view"],
            position=self.cells.get("position", ""),
            state=state,
            calibration=self.cells.get("calibration", ""),
            taken=self.date("taken"),
            section_tilt_deg=self.number("section_tilt_deg", -80, 80),
            u_section_tilt_deg=self.number("u_section_tilt_deg", 0, 45),
            region=self.rectangle("region"),
            fold=self.rectangle("fold"),
            extra={name: self.cells[name] for name in extra},
        )
        return record if len(self.problems) == before else None

    def fault(self, column: str, found: str, allowed: str) -> None:
        self.problems.append(f"{self.where}, {column}: found '{found}'; must be {allowed}.")

    def image(self, images: Path) -> str:
        name = self.cells["image"].replace("\\", "/")
        path = PurePosixPath(name)
        outside = path.is_absolute() or ".." in path.parts or re.match(r"[A-Za-z]:", name)
        if not name or "\0" in name or outside:
            self.fault("image", name, "a path inside the images folder")
            return ""
        # A link may lead out of the folder where the text does not.
        if not (images / name).resolve().is_relative_to(images.resolve()):
            self.fault("image", name, "a path inside the images folder, not a link out of it")
        return path.as_posix()

    def date(self, column: str) -> dt.date | None:
        text = self.cells.get(column, "")
        if not text:
            return None
        try:
            return dt.date.fromisoformat(text[:10])
        except ValueError:
            self.fault(column, text, "a date such as 2026-02-11")
            return None

    def number(self, column: str, low: float, high: float) -> float | None:
        text = self.cells.get(column, "")
        if not text:
            return None
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not low <= value <= high:
            self.fault(column, text, f"a number from {low:g} to {high:g}")
            return None
        return value

    def rectangle(self, column: str) -> Rectangle | None:
        text = self.cells.get(column, "")
        if not text:
            return None
        try:
            values = [float(part) for part in text.split()]
        except ValueError:
            values = []
        if len(values) != 4 or not all(math.isfinite(v) and v >= 0 for v in values):
            self.fault(column, text, "four numbers 'x0 y0 x1 y1' in pixels")
            return None
        x0, y0, x1, y1 = values
        if column == "region" and not (x0 < x1 and y0 < y1):
            self.fault(column, text, "'x0 y0 x1 y1' with x0 < x1 and y0 < y1")
            return None
        if (x0, y0) == (x1, y1):
            self.fault(column, text, "two different points 'x0 y0 x1 y1'")
            return None
        return x0, y0, x1, y1
