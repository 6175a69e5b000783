"""Enhancing thin dark lines over direction and width, measured against the surface's own texture.

For every direction, second derivatives across it are averaged along it; the same is done with
first derivatives, whose excess tells an edge from a line. Each direction's response is divided by
its own spread in the surroundings, so that a brushed or rolled surface, which answers strongly
along its lay, raises the bar in just that direction. The spread over direction also measures the
lay.
"""

import math
from dataclasses import dataclass
from functools import cache

import numpy as np

from micromeasure.cracks.cross_profiles import median
from micromeasure.cracks.patch import Image, Patch
from micromeasure.outcome import FloatArray

DIRECTIONS = 12
# Standard deviation of the filters, working pixels of each octave.
_SIGMA = 1.3
# Reach of the averaging along the line; 11 x 11 is the largest kernel OpenCV applies sparsely.
_REACH_PX = 5.0
_BLOCK_COLUMNS = 512
_HALO = 16
_TILE_ROWS = 64
_AROUND_PX = 61
# First derivatives, taken over twice the width, count against a line only beyond this many of
# their own spreads.
_EDGE_FREE = 2.0
_EDGE_WEIGHT = 1.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Lay:
    """Direction and strength of a surface's texture.

    Attributes
    ----------
    angle_deg : float
        Direction of the lay in the patch, 0 to 180, from columns towards rows.
    strength : float
        0 for none, towards 1 for a texture that only has lines in one direction.
    """

    angle_deg: float
    strength: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LineMap:
    """Where dark lines stand out, and how they run.

    Attributes
    ----------
    octaves : tuple of ndarray of float32
        For each octave of width, fine lines first: greatest response over direction, in spreads
        of that response nearby. Octave k has pixels 2**k times as long; its pixel 0 0 lies on
        pixel 0 0 of the patch.
    around : ndarray of float32
        Mean of the finest octave's response over the surroundings of each pixel.
    lay : Lay
    """

    octaves: tuple[Image, ...]
    around: Image
    lay: Lay


def find_lines(flat: Image, patch: Patch, *, octaves: int, floor: float) -> LineMap:
    """Return the line map of a patch whose background is removed.

    Parameters
    ----------
    flat : ndarray of float32, shape (rows, cols)
        Values less background.
    patch : Patch
        For its validity mask.
    octaves : int
        Number of times the width doubles: 1 finds lines about 1 to 4 pixels wide.
    floor : float
        Smallest credible spread of a single pixel (quantisation), in grey values.
    """
    import cv2

    # Where the image ends, the filters see only the repeated border.
    inside = cv2.erode(patch.valid, np.ones((7, 7), np.uint8), borderValue=0)
    maps, lay = [], Lay(angle_deg=0.0, strength=0.0)
    level = flat
    for octave in range(octaves):
        if octave > 0:
            level = np.asarray(cv2.pyrDown(level), dtype=np.float32)
        if octave > 0 and min(level.shape) < 2 * _HALO:
            break
        z, spreads = _octave(level, floor / 2**octave)
        if octave == 0:
            lay = _lay(spreads)
        step = 2**octave
        z[inside[::step, ::step] == 0] = 0.0
        maps.append(z)
    around = np.asarray(cv2.blur(maps[0], (_AROUND_PX, _AROUND_PX)), dtype=np.float32)
    return LineMap(octaves=tuple(maps), around=around, lay=lay)


def _octave(flat: Image, floor: float) -> tuple[Image, FloatArray]:
    """Return the greatest response and the mean spread per direction at one octave."""
    cols = flat.shape[1]
    z = np.zeros(flat.shape, dtype=np.float32)
    spreads = []
    # Blocks keep the temporary arrays within the processor's cache and the memory small.
    for start in range(0, cols, _BLOCK_COLUMNS):
        stop = min(cols, start + _BLOCK_COLUMNS)
        left, right = max(0, start - _HALO), min(cols, stop + _HALO)
        best, spread = _search_block(np.ascontiguousarray(flat[:, left:right]), floor)
        z[:, start:stop] = best[:, start - left : stop - left]
        spreads.append(spread)
    return z, np.asarray(np.mean(spreads, axis=0))


def _search_block(block: Image, floor: float) -> tuple[Image, FloatArray]:
    """Return the greatest response and the spread per direction of one block."""
    import cv2

    even, cosine, sine = _second_derivatives(block)
    penalty = _edges(block)
    z = np.zeros_like(block)
    spreads = np.zeros(DIRECTIONS)
    # Spread of white noise of one grey value after these filters, for the floor.
    least = floor * math.sqrt(3 / (16 * math.pi)) / _SIGMA * 0.45
    # Memory that is new for every step would cost as much as the steps.
    turning, across, line = (np.empty_like(block) for _ in range(3))
    for first in range(DIRECTIONS // 2):
        angle = math.pi * first / DIRECTIONS
        # Across the direction (cos, sin) the second derivative is that along (-sin, cos); what
        # turns with the direction has the other sign a quarter turn on.
        cv2.addWeighted(cosine, -math.cos(2 * angle), sine, -math.sin(2 * angle), 0.0, dst=turning)
        for index, combine in ((first, cv2.add), (first + DIRECTIONS // 2, cv2.subtract)):
            combine(even, turning, dst=across)
            kernel = _line_kernel(math.pi * index / DIRECTIONS)
            cv2.filter2D(across, -1, kernel, dst=line, borderType=cv2.BORDER_REFLECT_101)
            spread = _row_spread(line)
            spreads[index] = median(spread)
            cv2.subtract(line, penalty, dst=line)
            line *= (1.0 / np.maximum(spread, least))[:, None].astype(np.float32)
            cv2.max(line, z, dst=z)
    return z, spreads


def _second_derivatives(block: Image) -> tuple[Image, ...]:
    """Return the parts of the second derivative that do not turn, and turn as cos 2a and sin 2a."""
    import cv2

    g0, g1, g2 = _gaussians(_SIGMA)
    ixx, ixy, iyy = (_separable(block, kx, ky) for kx, ky in ((g2, g0), (g1, g1), (g0, g2)))
    even = cv2.addWeighted(ixx, 0.5, iyy, 0.5, 0.0)
    cosine = cv2.addWeighted(ixx, 0.5, iyy, -0.5, 0.0)
    return tuple(np.asarray(part, dtype=np.float32) for part in (even, cosine, ixy))


def _edges(block: Image) -> Image:
    """Return what the steepness of the ground takes from the response to lines.

    In the middle of a line the first derivative vanishes, on an edge it is greatest. The steepness
    of slow shading does not count.
    """
    import cv2

    g0, g1, _ = _gaussians(1.6 * _SIGMA)
    steep = np.asarray(
        cv2.magnitude(_separable(block, g1, g0), _separable(block, g0, g1)), dtype=np.float32
    )
    steep -= (_EDGE_FREE * _row_spread(steep))[:, None]
    np.maximum(steep, 0.0, out=steep)
    steep *= _EDGE_WEIGHT
    return steep


def _separable(block: Image, kx: FloatArray, ky: FloatArray) -> Image:
    import cv2

    found = cv2.sepFilter2D(block, cv2.CV_32F, kx, ky, borderType=cv2.BORDER_REFLECT_101)
    return np.asarray(found, dtype=np.float32)


def _gaussians(sigma: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return a Gaussian and its first and second derivative, times sigma and sigma squared."""
    reach = math.ceil(3.5 * sigma)
    t = np.arange(-reach, reach + 1, dtype=np.float64)
    g0 = np.exp(-(t**2) / (2 * sigma**2))
    g0 /= g0.sum()
    # OpenCV correlates: the first derivative is written mirrored.
    g1 = t * g0 / sigma
    g2 = (t**2 / sigma**2 - 1) * g0
    return g0, g1, np.asarray(g2 - g2.mean())


@cache
def _line_kernel(angle: float) -> Image:
    """Return a sparse averaging kernel along a direction, 11 by 11."""
    size = 2 * int(_REACH_PX) + 1
    kernel = np.zeros((size, size), dtype=np.float32)
    for t in np.linspace(-_REACH_PX, _REACH_PX, 9):
        row = round(size // 2 + t * math.sin(angle))
        col = round(size // 2 + t * math.cos(angle))
        kernel[row, col] += 1.0
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)


def _row_spread(response: Image) -> Image:
    """Return the spread of a response row by row, from tiles of rows, smoothly joined.

    The 90 % quantile of the size is used, scaled to a normal distribution's standard deviation:
    cracks cover far less than a tenth of a tile, while the heavy tails of a scratched surface
    count in full.
    """
    rows = response.shape[0]
    sample = np.abs(response[::4, ::7])
    n_tiles = max(1, rows // _TILE_ROWS)
    spread = _quantiles_90(np.array_split(sample, n_tiles, axis=0)) / 1.645
    spread = np.maximum(spread, 0.25 * median(spread))
    centres = (np.arange(n_tiles) + 0.5) * rows / n_tiles
    return np.interp(np.arange(rows), centres, spread).astype(np.float32)


def _quantiles_90(tiles: list[Image]) -> FloatArray:
    """Return the 90 % quantile of each tile, the sample below it where it lies between two."""
    sizes = np.array([tile.size for tile in tiles])
    # Tiles differ by one row at most; what is lacking is filled from above.
    values = np.full((len(tiles), sizes.max()), np.inf, dtype=np.float32)
    for row, tile in zip(values, tiles, strict=True):
        row[: tile.size] = tile.ravel()
    places = (0.9 * (sizes - 1)).astype(int)
    values.partition(np.unique(places), axis=1)
    return np.asarray(values[np.arange(len(tiles)), places], dtype=float)


def _lay(spreads: FloatArray) -> Lay:
    """Return the lay from the second harmonic of the spread over direction."""
    angles = np.pi * np.arange(DIRECTIONS) / DIRECTIONS
    wave = (spreads * np.exp(2j * angles)).sum() / max(spreads.sum(), 1e-12)
    return Lay(
        angle_deg=float(np.degrees(np.angle(wave)) / 2 % 180.0), strength=min(1.0, 2 * abs(wave))
    )
