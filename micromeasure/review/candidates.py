"""Candidates: the indications of a results folder as they are put before a person."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from micromeasure.errors import ResultsError
from micromeasure.review.lines import from_wkt
from micromeasure.tables.columns import INDICATIONS_TABLE
from micromeasure.tables.reading import number_of, read_indications

# Names of lines that only a person drew begin with this.
DRAWN_PREFIX = "by-person-"

_NUMBERS = (
    "length_um", "u_length_um", "width_um", "angle_to_fold_deg", "distance_to_fold_um",
    "contrast", "score",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """One indication to be decided on.

    Attributes
    ----------
    indication, image, image_sha256 : str
        As in `indications.csv`.
    specimen, revision, position, view, fold, calibration : str
    centreline_px : str
        WKT LINESTRING; empty for an image in which nothing was found.
    numbers : mapping of str to float or None
        The numeric columns by name.
    by_person : bool
        Whether a person drew the line.
    """

    indication: str
    image: str
    image_sha256: str
    specimen: str = ""
    revision: str = ""
    position: str = ""
    view: str = ""
    fold: str = ""
    calibration: str = ""
    centreline_px: str
    numbers: Mapping[str, float | None] = field(default_factory=dict)
    by_person: bool = False

    @property
    def is_blank(self) -> bool:
        """Whether this stands for an image in which nothing was found."""
        return not self.centreline_px

    @property
    def score(self) -> float:
        """Score, 0 where there is none."""
        return self.numbers.get("score") or 0.0


def read_candidates(folder: Path) -> tuple[Candidate, ...]:
    """Read the indications of a results folder.

    Lines that only a person drew are left out; they are in the record of decisions, which may
    have gone on since the results were written.

    Raises
    ------
    ResultsError
        If there are no results yet, or `indications.csv` cannot be used.
    """
    path = folder / INDICATIONS_TABLE.file
    if not path.is_file():
        message = (
            f"{folder}: there are no results yet ({path.name} is not there); measure the study "
            "first with: micromeasure run STUDY"
        )
        raise ResultsError(message)
    return tuple(
        _candidate(row, f"{path.name}, row {number}")
        for number, row in enumerate(read_indications(folder), start=2)
        if not row["indication"].startswith(DRAWN_PREFIX)
    )


def with_line(candidate: Candidate, drawn: Mapping[str, Any]) -> Candidate:
    """Return a candidate with the line a person drew and the numbers measured along it."""
    return replace(
        candidate,
        fold=str(drawn.get("fold", candidate.fold)),
        centreline_px=str(drawn["centreline_px"]),
        numbers=numbers_of(drawn),
        by_person=True,
    )


def numbers_of(values: Mapping[str, Any]) -> dict[str, float | None]:
    """Return the numeric columns of an indication out of a wider mapping."""
    return {name: _float(values.get(name)) for name in _NUMBERS}


def in_order(candidates: Iterable[Candidate], by: str, images: Iterable[str]) -> list[Candidate]:
    """Sort candidates for a person.

    Parameters
    ----------
    candidates : iterable of Candidate
    by : str
        ``score``, the clearest first; or ``image``, image after image as in the manifest and the
        clearest first in each.
    images : iterable of str
        Names in the order of the manifest.
    """
    place = {name: number for number, name in enumerate(images)}
    if by == "score":
        return sorted(candidates, key=lambda c: (-c.score, place.get(c.image, 0), c.indication))
    return sorted(
        candidates, key=lambda c: (place.get(c.image, len(place)), -c.score, c.indication)
    )


def _candidate(row: Mapping[str, str], where: str) -> Candidate:
    try:
        from_wkt(row["centreline_px"])
    except ValueError as error:
        message = f"{where}, centreline_px: {error}."
        raise ResultsError(message) from error
    return Candidate(
        indication=row["indication"],
        image=row["image"],
        image_sha256=row["image_sha256"],
        specimen=row["specimen"],
        revision=row["revision"],
        position=row["position"],
        view=row["view"],
        fold=row["fold"],
        calibration=row["calibration"],
        centreline_px=row["centreline_px"],
        numbers={name: number_of(row[name], f"{where}, {name}") for name in _NUMBERS},
    )


def _float(value: object) -> float | None:
    return float(value) if isinstance(value, (int, float)) else None
