"""Points that a person sets, drags and takes away, by mouse or by key, on a layer of their own."""

from collections.abc import Callable
from typing import Any

import numpy as np

from micromeasure.outcome import FloatArray
from micromeasure.review.viewer.look import css, style_of
from micromeasure.review.viewer.stage import Stage

_SIZE_PX = 11.0
_STEPS = {
    "left": (-1.0, 0.0), "right": (1.0, 0.0), "up": (0.0, -1.0), "down": (0.0, 1.0),
    "far_left": (-10.0, 0.0), "far_right": (10.0, 0.0), "far_up": (0.0, -10.0),
    "far_down": (0.0, 10.0),
}  # fmt: skip


class Handles:
    """Points over the image that a person works on.

    Parameters
    ----------
    stage : Stage
    points_px : ndarray of float, shape (n, 2)
        To begin with, ``x y``; none for a new line.
    changed : callable
        Called with all points after every change.
    most : int or None
        Greatest number of points; None for any.

    Attributes
    ----------
    chosen : int
        The point that the keys work on.
    """

    def __init__(
        self,
        stage: Stage,
        points_px: FloatArray,
        changed: Callable[[FloatArray], None],
        *,
        most: int | None = None,
    ) -> None:
        self._stage = stage
        self._changed = changed
        self._most = most
        self._is_ours = False
        self.chosen = 0
        viewer = stage.viewer
        self._before = viewer.layers.selection.active
        self._layer = stage.points_layer()
        self._layer.mode = "pan_zoom"
        self._layer.data = stage.world(np.reshape(points_px, (-1, 2)))
        self._dress()
        self._layer.mode = "select" if len(points_px) else "add"
        self._choose(0)
        viewer.layers.selection.active = self._layer
        self._layer.events.data.connect(self._on_data)

    @property
    def points_px(self) -> FloatArray:
        """All points ``x y`` in the whole image."""
        return self._stage.pixels(np.asarray(self._layer.data, float).reshape(-1, 2))

    def press(self, action: str) -> bool:
        """Do what a key asks for; return whether it was one of these keys."""
        if action in _STEPS:
            self._step(_STEPS[action])
        elif action == "point_next":
            self._choose(self.chosen + 1)
        elif action == "point_previous":
            self._choose(self.chosen - 1)
        elif action == "point_add":
            self._add()
        elif action == "point_remove":
            self._remove()
        else:
            return False
        return True

    def close(self) -> None:
        """Take the points away and give the keyboard back."""
        viewer = self._stage.viewer
        self._layer.events.data.disconnect(self._on_data)
        if self._layer in viewer.layers:
            self._layer.data = np.zeros((0, 2))
            self._layer.visible = False
        if self._before in viewer.layers:
            viewer.layers.selection.active = self._before

    @property
    def _is_full(self) -> bool:
        return self._most is not None and len(self._layer.data) >= self._most

    def _on_data(self, event: Any) -> None:  # noqa: ANN401
        """Follow what napari's own tools did: a click that adds, a drag, the Delete key."""
        action = str(getattr(event, "action", "changed"))
        if self._is_ours or action.endswith("ing"):
            return
        points = self.points_px
        if self._most is not None and len(points) > self._most:
            # A further click sets the last point anew.
            self._set(np.vstack([points[: self._most - 1], points[-1:]]), len(points) - 1)
            return
        if action == "added":
            self._dress()
            self._choose(len(points) - 1)
        elif self._layer.selected_data:
            self.chosen = min(self._layer.selected_data)
        self._report(points)

    def _step(self, step_px: tuple[float, float]) -> None:
        points = self.points_px
        if len(points):
            points[self.chosen] += step_px
            self._set(points, self.chosen)

    def _add(self) -> None:
        """Add a point half-way to the next, or beyond the last; the first in mid-view."""
        if self._is_full:
            return
        points = self.points_px
        if len(points) < 2:
            middle = np.array(self._stage.viewer.camera.center[-2:])[None, :]
            beside = points + np.array([20.0, 0.0])
            start = beside if len(points) else self._stage.pixels(middle)
            self._set(np.vstack([points, start]), len(points))
            return
        i = self.chosen
        if i + 1 < len(points):
            new = (points[i] + points[i + 1]) / 2
        else:
            new = points[i] + (points[i] - points[i - 1])
        self._set(np.insert(points, i + 1, new, axis=0), i + 1)

    def _remove(self) -> None:
        points = self.points_px
        if len(points):
            self._set(np.delete(points, self.chosen, axis=0), max(0, self.chosen - 1))

    def _set(self, points_px: FloatArray, chosen: int) -> None:
        self._is_ours = True
        try:
            self._layer.data = self._stage.world(points_px)
            self._dress()
        finally:
            self._is_ours = False
        self._choose(chosen)
        self._report(self.points_px)

    def _dress(self) -> None:
        """Give all points the size that they should have on the screen, and their colour."""
        size, colour = self._stage.screen_px(_SIZE_PX), css(style_of("drawing").colour)
        self._layer.current_size = self._layer.size = size
        self._layer.current_border_color = self._layer.border_color = colour
        self._layer.current_face_color = self._layer.face_color = "transparent"
        self._layer.border_width = 0.16

    def _report(self, points_px: FloatArray) -> None:
        self._changed(points_px)
        self._stage.on_edit()

    def _choose(self, number: int) -> None:
        count = len(self._layer.data)
        if count:
            self.chosen = number % count
            self._layer.selected_data = {self.chosen}
