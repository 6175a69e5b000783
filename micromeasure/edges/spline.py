"""Smooth curves over a row index: bases of polynomials and splines, local straight lines."""

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def cubic_basis(t: FloatArray, n: int) -> FloatArray:
    """Return n uniform cubic B-splines over the range 0 to 1, at the places `t`.

    Parameters
    ----------
    t : ndarray, shape (m,)
        Between 0 and 1.
    n : int
        Number of functions; below 4 a polynomial basis of n terms is returned instead.

    Returns
    -------
    ndarray, shape (m, n)
    """
    if n < 4:
        return np.asarray(np.polynomial.legendre.legvander(2.0 * t - 1.0, n - 1), dtype=np.float64)
    spans = n - 3
    place = np.clip(t, 0.0, 1.0) * spans
    first = np.minimum(place.astype(np.intp), spans - 1)
    u = place - first
    values = np.stack(
        [(1 - u) ** 3, 3 * u**3 - 6 * u**2 + 4, -3 * u**3 + 3 * u**2 + 3 * u + 1, u**3], axis=1
    )
    basis = np.zeros((t.size, n))
    np.put_along_axis(basis, first[:, None] + np.arange(4), values / 6.0, axis=1)
    return basis


def local_line(values: FloatArray, weights: FloatArray, half: int) -> FloatArray:
    """Smooth along the last axis by a weighted straight line in a sliding window.

    Parameters
    ----------
    values, weights : ndarray, shape (..., n)
        Values of weight 0 are ignored and bridged.
    half : int
        The window is 2 * half + 1 long, cut at the ends.

    Returns
    -------
    ndarray, shape (..., n)
        Zero where the window holds no weight.
    """
    n = values.shape[-1]
    at = np.arange(n, dtype=np.float64)
    low, high = np.maximum(np.arange(n) - half, 0), np.minimum(np.arange(n) + half + 1, n)

    def window(a: FloatArray) -> FloatArray:
        total = np.concatenate([np.zeros((*a.shape[:-1], 1)), np.cumsum(a, axis=-1)], axis=-1)
        return np.asarray(total[..., high] - total[..., low])

    w0 = window(weights)
    w1, w2 = window(weights * at), window(weights * at * at)
    v0, v1 = window(weights * values), window(weights * values * at)
    filled = np.maximum(w0, 1e-300)
    mean_at, mean = w1 / filled, v0 / filled
    spread = w2 / filled - mean_at**2
    lean = (v1 / filled - mean_at * mean) / np.maximum(spread, 1e-9)
    # A window with fewer than two separate places has a mean but no slope.
    lean = np.where(spread > 0.5, lean, 0.0)
    return np.where(w0 > 0.0, mean + lean * (at - mean_at), 0.0)
