"""The bench: one viewer, the view that is open on it, the ruler, and the keys for all of them."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from micromeasure.review.opening import Opened
from micromeasure.review.queue import Queue, Rules
from micromeasure.review.remeasure import fold_marks_of
from micromeasure.review.shelf import Shelf
from micromeasure.review.viewer.indications import Indications
from micromeasure.review.viewer.keys import ALL_KEYS, HANDLE_KEYS, SHEET_KEYS, Key
from micromeasure.review.viewer.sheet import Line, Sheet
from micromeasure.review.viewer.stage import Stage

# napari's layers and sliders use these; they are ours only while points are set.
_LAYER_KEYS = frozenset(
    {"Left", "Right", "Up", "Down", "Escape", "Shift-Left", "Shift-Right", "Shift-Up", "Shift-Down"}
)


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
        self.shelf = Shelf(opened.study.jobs, prepare=fold_marks_of)
        self.listeners: list[Callable[[], None]] = []
        self.sheet_name = "indications"
        self.handle_keys = HANDLE_KEYS
        self.sheet: Sheet = self._indications()
        self.stage.on_handles = self._bind_layer
        for key in _unique_keys():
            if key not in _LAYER_KEYS:
                viewer.bind_key(key, self._presser(key), overwrite=True)
        viewer.camera.events.zoom.connect(self._on_zoom)
        self.sheet.show()

    def keys(self) -> tuple[Key, ...]:
        """Return the keys that do something now."""
        return self.sheet.keys()

    @property
    def notice(self) -> str:
        """What the person should know now."""
        return self.sheet.notice

    def change_reviewer(self, initials: str) -> None:
        """Let another person decide from here on."""
        self.rules = replace(self.rules, reviewer=initials)
        self.sheet.close()
        self.sheet = self._indications()
        self.sheet.show()
        self.tell()

    def lines(self) -> list[Line]:
        """Return the lines of text beside the image."""
        return self.sheet.lines()

    def press_key(self, key: str) -> None:
        """Do what a key asks for now; nothing if it has no meaning now."""
        action = next((k.action for k in (*self.keys(), *SHEET_KEYS) if k.key == key), "")
        if action:
            self.press(action)

    def press(self, action: str) -> None:
        """Do an action of the open view, or open another one."""
        self.sheet.press(action)
        self.tell()

    def answer(self, text: str) -> None:
        """Hand over what a person typed."""
        self.sheet.answer(text)
        self.tell()

    def tell(self) -> None:
        """Tell whoever shows the texts that they may have changed."""
        for listener in self.listeners:
            listener()

    def close(self) -> None:
        """Stop reading ahead."""
        self.shelf.close()

    def _indications(self) -> Indications:
        queue = Queue(
            self.opened.candidates,
            record=self.opened.record,
            images=self.opened.images,
            rules=self.rules,
        )
        return Indications(self.stage, queue, self.shelf)

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
