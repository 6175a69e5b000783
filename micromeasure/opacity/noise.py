"""Camera noise, estimated from the frames themselves.

Noise changes from pixel to pixel while an image blurred by its objective does not. A second
difference in both directions leaves the noise and removes planes and slow changes; with two
frames of one scene their difference leaves the noise alone, whatever the scene.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.micrograph.light import Box, Stack, linear, pixels_in

Float32Array = NDArray[np.float32]
FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

TILE_CELLS = 8
# This many pixels give a variance to about 1 %, at a cost far below that of reading the image.
_ENOUGH_PX = 65_000
# Noise is cut off where more pixels than this are at zero; beyond the same share from the other
# end nothing is left to judge it by.
_CUT_OFF_SHARE = 0.02
# Dark noise is not quite normal: warm pixels stand out.
_CUT_OFF_U_REL = 0.15
# The mask [1 -2 1] in both directions has a sum of squares of 36.
_MASK_POWER = 36.0


def tiles_in(mask: BoolArray, box: Box) -> list[Box]:
    """Return squares of whole cells that lie wholly inside a mask, spread evenly over it.

    Parameters
    ----------
    mask : ndarray of bool, shape (box.rows, box.cols)
    box : Box

    Returns
    -------
    list of Box
        Empty where the mask has no room for any; then smaller squares should be tried by
        the caller.
    """
    for side in (TILE_CELLS, 4, 2, 1):
        rows, cols = mask.shape[0] // side, mask.shape[1] // side
        whole = mask[: rows * side, : cols * side].reshape(rows, side, cols, side).all(axis=(1, 3))
        at = np.argwhere(whole)
        if len(at):
            wanted = max(1, _ENOUGH_PX // (side * box.cell_px) ** 2)
            chosen = at[np.linspace(0, len(at) - 1, min(wanted, len(at))).astype(np.intp)]
            return [
                Box(
                    col=box.col + int(c) * side * box.cell_px,
                    row=box.row + int(r) * side * box.cell_px,
                    cols=side,
                    rows=side,
                    cell_px=box.cell_px,
                )
                for r, c in chosen
            ]
    return []


def second_difference_variance(image: FloatArray | Float32Array) -> float:
    """Return the variance of pixel noise in an image that is otherwise smooth.

    Parameters
    ----------
    image : ndarray, shape (rows, cols)
        At least 3 x 3.

    Notes
    -----
    Mean square of the second difference in both directions, divided by 36: unbiased for white
    noise, whatever its distribution; zero for any plane and for one-dimensional parabolas.
    """
    d = image[:, :-2] - 2.0 * image[:, 1:-1] + image[:, 2:]
    d = d[:-2] - 2.0 * d[1:-1] + d[2:]
    return float(np.mean(np.square(d, dtype=np.float64))) / _MASK_POWER


def trimmed_mean(values: Sequence[float]) -> float:
    """Return the mean without values over three times the median (a tile on a scratch)."""
    array = np.asarray(values, dtype=np.float64)
    kept = array[array <= 3.0 * np.median(array)]
    return float(kept.mean()) if kept.size else float(array.mean())


def mean_pixels(stack: Stack, box: Box, channel: str) -> FloatArray:
    """Return the light of each pixel in a box, averaged over the frames of a stack."""
    total = np.zeros((box.height_px, box.width_px))
    for frame in stack.frames:
        total += linear(pixels_in(frame, box), stack.response, channel)
    return total / len(stack.frames)


def quantisation_u(step: float, spread: float) -> float:
    """Return the standard uncertainty that rounding to digits leaves in a mean.

    Parameters
    ----------
    step : float
        One step, in any unit of light; 0 where values are not rounded.
    spread : float
        Standard deviation of the unrounded values, in the same unit.

    Notes
    -----
    The mean of rounded normal values is off by at most exp(−2π²s²)/π steps, in a sine of the
    true mean: rms exp(−2π²s²)/(π√2). Without noise it is a rectangle of one step.
    """
    rectangle = step / math.sqrt(12.0)
    if step == 0.0 or spread <= 0.1 * step:
        return rectangle
    sine = step * math.exp(-2.0 * (math.pi * spread / step) ** 2) / (math.pi * math.sqrt(2.0))
    return min(rectangle, sine)


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotonTransfer:
    """The photon-transfer relation of a linear camera: variance = gain x signal + offset.

    Attributes
    ----------
    gain : float
        Stored values per electron.
    offset : float
        Variance without light, stored values squared.

    References
    ----------
    .. [1] EMVA Standard 1288: linear camera model, variance of the signal.
    """

    gain: float
    offset: float

    def variance(self, signal: float) -> float:
        """Return the variance of a pixel at a mean signal above dark, in stored values."""
        return self.gain * max(signal, 0.0) + self.offset


def photon_transfer_of(
    light: Stack, dark: Stack | None, tiles: Sequence[Box], channel: str
) -> PhotonTransfer | None:
    """Return the photon-transfer relation from two or more open-light frames.

    Returns
    -------
    PhotonTransfer or None
        None where there is only one frame, or the response is not linear.

    Notes
    -----
    The variance of the difference of two frames holds no pattern of the sensor or the scene.
    A drift of the lamp between them multiplies everything and is scaled out first.
    """
    if len(light.frames) < 2 or light.response.decode is not None:
        return None
    pairs, signals = [], []
    for box in tiles:
        first, second = (
            linear(pixels_in(frame, box), light.response, channel).astype(np.float64)
            for frame in light.frames[:2]
        )
        base = 0.0 if dark is None else float(mean_pixels(dark, box, channel).mean())
        level = (first.mean() + second.mean()) / 2.0 - base
        scale = (first.mean() - base) / (second.mean() - base)
        pairs.append(float(np.var(first - base - scale * (second - base))) / (1.0 + scale**2))
        signals.append(level)
    offset = dark_variance(dark, tiles, channel)
    signal = float(np.mean(signals))
    gain = (trimmed_mean(pairs) - offset) / signal if signal > 0 else 0.0
    return PhotonTransfer(gain=gain, offset=offset) if gain > 0 else None


def below_zero(dark: Stack, box: Box, channel: str) -> tuple[float, float]:
    """Return how far the true dark level lies below the mean of frames whose noise is cut off.

    Parameters
    ----------
    dark : Stack
    box : Box
    channel : str

    Returns
    -------
    shift, u_shift : float
        To be added to the dark frames' light, and its standard uncertainty; both 0 where less
        than 2 % of the pixels are at zero.

    Notes
    -----
    A camera without a black level stores 0 for all noise below it, and the mean of what is left
    is too high. Of a normal law cut off at c = half a step, the share p below c and the mean m
    of the rest (counted as 0) give sigma = (m − c (1 − p)) / (phi(z) − z (1 − p)), z the quantile
    of p, and the level c − z sigma.
    """
    from scipy.special import ndtri

    pixels = pixels_in(dark.frames[0], box)
    share = float(np.count_nonzero(pixels <= 0)) / pixels.size
    if not _CUT_OFF_SHARE < share < 1.0 - _CUT_OFF_SHARE:
        return 0.0, 0.0
    table = dark.response.table
    floor = 0.0 if table is None else float(table[0])
    cut = 0.5 if table is None else float(table[1] - table[0]) / 2.0
    mean = float(linear(pixels, dark.response, channel).mean(dtype=np.float64)) - floor
    z = float(ndtri(share))
    density = math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
    sigma = (mean - cut * (1.0 - share)) / (density - z * (1.0 - share))
    shift = cut - z * max(sigma, 0.0) - mean
    return shift, abs(shift) * _CUT_OFF_U_REL


def dark_variance(dark: Stack | None, tiles: Sequence[Box], channel: str) -> float:
    """Return the variance of a pixel in a dark frame; 0 without one."""
    if dark is None or not tiles:
        return 0.0
    if len(dark.frames) > 1:
        first, second = dark.frames[:2]
        found = [
            float(
                np.var(
                    linear(pixels_in(first, box), dark.response, channel).astype(np.float64)
                    - linear(pixels_in(second, box), dark.response, channel)
                )
            )
            / 2.0
            for box in tiles
        ]
    else:
        found = [second_difference_variance(mean_pixels(dark, box, channel)) for box in tiles]
    return trimmed_mean(found)
