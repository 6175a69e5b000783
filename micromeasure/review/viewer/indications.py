"""The view of indications: decide, remark, correct a line, draw one that was missed."""

from typing import Any

import numpy as np

from micromeasure.errors import MicromeasureError
from micromeasure.estimate import rounded
from micromeasure.outcome import FloatArray, Mark
from micromeasure.review.candidates import Candidate
from micromeasure.review.cases import CANDIDATE, CONFIRMED, Standing
from micromeasure.review.lines import from_wkt, thinned
from micromeasure.review.queue import Queue
from micromeasure.review.record import CONFIRM, REJECT, REMARK
from micromeasure.review.remeasure import measure_drawn
from micromeasure.review.shelf import Plate, Shelf
from micromeasure.review.viewer.handles import Handles
from micromeasure.review.viewer.keys import HANDLE_KEYS, INDICATION_KEYS, Key
from micromeasure.review.viewer.sheet import Action, Line
from micromeasure.review.viewer.stage import Stage, Stroke, stroke_of

_AHEAD = 8


class Indications:
    """The view of indications.

    Parameters
    ----------
    stage : Stage
    queue : Queue
    shelf : Shelf
    """

    def __init__(
        self,
        stage: Stage,
        queue: Queue,
        shelf: Shelf,
    ) -> None:
        self.said = ""
        self._fault = ""
        self.queue = queue
        self._stage = stage
        self._shelf = shelf
        self.plate = Plate()
        self._shown_image = ""
        self._handles: Handles | None = None
        self._is_new = False
        self._drawn: dict[str, Any] | None = None
        self._asks_remark = False

    @property
    def notice(self) -> str:
        """What the person should know now: what was just said, or what is wrong all along."""
        return self.said or self._fault

    def heading(self) -> str:
        """Return specimen, revision and position of the image."""
        item = self.queue.current
        if item is None:
            return "No indications"
        parts = [item.specimen, item.revision and f"lot {item.revision}", item.position]
        return " · ".join(part for part in parts if part) or item.image

    def progress(self) -> str:
        """Return place and progress."""
        return self.queue.progress()

    def state(self) -> tuple[str, str]:
        """Return the decision as a text, with its role."""
        item = self.queue.current
        if item is None:
            return "There is nothing to decide.", ""
        if self._handles is not None:
            what = (
                "A missed crack is being drawn" if self._is_new else "The line is being corrected"
            )
            return what, "drawing"
        if item.is_blank:
            return "Nothing was found in this image", ""
        standing = self.queue.standing(item)
        if standing.decision == CANDIDATE:
            return "To be settled" if standing.is_disputed else "To be decided", "waiting"
        word = "Confirmed" if standing.decision == CONFIRMED else "Rejected"
        return f"{word} by {standing.decided_by}", standing.decision

    def lines(self) -> list[Line]:
        """Return the indication's numbers."""
        item = self.queue.current
        if item is None:
            return []
        lines = [] if item.is_blank and self._drawn is None else _number_lines(self._numbers(item))
        standing = self.queue.standing(item)
        if item.by_person or self._drawn is not None:
            lines.append(Line("drawn", "by a person"))
        if standing.remark:
            lines.append(Line("remark", standing.remark))
        lines += [Line("image", item.image), Line("fold", item.fold.removeprefix("fold"))]
        return [line for line in lines if line.value]

    def keys(self) -> tuple[Key, ...]:
        """Return the keys that do something now."""
        return INDICATION_KEYS if self._handles is None else HANDLE_KEYS

    def asks(self) -> str:
        """Return the question to be answered by typing."""
        return "Remark on this indication" if self._asks_remark else ""

    def answer(self, text: str) -> None:
        """Store a remark; an empty one stores nothing."""
        self.said = ""
        self._asks_remark = False
        if text.strip():
            self._try(lambda: self._decide(REMARK, remark=text.strip()))

    def show(self) -> None:
        """Show the current indication in its image."""
        self.said = ""
        self._fault = ""
        item = self.queue.current
        self._shelf.read_ahead(self.queue.upcoming(_AHEAD))
        if item is None:
            self._stage.clear()
            return
        self.plate = self._shelf.plate(item.image)
        if item.image != self._shown_image or not self._stage.has_image:
            self._stage.show(self.plate)
            self._shown_image = item.image
        if self.plate.micrograph is None:
            self._fault = f"{self.plate.fault} Nothing can be decided on it."
            return
        if self.plate.sha256 != item.image_sha256:
            self._fault = (
                f"{item.image} is not the file that was measured. Decisions are refused until "
                "the study is run again."
            )
        if item.is_blank:
            self._stage.look_at_all()
        else:
            self._stage.look_at(from_wkt(item.centreline_px))
        self._draw(item)

    def close(self) -> None:
        """Take everything off the stage."""
        self._end_handles()
        self._stage.clear()
        self._shown_image = ""

    def press(self, action: str) -> None:
        """Do what a key asks for; what goes wrong becomes the notice."""
        if self._handles is not None:
            self._press_drawing(action, self._handles)
            return
        if action != "hide":
            self.said = ""
        does: dict[str, Action] = {
            "confirm": lambda: self._decide_and_go_on(CONFIRM),
            "reject": lambda: self._decide_and_go_on(REJECT),
            "undo": self._undo,
            "remark": self._ask_remark,
            "next": lambda: self._move(1),
            "previous": lambda: self._move(-1),
            "undecided": self._go_on,
            "correct": lambda: self._begin(is_new=False),
            "draw": lambda: self._begin(is_new=True),
            "hide": self._toggle,
        }
        if action in does:
            self._try(does[action])

    def _press_drawing(self, action: str, handles: Handles) -> None:
        if action == "keep":
            self._try(self._keep)
        elif action == "leave":
            self._end_handles()
            self.show()
        elif action == "hide":
            self._toggle()
        else:
            handles.press(action)

    def _try(self, do: Action) -> None:
        try:
            do()
        except MicromeasureError as error:
            self.said = str(error)

    def _decide(self, action: str, remark: str = "") -> None:
        self.queue.decide(action, shown_sha256=self.plate.sha256, remark=remark)

    def _decide_and_go_on(self, action: str) -> None:
        self._decide(action)
        self._go_on()

    def _go_on(self) -> None:
        if self.queue.go_to_undecided():
            self.show()
        else:
            self.show()
            self.said = "Every indication of this queue is decided."

    def _move(self, steps: int) -> None:
        place = self.queue.position
        self.queue.move(steps)
        self.show()
        if self.queue.position == place:
            self.said = "This is the last one." if steps > 0 else "This is the first one."

    def _undo(self) -> None:
        taken_back = self.queue.undo()
        self.show()
        what = "Nothing of this session is left to take back."
        self.said = what if taken_back is None else f"Taken back: {taken_back.action}."

    def _ask_remark(self) -> None:
        item = self.queue.current
        self._asks_remark = item is not None and not item.is_blank

    def _toggle(self) -> None:
        self._stage.set_visible(visible=not self._stage.strokes_visible)

    def _begin(self, *, is_new: bool) -> None:
        """Let the person set points: a new line, or those of the line that is there."""
        item = self.queue.current
        if item is None or self.plate.micrograph is None or (item.is_blank and not is_new):
            return
        self._is_new = is_new
        points = np.zeros((0, 2)) if is_new else thinned(from_wkt(item.centreline_px))
        self._handles = Handles(self._stage, points, self._remeasure)
        self.said = "Set points along the crack, from end to end." if is_new else ""
        self._remeasure(points)

    def _remeasure(self, points: FloatArray) -> None:
        """Measure along the person's points, at once, and show line and numbers."""
        item, micrograph = self.queue.current, self.plate.micrograph
        if item is None or micrograph is None:
            return
        self._drawn = None
        if len(points) >= 2:
            try:
                score = None if self._is_new else item.numbers.get("score")
                self._drawn = measure_drawn(
                    micrograph, points, marks=_all_marks(self.plate), score=score
                )
                self.said = ""
            except MicromeasureError as error:
                self.said = str(error)
        self._draw(item, points)

    def _keep(self) -> None:
        if self._drawn is None:
            self.said = self.said or "Set two points or more along the crack first."
            return
        if self._is_new:
            self.queue.draw(self._drawn, shown_sha256=self.plate.sha256)
        else:
            self.queue.correct(self._drawn, shown_sha256=self.plate.sha256)
        self._end_handles()
        self.show()
        self.said = "Kept and confirmed."

    def _end_handles(self) -> None:
        if self._handles is not None:
            self._handles.close()
        self._handles = None
        self._drawn = None

    def _numbers(self, item: Candidate) -> dict[str, Any]:
        return dict(item.numbers) if self._drawn is None else self._drawn

    def _draw(self, item: Candidate, points: FloatArray | None = None) -> None:
        strokes = [stroke_of(mark) for mark in _all_marks(self.plate)]
        for other in self.queue.neighbours(item):
            role = _role(self.queue.standing(other))
            strokes.append(Stroke(role=role, points_px=from_wkt(other.centreline_px)))
        if points is not None:
            course = from_wkt(self._drawn["centreline_px"]) if self._drawn else points
            strokes.append(Stroke(role="drawing", points_px=course))
        elif not item.is_blank:
            role = "by-person" if item.by_person else "candidate"
            strokes.append(Stroke(role=role, points_px=from_wkt(item.centreline_px)))
        self._stage.draw(strokes)


def _all_marks(plate: Plate) -> list[Mark]:
    return [mark for marks in plate.marks.values() for mark in marks]


def _role(standing: Standing) -> str:
    return "waiting" if standing.decision == CANDIDATE else standing.decision


def _number_lines(numbers: dict[str, Any]) -> list[Line]:
    value, u = rounded(numbers.get("length_um"), numbers.get("u_length_um"))
    length = f"{value} µm, " + (f"u = {u} µm" if u != "–" else "uncertainty unknown")
    named = (
        ("width", "width_um", "{:.3g} µm"),
        ("angle to fold", "angle_to_fold_deg", "{:.0f}°"),
        ("distance to fold", "distance_to_fold_um", "{:.3g} µm"),
        ("contrast", "contrast", "{:.2f}"),
        ("score", "score", "{:.2f}"),
    )
    texts = [
        Line(name, form.format(numbers[key]) if numbers.get(key) is not None else "")
        for name, key, form in named
    ]
    return [Line("length", length), *texts]
