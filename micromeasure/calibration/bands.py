"""An image of near-upright lines cut into bands, each reduced to one finely sampled profile.

Every pixel goes, unchanged, to the sample nearest to where its line of sight along the
ruling meets the middle row. Nothing is interpolated: noise stays white, and a slanted
ruling is sampled more finely than the pixels are.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

FINE = 4  # samples a pixel; the blur by half a sample is 1/14 of a pixel, far below any optics


@dataclass(frozen=True, slots=True, kw_only=True)
class Bands:
    """Profiles of bands of rows, in the sheared coordinate ``X = x + tangent·(y - y_middle)``.

    Attributes
    ----------
    sums, counts : ndarray of float, shape (n_bands, n_samples)
        Sum of the pixels that fell on a sample, and their number.
    origin_px : float
        X of sample 0.
    offset_px : ndarray, shape (n_bands,)
        Mean error of rounding to samples; to be added to positions found in a band.
    y_px : ndarray, shape (n_bands,)
        Middle of each band.
    rows : ndarray, shape (n_bands,)
        Rows in each band.
    tangent : float
    y_middle : float
    width_px : int
        Of the image.
    """

    sums: FloatArray
    counts: FloatArray
    origin_px: float
    offset_px: FloatArray
    y_px: FloatArray
    rows: FloatArray
    tangent: float
    y_middle: float
    width_px: int


def cut_bands(
    image: NDArray[Any], tangent: float, rows_per_band: float, *, every: int = 1
) -> Bands:
    """Reduce an image to the profiles of its bands.

    Parameters
    ----------
    image : ndarray, shape (rows, cols)
        Grey values.
    tangent : float
        Lean of the lines: x decreases by this much for one row down.
    rows_per_band : float
        About how many rows make a band.
    every : int
        Only every so manieth row is looked at.

    Returns
    -------
    Bands
    """
    rows, cols = image.shape
    n_bands = max(1, round(rows / rows_per_band))
    edges = np.round(np.linspace(0, rows, n_bands + 1)).astype(np.intp)
    y_middle = (rows - 1) / 2
    row = np.arange(0, rows, every)
    shift = tangent * (row - y_middle)
    origin = float(np.floor(shift.min()))
    sample = np.round((shift - origin) * FINE).astype(np.intp)
    rounding = shift - origin - sample / FINE
    band_of = np.searchsorted(edges, row, side="right") - 1
    change = np.flatnonzero(np.diff(sample) | np.diff(band_of)) + 1
    starts = np.concatenate(([0], change))
    stops = np.concatenate((change, [len(row)]))
    whole, part = np.divmod(sample[starts], FINE)
    band = band_of[starts]
    width = int(whole.max()) + cols
    # The quarters of a pixel lie apart until the end, so that whole rows are added up. Single
    # precision is exact for up to 256 rows of 16-bit values, and finer than noise beyond.
    if image.dtype not in (np.uint8, np.uint16):
        image = image.astype(np.float32)
    sums = np.zeros((n_bands, FINE, width), dtype=np.float32)
    counts = np.zeros((n_bands, FINE, width + 1), dtype=np.float32)
    np.add.at(counts, (band, part, whole), stops - starts)
    np.add.at(counts, (band, part, whole + cols), starts - stops)
    counts = np.cumsum(counts, axis=-1)[..., :-1]
    for at, (start, stop) in enumerate(zip(starts.tolist(), stops.tolist(), strict=True)):
        place = sums[band[at], part[at], whole[at] : whole[at] + cols]
        place += _sum_of_rows(image[row[start] : row[stop - 1] + 1 : every])
    height = np.bincount(band_of, minlength=n_bands).astype(np.float64)
    return Bands(
        sums=_interleaved(sums),
        counts=_interleaved(counts),
        origin_px=origin,
        offset_px=np.bincount(band_of, rounding, n_bands) / height,
        y_px=np.bincount(band_of, row, n_bands) / height,
        rows=height,
        tangent=tangent,
        y_middle=y_middle,
        width_px=cols,
    )


def _sum_of_rows(part: NDArray[Any]) -> NDArray[Any]:
    import cv2

    if len(part) == 1:
        return np.asarray(part[0])
    return np.asarray(cv2.reduce(part, 0, cv2.REDUCE_SUM, dtype=cv2.CV_32F)[0])


def _interleaved(parts: NDArray[np.float32]) -> FloatArray:
    """Put the quarters of a pixel side by side, shape (n_bands, FINE, n) to (n_bands, FINE·n)."""
    return parts.transpose(0, 2, 1).astype(np.float64, order="C").reshape(len(parts), -1)
