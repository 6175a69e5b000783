"""Enhancing thin dark lines over direction and width, measured against the surface's own texture.

For every direction, second derivatives across it are averaged along it; the same is done with
first derivatives, whose excess tells an edge from a line. Each direction's response is divided by
its own spread in the surroundings, so that a brushed or rolled surface, which answers strongly
along its lay, raises the bar in just that direction. The spread over direction also measures the
lay.
"""

import math
from dataclasses import dataclass

import numpy as np

from micromeasure.cracks.patch import Image, Patch
from micromeasure.outcome import FloatArray

DIRECTIONS = 16
# Filter widths (standard deviations) within one octave, working pixels of that octave.
_SIGMAS = (1.15, 1.75)
# Reach of the averaging along the line; 11 x 11 is the largest kernel OpenCV applies sparsely.
_REACH_PX = 5.0
_BLOCK_COLUMNS = 512
_HALO = 24
_TILE_ROWS = 64
# First derivatives count against a line only beyond this many of their own spreads.
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
    octaves : tuple of ndarray of float32, shape (rows, cols)
        For each octave of width, fine lines first: greatest response over direction, in spreads
        of that response nearby.
    lay : Lay
    """

    octaves: tuple[Image, ...]
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
    size = (flat.shape[1], flat.shape[0])
    maps, lay = [], Lay(angle_deg=0.0, strength=0.0)
    level = flat
    for octave in range(octaves):
        if octave > 0:
            level = np.asarray(cv2.pyrDown(level), dtype=np.float32)
        if min(level.shape) < 2 * _HALO and octave > 0:
            break
        z, spreads = _octave(level, floor / 2**octave)
        if octave == 0:
            lay = _lay(spreads)
        else:
            z = np.asarray(cv2.resize(z, size, interpolation=cv2.INTER_LINEAR), dtype=np.float32)
        z[inside == 0] = 0.0
        maps.append(z)
    return LineMap(octaves=tuple(maps), lay=lay)


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
    import cv2

    z = np.zeros(block.shape, dtype=np.float32)
    spreads = np.zeros(DIRECTIONS)
    for sigma in _SIGMAS:
        derivatives = _derivatives(block, sigma)
        # Spread of white noise of one grey value after these filters, for the floor.
        unit = math.sqrt(3 / (16 * math.pi)) / sigma * 0.45
        for index in range(DIRECTIONS):
            line, edge = _steered(derivatives, index)
            line_spread, edge_spread = _row_spread(line), _row_spread(edge)
            if sigma == _SIGMAS[0]:
                spreads[index] = float(np.median(line_spread))
            np.abs(edge, out=edge)
            edge -= (_EDGE_FREE * edge_spread)[:, None]
            np.maximum(edge, 0.0, out=edge)
            cv2.scaleAdd(edge, -_EDGE_WEIGHT, line, dst=line)
            line *= (1.0 / np.maximum(line_spread, floor * unit))[:, None]
            cv2.max(line, z, dst=z)
    return z, spreads


def _derivatives(block: Image, sigma: float) -> tuple[Image, ...]:
    """Return scale-normalised Ixx, Ixy, Iyy, Ix, Iy."""
    import cv2

    reach = math.ceil(3.5 * sigma)
    t = np.arange(-reach, reach + 1, dtype=np.float64)
    g0 = np.exp(-(t**2) / (2 * sigma**2))
    g0 /= g0.sum()
    # cv2 correlates: the first derivative is written mirrored.
    g1 = t * g0 / sigma
    g2 = (t**2 / sigma**2 - 1) * g0
    g2 -= g2.mean()
    pairs = ((g2, g0), (g1, g1), (g0, g2), (g1, g0), (g0, g1))
    return tuple(
        np.asarray(cv2.sepFilter2D(block, cv2.CV_32F, kx, ky, borderType=cv2.BORDER_REFLECT_101))
        for kx, ky in pairs
    )


def _steered(derivatives: tuple[Image, ...], index: int) -> tuple[Image, Image]:
    """Return second and first derivative across one direction, averaged along it."""
    import cv2

    ixx, ixy, iyy, ix, iy = derivatives
    angle = math.pi * index / DIRECTIONS
    # The normal of the direction (cos, sin) is (-sin, cos).
    nx, ny = -math.sin(angle), math.cos(angle)
    second = cv2.addWeighted(ixx, nx * nx, iyy, ny * ny, 0.0)
    second = cv2.addWeighted(second, 1.0, ixy, 2 * nx * ny, 0.0)
    first = cv2.addWeighted(ix, nx, iy, ny, 0.0)
    kernel = _line_kernel(angle)
    line = cv2.filter2D(second, -1, kernel, borderType=cv2.BORDER_REFLECT_101)
    edge = cv2.filter2D(first, -1, kernel, borderType=cv2.BORDER_REFLECT_101)
    return np.asarray(line, np.float32), np.asarray(edge, np.float32)


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
    sample = np.abs(response[::3, ::4])
    n_tiles = max(1, rows // _TILE_ROWS)
    pieces = np.array_split(sample, n_tiles, axis=0)
    spread = np.array([_quantile_90(piece) for piece in pieces]) / 1.645
    spread = np.maximum(spread, 0.25 * np.median(spread))
    centres = (np.arange(n_tiles) + 0.5) * rows / n_tiles
    return np.interp(np.arange(rows), centres, spread).astype(np.float32)


def _quantile_90(values: Image) -> float:
    flat = values.ravel()
    k = int(0.9 * (flat.size - 1))
    return float(np.partition(flat, k)[k])


def _lay(spreads: FloatArray) -> Lay:
    """Return the lay from the second harmonic of the spread over direction."""
    angles = np.pi * np.arange(DIRECTIONS) / DIRECTIONS
    wave = (spreads * np.exp(2j * angles)).sum() / max(spreads.sum(), 1e-12)
    return Lay(
        angle_deg=float(np.degrees(np.angle(wave)) / 2 % 180.0), strength=min(1.0, 2 * abs(wave))
    )
