"""Finding a fold line from the shading of the bend, where nobody gave it.

Across a bend the light changes quickly and along it hardly at all. The small picture is projected
along every direction; the fold is where some projection stands out most against its surroundings
and against the other directions, and does so along its whole length.
"""

import math
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.errors import MeasurementError
from micromeasure.micrograph.image import Micrograph
from micromeasure.outcome import FloatArray

_LONG_SIDE = 220
_ANGLES = 180
# Widths of the bend's light or shade that are looked for, shares of the small picture's width.
_SCALES = (0.012, 0.025, 0.05)
# The best line must stand out this much more than the best of the typical other direction and of
# any other direction, and in most of the parts it is cut into.
_PROMINENCE = 2.7
_AHEAD = 1.4
_PARTS = 6


def find_fold_line(
    micrograph: Micrograph, region: tuple[float, float, float, float] | None = None
) -> tuple[float, float, float, float]:
    """Find the fold line of an image from the shading of the bend.

    Parameters
    ----------
    micrograph : Micrograph
    region : tuple of four floats or None
        Part of the whole image to look in, ``x0 y0 x1 y1``.

    Returns
    -------
    tuple of four floats
        ``x0 y0 x1 y1`` in the whole image, cut where the line leaves the image or region.

    Raises
    ------
    MeasurementError
        If no line stands out along the whole picture.
    """
    import cv2

    pixels, corner = _part(micrograph, region)
    # Averaging whole blocks first keeps a large image from becoming a large floating-point one.
    step = max(1, max(pixels.shape[:2]) // (2 * _LONG_SIDE))
    size = (max(8, pixels.shape[1] // step), max(8, pixels.shape[0] // step))
    grey = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    grey = grey if grey.ndim == 2 else grey.mean(axis=2, dtype=np.float32)
    scale = micrograph.calibration.um_per_px
    # A picture of square pixels, so that angles are angles.
    width_um, height_um = pixels.shape[1] * scale[0], pixels.shape[0] * scale[1]
    unit = max(width_um, height_um) / _LONG_SIDE
    picture = cv2.resize(
        grey, (max(16, round(width_um / unit)), max(16, round(height_um / unit))),
        interpolation=cv2.INTER_AREA,
    )  # fmt: skip
    small = np.asarray(cv2.medianBlur(picture, 3), dtype=np.float64)
    angle, offset = _best_line(small)
    angle, offset = _refined(small, angle, offset)
    _demand_whole(small, angle, offset, micrograph.record.image)
    ends = _cut_to_frame(angle, offset, small.shape)
    zoom = np.array((pixels.shape[1] / small.shape[1], pixels.shape[0] / small.shape[0]))
    placed = (ends + 0.5) * zoom - 0.5 + corner
    (x0, y0), (x1, y1) = placed
    return float(x0), float(y0), float(x1), float(y1)


def _part(
    micrograph: Micrograph, region: tuple[float, float, float, float] | None
) -> tuple[NDArray[Any], FloatArray]:
    pixels, origin = micrograph.pixels, np.array(micrograph.origin_px, dtype=float)
    if region is None:
        return pixels, origin
    height, width = pixels.shape[:2]
    low = np.clip(np.floor(np.array(region[:2]) - origin), 0, (width - 1, height - 1)).astype(int)
    high = np.clip(np.ceil(np.array(region[2:]) - origin) + 1, low + 1, (width, height)).astype(int)
    return pixels[low[1] : high[1], low[0] : high[0]], np.asarray(low + origin)


def _profile(small: FloatArray, angle: float) -> tuple[FloatArray, FloatArray]:
    """Return the mean along one direction over the distance from the middle, and its support."""
    rows, cols = small.shape
    y, x = np.mgrid[:rows, :cols]
    distance = -(x - (cols - 1) / 2) * math.sin(angle) + (y - (rows - 1) / 2) * math.cos(angle)
    half = math.ceil(math.hypot(rows, cols) / 2)
    place = distance + half
    low = np.floor(place).astype(int)
    part = place - low
    size = 2 * half + 2
    flat, weight = small.ravel(), part.ravel()
    total = np.bincount(low.ravel(), (1 - weight) * flat, size) + np.bincount(
        low.ravel() + 1, weight * flat, size
    )
    count = np.bincount(low.ravel(), 1 - weight, size) + np.bincount(low.ravel() + 1, weight, size)
    return np.asarray(total / np.maximum(count, 1e-9)), np.asarray(count)


def _responses(small: FloatArray, angle: float) -> FloatArray:
    """Return for each offset how much a line there differs from both its sides, over its noise.

    Offsets at which the picture is crossed over less than half of its short side are left out.
    """
    profile, count = _profile(small, angle)
    enough = count >= 0.5 * min(small.shape)
    best: FloatArray = np.zeros(len(profile))
    for scale in _SCALES:
        reach = max(1, round(scale * max(small.shape)))
        inner = _box(profile, reach)
        left, right = np.roll(inner, 2 * reach + 1), np.roll(inner, -2 * reach - 1)
        allowed = enough & np.roll(enough, 3 * reach + 1) & np.roll(enough, -3 * reach - 1)
        # A step has one side above and one below: only what exceeds both sides, or falls below
        # both, counts.
        ridge = np.maximum(inner - np.maximum(left, right), np.minimum(left, right) - inner)
        best = np.maximum(best, np.where(allowed, ridge, 0.0))
    return best


def _box(profile: FloatArray, reach: int) -> FloatArray:
    kernel = np.ones(2 * reach + 1) / (2 * reach + 1)
    return np.convolve(profile, kernel, mode="same")


def _best_line(small: FloatArray) -> tuple[float, float]:
    angles = np.pi * np.arange(_ANGLES) / _ANGLES
    peaks = np.zeros(_ANGLES)
    places = np.zeros(_ANGLES, dtype=int)
    for k, angle in enumerate(angles):
        response = _responses(small, angle)
        places[k] = int(response.argmax())
        peaks[k] = response[places[k]]
    k = int(peaks.argmax())
    half = math.ceil(math.hypot(*small.shape) / 2)
    return float(angles[k]), float(places[k] - half)


def _refined(small: FloatArray, angle: float, offset: float) -> tuple[float, float]:
    """Return angle and offset to a fraction of a degree and pixel."""
    half = math.ceil(math.hypot(*small.shape) / 2)
    best = (-1.0, angle, offset)
    for turned in angle + np.deg2rad(np.arange(-1.0, 1.01, 0.2)):
        response = _responses(small, float(turned))
        near = slice(max(0, round(offset) + half - 4), round(offset) + half + 5)
        k = int(response[near].argmax()) + near.start
        around = response[k - 1 : k + 2]
        bend = around[0] - 2 * around[1] + around[2] if len(around) == 3 else 0.0
        shift = 0.5 * (around[0] - around[2]) / bend if bend < 0 else 0.0
        if response[k] > best[0]:
            best = (float(response[k]), float(turned), k - half + float(np.clip(shift, -0.5, 0.5)))
    return best[1], best[2]


def _demand_whole(small: FloatArray, angle: float, offset: float, name: str) -> None:
    """Raise unless the line stands out in most parts along its length and over other directions."""
    peaks = [
        _responses(small, math.pi * k / 36).max()
        for k in range(36)
        if abs((math.pi * k / 36 - angle + math.pi / 2) % math.pi - math.pi / 2) > 0.3
    ]
    here = float(_responses(small, angle).max())
    rows, cols = small.shape
    y, x = np.mgrid[:rows, :cols]
    x, y = x - (cols - 1) / 2, y - (rows - 1) / 2
    along = x * math.cos(angle) + y * math.sin(angle)
    across = -x * math.sin(angle) + y * math.cos(angle) - offset
    reach = max(2, round(_SCALES[-1] * max(small.shape)))
    on = np.abs(across) <= reach / 2
    beside = (np.abs(across) > 1.5 * reach) & (np.abs(across) <= 3 * reach)
    limits = np.quantile(along[on], np.linspace(0, 1, _PARTS + 1)) if on.any() else np.zeros(2)
    signs = []
    for low, high in pairwise(limits):
        stretch = (along >= low) & (along <= high)
        if (stretch & on).any() and (stretch & beside).any():
            signs.append(np.sign(small[stretch & on].mean() - small[stretch & beside].mean()))
    steady = abs(float(np.sum(signs))) >= 0.6 * _PARTS
    alone = here >= _PROMINENCE * float(np.median(peaks)) and here >= _AHEAD * max(peaks)
    if not (alone and steady):
        message = (
            f"{name}: no fold line stands out from the shading; give it in the manifest's column "
            "'fold' or in the study as fold = [x0, y0, x1, y1]."
        )
        raise MeasurementError(message)


def _cut_to_frame(angle: float, offset: float, shape: tuple[int, ...]) -> FloatArray:
    """Return the two points where the line leaves the picture."""
    rows, cols = shape
    c, s = math.cos(angle), math.sin(angle)
    middle = np.array(((cols - 1) / 2 - offset * s, (rows - 1) / 2 + offset * c))
    low, high = -math.inf, math.inf
    for k, (direction, size) in enumerate(((c, cols), (s, rows))):
        if abs(direction) < 1e-9:
            continue
        a, b = (-0.5 - middle[k]) / direction, (size - 0.5 - middle[k]) / direction
        low, high = max(low, min(a, b)), min(high, max(a, b))
    return np.array([middle + low * np.array((c, s)), middle + high * np.array((c, s))])
