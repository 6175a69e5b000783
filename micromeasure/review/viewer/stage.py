"""The stage: the image and what is drawn over it, as layers of napari's viewer model.

Works on the model alone, without a window. World coordinates are micrometres, so that napari's
scale bar is right and two images lie at one scale.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.outcome import FloatArray, Mark
from micromeasure.review.shelf import Plate
from micromeasure.review.viewer.look import css, rgba, style_of

_CANVAS_PX = (900.0, 900.0)
# What surrounds an indication is part of judging it.
_ROOM = 3.0
_LEAST_FIELD_PX = 90.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """A line to draw over the image.

    Attributes
    ----------
    role : str
        Colour, width and dashes follow from it.
    points_px : ndarray of float, shape (n, 2)
        ``x y`` in the whole image; rows of NaN break the line.
    closed : bool
    label : str
    """

    role: str
    points_px: FloatArray
    closed: bool = False
    label: str = ""


def stroke_of(mark: Mark, *, has_label: bool = False) -> Stroke:
    """Return a mark of an outcome as a stroke."""
    label = mark.label if has_label else ""
    return Stroke(role=mark.role, points_px=mark.points_px, closed=mark.closed, label=label)


class Stage:
    """Image, strokes and camera of one viewer.

    Parameters
    ----------
    viewer : napari.components.ViewerModel
        A window's viewer, or a bare model.
    name : str
        Start of the layers' names.
    """

    def __init__(self, viewer: Any, name: str = "image") -> None:  # noqa: ANN401 (untyped library)
        self.viewer = viewer
        self.um_per_px = (1.0, 1.0)
        self.origin_px = (0.0, 0.0)
        self.unit = "pixel"
        self._name = name
        self._image: Any = None
        self._strokes: list[Stroke] = []
        self._over: list[Stroke] = []
        self._layers: dict[int, Any] = {}
        self._labels: Any = None
        self._points: Any = None
        self._visible = True
        self._drawn_at = float(viewer.camera.zoom)
        self.on_handles: Callable[[Any], None] = _nothing
        self.on_edit: Callable[[], None] = _nothing

    @property
    def has_image(self) -> bool:
        """Whether an image is shown."""
        return self._image is not None and self._image in self.viewer.layers

    def show(self, plate: Plate) -> None:
        """Show an image; nothing where it could not be read."""
        micrograph = plate.micrograph
        if micrograph is None:
            self.clear()
            return
        self.um_per_px = micrograph.calibration.um_per_px
        self.origin_px = (float(micrograph.origin_px[0]), float(micrograph.origin_px[1]))
        self.unit = "um"
        pixels = micrograph.pixels
        is_colour = pixels.ndim == 3
        if self.has_image and bool(self._image.rgb) == is_colour:
            self._image.data = pixels
            self._image.scale = self._scale
        else:
            self.clear()
            self._image = self.viewer.add_image(
                _for_display(pixels), rgb=is_colour, name=self._name, scale=self._scale,
                units=self._units, translate=self._translate,
            )  # fmt: skip
        self._image.translate = self._translate
        if is_colour:
            self._image.data = _for_display(pixels)
        else:
            self._image.contrast_limits = plate.grey_range
        self.viewer.scale_bar.visible = True

    def show_centred(self, plate: Plate) -> None:
        """Show an image with its middle at the origin, for laying it beside another."""
        self.show(plate)
        if self._image is not None:
            rows, cols = self._image.data.shape[:2]
            middle = np.array([(rows - 1) / 2, (cols - 1) / 2])
            self._image.translate = -middle * self._scale

    def look_at_middle(self, share: float) -> None:
        """Aim at the origin so that a centred image fills a share of the canvas's width."""
        if self._image is not None:
            rows, cols = self._image.data.shape[:2]
            height, width = _canvas_size(self.viewer)
            extent = np.array([cols, rows]) * self.um_per_px
            self.viewer.camera.center = (0.0, 0.0, 0.0)
            self.viewer.camera.zoom = float(min(width * share / extent[0], height / extent[1]))

    def set_grey_range(self, grey_range: tuple[float, float]) -> None:
        """Show these values as black and white; colour images stay as they are."""
        if self._image is not None and not self._image.rgb:
            self._image.contrast_limits = grey_range

    def clear(self) -> None:
        """Take image and strokes away."""
        for layer in [self._image, self._labels, self._points, *self._layers.values()]:
            if layer is not None and layer in self.viewer.layers:
                self.viewer.layers.remove(layer)
        self._image = None
        self._labels = None
        self._points = None
        self._layers.clear()
        self._strokes = []
        self._over = []

    def draw(self, strokes: Iterable[Stroke]) -> None:
        """Draw lines over the image in the place of those drawn before."""
        self._strokes = [stroke for stroke in strokes if len(stroke.points_px) > 0]
        self._paint()
        self._write_labels()

    def draw_over(self, strokes: Iterable[Stroke]) -> None:
        """Draw further lines over those that `draw` drew, such as a ruler's."""
        self._over = [stroke for stroke in strokes if len(stroke.points_px) > 0]
        self._paint()

    def set_visible(self, *, visible: bool) -> None:
        """Show or hide everything drawn over the image."""
        self._visible = visible
        for layer in [*self._layers.values(), self._labels]:
            if layer is not None:
                layer.visible = visible

    @property
    def strokes_visible(self) -> bool:
        """Whether what is drawn over the image is shown."""
        return self._visible

    def look_at(self, points_px: FloatArray) -> None:
        """Centre the camera on points, with room around them."""
        points = points_px[np.isfinite(points_px).all(axis=1)]
        low, high = points.min(axis=0), points.max(axis=0)
        extent = np.maximum((high - low) * _ROOM, _LEAST_FIELD_PX) * self.um_per_px
        self._aim((low + high) / 2, extent)

    def look_at_all(self) -> None:
        """Show the whole image."""
        if self.has_image:
            rows, cols = self._image.data.shape[:2]
            corner = np.array([cols - 1.0, rows - 1.0])
            middle = corner / 2 + self.origin_px
            self._aim(middle, corner * self.um_per_px * 1.05)

    def world(self, points_px: FloatArray) -> FloatArray:
        """Return points ``x y`` in pixels as rows ``y x`` in micrometres."""
        um = np.asarray(points_px, float) * self.um_per_px
        return np.ascontiguousarray(um[:, ::-1])

    def pixels(self, world: FloatArray) -> FloatArray:
        """Return rows ``y x`` in micrometres as points ``x y`` in pixels."""
        return np.asarray(world, float)[:, ::-1] / self.um_per_px

    def screen_px(self, count: float) -> float:
        """Return the length of some screen pixels in world units."""
        return count / max(float(self.viewer.camera.zoom), 1e-9)

    def follow_zoom(self) -> None:
        """Draw the same lines again once the zoom has changed so far that their width shows it."""
        zoom = float(self.viewer.camera.zoom)
        if not 0.8 < zoom / self._drawn_at < 1.25:
            self._drawn_at = zoom
            self._paint()

    @property
    def _scale(self) -> tuple[float, float]:
        return self.um_per_px[1], self.um_per_px[0]

    @property
    def _translate(self) -> tuple[float, float]:
        return self.origin_px[1] * self.um_per_px[1], self.origin_px[0] * self.um_per_px[0]

    @property
    def _units(self) -> tuple[str, str]:
        return self.unit, self.unit

    def _aim(self, middle_px: FloatArray, extent_um: FloatArray) -> None:
        camera = self.viewer.camera
        height, width = _canvas_size(self.viewer)
        camera.center = (0.0, middle_px[1] * self.um_per_px[1], middle_px[0] * self.um_per_px[0])
        self._drawn_at = float(min(width / extent_um[0], height / extent_um[1]))
        camera.zoom = self._drawn_at

    def _paint(self) -> None:
        """Draw all strokes: one layer for each width, with colours of its own for each vector."""
        by_width: dict[int, list[Stroke]] = {}
        for stroke in (*self._strokes, *self._over):
            by_width.setdefault(style_of(stroke.role).width_px, []).append(stroke)
        for width_px in {*self._layers, *by_width}:
            self._paint_layer(width_px, by_width.get(width_px, []))

    def _paint_layer(self, width_px: int, strokes: Sequence[Stroke]) -> None:
        parts = [self._stroke_vectors(stroke) for stroke in strokes]
        data = np.concatenate(parts) if parts else np.zeros((0, 2, 2))
        colours = np.repeat(
            [rgba(style_of(stroke.role).colour) for stroke in strokes] or np.zeros((0, 4)),
            [len(part) for part in parts],
            axis=0,
        )
        layer = self._layers.get(width_px)
        if layer is not None and layer in self.viewer.layers:
            if len(data) or len(layer.data):
                layer.data = data
                layer.edge_color = colours
                layer.edge_width = self.screen_px(width_px)
        elif len(data):
            self._layers[width_px] = self._new_layer(data, colours, width_px)

    def _new_layer(self, data: FloatArray, colours: FloatArray, width_px: int) -> Any:  # noqa: ANN401
        active = self.viewer.layers.selection.active
        layer = self.viewer.add_vectors(
            data, name=f"{self._name}: lines of {width_px}", vector_style="line",
            edge_color=colours, edge_width=self.screen_px(width_px), units=("um", "um"),
            opacity=1.0,
        )  # fmt: skip
        layer.visible = self._visible
        # A new layer takes the keyboard; the image, or the points being set, keep it.
        self.viewer.layers.selection.active = active or self._image
        return layer

    def _write_labels(self) -> None:
        """Write the strokes' labels beside them.

        The layer is kept when there are none: napari takes most of a second to remove one.
        """
        labelled = [stroke for stroke in self._strokes if stroke.label]
        places = [self.world(_label_point(stroke.points_px)[None]) for stroke in labelled]
        data = np.concatenate(places) if places else np.zeros((0, 2))
        text = {"string": [s.label for s in labelled], "size": 11, "anchor": "lower_left",
                "color": [css(style_of(s.role).colour) for s in labelled] or "white"}  # fmt: skip
        if self._labels is None or self._labels not in self.viewer.layers:
            if labelled:
                self._labels = self._new_points("labels", data)
                self._labels.text = text
                self._labels.visible = self._visible
        elif len(data) or len(self._labels.data):
            self._labels.data = data
            self._labels.text = text

    def _new_points(self, name: str, data: FloatArray) -> Any:  # noqa: ANN401
        active = self.viewer.layers.selection.active
        layer = self.viewer.add_points(
            data, ndim=2, name=f"{self._name}: {name}", size=self.screen_px(1),
            face_color="transparent", border_color="transparent", units=("um", "um"),
        )  # fmt: skip
        self.viewer.layers.selection.active = active or self._image
        return layer

    def points_layer(self) -> Any:  # noqa: ANN401
        """Return the layer of points that a person sets, made once and hidden in between."""
        if self._points is None or self._points not in self.viewer.layers:
            self._points = self._new_points("points", np.zeros((0, 2)))
            self.on_handles(self._points)
        self._points.visible = True
        return self._points

    def _stroke_vectors(self, stroke: Stroke) -> FloatArray:
        dash = style_of(stroke.role).dash_px
        on_screen = dash and (self.screen_px(dash[0]), self.screen_px(dash[1]))
        lines = _lines(stroke.points_px, closed=stroke.closed)
        return np.concatenate([_vectors(self.world(line), on_screen) for line in lines])


def _nothing(*_: object) -> None:
    """Stand in for a bench that follows what happens to points."""


def _canvas_size(viewer: Any) -> tuple[float, float]:  # noqa: ANN401
    """Return height and width of the canvas in screen pixels; a guess for a model on its own."""
    size = getattr(viewer, "_canvas_size", None)
    return (float(size[0]), float(size[1])) if size is not None else _CANVAS_PX


def _for_display(pixels: NDArray[Any]) -> NDArray[Any]:
    """Return colour of more than eight bits as napari shows it, from 0 to 1."""
    if pixels.ndim == 3 and pixels.dtype == np.uint16:
        return (pixels >> max(0, int(pixels.max()).bit_length() - 8)).astype(np.uint8)
    return pixels


def _lines(points: FloatArray, *, closed: bool) -> list[FloatArray]:
    """Return the unbroken parts of a line."""
    whole = np.asarray(points, float)
    if closed and len(whole) > 2:
        whole = np.vstack([whole, whole[:1]])
    gaps = ~np.isfinite(whole).all(axis=1)
    parts = np.split(whole, np.flatnonzero(gaps))
    kept = [part[np.isfinite(part).all(axis=1)] for part in parts]
    return [part for part in kept if len(part)]


def _label_point(points: FloatArray) -> FloatArray:
    """Return a point a quarter along a line: at its ends other labels are to be expected."""
    known = points[np.isfinite(points).all(axis=1)]
    return np.asarray(known[0] + (known[-1] - known[0]) / 4 if len(known) == 2
                      else known[len(known) // 4])  # fmt: skip


def _vectors(world: FloatArray, dash: tuple[float, float] | None) -> FloatArray:
    """Return a line as start points and steps, shape (n, 2, 2), cut into dashes where asked."""
    if len(world) == 1:
        return np.stack([world, np.full((1, 2), 1e-6)], axis=1)
    if dash:
        world = _with_cuts(world, dash[0], dash[1])
    steps = np.diff(world, axis=0)
    vectors = np.stack([world[:-1], steps], axis=1)
    if not dash:
        return vectors
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*steps.T))])
    middle = (along[:-1] + along[1:]) / 2
    return np.asarray(vectors[middle % (dash[0] + dash[1]) < dash[0]])


def _with_cuts(world: FloatArray, drawn: float, open_: float) -> FloatArray:
    """Return a line with points added where dashes begin and end."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(world, axis=0).T))])
    starts = np.arange(0.0, along[-1], drawn + open_)
    at = np.unique(np.concatenate([along, starts, np.minimum(starts + drawn, along[-1])]))
    return np.column_stack([np.interp(at, along, world[:, 0]), np.interp(at, along, world[:, 1])])
