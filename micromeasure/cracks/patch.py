"""The part of an image that is searched, on a square working grid that follows the fold.

Anisotropic pixels, the fold's direction and over-fine sampling are all dealt with here, once:
everything after this sees square pixels of known length, with the fold along the rows.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from micromeasure.micrograph.image import Micrograph
from micromeasure.outcome import FloatArray

Image = NDArray[np.float32]
Segment = tuple[float, float, float, float]

# Beyond the band the filters still need surroundings, and a crack that leaves the band must be
# seen to leave it.
MARGIN_PX = 28
# The optics' point image is sampled well enough with three pixels to the Rayleigh distance.
_PIXELS_PER_RAYLEIGH = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Patch:
    """A resampled part of an image.

    Attributes
    ----------
    values : ndarray of float32, shape (rows, cols)
        Grey values as stored, interpolated.
    valid : ndarray of uint8, shape (rows, cols)
        1 where the image covers the patch.
    um_per_px : float
        Length of a working pixel, the same in both directions.
    quantum : float
        Step between neighbouring grey values; 0 for floating point.
    to_image : ndarray, shape (2, 3)
        Takes ``(u, v, 1)``, column and row of the patch, to ``x y`` in the whole image.
    fold_row : float
        Row of the fold line; NaN where the patch follows no fold.
    band_px : float
        Half width of the band that is searched, working pixels.
    fold_columns : tuple of two floats
        Columns between which the fold line runs.
    """

    values: Image
    valid: NDArray[np.uint8]
    um_per_px: float
    quantum: float
    to_image: FloatArray
    fold_row: float = math.nan
    band_px: float = math.inf
    fold_columns: tuple[float, float] = (-math.inf, math.inf)

    def image_points(self, points: FloatArray) -> FloatArray:
        """Return patch points ``u v`` as ``x y`` in the whole image."""
        return np.asarray(points @ self.to_image[:, :2].T + self.to_image[:, 2])

    def patch_points(self, points_px: FloatArray) -> FloatArray:
        """Return points ``x y`` of the whole image as ``u v`` of the patch."""
        inverse = np.linalg.inv(self.to_image[:, :2])
        return np.asarray((points_px - self.to_image[:, 2]) @ inverse.T)

    def in_band(self, points: FloatArray) -> NDArray[np.bool_]:
        """Return which patch points lie in the band and on the image."""
        rows, cols = self.values.shape
        u, v = points[:, 0], points[:, 1]
        near = np.full(len(points), fill_value=True)
        if not math.isnan(self.fold_row):
            near = np.abs(v - self.fold_row) <= self.band_px
            near &= (u >= self.fold_columns[0]) & (u <= self.fold_columns[1])
        i = np.clip(np.round(v).astype(int), 0, rows - 1)
        j = np.clip(np.round(u).astype(int), 0, cols - 1)
        return np.asarray(near & (self.valid[i, j] > 0))


def working_um(um_per_px: tuple[float, float], rayleigh_um: float | None) -> float:
    """Return the length of a working pixel, um: the image's own, or coarser if it oversamples."""
    own = math.sqrt(um_per_px[0] * um_per_px[1])
    if rayleigh_um is None:
        return own
    wanted = rayleigh_um / _PIXELS_PER_RAYLEIGH
    # A little oversampling is left alone: resampling would cost more than it saves.
    return wanted if wanted > 1.5 * own else own


def strip_window(
    fold_px: Segment, band_um: float, um_per_px: tuple[float, float], pixel_um: float
) -> Segment:
    """Return the smallest upright rectangle that holds the strip along a fold, ``x0 y0 x1 y1``."""
    corners = _strip_corners_um(fold_px, band_um + MARGIN_PX * pixel_um, um_per_px)
    corners = corners / np.asarray(um_per_px)
    (x0, y0), (x1, y1) = corners.min(axis=0) - 2, corners.max(axis=0) + 2
    return float(x0), float(y0), float(x1), float(y1)


def cut_strip(
    micrograph: Micrograph, fold_px: Segment, *, band_um: float, region: Segment | None = None
) -> Patch:
    """Return the band along a fold line with its surroundings as a patch.

    Parameters
    ----------
    micrograph : Micrograph
        Pixels in the whole image's frame shifted by its `origin_px`.
    fold_px : tuple of four floats
        Fold line in the whole image, ``x0 y0 x1 y1``.
    band_um : float
        Half width of the band.
    region : tuple of four floats or None
        Nothing outside it is searched.

    Returns
    -------
    Patch
    """
    scale = micrograph.calibration.um_per_px
    pixel_um = working_um(scale, micrograph.calibration.light.rayleigh_um)
    start = np.array(fold_px[:2]) * scale
    along = np.array(fold_px[2:]) * scale - start
    length = float(np.hypot(*along))
    along = along / length
    across = np.array((-along[1], along[0]))
    margin = MARGIN_PX * pixel_um
    # Whole pixels at the corner: an upright fold line then needs no interpolation at all.
    corner_um = start - margin * along - (band_um + margin) * across
    corner = np.floor(corner_um / scale + 1e-6)
    corner_um = corner * scale
    fold_row = float((start - corner_um) @ across) / pixel_um
    first = float((start - corner_um) @ along) / pixel_um
    cols = math.ceil(first + length / pixel_um + MARGIN_PX) + 1
    rows = math.ceil(fold_row + band_um / pixel_um + MARGIN_PX) + 1
    matrix = np.column_stack((along * pixel_um / scale, across * pixel_um / scale, corner))
    patch = _resampled(micrograph, (matrix, (rows, cols)), pixel_um, region)
    return replace(
        patch,
        fold_row=fold_row,
        band_px=band_um / pixel_um,
        fold_columns=(first, first + length / pixel_um),
    )


def cut_around(micrograph: Micrograph, points_px: FloatArray) -> Patch:
    """Return the surroundings of a line as an upright patch, for measuring that line alone.

    Parameters
    ----------
    micrograph : Micrograph
    points_px : ndarray, shape (n, 2)
        Points ``x y`` in the whole image.
    """
    scale = micrograph.calibration.um_per_px
    pixel_um = working_um(scale, micrograph.calibration.light.rayleigh_um)
    margin = np.full(2, MARGIN_PX * pixel_um) / scale
    corner = np.floor(points_px.min(axis=0) - margin)
    size = (points_px.max(axis=0) + margin - corner) * scale / pixel_um
    cols, rows = (math.ceil(value) + 1 for value in size)
    matrix = np.column_stack(
        (np.array((pixel_um / scale[0], 0.0)), np.array((0.0, pixel_um / scale[1])), corner)
    )
    return _resampled(micrograph, (matrix, (rows, cols)), pixel_um, None)


def _strip_corners_um(
    fold_px: Segment, half_um: float, um_per_px: tuple[float, float]
) -> FloatArray:
    ends = np.array(fold_px).reshape(2, 2) * um_per_px
    along = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
    across = np.array((-along[1], along[0]))
    return np.array(
        [
            end + sign * half_um * along + side * half_um * across
            for end, sign, side in [
                (ends[0], -1, -1), (ends[0], -1, 1), (ends[1], 1, 1), (ends[1], 1, -1),
            ]
        ]
    )  # fmt: skip


def _resampled(
    micrograph: Micrograph,
    grid: tuple[FloatArray, tuple[int, int]],
    pixel_um: float,
    region: Segment | None,
) -> Patch:
    """Return the values at a grid, given by its matrix to the image and its shape."""
    import cv2

    matrix, shape = grid
    height, width = micrograph.pixels.shape[:2]
    origin = np.array(micrograph.origin_px, dtype=float)
    rows, cols = shape
    corners = np.array([(0, 0), (cols, 0), (cols, rows), (0, rows)], dtype=float)
    local = corners @ matrix[:, :2].T + matrix[:, 2] - origin
    low = np.clip(np.floor(local.min(axis=0)).astype(int) - 2, 0, (width - 1, height - 1))
    high = np.clip(np.ceil(local.max(axis=0)).astype(int) + 3, low + 1, (width, height))
    # Only the part that is needed becomes floating point: the image may be large.
    part = replace(micrograph, pixels=micrograph.pixels[low[1] : high[1], low[0] : high[0]])
    grey = part.grey()
    own = math.sqrt(math.prod(micrograph.calibration.um_per_px))
    if pixel_um > 1.2 * own:
        # Averaging before coarser sampling; 0.4 of the ratio leaves no visible aliasing.
        blur = 0.4 * math.sqrt((pixel_um / own) ** 2 - 1)
        grey = np.asarray(cv2.GaussianBlur(grey, (0, 0), blur), dtype=np.float32)
    shifted = matrix.copy()
    shifted[:, 2] -= origin + low
    values = cv2.warpAffine(
        grey, shifted, (cols, rows),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    low, high = origin, origin + np.array((width, height)) - 1
    if region is not None:
        low, high = np.maximum(low, region[:2]), np.minimum(high, region[2:])
    valid = _valid_mask(shape, matrix, low, high)
    return Patch(
        values=np.asarray(values, dtype=np.float32),
        valid=valid,
        um_per_px=pixel_um,
        quantum=0.0 if micrograph.pixels.dtype.kind == "f" else 1.0,
        to_image=matrix,
    )


def _valid_mask(
    shape: tuple[int, int], matrix: FloatArray, low: FloatArray, high: FloatArray
) -> NDArray[np.uint8]:
    """Return 1 where the patch lies in a rectangle of the image, given by two corners."""
    import cv2

    mask = np.zeros(shape, dtype=np.uint8)
    if np.any(high <= low):
        return mask
    corners = np.array([low, (high[0], low[1]), high, (low[0], high[1])])
    inverse = np.linalg.inv(matrix[:, :2])
    outline = (corners - matrix[:, 2]) @ inverse.T
    # 8 fractional bits; far corners of a large image stay within 32-bit whole numbers.
    cv2.fillConvexPoly(mask, np.round(outline * 256).astype(np.int32), 1, shift=8)
    return mask
