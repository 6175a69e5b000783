"""Crack findings: who confirmed what, and what was there to be judged."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from micromeasure.estimate import rounded
from micromeasure.tables.reading import number_of, read_rows

DETECTABILITY_FILE = "detectability.csv"
_FOLDER = "detectability"
_K = 1.96


@dataclass(frozen=True, slots=True, kw_only=True)
class CrackCount:
    """Indications of one revision."""

    revision: str
    specimens: int
    confirmed: int
    candidates: int
    rejected: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Crack:
    """One confirmed indication; finished texts."""

    revision: str
    specimen: str
    place: str
    length: str
    width: str
    by: str
    at: str
    remark: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CrackFindings:
    """Everything the report says about cracks.

    Attributes
    ----------
    counts : tuple of CrackCount
    confirmed : tuple of Crack
    detectability_header : tuple of str
    detectability : tuple of tuple of str
        Rows of `detectability.csv`, from the results folder or a folder `detectability` in it or
        beside it; empty where there is none.
    """

    counts: tuple[CrackCount, ...]
    confirmed: tuple[Crack, ...]
    detectability_header: tuple[str, ...] = ()
    detectability: tuple[tuple[str, ...], ...] = ()

    @property
    def is_open(self) -> bool:
        """Whether candidates wait for a person's judgement."""
        return any(count.candidates for count in self.counts)


def crack_findings(
    folder: Path,
    indications: Sequence[Mapping[str, str]],
    searched: Mapping[str, int],
) -> CrackFindings | None:
    """Gather crack findings, or None where no fold was searched.

    Parameters
    ----------
    folder : pathlib.Path
        The results folder.
    indications : sequence of mapping
        Rows of `indications.csv`.
    searched : mapping of str to int
        Number of specimens whose folds were searched, by revision.
    """
    if not searched and not indications:
        return None
    revisions = list(dict.fromkeys([*searched, *(row["revision"] for row in indications)]))
    header, rows = _detectability(folder)
    return CrackFindings(
        counts=tuple(
            CrackCount(
                revision=revision or "–",
                specimens=searched.get(revision, 0),
                confirmed=_number(indications, revision, "confirmed"),
                candidates=_number(indications, revision, "candidate"),
                rejected=_number(indications, revision, "rejected"),
            )
            for revision in revisions
        ),
        confirmed=tuple(_crack(row) for row in indications if row["decision"] == "confirmed"),
        detectability_header=header,
        detectability=rows,
    )


def _number(indications: Sequence[Mapping[str, str]], revision: str, decision: str) -> int:
    return sum(r["revision"] == revision and r["decision"] == decision for r in indications)


def _crack(row: Mapping[str, str]) -> Crack:
    where = f"indication {row['indication']}"
    length = number_of(row["length_um"], f"{where}, length_um")
    u = number_of(row["u_length_um"], f"{where}, u_length_um")
    value, half = rounded(length, None if u is None else _K * u)
    width = number_of(row["width_um"], f"{where}, width_um")
    return Crack(
        revision=row["revision"] or "–",
        specimen=row["specimen"] or row["image"],
        place=", ".join(t for t in (row["fold"], row["position"]) if t),
        length=value if half == "–" else f"{value} ± {half}",
        width="–" if width is None else f"{width:.2g}",
        by=row["decided_by"] or "–",
        at=row["decided_at"][:10],
        remark=row["remark"],
    )


def _detectability(folder: Path) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    places = (folder, folder / _FOLDER, folder.parent / _FOLDER)
    path = next(
        (p / DETECTABILITY_FILE for p in places if (p / DETECTABILITY_FILE).is_file()), None
    )
    if path is None:
        return (), ()
    rows = read_rows(path)
    if not rows:
        return (), ()
    header = tuple(rows[0])
    return header, tuple(tuple(_shown(cell) for cell in row.values()) for row in rows)


def _shown(cell: str) -> str:
    """Return a cell for people: numbers to four digits."""
    try:
        return f"{float(cell):.4g}"
    except ValueError:
        return cell or "–"
