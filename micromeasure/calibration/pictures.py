"""Pictures of a calibration: what was found in the images, and how far it is off the law."""

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.calibration.grid import GridImage
from micromeasure.calibration.rulings import RuledImage

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from micromeasure.calibration.scale import ArtefactImage

_LONGEST_PX = 1400
_USED = (0, 200, 145)  # green and orange that the colour-blind tell apart
_STRAY = (230, 95, 0)
_STROKE_PX, _LETTERS, _MARGIN_PX = 2, 0.5, 3
_BEYOND_PX = 14  # from the end of a stroke to the middle of its number
_GAP_PX = 8
_SUBPIXEL_BITS = 4


def found_picture(greys: Sequence[NDArray[Any]], images: Sequence["ArtefactImage"]) -> bytes:
    """Return a PNG of the images below one another, with what was used and what was left out.

    Parameters
    ----------
    greys : sequence of ndarray, shape (rows, cols)
    images : sequence of RuledImage or GridImage
    """
    import cv2

    panels = [_panel(grey, image) for grey, image in zip(greys, images, strict=True)]
    width = max(panel.shape[1] for panel in panels)
    rows = []
    for panel in panels:
        wide = np.full((panel.shape[0] + _GAP_PX, width, 3), 255, dtype=np.uint8)
        wide[: panel.shape[0], : panel.shape[1]] = panel
        rows.append(wide)
    page = np.concatenate(rows)[:-_GAP_PX]
    encoded = cv2.imencode(".png", np.ascontiguousarray(page[..., ::-1]))[1]
    return bytes(encoded.tobytes())


def _panel(grey: NDArray[Any], image: "ArtefactImage") -> NDArray[np.uint8]:
    import cv2

    rows, cols = grey.shape
    factor = min(1.0, _LONGEST_PX / max(rows, cols))
    size = (max(1, round(cols * factor)), max(1, round(rows * factor)))
    small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    low, high = np.percentile(small, [0.5, 99.5])
    light = np.clip((small - low) / max(high - low, 1e-9), 0, 1) * 255
    picture = np.repeat(light.astype(np.uint8)[..., None], 3, axis=2)

    def place(points: NDArray[np.float64]) -> NDArray[np.int32]:
        scaled = (points + 0.5) * (np.array(size) / (cols, rows)) - 0.5
        return np.asarray(np.rint(scaled * (1 << _SUBPIXEL_BITS)), dtype=np.int32)

    if isinstance(image, RuledImage):
        for ends in image.ends_px:
            a, b = place(ends).tolist()
            cv2.line(picture, a, b, _USED, _STROKE_PX, cv2.LINE_AA, _SUBPIXEL_BITS)
        return _numbered(picture, image, size, (cols, rows))
    radius = max(2, round(image.radius_px * factor * 0.4)) << _SUBPIXEL_BITS
    for points, colour in ((image.centre_px, _USED), (image.stray_px, _STRAY)):
        for point in place(points).tolist() if len(points) else ():
            cv2.circle(picture, point, radius, colour, 1, cv2.LINE_AA, _SUBPIXEL_BITS)
    return picture


def _numbered(
    picture: NDArray[np.uint8], image: RuledImage, size: tuple[int, int], whole: tuple[int, int]
) -> NDArray[np.uint8]:
    """Write every tenth line's number beyond its end, and which lines were left out."""
    for number, ends in zip(image.numbers.tolist(), image.ends_px, strict=True):
        if number % 10 == 0:
            end, other = ends * size[0] / whole[0]
            beyond = end + (end - other) / max(float(np.hypot(*(end - other))), 1.0) * _BEYOND_PX
            _write(picture, str(number), (float(beyond[0]), float(beyond[1])), (0, 90, 65))
    if len(image.stray_numbers):
        text = "left out: " + " ".join(str(n) for n in image.stray_numbers[:30].tolist())
        _write(picture, text, (0.0, size[1] - 12.0), _STRAY)
    return picture


def _write(
    picture: NDArray[np.uint8], text: str, middle: tuple[float, float], colour: tuple[int, int, int]
) -> None:
    """Write on white, moved into the picture where it would leave it."""
    import cv2

    font = cv2.FONT_HERSHEY_SIMPLEX
    (width, height), _ = cv2.getTextSize(text, font, _LETTERS, 1)
    rows, cols = picture.shape[:2]
    x = int(np.clip(middle[0] - width / 2, 4, max(4, cols - width - 4)))
    y = int(np.clip(middle[1] + height / 2, height + 4, max(height + 4, rows - 5)))
    corner, opposite = (x - _MARGIN_PX, y - height - _MARGIN_PX), (x + width, y + _MARGIN_PX)
    cv2.rectangle(picture, corner, opposite, (255, 255, 255), cv2.FILLED)
    cv2.putText(picture, text, (x, y), font, _LETTERS, colour, 1, cv2.LINE_AA)


def residual_plot(
    images: Sequence["ArtefactImage"], names: Sequence[str], um_per_px: tuple[float, float]
) -> bytes:
    """Return an SVG of the deviations from the law, in um, one panel an image.

    Parameters
    ----------
    images : sequence of RuledImage or GridImage
    names : sequence of str
    um_per_px : tuple of two floats
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    mean_um = float(np.mean(um_per_px))
    figure = Figure(figsize=(8, 2.6 * len(images)), layout="constrained")
    axes: list[Axes] = list(figure.subplots(len(images), 1, squeeze=False)[:, 0])
    for axis, image, name in zip(axes, images, names, strict=True):
        if isinstance(image, GridImage):
            _grid_residuals(axis, image, um_per_px)
        else:
            axis.errorbar(
                image.numbers, image.residual_px * mean_um, 1.96 * image.u_px * mean_um,
                fmt="o", ms=3, lw=0.8, color="#0072b2",
            )  # fmt: skip
            axis.set_xlabel("number of the line")
        axis.axhline(0, color="0.6", lw=0.8)
        axis.set_ylabel("deviation / µm")
        axis.set_title(name, fontsize="medium")
    stream = io.BytesIO()
    # A fixed salt and no date: the same calibration gives the same file.
    with mpl.rc_context({"svg.hashsalt": "micromeasure", "svg.fonttype": "none"}):
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    return stream.getvalue()


def _grid_residuals(axis: "Axes", image: GridImage, um_per_px: tuple[float, float]) -> None:
    away = image.centre_px - np.asarray(image.distortion_centre_px)
    radius = np.hypot(*(away * np.asarray(um_per_px)).T)
    residual = image.residual_px * np.asarray(um_per_px)
    for column, label, colour in ((0, "x", "#0072b2"), (1, "y", "#d55e00")):
        axis.plot(radius, residual[:, column], ".", ms=3, color=colour, label=label)
    axis.set_xlabel("distance from the centre of the field / µm")
    axis.legend(loc="upper left", fontsize="small")
