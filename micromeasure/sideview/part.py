"""Where the part is in a side view: polarity, support and a mask, at reduced size.

Everything here is good to a pixel or two of the reduced image; positions that are measured come
from `micromeasure.sideview.contour`, which only starts from the outline found here.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.errors import MeasurementError
from micromeasure.outcome import FloatArray

Mask = NDArray[np.uint8]

# The reduced image is at most this long; outlines found in it are within 2 px of the true ones
# for images up to twice as long.
_REDUCED_LENGTH_PX = 1600
# A support leans no more than this, or the part would not stand on it.
_SUPPORT_MAX_DEG = 12.0
_SUPPORT_STEP_DEG = 0.5
# Share of open columns along a candidate line that must have material below it.
_SUPPORT_MIN_SHARE = 0.8
_SUPPORT_MIN_LENGTH = 0.12
# Less contrast than this between part and surroundings, in noise units, is no outline.
_MIN_CONTRAST = 4.0
# With more than this nothing but a part has been found.
_CLEAR_CONTRAST = 20.0
_SURFACE_GRID = 17
# Under very uneven light the first guess of what is part is poor and has to be mended.
_LIGHT_ROUNDS = 8
_SETTLED = 2e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """The part as found in the reduced image.

    Attributes
    ----------
    mask : ndarray of uint8, shape (rows, cols)
        1 on the part; holes filled, support cut off.
    factor : int
        Pixels of the image per pixel of the mask.
    is_bright : bool
        Whether the part is brighter than what surrounds it.
    support : tuple of two floats or None
        Upper edge of the support in pixels of the image, y = a + b x; None where none is seen.
    support_columns_px : ndarray of float, shape (n,)
        Columns of the image in which that edge lies free.
    """

    mask: Mask
    factor: int
    is_bright: bool
    support: tuple[float, float] | None
    support_columns_px: FloatArray


def find_part(pixels: NDArray[Any]) -> Part:
    """Find the part, and the support if there is one.

    Parameters
    ----------
    pixels : ndarray, shape (rows, cols)
        Grey values; the crown is up.

    Returns
    -------
    Part

    Raises
    ------
    MeasurementError
        If nothing stands out from the surroundings.

    Notes
    -----
    What fills the upper border of the image is taken as surroundings, as a crown needs free
    space above it; that also tells a silhouette from a view in reflected light.
    """
    factor = max(1, math.ceil(max(pixels.shape) / _REDUCED_LENGTH_PX))
    reduced = _reduce(pixels, factor)
    mask, is_bright = _separate(reduced)
    line = _find_support(mask)
    support, columns = None, np.empty(0)
    if line is not None:
        intercept, slope, free = line
        mask = _cut_at(mask, intercept, slope)
        # Pixel centres: x = (X + 1/2) / factor - 1/2 on both axes.
        shift = (factor - 1) / 2
        support = (factor * intercept + shift - slope * shift, slope)
        columns = free * factor + shift
    return Part(
        mask=_largest(mask), factor=factor, is_bright=is_bright,
        support=support, support_columns_px=columns,
    )  # fmt: skip


def _reduce(pixels: NDArray[Any], factor: int) -> NDArray[np.float32]:
    """Take the pixel in the middle of each block and smooth away single noisy ones.

    The mean of whole blocks would take longer than decoding some images does.
    """
    import cv2

    rows, cols = (size // factor for size in pixels.shape)
    if min(rows, cols) < 16:
        message = (
            f"the image part to measure in is {pixels.shape[1]} x {pixels.shape[0]} px; "
            "a side view needs at least 16 x 16 px"
        )
        raise MeasurementError(message)
    middle = slice(factor // 2, None, factor)
    small = pixels[middle, middle][:rows, :cols]
    return cv2.GaussianBlur(small.astype(np.float32), (0, 0), 0.8)  # type: ignore[return-value]


def _separate(image: NDArray[np.float32]) -> tuple[Mask, bool]:
    """Return the mask of what differs from the surroundings, and whether it is brighter."""
    # Some of the pixels tell levels and light as well as all of them.
    every = max(1, min(3, min(image.shape) // 200))
    some = np.ascontiguousarray(image[::every, ::every])
    found = _levels(some, some)
    if found.contrast < _CLEAR_CONTRAST * found.spread or found.spread == 0:
        # Very uneven light may have parted the image instead; with its trend taken off, a small
        # part stands out.
        trend = _light(some, np.ones(some.shape, dtype=bool))
        other = _levels(some, some - _stretched(trend, some.shape))
        if other.contrast * found.spread > found.contrast * other.spread:
            found = other
    _check_contrast(found)
    whole = (image - _stretched(found.light, image.shape) > found.half) == found.is_bright
    return whole.astype(np.uint8), found.is_bright


@dataclass(frozen=True, slots=True, kw_only=True)
class _Levels:
    """What parts a part from its surroundings: the light's grid and a level above it."""

    light: NDArray[np.float32]
    half: float
    is_bright: bool
    contrast: float
    spread: float
    share: float


def _levels(some: NDArray[np.float32], start: NDArray[np.float32]) -> _Levels:
    """Mend the light and the mask in turn, from the mask that parts `start` in two."""
    level = _otsu(start)
    rows = max(2, some.shape[0] // 40)
    is_bright = bool(np.mean(start[:rows] > level) < 0.5)
    mask, half = (start > level) == is_bright, level
    light = np.zeros((_SURFACE_GRID, _SURFACE_GRID), dtype=np.float32)
    for _ in range(_LIGHT_ROUNDS):
        light = _light(some, ~mask)
        flat = some - _stretched(light, some.shape)
        part, around = _samples(flat, mask)
        if part.size < 50 or around.size < 50:
            break
        # Half-way between the typical levels, so that the outline starts where edges are sought.
        half = (float(np.median(part)) + float(np.median(around))) / 2
        before, mask = mask, (flat > half) == is_bright
        if np.mean(before != mask) < _SETTLED:
            break
    part, around = _samples(flat, mask)
    if not (part.size and around.size):
        return _Levels(light=light, half=half, is_bright=is_bright, contrast=0.0, spread=0.0,
                       share=float(mask.mean()))  # fmt: skip
    middle = float(np.median(around))
    return _Levels(
        light=light, half=half, is_bright=is_bright, share=float(mask.mean()),
        contrast=abs(float(np.median(part)) - middle),
        spread=1.4826 * float(np.median(np.abs(around - middle))),
    )  # fmt: skip


def _samples(
    image: NDArray[np.float32], mask: NDArray[np.bool_]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return grey values on and off the mask, enough of them for medians."""
    step = max(1, min(image.shape) // 150)
    some = image[::step, ::step]
    chosen = mask[::step, ::step]
    return some[chosen], some[~chosen]


def _check_contrast(found: _Levels) -> None:
    if not 0.002 < found.share < 0.98:
        message = (
            f"{100 * found.share:.1f} % of the image differs from its surroundings: no part found"
        )
        raise MeasurementError(message)
    if found.contrast < _MIN_CONTRAST * found.spread or found.contrast == 0:
        message = (
            f"the part differs from its surroundings by only "
            f"{found.contrast / max(found.spread, 1e-9):.1f} times their spread; at least "
            f"{_MIN_CONTRAST:g} is needed. Use more even light"
        )
        raise MeasurementError(message)


def _otsu(image: NDArray[np.float32]) -> float:
    """Return the level that parts the grey values best in two (Otsu 1979)."""
    import cv2

    low, high = (float(v) for v in np.percentile(image[::3, ::3], [0.2, 99.8]))
    # Smoothing leaves the last digit of equal values uncertain.
    if high - low <= 1e-5 * abs(high):
        message = "the image is of one grey value; nothing to measure"
        raise MeasurementError(message)
    scaled = np.clip((image - low) * (255.0 / (high - low)), 0, 255).astype(np.uint8)
    level, _ = cv2.threshold(scaled, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    return low + (float(level) + 0.5) * (high - low) / 255.0


def _light(image: NDArray[np.float32], chosen: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Return a second-order surface through the chosen pixels, for uneven light, as a grid."""
    rows, cols = image.shape
    y = np.linspace(-1, 1, rows, dtype=np.float32)
    x = np.linspace(-1, 1, cols, dtype=np.float32)
    step = max(1, min(rows, cols) // 60)
    some = np.s_[::step, ::step]
    inside = chosen[some]
    if inside.sum() < 60:
        return np.zeros((_SURFACE_GRID, _SURFACE_GRID), dtype=np.float32)
    ys, xs = np.meshgrid(y[::step], x[::step], indexing="ij")
    ys, xs, values = ys[inside], xs[inside], image[some][inside]
    terms = np.column_stack([np.ones_like(xs), xs, ys, xs * xs, xs * ys, ys * ys])
    keep = np.ones(len(values), dtype=bool)
    for _ in range(3):
        weights, *_ = np.linalg.lstsq(terms[keep], values[keep], rcond=None)
        rest = values - terms @ weights
        keep = np.abs(rest) <= 3 * 1.4826 * np.median(np.abs(rest[keep])) + 1e-6
    # The surface is smooth: a coarse grid of it, to be stretched over the image, will do.
    grid_y, grid_x = np.meshgrid(
        np.linspace(-1, 1, _SURFACE_GRID), np.linspace(-1, 1, _SURFACE_GRID), indexing="ij"
    )
    parts = (np.ones_like(grid_x), grid_x, grid_y, grid_x**2, grid_x * grid_y, grid_y**2)
    coarse = sum(w * part for w, part in zip(weights, parts, strict=True))
    return np.asarray(coarse, dtype=np.float32)


def _stretched(coarse: NDArray[np.float32], shape: tuple[int, ...]) -> NDArray[np.float32]:
    """Stretch a grid whose outer entries lie on the image's border pixels over the image."""
    import cv2

    rows, cols = shape
    last = _SURFACE_GRID - 1
    matrix = np.array([[last / (cols - 1), 0, 0], [0, last / (rows - 1), 0]], dtype=np.float32)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    stretched = cv2.warpAffine(
        coarse, matrix, (cols, rows), flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(stretched, dtype=np.float32)


def _find_support(mask: Mask) -> tuple[float, float, FloatArray] | None:
    """Return the support's upper edge (intercept, slope, free columns) in mask pixels.

    A support is the line on which most columns pass from open to filled, that has material
    below it wherever it is open above, also between the feet, and that runs out of the image.
    """
    cols = mask.shape[1]
    rises = (mask[1:] == 1) & (mask[:-1] == 0)
    y, x = np.nonzero(rises)
    if len(x) < 20:
        return None
    best = (0, 0.0, 0.0)
    for degree in np.arange(-_SUPPORT_MAX_DEG, _SUPPORT_MAX_DEG + 0.01, _SUPPORT_STEP_DEG):
        slope = math.tan(math.radians(degree))
        offset = np.rint(y + 0.5 - slope * (x - cols / 2)).astype(np.intp)
        offset -= (low := int(offset.min()))
        votes = np.bincount(offset)
        # Three neighbouring bins: the step in angle smears a line over that many.
        votes = np.convolve(votes, [1, 1, 1], mode="same")
        top = int(np.argmax(votes))
        if votes[top] > best[0]:
            best = (int(votes[top]), slope, top + low - slope * cols / 2)
    votes_won, slope, intercept = best
    if votes_won < _SUPPORT_MIN_LENGTH * cols:
        return None
    intercept, slope = _refine_line(
        x.astype(np.float64), y.astype(np.float64) + 0.5, intercept, slope
    )
    return _confirm_support(mask, intercept, slope)


def _refine_line(
    x: FloatArray, y: FloatArray, intercept: float, slope: float
) -> tuple[float, float]:
    for reach in (3.0, 1.5, 1.2):
        near = np.abs(y - intercept - slope * x) <= reach
        if near.sum() < 10 or np.ptp(x[near]) < 10:
            break
        slope, intercept = (float(v) for v in np.polyfit(x[near], y[near], 1))
    return intercept, slope


def _confirm_support(
    mask: Mask, intercept: float, slope: float
) -> tuple[float, float, FloatArray] | None:
    rows, cols = mask.shape
    column = np.arange(cols)
    edge = intercept + slope * column
    above = np.rint(edge - 3).astype(np.intp)
    below = np.rint(edge + 3).astype(np.intp)
    seen = (above >= 0) & (below < rows)
    column, above, below = column[seen], above[seen], below[seen]
    is_open = mask[above, column] == 0
    is_filled = mask[below, column] == 1
    free = column[is_open & is_filled].astype(float)
    if len(free) < _SUPPORT_MIN_LENGTH * cols:
        return None
    within = (column >= free.min()) & (column <= free.max()) & is_open
    share = float(is_filled[within].mean())
    runs_out = mask[-1].mean() > 0.3 or (free.min() <= 3 and free.max() >= cols - 4)
    # Without something standing on it a line is the part's own upper side.
    upper = np.arange(rows)[:, None] < (intercept + slope * np.arange(cols) - 3)[None, :]
    stands = float((mask * upper).sum()) > 0.002 * mask.size
    if share < _SUPPORT_MIN_SHARE or not runs_out or not stands:
        return None
    return intercept, slope, free


def _cut_at(mask: Mask, intercept: float, slope: float) -> Mask:
    """Clear everything from just above the support's edge downwards."""
    rows, cols = mask.shape
    edge = intercept + slope * np.arange(cols) - 1.5
    return (mask * (np.arange(rows)[:, None] < edge[None, :])).astype(np.uint8)


def _largest(mask: Mask) -> Mask:
    """Return the largest connected piece with its holes filled."""
    import cv2

    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        message = "no part stands out from the support; is the crown up?"
        raise MeasurementError(message)
    largest = max(contours, key=len)
    filled = np.zeros_like(mask)
    cv2.drawContours(filled, [largest], -1, 1, cv2.FILLED)
    return filled
