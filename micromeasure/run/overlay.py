"""Overlays: the picture with what was measured drawn in it, scaled for looking at.

Grey levels are stretched between percentiles of the picture, so an overlay is no image to
measure in. Text is set in the typeface built into OpenCV, which has µ and ±.
"""

import math
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from micromeasure.micrograph.image import Micrograph
from micromeasure.outcome import FloatArray, Mark, Outcome
from micromeasure.run.palette import INK, OTHER, PAPER, STYLES, Colour, Style

LONGEST_PX = 1600
# Small images are enlarged by a whole number, pixels left square, so that lines have room.
_SMALL_PX = 800
_NARROWEST_PX = 560
_DARK, _BRIGHT = 0.005, 0.995
_SHIFT = 4  # bits after the binary point of cv2's drawing coordinates
_JPEG_QUALITY = 88
_RING_PX = 7
# A line that runs far out of the picture is not cut into millions of dashes.
_LONGEST_DASHED_PX = 50_000.0

Canvas = NDArray[np.uint8]
Box = tuple[int, int, int, int]  # left, top, width, height


class Picture:
    """A micrograph scaled for looking at, on which the marks of each measure are drawn.

    Parameters
    ----------
    micrograph : Micrograph
        A window of a larger image is shown as it is.
    """

    def __init__(self, micrograph: Micrograph) -> None:
        rows, cols = micrograph.pixels.shape[:2]
        self._factor = _factor(max(rows, cols))
        self._origin = np.array(micrograph.origin_px, dtype=np.float64)
        self._um_per_px = micrograph.calibration.um_per_px[0] / self._factor
        self._calibrated = bool(micrograph.calibration.id)
        self._name = micrograph.record.image
        self._base = _for_looking(micrograph.pixels, self._factor)

    def painted(self, outcome: Outcome, title: str) -> bytes:
        """Return a JPEG of the picture with an outcome's marks, a caption and a scale bar.

        Parameters
        ----------
        outcome : Outcome
        title : str
            The quantity, for people.
        """
        canvas = self._base.copy()
        for mark in outcome.marks:
            self._draw(canvas, mark)
        taken: list[Box] = []
        for mark in outcome.marks:
            if mark.label:
                self._label(canvas, mark, taken)
        caption = outcome.caption or "; ".join(f.reason for f in outcome.failures)
        whole = self._framed(canvas, [caption or title, f"{self._name}  ·  {title}"])
        done, data = cv2.imencode(".jpg", whole, [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY])
        if not done:
            message = "the overlay could not be encoded"
            raise OSError(message)
        return data.tobytes()

    def _placed(self, points_px: FloatArray) -> FloatArray:
        """Return full-image points in overlay pixels; pixel centres stay pixel centres."""
        placed: FloatArray = (np.asarray(points_px) - self._origin + 0.5) * self._factor - 0.5
        return placed

    def _draw(self, canvas: Canvas, mark: Mark) -> None:
        style = STYLES.get(mark.role, OTHER)
        for part in _unbroken(self._placed(mark.points_px)):
            if mark.role == "point" or len(part) == 1:
                _rings(canvas, part, style)
                continue
            line = np.vstack([part, part[:1]]) if mark.closed else part
            pieces = [line] if style.dash_px is None else _dashes(line, *style.dash_px)
            fixed = [_fixed(piece) for piece in pieces]
            if style.width_px > 1:
                # A dark border keeps pale lines visible on bright parts of the picture.
                _lines(canvas, fixed, PAPER, style.width_px + 2)
            _lines(canvas, fixed, style.colour, style.width_px)

    def _label(self, canvas: Canvas, mark: Mark, taken: list[Box]) -> None:
        """Write a mark's label beside its first point, where no other label stands."""
        points = self._placed(mark.points_px)
        points = points[np.isfinite(points).all(axis=1)]
        if not len(points):
            return
        size = _text_size(canvas.shape[1])
        box = _free_box(points, (_text_width(mark.label, size) + 8, size + 6), canvas, taken)
        taken.append(box)
        x, y, wide, high = box
        # A dark ground keeps the letters readable on any picture.
        cv2.rectangle(canvas, (x, y), (x + wide, y + high), _bgr(PAPER), -1)
        colour = STYLES.get(mark.role, OTHER).colour
        _write(canvas, mark.label, (x + 4, y + size), size=size, colour=colour)

    def _framed(self, canvas: Canvas, texts: list[str]) -> Canvas:
        """Return the picture over a strip that holds caption, name and scale bar."""
        rows, cols = canvas.shape[:2]
        width = max(cols, _NARROWEST_PX)
        size = _text_size(width)
        bar_px, bar_text = self._scale_bar(cols)
        room = width - 2 * size - max(bar_px, _text_width(bar_text, size)) - 2 * size
        lines = [line for text in texts for line in _wrapped(text, size, room)]
        step = round(size * 1.45)
        strip = size + step * max(2, len(lines))
        whole = np.asarray(
            cv2.copyMakeBorder(
                canvas, 0, strip, 0, width - cols, cv2.BORDER_CONSTANT, value=_bgr(PAPER)
            ),
            dtype=np.uint8,
        )
        for number, line in enumerate(lines):
            _write(
                whole, line, (size, rows + size // 2 + step * number + size), size=size, colour=INK
            )
        right = width - size
        y = rows + size // 2 + step + size
        cv2.rectangle(whole, (right - bar_px, y), (right, y + max(3, size // 5)), _bgr(INK), -1)
        _write(
            whole,
            bar_text,
            (right - _text_width(bar_text, size), y - size // 2),
            size=size,
            colour=INK,
        )
        return whole

    def _scale_bar(self, cols: int) -> tuple[int, str]:
        """Return length on the overlay and text of a scale bar of about a fifth of the width."""
        target_um = cols / 5 * self._um_per_px
        power = 10.0 ** math.floor(math.log10(target_um))
        length_um = power * max(step for step in (1.0, 2.0, 5.0) if step * power <= target_um)
        text = f"{length_um:g} µm" if self._calibrated else f"{length_um:g} µm, not calibrated"
        return max(1, round(length_um / self._um_per_px)), text


def shown_size(width_px: int, height_px: int) -> tuple[int, int]:
    """Return width and height of an image on its overlay, without the strip below it."""
    factor = _factor(max(width_px, height_px))
    if factor < 1:
        return max(1, round(width_px * factor)), max(1, round(height_px * factor))
    return width_px * int(factor), height_px * int(factor)


def _factor(longest: int) -> float:
    if longest > LONGEST_PX:
        return LONGEST_PX / longest
    return float(max(1, _SMALL_PX // longest))


def _for_looking(pixels: NDArray[Any], factor: float) -> Canvas:
    """Return pixels scaled and stretched to 8 bits, colours in cv2's order."""
    if pixels.dtype.itemsize > 2:
        pixels = np.nan_to_num(pixels.astype(np.float32, copy=False))
    rows, cols = pixels.shape[:2]
    if factor < 1:
        size = (max(1, round(cols * factor)), max(1, round(rows * factor)))
        small = cv2.resize(_halved(pixels, factor), size, interpolation=cv2.INTER_LINEAR)
    else:
        small = pixels
    dark, bright = _percentiles(small)
    gain = 255.0 / (bright - dark)
    # Raised to the dark level first: the conversion takes absolute values.
    raised = np.maximum(small, small.dtype.type(dark))
    grey = cv2.convertScaleAbs(raised, alpha=gain, beta=-dark * gain)
    colour = cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR if grey.ndim == 2 else cv2.COLOR_RGB2BGR)
    if factor > 1:
        size = (cols * int(factor), rows * int(factor))
        colour = cv2.resize(colour, size, interpolation=cv2.INTER_NEAREST)
    return np.asarray(colour, dtype=np.uint8)


def _halved(pixels: NDArray[Any], factor: float) -> NDArray[Any]:
    """Return pixels averaged two by two as long as they stay at least as many as wanted.

    Halving is the one mean over areas that takes next to no time; what remains is less than
    a factor of two, for which interpolation is enough.
    """
    while factor <= 0.5 and min(pixels.shape[:2]) >= 2:
        rows, cols = pixels.shape[0] // 2, pixels.shape[1] // 2
        even = pixels[: 2 * rows, : 2 * cols]
        pixels = np.asarray(cv2.resize(even, (cols, rows), interpolation=cv2.INTER_AREA))
        factor *= 2
    return pixels


def _percentiles(small: NDArray[Any]) -> tuple[float, float]:
    """Return the levels shown black and white; a sample of the pixels is enough for that."""
    step = max(1, math.isqrt(small.shape[0] * small.shape[1] // 65536))
    sample = np.sort(small[::step, ::step].ravel())
    low, high = (float(sample[round(p * (len(sample) - 1))]) for p in (_DARK, _BRIGHT))
    return low, high if high > low else low + 1.0


def _unbroken(points: FloatArray) -> list[FloatArray]:
    """Split a line at rows of NaN."""
    whole = np.isfinite(points).all(axis=1)
    if whole.all():
        return [points] if len(points) else []
    cuts = np.flatnonzero(np.diff(whole.astype(np.int8))) + 1
    parts = np.split(points, cuts)
    return [part for part in parts if len(part) and np.isfinite(part[0]).all()]


def _dashes(line: FloatArray, drawn_px: float, open_px: float) -> list[FloatArray]:
    """Cut a line into dashes of equal length along it."""
    steps = np.hypot(*np.diff(line, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    if along[-1] > _LONGEST_DASHED_PX:
        return [line]
    starts = np.arange(0.0, max(along[-1], drawn_px), drawn_px + open_px)
    ends = np.minimum(starts + drawn_px, along[-1])
    at = np.sort(np.concatenate([along, starts, ends]))
    points = np.column_stack([np.interp(at, along, line[:, 0]), np.interp(at, along, line[:, 1])])
    first, last = np.searchsorted(at, starts), np.searchsorted(at, ends, side="right")
    return [points[a:b] for a, b in zip(first.tolist(), last.tolist(), strict=True)]


def _lines(canvas: Canvas, lines: list[NDArray[np.int32]], colour: Colour, width_px: int) -> None:
    cv2.polylines(
        canvas,
        lines,
        isClosed=False,
        color=_bgr(colour),
        thickness=width_px,
        lineType=cv2.LINE_AA,
        shift=_SHIFT,
    )


def _free_box(points: FloatArray, size: tuple[int, int], canvas: Canvas, taken: list[Box]) -> Box:
    """Return a box near a mark's first point that covers no other box and little of the mark."""
    rows, cols = canvas.shape[:2]
    wide, high = size
    x, y = (int(v) for v in np.clip(points[0], -1e6, 1e6))
    gap = _RING_PX + 2
    places = [
        (left, top)
        for step in range(4)
        for top in (y - gap - high - step * (high + 2), y + gap + step * (high + 2))
        for left in (x + gap, x - gap - wide)
    ]
    boxes = [
        (max(0, min(left, cols - wide - 1)), max(0, min(top, rows - high - 1)), wide, high)
        for left, top in places
    ]
    free = [box for box in boxes if not any(_overlap(box, t) for t in taken)] or boxes[:1]
    return min(free, key=lambda box: _covered(box, points))


def _covered(box: Box, points: FloatArray) -> int:
    """Return how many points lie under a box, or next to it."""
    low = np.array(box[:2]) - _RING_PX
    high = np.array(box[:2]) + box[2:] + _RING_PX
    return int(np.count_nonzero(((points >= low) & (points <= high)).all(axis=1)))


def _overlap(a: Box, b: Box) -> bool:
    return a[0] < b[0] + b[2] and b[0] < a[0] + a[2] and a[1] < b[1] + b[3] and b[1] < a[1] + a[3]


def _rings(canvas: Canvas, points: FloatArray, style: Style) -> None:
    for x, y in _fixed(points):
        cv2.circle(
            canvas, (int(x), int(y)), _RING_PX << _SHIFT, _bgr(style.colour), style.width_px,
            cv2.LINE_AA, _SHIFT,
        )  # fmt: skip


def _fixed(points: FloatArray) -> NDArray[np.int32]:
    """Return points in cv2's fixed-point coordinates, far-off ones drawn in to what cv2 can."""
    limit = 1 << 14
    return np.rint(np.clip(points, -limit, limit) * (1 << _SHIFT)).astype(np.int32)


def _bgr(colour: Colour) -> Colour:
    return colour[2], colour[1], colour[0]


@cache
def _face() -> Any:  # noqa: ANN401  # cv2's stubs do not know the class
    return cv2.FontFace("sans")


def _text_size(width: int) -> int:
    return int(np.clip(width // 60, 14, 26))


@cache
def _letter_width(letter: str, size: int) -> float:
    box = cv2.getTextSize((1, 1), letter * 10, (0, 0), _face(), size, 400)
    return float(box[2]) / 10


def _text_width(text: str, size: int) -> int:
    return math.ceil(sum(_letter_width(letter, size) for letter in text))


def _wrapped(text: str, size: int, room_px: int) -> list[str]:
    """Break a text into at most three lines that fit."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if _text_width(longer, size) <= room_px or not lines[-1]:
            lines[-1] = longer
        else:
            lines.append(word)
    return [*lines[:2], lines[2] + " …"] if len(lines) > 3 else lines


def _write(canvas: Canvas, text: str, at: tuple[int, int], *, size: int, colour: Colour) -> None:
    cv2.putText(canvas, text, at, _bgr(colour), _face(), size, 400)
