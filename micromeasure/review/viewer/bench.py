"""The bench: one viewer, the view that is open on it, the ruler, and the keys for all of them."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from micromeasure.errors import MicromeasureError
from micromeasure.review.measured import MeasuredQueue
from micromeasure.review.opening import Opened
from micromeasure.review.queue import Queue, Rules
from micromeasure.review.remeasure import fold_marks_of, marks_measured
from micromeasure.review.ruler import TOOLS, Tool
from micromeasure.review.shelf import Shelf
from micromeasure.review.viewer.indications import Indications
from micromeasure.review.viewer.keys import ALL_KEYS, HANDLE_KEYS, RULER_KEYS, SHEET_KEYS, Key
from micromeasure.review.viewer.measurements import Measurements
from micromeasure.review.viewer.ruler import Ruler
from micromeasure.review.viewer.sheet import Line, Sheet
from micromeasure.review.viewer.sides import Sides
from micromeasure.review.viewer.stage import Stage

# napari's layers and sliders use these; they are ours only while points are set.
_LAYER_KEYS = frozenset(
    {"Left", "Right", "Up", "Down", "Escape", "Shift-Left", "Shift-Right", "Shift-Up", "Shift-Down"}
)

_SHEETS = frozenset(key.action for key in SHEET_KEYS)


class Bench:
    """Everything of a review but the widgets.

    Parameters
    ----------
    viewer : napari.components.ViewerModel
    opened : Opened
    rules : Rules
    """

    def __init__(self, viewer: Any, opened: Opened, rules: Rules) -> None:  # noqa: ANN401
        self.viewer = viewer
        self.opened = opened
        self.rules = rules
        self.stage = Stage(viewer)
        self.stage.on_handles = self._bind_layer
        self.stage.on_edit = self.tell
        self.listeners: list[Callable[[], None]] = []
        self.sheet_name = "indications"
        self._shelf = Shelf(opened.study.jobs, prepare=fold_marks_of)
        self._measuring_shelf = Shelf(opened.study.jobs, prepare=marks_measured)
        self._ruler: Ruler | None = None
        for key in _unique_keys():
            if key not in _LAYER_KEYS:
                viewer.bind_key(key, self._presser(key), overwrite=True)
        viewer.camera.events.zoom.connect(self._on_zoom)
        self.sheet: Sheet = self._indications()
        self.sheet.show()

    @property
    def notice(self) -> str:
        """What the person should know now."""
        return self.sheet.notice if self._ruler is None else self._ruler.notice

    def keys(self) -> tuple[Key, ...]:
        """Return the keys that do something now."""
        return self.sheet.keys() if self._ruler is None else HANDLE_KEYS

    def lines(self) -> list[Line]:
        """Return the lines of text beside the image."""
        return self.sheet.lines() if self._ruler is None else self._ruler.lines()

    def asks(self) -> str:
        """Return what the person has to type now; empty for nothing."""
        if self._ruler is not None:
            return "What was measured, such as burr height?" if self._ruler.asks_name else ""
        return self.sheet.asks()

    def press_key(self, key: str) -> None:
        """Do what a key asks for now; nothing if it has no meaning now."""
        keys = self.keys()
        if keys is not HANDLE_KEYS:
            keys = (*keys, *RULER_KEYS, *SHEET_KEYS)
        action = next((k.action for k in keys if k.key == key), "")
        if action:
            self.press(action)

    def press(self, action: str) -> None:
        """Do an action of the open view, use the ruler, or open another view."""
        if self._ruler is not None:
            self._press_ruler(action, self._ruler)
        elif self.keys() is HANDLE_KEYS:
            self.sheet.press(action)
        elif action in _SHEETS:
            self.open_sheet(action)
        elif action in TOOLS:
            self._begin_ruler(TOOLS[action])
        else:
            self.sheet.press(action)
        self.tell()

    def answer(self, text: str) -> None:
        """Hand over what a person typed."""
        if self._ruler is None:
            self.sheet.answer(text)
        else:
            self._store_reading(text, self._ruler)
        self.tell()

    def open_sheet(self, name: str) -> None:
        """Open another view."""
        makers = {
            "indications": self._indications,
            "measurements": self._measurements,
            "sides": self._sides,
        }
        self.sheet.close()
        self.sheet = makers[name]()
        self.sheet_name = name
        self.sheet.show()

    def change_reviewer(self, initials: str) -> None:
        """Let another person decide from here on."""
        self.rules = replace(self.rules, reviewer=initials)
        self._end_ruler()
        self.open_sheet(self.sheet_name)
        self.tell()

    def tell(self) -> None:
        """Tell whoever shows the texts that they may have changed."""
        for listener in self.listeners:
            listener()

    def close(self) -> None:
        """Stop reading ahead."""
        self._shelf.close()
        self._measuring_shelf.close()

    def _indications(self) -> Sheet:
        queue = Queue(
            self.opened.candidates,
            record=self.opened.record,
            images=self.opened.images,
            rules=self.rules,
        )
        return Indications(self.stage, queue, self._shelf)

    def _measurements(self) -> Sheet:
        queue = MeasuredQueue(self.opened, self.rules)
        return Measurements(self.stage, queue, self._measuring_shelf)

    def _sides(self) -> Sheet:
        return Sides(self.viewer, self.opened.study, self._shelf)

    def _begin_ruler(self, tool: Tool) -> None:
        if self.sheet.plate.micrograph is None:
            self.sheet.said = "The ruler works on one image; open indications or measurements."
            return
        self._ruler = Ruler(self.stage, self.sheet.plate, tool)

    def _press_ruler(self, action: str, ruler: Ruler) -> None:
        if action == "leave":
            self._end_ruler()
        elif action == "hide":
            self.stage.set_visible(visible=not self.stage.strokes_visible)
        else:
            ruler.press(action)

    def _store_reading(self, name: str, ruler: Ruler) -> None:
        micrograph = self.sheet.plate.micrograph
        image = "" if micrograph is None else micrograph.record.image
        try:
            said = ruler.store(
                name,
                record=self.opened.record,
                reviewer=self.rules.reviewer,
                measured_sha256=self.opened.images.get(image, ""),
            )
        except MicromeasureError as error:
            ruler.notice = str(error)
            return
        self._end_ruler()
        self.sheet.said = said

    def _end_ruler(self) -> None:
        if self._ruler is not None:
            self._ruler.close()
        self._ruler = None

    def _presser(self, key: str) -> Callable[[Any], None]:
        def press(_: Any) -> None:  # noqa: ANN401 (napari hands over viewer or layer)
            self.press_key(key)

        return press

    def _bind_layer(self, layer: Any) -> None:  # noqa: ANN401
        for key in HANDLE_KEYS:
            layer.bind_key(key.key, self._presser(key.key), overwrite=True)

    def _on_zoom(self, event: object) -> None:
        self.stage.follow_zoom()


def _unique_keys() -> list[str]:
    return list(dict.fromkeys(key.key for _, keys in ALL_KEYS for key in keys))
