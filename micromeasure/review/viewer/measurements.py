"""The view of measurements: what was measured where, values set aside, regions drawn anew."""

from collections.abc import Sequence

import numpy as np

from micromeasure.errors import MicromeasureError
from micromeasure.estimate import Estimate
from micromeasure.outcome import FloatArray, Mark, Outcome
from micromeasure.quantities import quantities
from micromeasure.review.measured import MeasuredQueue, Value, value_text
from micromeasure.review.remeasure import frames_of, measure_again, redrawable
from micromeasure.review.shelf import Plate, Shelf
from micromeasure.review.viewer.handles import Handles
from micromeasure.review.viewer.keys import HANDLE_KEYS, MEASUREMENT_KEYS, Key
from micromeasure.review.viewer.sheet import Action, Line
from micromeasure.review.viewer.stage import Stage, Stroke, stroke_of
from micromeasure.study.model import Measure

# Measuring again costs more than reading, so fewer are prepared than for indications.
_AHEAD = 3
_WORDS = {"region": "region", "fold": "fold line", "base_line": "base line"}


class Measurements:
    """The view of measurements.

    Parameters
    ----------
    stage : Stage
    queue : MeasuredQueue
    shelf : Shelf
        Its plates carry the marks of every measure.
    """

    def __init__(self, stage: Stage, queue: MeasuredQueue, shelf: Shelf) -> None:
        self.said = ""
        self._fault = ""
        self.queue = queue
        self.plate = Plate()
        self._stage = stage
        self._shelf = shelf
        self._shown_image = ""
        self._row = 0
        self._handles: Handles | None = None
        self._field = ""
        self._outcome: Outcome | None = None
        self._asks_reason = False

    @property
    def notice(self) -> str:
        """What the person should know now: what was just said, or what is wrong all along."""
        return self.said or self._fault

    def heading(self) -> str:
        """Return specimen, revision, position and quantity."""
        if self.queue.current is None:
            return "No measurements"
        job, measure = self.queue.current
        record = job.record
        lot = record.revision and f"lot {record.revision}"
        parts = [record.specimen, lot, record.position, quantities()[measure.quantity].title]
        return " · ".join(part for part in parts if part)

    def progress(self) -> str:
        """Return place and number."""
        return self.queue.progress()

    def state(self) -> tuple[str, str]:
        """Return what a person did with the value that is chosen."""
        if self._handles is not None:
            return f"The {_word(self._field)} is being drawn anew", "drawing"
        value = self._chosen()
        if value is not None and value.set_aside is not None:
            return f"Set aside by {value.set_aside.by}", "rejected"
        if self.queue.redrawn():
            return "Drawn anew by a person; the next run measures with it", "by-person"
        if value is None:
            return "Nothing was measured here; see failures.csv", ""
        return "In use", ""

    def lines(self) -> list[Line]:
        """Return all values of the measure; the chosen one is marked."""
        if self.queue.current is None:
            return []
        job, measure = self.queue.current
        lines: list[Line] = []
        values = self.queue.values()
        new = {} if self._outcome is None else _new_values(self._outcome, measure)
        for number, value in enumerate(values):
            name = _name(value.quantity, value.feature, value.statistic, measure)
            now = new.pop((value.quantity, value.feature, value.statistic), None)
            text = value.text if now is None else f"{value.text}\nnow {_estimate_text(now)}"
            if value.set_aside is not None:
                text += f"; set aside: {value.set_aside.remark}"
            if value.flags:
                text += f" ({', '.join(value.flags)})"
            lines.append(Line(name, text, is_chosen=number == self._row))
        lines += [Line(_name(*key, measure), f"now {_estimate_text(e)}") for key, e in new.items()]
        return [*lines, Line("image", job.record.image)]

    def keys(self) -> tuple[Key, ...]:
        """Return the keys that do something now."""
        return MEASUREMENT_KEYS if self._handles is None else HANDLE_KEYS

    def asks(self) -> str:
        """Return the question to be answered by typing."""
        return "Why is this value set aside?" if self._asks_reason else ""

    def answer(self, text: str) -> None:
        """Take the reason for setting a value aside; an empty one leaves it in use."""
        self.said = ""
        self._asks_reason = False
        value = self._chosen()
        if value is not None and text.strip():
            self._try(lambda: self.queue.set_aside(value, text, shown_sha256=self.plate.sha256))

    def show(self) -> None:
        """Show the current measure in its image."""
        self.said = ""
        self._fault = ""
        if self.queue.current is None:
            self._stage.clear()
            return
        job, _ = self.queue.current
        image = job.record.image
        self._shelf.read_ahead(self.queue.upcoming(_AHEAD))
        self.plate = self._shelf.plate(image)
        if self.plate.micrograph is None:
            self._stage.clear()
            self._fault = f"{self.plate.fault} Nothing can be decided on it."
            return
        if image != self._shown_image or not self._stage.has_image:
            self._stage.show(self.plate)
            self._stage.look_at_all()
            self._shown_image = image
        if self.plate.sha256 != self.queue.digest(image):
            self._fault = (
                f"{image} is not the file that was measured. Decisions are refused until the "
                "study is run again."
            )
        self._draw()

    def close(self) -> None:
        """Take everything off the stage."""
        self._end_handles()
        self._stage.clear()
        self._shown_image = ""

    def press(self, action: str) -> None:
        """Do what a key asks for; what goes wrong becomes the notice."""
        self.said = ""
        if self._handles is not None:
            self._press_drawing(action, self._handles)
            return
        does: dict[str, Action] = {
            "next": lambda: self._move(1),
            "previous": lambda: self._move(-1),
            "row_down": lambda: self._choose(1),
            "row_up": lambda: self._choose(-1),
            "set_aside": self._set_aside,
            "redraw": lambda: self._begin("rectangle"),
            "redraw_line": lambda: self._begin("segment"),
            "undo": self._undo,
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

    def _chosen(self) -> Value | None:
        values = self.queue.values()
        return values[min(self._row, len(values) - 1)] if values else None

    def _choose(self, steps: int) -> None:
        self._row = max(0, min(len(self.queue.values()) - 1, self._row + steps))

    def _move(self, steps: int) -> None:
        place = self.queue.position
        self.queue.move(steps)
        self._row = 0
        self.show()
        if self.queue.position == place:
            self.said = "This is the last one." if steps > 0 else "This is the first one."

    def _toggle(self) -> None:
        self._stage.set_visible(visible=not self._stage.strokes_visible)

    def _set_aside(self) -> None:
        value = self._chosen()
        if value is None:
            return
        if value.set_aside is not None:
            self.queue.take_up(value)
            self.said = "The value is in use again."
        else:
            self._asks_reason = True

    def _undo(self) -> None:
        taken_back = self.queue.undo()
        self._draw()
        what = "Nothing of this session is left to take back."
        self.said = what if taken_back is None else f"Taken back: {taken_back.action}."

    def _begin(self, kind: str) -> None:
        """Let the person draw a setting of the measure anew."""
        if self.queue.current is None or self.plate.micrograph is None:
            return
        _, measure = self.queue.current
        fields = [name for name, its_kind in redrawable(measure).items() if its_kind == kind]
        if not fields:
            what = "region" if kind == "rectangle" else "line"
            self.said = f"This measurement has no {what} that could be drawn."
            return
        self._field = fields[0]
        self._handles = Handles(self._stage, self._start(kind), self._remeasure, most=2)
        self.said = (
            "Set two opposite corners." if kind == "rectangle" else "Set the line's two ends."
        )
        self._draw(self._handles.points_px)

    def _start(self, kind: str) -> FloatArray:
        """Return the points to begin with: as they are now, or well inside the image."""
        if self.queue.current is None or self.plate.micrograph is None:
            return np.zeros((0, 2))
        _, measure = self.queue.current
        record = self.plate.micrograph.record
        now = (
            self.queue.redrawn().get(self._field)
            or getattr(record, self._field, None)
            or getattr(measure.settings, self._field)
            or _found_line(self._field, self.plate.marks.get(measure.number, ()))
        )
        if now is not None:
            return np.reshape(np.asarray(now, float), (2, 2))
        rows, cols = self.plate.micrograph.pixels.shape[:2]
        top, bottom = (0.1, 0.9) if kind == "rectangle" else (0.8, 0.8)
        return np.array([[0.1 * cols, top * rows], [0.9 * cols, bottom * rows]]).round()

    def _remeasure(self, points: FloatArray) -> None:
        """Measure with what is drawn, at once."""
        self._outcome = None
        self.said = ""
        if (
            self.queue.current is not None
            and self.plate.micrograph is not None
            and len(points) == 2
        ):
            job, measure = self.queue.current
            changes = {self._field: self._drawn(points)}
            try:
                self._outcome = measure_again(
                    self.plate.micrograph, measure, frames_of(job, measure), changes
                )
            except MicromeasureError as error:
                self.said = str(error)
        self._draw(points)

    def _drawn(self, points: FloatArray) -> tuple[float, ...]:
        """Return two points as the setting wants them: a rectangle's corners in order."""
        micrograph = self.plate.micrograph
        if self._field in _lines_of(self.queue) or micrograph is None:
            return tuple(float(v) for v in points.ravel())
        rows, cols = micrograph.pixels.shape[:2]
        low = np.maximum(points.min(axis=0), 0)
        high = np.minimum(points.max(axis=0), (cols - 1, rows - 1))
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])

    def _keep(self) -> None:
        if self._outcome is None or self._handles is None or self.queue.current is None:
            self.said = self.said or "Nothing could be measured with it yet."
            return
        _, measure = self.queue.current
        drawn = self._drawn(self._handles.points_px)
        values = [
            {"quantity": key[0], "feature": key[1], "statistic": key[2], "value": e.value,
             "unit": e.unit, "standard_uncertainty": e.standard_uncertainty}
            for key, e in _new_values(self._outcome, measure).items()
        ]  # fmt: skip
        self.queue.redraw(self._field, drawn, values, shown_sha256=self.plate.sha256)
        self._end_handles()
        self.show()
        self.said = "Kept. The next run measures with it and flags the values by-person."

    def _end_handles(self) -> None:
        if self._handles is not None:
            self._handles.close()
        self._handles = None
        self._outcome = None

    def _draw(self, points: FloatArray | None = None) -> None:
        if self.queue.current is None:
            return
        _, measure = self.queue.current
        marks = self.plate.marks.get(measure.number, ())
        if self._outcome is not None:
            marks = self._outcome.marks
        strokes = [stroke_of(mark, has_label=True) for mark in marks]
        if points is not None and len(points) == 2:
            strokes.append(self._frame(self._field, points, "drawing"))
        elif points is None:
            strokes += [
                self._frame(field, np.reshape(np.asarray(value, float), (2, 2)), "by-person")
                for field, value in self.queue.redrawn().items()
            ]
        self._stage.draw(strokes)

    def _frame(self, field: str, points: FloatArray, role: str) -> Stroke:
        if field in _lines_of(self.queue):
            return Stroke(role=role, points_px=points)
        (x0, y0), (x1, y1) = points
        corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
        return Stroke(role=role, points_px=corners, closed=True)


def _found_line(field: str, marks: Sequence[Mark]) -> tuple[float, ...] | None:
    """Return the ends of the line that the program found itself, None for what is no line."""
    if field == "fold":
        ends = next((m.points_px for m in marks if m.role == "fold"), None)
    elif field == "base_line":
        feet = [m.points_px for m in marks if m.role == "point" and m.label.endswith("foot")]
        ends = np.vstack(feet) if len(feet) == 2 else None
    else:
        ends = None
    return None if ends is None else tuple(float(v) for v in ends[[0, -1]].ravel())


def _word(field: str) -> str:
    return _WORDS.get(field, field.replace("_", " "))


def _lines_of(queue: MeasuredQueue) -> set[str]:
    if queue.current is None:
        return set()
    kinds = redrawable(queue.current[1])
    return {name for name, kind in kinds.items() if kind == "segment"}


def _name(quantity: str, feature: str, statistic: str, measure: Measure) -> str:
    """Return what tells a value from the others of its measure, as few words as that takes."""
    words = (
        "" if quantity == measure.quantity else quantity.replace("_", " "),
        "" if feature == "all" else feature,
        "" if statistic == "value" else statistic,
    )
    return " ".join(word for word in words if word) or quantity.replace("_", " ")


def _new_values(outcome: Outcome, measure: Measure) -> dict[tuple[str, str, str], Estimate]:
    return {
        (m.quantity or measure.quantity, m.feature, m.statistic): m.estimate
        for m in outcome.measurements
    }


def _estimate_text(estimate: Estimate) -> str:
    return value_text(
        estimate.value, estimate.standard_uncertainty, estimate.unit, estimate.low_limit
    )
