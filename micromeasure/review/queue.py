"""The queue: which indication is shown, what was decided on it, and writing each decision down.

No display and no pixels here. Whatever a person does becomes an entry of the record before the
queue moves on, so that closing at any moment loses nothing.
"""

import re
import uuid
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from micromeasure.errors import ResultsError, StudyError
from micromeasure.review.candidates import DRAWN_PREFIX, Candidate, in_order, with_line
from micromeasure.review.cases import CANDIDATE, CONFIRMED, REJECTED, Standing
from micromeasure.review.merge import Found, merge
from micromeasure.review.record import (
    CONFIRM,
    CORRECT,
    DRAW,
    REJECT,
    REMARK,
    UNDO,
    Entry,
    append,
    read_record,
)

_RESULT = {CONFIRM: CONFIRMED, REJECT: REJECTED}
_INDICATION_ACTIONS = {CONFIRM, REJECT, REMARK, CORRECT, DRAW}


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """How a review is done.

    Attributes
    ----------
    reviewer : str
        Initials of the person.
    by : str
        ``score`` or ``image``.
    blind : bool
        Hide what other persons decided.
    settle : bool
        Show only what persons decided differently.
    """

    reviewer: str
    by: str = "score"
    blind: bool = False
    settle: bool = False

    def __post_init__(self) -> None:
        """Refuse initials that could not be told apart in a list of names."""
        if not re.fullmatch(r"[^\W_][\w.-]{0,15}", self.reviewer):
            message = (
                f"reviewer: found '{self.reviewer}'; must be initials of 1 to 16 letters or "
                "digits without spaces, such as XY."
            )
            raise StudyError([message])


class Queue:
    """The indications of a study in the order they are put before a person.

    Parameters
    ----------
    candidates : iterable of Candidate
        As the program found them; blank ones for images in which nothing was found.
    record : pathlib.Path
        The record of decisions.
    images : mapping of str to str
        Digest by image, in the order of the manifest.
    rules : Rules

    Attributes
    ----------
    position : int
        Place of the current indication, from 0.
    """

    def __init__(
        self,
        candidates: Iterable[Candidate],
        *,
        record: Path,
        images: Mapping[str, str],
        rules: Rules,
    ) -> None:
        self.rules = rules
        self.position = 0
        self._path = record
        self._images = dict(images)
        self._found: dict[str, list[Candidate]] = defaultdict(list)
        for candidate in candidates:
            self._found[candidate.image].append(candidate)
        self._entries: dict[str, list[Entry]] = defaultdict(list)
        self._mine: list[Entry] = []
        entries = read_record(record).entries
        for entry in entries:
            if not rules.blind or entry.by == rules.reviewer:
                self._entries[entry.image].append(entry)
        self._standing: dict[tuple[str, str], Standing] = {}
        self._items = self._first_order(entries)

    def __len__(self) -> int:
        """Return the number of indications in the queue."""
        return len(self._items)

    @property
    def current(self) -> Candidate | None:
        """The indication that is shown, with a person's line where there is one."""
        return self._shown(self._items[self.position]) if self._items else None

    def standing(self, candidate: Candidate) -> Standing:
        """Return what stands of an indication, as this person may see it."""
        return self._standing.get((candidate.image, candidate.indication), Standing())

    def neighbours(self, candidate: Candidate) -> list[Candidate]:
        """Return the other indications of the same image."""
        same = [item for item in self._items if item.image == candidate.image]
        return [
            self._shown(item)
            for item in same
            if item.indication != candidate.indication and not item.is_blank
        ]

    def upcoming(self, count: int) -> list[str]:
        """Return the images that will be shown next, without repeats, the current one first."""
        ahead = self._items[self.position : self.position + 50]
        behind = self._items[max(0, self.position - 1) : self.position]
        return list(dict.fromkeys(item.image for item in [*ahead, *behind]))[:count]

    def progress(self) -> str:
        """Return place and progress as shown on the screen."""
        if not self._items:
            return "no indications to decide"
        items = [item for item in self._items if not item.is_blank]
        decided = sum(self._is_decided(item) for item in items)
        place = f"{self.position + 1} of {len(self._items)}"
        return f"{place}, {decided} of {len(items)} indications decided"

    def move(self, steps: int) -> None:
        """Go forwards or backwards; the ends of the queue hold."""
        self.position = max(0, min(len(self._items) - 1, self.position + steps))

    def go_to_undecided(self) -> bool:
        """Go to the next indication that is not decided; return whether there is one."""
        count = len(self._items)
        for step in range(1, count + 1):
            place = (self.position + step) % count
            item = self._items[place]
            if not item.is_blank and not self._is_decided(item):
                self.position = place
                return True
        return False

    def decide(self, action: str, *, shown_sha256: str, remark: str = "") -> None:
        """Confirm or reject the current indication, or remark on it.

        Parameters
        ----------
        action : str
            `CONFIRM`, `REJECT` or `REMARK`.
        shown_sha256 : str
            Digest of the image that is on the screen.
        remark : str
            Words of the person.

        Raises
        ------
        ResultsError
            If another image is shown than was measured, or the record cannot be written.
        """
        after = {"decision": _RESULT[action]} if action in _RESULT else {}
        self._write(action, shown_sha256, after=after, remark=remark)

    def correct(self, drawn: Mapping[str, Any], *, shown_sha256: str) -> None:
        """Put a person's line in the place of the current indication's and confirm it.

        Parameters
        ----------
        drawn : mapping
            ``centreline_px`` and the columns measured along it.
        shown_sha256 : str
            Digest of the image that is on the screen.
        """
        self._write(CORRECT, shown_sha256, after={**drawn, "decision": CONFIRMED})

    def draw(self, drawn: Mapping[str, Any], *, shown_sha256: str) -> None:
        """Add a crack that the program missed in the current image; it becomes the current one."""
        current = self._checked(shown_sha256)
        item = with_line(replace(current, indication=DRAWN_PREFIX + uuid.uuid4().hex[:8]), drawn)
        self._append(
            Entry(
                action=DRAW, by=self.rules.reviewer, image=item.image,
                image_sha256=item.image_sha256, indication=item.indication,
                after={**drawn, "decision": CONFIRMED, **_place(item)},
            )
        )  # fmt: skip
        self._items.insert(self.position + 1, item)
        self.position += 1

    def undo(self) -> Entry | None:
        """Take back this person's last entry of this session and go to where it was made.

        Returns
        -------
        Entry or None
            What was taken back; None where nothing is left to take back.
        """
        if not self._mine:
            return None
        last = self._mine[-1]
        undo = Entry(
            action=UNDO, by=self.rules.reviewer, image=last.image, image_sha256=last.image_sha256,
            indication=last.indication, undoes=last.entry, before=last.after, after=last.before,
        )  # fmt: skip
        written = append(self._path, undo)
        self._mine.pop()
        self._entries[last.image].append(written)
        self._settle_image(last.image)
        self._return_to(last)
        return last

    def _write(
        self, action: str, shown_sha256: str, *, after: Mapping[str, Any], remark: str = ""
    ) -> None:
        current = self._checked(shown_sha256)
        if current.is_blank:
            message = f"{current.image}: nothing was found in this image that could be decided on."
            raise ResultsError(message)
        standing = self.standing(current)
        others = set(standing.opinions) - {self.rules.reviewer}
        entry = Entry(
            action=action, by=self.rules.reviewer, image=current.image,
            image_sha256=shown_sha256, indication=current.indication,
            centreline_px=current.centreline_px, shown=dict(current.numbers),
            before=_before(action, current, standing), after=after, remark=remark,
            independent=not others,
        )  # fmt: skip
        self._append(entry)

    def _append(self, entry: Entry) -> None:
        written = append(self._path, entry)
        self._mine.append(written)
        self._entries[written.image].append(written)
        self._settle_image(written.image)

    def _checked(self, shown_sha256: str) -> Candidate:
        current = self.current
        if current is None:
            message = "There is no indication to decide on."
            raise ResultsError(message)
        if shown_sha256 != current.image_sha256:
            message = (
                f"{current.image}: the file is not the one that was measured, so nothing can be "
                "decided on it; run the study again, then review."
            )
            raise ResultsError(message)
        return current

    def _first_order(self, entries: Sequence[Entry]) -> list[Candidate]:
        """Sort: what is to be decided first, then what is decided."""
        items: list[Candidate] = []
        for image in dict.fromkeys([*self._found, *(entry.image for entry in entries)]):
            items += self._settle_image(image)
        if self.rules.settle:
            items = [item for item in items if self.standing(item).is_disputed]
        ordered = in_order(items, self.rules.by, self._images)
        # Sorting is stable: the order stays within what is to be decided and what is not.
        return sorted(ordered, key=lambda item: self._is_decided(item) + item.is_blank)

    def _settle_image(self, image: str) -> list[Candidate]:
        """Work out what stands in one image; return its indications, drawn ones included."""
        found = self._found.get(image, [])
        places = [
            Found(image=c.image, indication=c.indication, centreline_px=c.centreline_px)
            for c in found
            if not c.is_blank
        ]
        digest = found[0].image_sha256 if found else self._images.get(image, "")
        merged = merge(self._entries[image], found=places, images={image: digest})
        for key, judgement in merged.judgements.items():
            self._standing[key] = judgement.standing
        drawn = []
        for one in merged.drawn:
            self._standing[one.image, one.indication] = one.standing
            drawn.append(_drawn_candidate(one.image, digest, one.indication, one.standing))
        return [*found, *drawn]

    def _is_decided(self, item: Candidate) -> bool:
        return self.standing(item).decision != CANDIDATE

    def _shown(self, item: Candidate) -> Candidate:
        drawn = self.standing(item).drawn
        return item if drawn is None else with_line(item, drawn)

    def _return_to(self, entry: Entry) -> None:
        key = (entry.image, entry.indication)
        places = [n for n, i in enumerate(self._items) if (i.image, i.indication) == key]
        if entry.action == DRAW:
            self._items = [i for i in self._items if (i.image, i.indication) != key]
            self.position = max(0, min(self.position, len(self._items)) - 1)
        elif places:
            self.position = places[0]


def _before(action: str, current: Candidate, standing: Standing) -> dict[str, Any]:
    if action == CORRECT:
        line = {"centreline_px": current.centreline_px, **current.numbers}
        return {**line, "decision": standing.decision}
    return {"decision": standing.decision} if action in _RESULT else {"remark": standing.remark}


def _place(item: Candidate) -> dict[str, str]:
    names = ("specimen", "revision", "position", "view", "fold", "calibration")
    return {name: getattr(item, name) for name in names}


def _drawn_candidate(image: str, digest: str, name: str, standing: Standing) -> Candidate:
    drawn = standing.drawn or {}
    bare = Candidate(
        indication=name,
        image=image,
        image_sha256=digest,
        specimen=str(drawn.get("specimen", "")),
        revision=str(drawn.get("revision", "")),
        position=str(drawn.get("position", "")),
        view=str(drawn.get("view", "")),
        calibration=str(drawn.get("calibration", "")),
        centreline_px="",
    )
    return with_line(bare, drawn)
