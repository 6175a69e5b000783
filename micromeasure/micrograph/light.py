"""Frames as light on cells of pixels: response undone, exposures and clipping looked after.

A cell is a small square of pixels. Light is summed over each cell before frames are divided by
one another: the quotient of two sums is as free of the pixels' unequal sensitivity as a quotient
pixel by pixel, but the noise of the divisor, which biases a quotient, is smaller by the number
of pixels in the cell.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.errors import MeasurementError
from micromeasure.micrograph.image import Micrograph
from micromeasure.micrograph.response import Response, response_of

Float32Array = NDArray[np.float32]
FloatArray = NDArray[np.float64]

CHANNELS = ("luminance", "red", "green", "blue")
# ITU-R BT.709: luminance of linear red, green and blue.
_LUMINANCE = (0.2126, 0.7152, 0.0722)
# Rows are worked through in blocks that stay in the processor's cache.
_BLOCK_PX = 1 << 19
# More than this share of an image at one greatest value is a pile-up, not the tail of the noise.
_PILE_UP = 0.001
# Every so many rows are looked at before all of them are.
_EVERY = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A rectangle of whole cells in full-image pixels: first column and row, cells, cell side."""

    col: int
    row: int
    cols: int
    rows: int
    cell_px: int

    @property
    def width_px(self) -> int:
        """Width in pixels."""
        return self.cols * self.cell_px

    @property
    def height_px(self) -> int:
        """Height in pixels."""
        return self.rows * self.cell_px


def pixels_in(frame: Micrograph, box: Box) -> NDArray[Any]:
    """Return the pixels of a frame inside a box (a view).

    Raises
    ------
    MeasurementError
        If the box reaches beyond the frame.
    """
    col, row = box.col - frame.origin_px[0], box.row - frame.origin_px[1]
    rows, cols = frame.pixels.shape[:2]
    if col < 0 or row < 0 or col + box.width_px > cols or row + box.height_px > rows:
        message = (
            f"{frame.record.image}: is {cols} x {rows} px and does not cover the part that is "
            "measured; take all frames of one view with the same camera mode."
        )
        raise MeasurementError(message)
    return frame.pixels[row : row + box.height_px, col : col + box.width_px]


def linear(pixels: NDArray[Any], response: Response, channel: str = "luminance") -> Float32Array:
    """Return pixels as numbers proportional to light (plus the dark level), one a pixel.

    Parameters
    ----------
    pixels : ndarray, shape (rows, cols) or (rows, cols, 3)
    response : Response
    channel : str
        ``luminance`` weighs linear red, green and blue after ITU-R BT.709; or one of these.
        Grey images have one channel only and ignore it.
    """
    import cv2

    if pixels.ndim == 3 and channel != "luminance":
        pixels = pixels[..., CHANNELS.index(channel) - 1]
    light: NDArray[Any]
    if response.table is not None:
        light = cv2.LUT(np.ascontiguousarray(pixels), response.table)
    elif response.decode is not None:
        light = response.decode(pixels.astype(np.float64))
    else:
        light = pixels
    if light.ndim == 3:
        light = cv2.transform(light.astype(np.float32), np.array([_LUMINANCE], dtype=np.float32))
    return light.astype(np.float32, copy=False)


def cell_means(
    frame: Micrograph, box: Box, response: Response, channel: str = "luminance"
) -> Float32Array:
    """Return the mean light of each cell.

    Returns
    -------
    ndarray of float32, shape (box.rows, box.cols)
        In the unit of `linear`.

    Raises
    ------
    MeasurementError
        If the box reaches beyond the frame.
    """
    import cv2

    pixels = pixels_in(frame, box)
    means = np.empty((box.rows, box.cols), dtype=np.float32)
    at_once = max(1, _BLOCK_PX // max(1, box.width_px * box.cell_px))
    for start in range(0, box.rows, at_once):
        stop = min(start + at_once, box.rows)
        block = linear(pixels[start * box.cell_px : stop * box.cell_px], response, channel)
        # With a whole-number factor INTER_AREA is the plain mean over each cell.
        means[start:stop] = cv2.resize(
            block, (box.cols, stop - start), interpolation=cv2.INTER_AREA
        )
    return means


@dataclass(frozen=True, slots=True, kw_only=True)
class Stack:
    """The mean of one or several frames of the same thing.

    Attributes
    ----------
    cells : ndarray of float32, shape (rows, cols)
        Mean light of each cell.
    levels : tuple of float
        Mean over the whole box, frame by frame: how well they repeat.
    frames : tuple of Micrograph
    response : Response
    exposure_s : float or None
        None where it is not known.
    """

    cells: Float32Array
    levels: tuple[float, ...]
    frames: tuple[Micrograph, ...]
    response: Response
    exposure_s: float | None


def stack_of(
    frames: Sequence[Micrograph],
    box: Box,
    *,
    transfer: float | str | None,
    channel: str,
    exposure_s: float | None = None,
) -> Stack:
    """Return the mean of frames on cells.

    Parameters
    ----------
    frames : sequence of Micrograph
        At least one.
    box : Box
    transfer, channel
        As in `response_of` and `linear`.
    exposure_s : float or None
        As declared by the user; otherwise taken from the frames.

    Raises
    ------
    MeasurementError
        If the frames' sizes do not fit, or their exposure times differ.
    """
    response = response_of(frames[0], transfer)
    cells = [cell_means(frame, box, response, channel) for frame in frames]
    times = {exposure_of(frame) for frame in frames} if exposure_s is None else {exposure_s}
    if len(times) > 1:
        message = (
            f"{frames[0].record.image} and frames averaged with it: found exposure times "
            f"{sorted(times, key=str)}; must be one. Take them at one exposure."
        )
        raise MeasurementError(message)
    return Stack(
        cells=cells[0] if len(cells) == 1 else np.mean(cells, axis=0, dtype=np.float32),
        levels=tuple(float(c.mean(dtype=np.float64)) for c in cells),
        frames=tuple(frames),
        response=response,
        exposure_s=times.pop(),
    )


class StackCache:
    """The stacks last made of companion frames, which many images share.

    A stack depends on nothing but its arguments, so keeping it changes no result. Frames are
    compared by identity: one frame, read once in a run, is one object.
    """

    def __init__(self, size: int = 6) -> None:
        self._size = size
        self._kept: list[tuple[tuple[Micrograph, ...], tuple[object, ...], Stack]] = []

    def stack(
        self,
        frames: Sequence[Micrograph],
        box: Box,
        *,
        transfer: float | str | None,
        channel: str,
        exposure_s: float | None = None,
    ) -> Stack:
        """Return `stack_of` of the same arguments."""
        rest = (box, transfer, channel, exposure_s)
        for kept_frames, kept_rest, stack in self._kept:
            if kept_rest == rest and _same(kept_frames, frames):
                return stack
        stack = stack_of(frames, box, transfer=transfer, channel=channel, exposure_s=exposure_s)
        self._kept = [*self._kept[-(self._size - 1) :], (tuple(frames), rest, stack)]
        return stack


def _same(first: Sequence[Micrograph], second: Sequence[Micrograph]) -> bool:
    return len(first) == len(second) and all(a is b for a, b in zip(first, second, strict=True))


def exposure_of(frame: Micrograph) -> float | None:
    """Return the exposure time in s from the manifest's ``exposure_s`` or the file's header.

    Raises
    ------
    MeasurementError
        If the manifest's entry is not a number above 0.
    """
    stated = frame.record.extra.get("exposure_s", "").strip()
    if not stated:
        return frame.header.exposure_s
    try:
        seconds = float(stated)
    except ValueError:
        seconds = 0.0
    if not 0.0 < seconds < float("inf"):
        message = (
            f"{frame.record.image}: exposure_s in the manifest is '{stated}'; must be a number "
            "of seconds above 0."
        )
        raise MeasurementError(message)
    return seconds


def ceiling_of(frame: Micrograph) -> float:
    """Return the stored value at and above which a pixel counts as clipped.

    Notes
    -----
    A camera of 10, 12 or 14 bits often stores 16-bit words without saying so, left- or
    right-justified, and many clip below the last digit. So, besides the range the header
    states, a frame's own greatest value is taken as the ceiling where pixels pile up at it:
    more than the share `_PILE_UP` of them and more than three times as many as on all of the
    eight values next below.
    """
    pixels = frame.pixels
    if pixels.dtype.kind == "f":
        # Floating point ends at 1 by convention; values beyond are in a unit of their own.
        return math.inf if float(pixels.max()) > frame.full_scale else frame.full_scale
    greatest = int(pixels.max())
    limit = int(frame.full_scale)
    if greatest >= limit or greatest == 0:
        return float(min(limit, greatest) or limit)
    some = pixels[::_EVERY]
    if np.count_nonzero(some == greatest) <= _PILE_UP / 2.0 * some.size:
        return float(limit)
    at_top = np.count_nonzero(pixels == greatest)
    if at_top <= _PILE_UP * pixels.size:
        return float(limit)
    step = _value_step(pixels, greatest)
    below = np.count_nonzero(pixels >= greatest - 8 * step) - at_top
    enough_values = pixels.dtype.itemsize > 1 and greatest >= 255 * step
    end_of_range = enough_values and (greatest + step).bit_count() == 1
    # In 8 bits the noise may be below one value, and a flat image then piles up anywhere.
    piled = enough_values and at_top > 3 * below > 0
    return float(greatest if end_of_range or piled else limit)


def _value_step(pixels: NDArray[Any], greatest: int) -> int:
    """Return the distance of stored values: 16 where 12 bits are left-justified in 16."""
    sample = pixels[:: max(1, pixels.shape[0] // 64)]
    common = int(np.bitwise_or.reduce(sample, axis=None)) | greatest
    return common & -common
