"""How much neighbouring observations share: the variance of a mean of correlated values."""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def long_run_factor(series: FloatArray, block: int) -> float:
    """Return the variance of a mean against that of independent values.

    Parameters
    ----------
    series : ndarray, shape (n,)
        Values in order; NaN where there is none.
    block : int
        Length of the blocks whose means are compared; should exceed the correlation length.

    Returns
    -------
    float
        1 for independent values, n for fully correlated ones; NaN with fewer than 4 blocks.

    Notes
    -----
    Method of batch means: block length times the variance of block means over the variance of
    single values.
    """
    values = series - np.nanmean(series)
    n_blocks = values.size // block
    if n_blocks < 4:
        return math.nan
    blocks = values[: n_blocks * block].reshape(n_blocks, block)
    count = np.isfinite(blocks).sum(axis=1)
    full = count >= 0.7 * block
    if np.count_nonzero(full) < 4:
        return math.nan
    means = np.nanmean(blocks[full], axis=1)
    single = float(np.nanvar(values))
    if single <= 0.0:
        return 1.0
    return float(np.mean(count[full])) * float(np.var(means, ddof=1)) / single


def inflation(series: Sequence[FloatArray], white: Sequence[FloatArray], block: int = 24) -> float:
    """Return by how much noise along a curve exceeds independent noise in a mean.

    Parameters
    ----------
    series : sequence of ndarray, shape (n,)
        Errors along the curve at several places beside it; NaN where there is none.
    white : sequence of ndarray, shape (n,)
        Variance they would have if the noise of pixels were independent.
    block : int
        Length of blocks, see `long_run_factor`.

    Returns
    -------
    float
        NaN where no series is long enough.
    """
    ratios = []
    for values, variance in zip(series, white, strict=True):
        factor = long_run_factor(values, block)
        if math.isfinite(factor):
            ratios.append(factor * float(np.nanmean(values**2)) / float(np.nanmean(variance)))
    return float(np.mean(ratios)) if ratios else math.nan
