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


def cut_bands(image: NDArray[Any], tangent: float, rows_per_band: float) -> Bands:
    """Reduce an image to the profiles of its bands.

    Parameters
    ----------
    image : ndarray, shape (rows, cols)
        Grey values.
    tangent : float
        Lean of the lines: x decreases by this much for one row down.
    rows_per_band : float
        About how many rows make a band.

    Returns
    -------
    Bands
    """
    rows, cols = image.shape
    n_bands = max(1, round(rows / rows_per_band))
    edges = np.round(np.linspace(0, rows, n_bands + 1)).astype(np.intp)
    y_middle = (rows - 1) / 2
    shift = tangent * (np.arange(rows) - y_middle)
    origin = float(np.floor(shift.min()))
    sample = np.round((shift - origin) * FINE).astype(np.intp)
    rounding = shift - origin - sample / FINE
    sums = np.zeros((n_bands, FINE * (cols - 1) + int(sample.max()) + 1))
    counts = np.zeros_like(sums)
    band_of = np.repeat(np.arange(n_bands), np.diff(edges))
    change = np.flatnonzero(np.diff(sample) | np.diff(band_of)) + 1
    starts = np.concatenate(([0], change))
    stops = np.concatenate((change, [rows]))
    for start, stop in zip(starts, stops, strict=True):
        reach = slice(sample[start], sample[start] + FINE * (cols - 1) + 1, FINE)
        part = image[start] if stop == start + 1 else image[start:stop].sum(axis=0)
        sums[band_of[start], reach] += part
        counts[band_of[start], reach] += stop - start
    height = np.diff(edges).astype(np.float64)
    return Bands(
        sums=sums,
        counts=counts,
        origin_px=origin,
        offset_px=np.add.reduceat(rounding, edges[:-1]) / height,
        y_px=(edges[:-1] + edges[1:] - 1) / 2,
        rows=height,
        tangent=tangent,
        y_middle=y_middle,
        width_px=cols,
    )
