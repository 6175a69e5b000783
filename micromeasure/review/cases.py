"""Cases: all that persons decided about one indication, and what of it stands.

Entries belong to one case if they show the same centreline in the same image, or lines that
overlap enough; names of indications are not trusted, because a fresh run gives them anew.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from micromeasure.review.lines import ENOUGH, NEAR_PX, FloatArray, from_wkt, overlap
from micromeasure.review.record import CONFIRM, CORRECT, DRAW, REJECT, REMARK, UNDO, Entry

Box = tuple[float, float, float, float]

CANDIDATE, CONFIRMED, REJECTED = "candidate", "confirmed", "rejected"

# Whoever draws a line along a crack, or puts one right, says that it is one.
_DECISION = {CONFIRM: CONFIRMED, REJECT: REJECTED, CORRECT: CONFIRMED, DRAW: CONFIRMED}
_ON_INDICATIONS = {CONFIRM, REJECT, REMARK, CORRECT, DRAW}


@dataclass(slots=True, kw_only=True)
class Case:
    """Everything decided about one indication.

    Attributes
    ----------
    image, image_sha256 : str
    lines : list of str
        Every centreline shown or drawn, as WKT, oldest first.
    entries : list of Entry
        Those not taken back, oldest first.
    """

    image: str
    image_sha256: str
    lines: list[str] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    _boxes: list[Box] = field(default_factory=list)

    def add_line(self, line: str) -> None:
        """Take up one more centreline that was shown or drawn."""
        if line not in self.lines:
            self.lines.append(line)
            box = _box(line)
            self._boxes += [] if box is None else [box]

    def likeness(self, line: str) -> float:
        """Return the greatest overlap of a line with this case's, 1 for the very same text."""
        if line in self.lines:
            return 1.0
        box = _box(line)
        # Most pairs of an image are far apart, and comparing boxes costs a hundredth.
        if box is None or not any(_touch(box, other) for other in self._boxes):
            return 0.0
        others = [_points(other) for other in self.lines]
        points = from_wkt(line)
        return max(overlap(other, points) for other in others if other is not None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What stands of a case.

    Attributes
    ----------
    decision : str
        ``candidate``, ``confirmed`` or ``rejected``; ``candidate`` also where persons who
        decided independently do not agree and nobody has settled it.
    decided_by, decided_at, remark : str
        Empty where nobody decided.
    opinions : mapping of str to str
        Latest decision of each person, by initials.
    drawn : mapping or None
        What the last correction or drawing of a person put in the place of the program's line;
        None where the program's line stands.
    is_disputed : bool
        Whether persons differ and it is not settled.
    """

    decision: str = CANDIDATE
    decided_by: str = ""
    decided_at: str = ""
    remark: str = ""
    opinions: Mapping[str, str] = field(default_factory=dict)
    drawn: Mapping[str, Any] | None = None
    is_disputed: bool = False

    @property
    def flags(self) -> tuple[str, ...]:
        """``by-person`` where a person drew the line."""
        return ("by-person",) if self.drawn is not None else ()


def in_force(entries: Iterable[Entry]) -> list[Entry]:
    """Return the entries that were not taken back, without the taking back."""
    entries = list(entries)
    undone = {entry.undoes for entry in entries if entry.action == UNDO}
    return [entry for entry in entries if entry.action != UNDO and entry.entry not in undone]


def cases(entries: Iterable[Entry]) -> list[Case]:
    """Group the decisions about indications that are in force by indication."""
    by_image: dict[tuple[str, str], list[Case]] = defaultdict(list)
    known: dict[tuple[str, str, str], Case] = {}
    for entry in in_force(entries):
        if entry.action not in _ON_INDICATIONS:
            continue
        spot = (entry.image, entry.image_sha256)
        drawn = str(entry.after.get("centreline_px", ""))
        shown = entry.centreline_px or drawn
        case = known.get((*spot, shown)) or _overlapping(by_image[spot], shown)
        if case is None:
            case = Case(image=entry.image, image_sha256=entry.image_sha256)
            by_image[spot].append(case)
        case.entries.append(entry)
        for line in filter(None, (shown, drawn)):
            case.add_line(line)
            known[(*spot, line)] = case
    return [case for found in by_image.values() for case in found]


def standing(case: Case) -> Standing:
    """Return what stands of a case.

    A decision made with another person's decision in sight settles the matter until the next
    such decision. Without one, the decisions of persons who were blind to each other stand where
    all agree; where they do not, the indication remains a candidate to be settled.
    """
    remark = next((e.remark for e in reversed(case.entries) if e.remark), "")
    drawn = next((e.after for e in reversed(case.entries) if e.action in {CORRECT, DRAW}), None)
    verdicts = [e for e in case.entries if e.action in _DECISION]
    if not verdicts:
        return Standing(remark=remark, drawn=drawn)
    opinions = {e.by: _DECISION[e.action] for e in verdicts}
    settling = next((e for e in reversed(verdicts) if not e.independent), None)
    if settling is not None:
        return Standing(
            decision=_DECISION[settling.action], decided_by=settling.by,
            decided_at=settling.at, remark=remark, opinions=opinions, drawn=drawn,
        )  # fmt: skip
    at = verdicts[-1].at
    if len(set(opinions.values())) > 1:
        views = ", ".join(f"{by} {decision}" for by, decision in opinions.items())
        note = f"to be settled: {views}" + (f"; {remark}" if remark else "")
        return Standing(remark=note, opinions=opinions, drawn=drawn, is_disputed=True)
    return Standing(
        decision=next(iter(opinions.values())), decided_by=" ".join(opinions), decided_at=at,
        remark=remark, opinions=opinions, drawn=drawn,
    )  # fmt: skip


def _overlapping(candidates: Sequence[Case], line: str) -> Case | None:
    if not line:
        return None
    best = max(candidates, key=lambda case: case.likeness(line), default=None)
    return best if best is not None and best.likeness(line) >= ENOUGH else None


def _points(line: str) -> FloatArray | None:
    """Return the points of a line, or None for one that is empty or no line at all."""
    try:
        return from_wkt(line)
    except ValueError:
        return None


@lru_cache(maxsize=20_000)
def _box(line: str) -> Box | None:
    points = _points(line)
    if points is None:
        return None
    (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)


def _touch(first: Box, second: Box) -> bool:
    return (
        first[0] <= second[2] + NEAR_PX
        and second[0] <= first[2] + NEAR_PX
        and first[1] <= second[3] + NEAR_PX
        and second[1] <= first[3] + NEAR_PX
    )
