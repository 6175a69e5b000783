"""What the noise beside the edges says about the edges' own errors."""

import math

import numpy as np
from numpy.typing import NDArray

from micromeasure.film.fit import Group, Step, Window

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


def mock_offsets(
    group: Group, window: Window, step: Step, good: BoolArray
) -> tuple[list[FloatArray], list[FloatArray]]:
    """Return offsets that the noise beside the edges would feign, and their white variance.

    The weights with which pixels enter an edge's position are laid over the plateaus beside it:
    what comes out has the size and the correlation along the film of the edge's own errors.
    """
    sigma = group.common.sigma_px[:, None].astype(np.float32)
    stride = math.ceil(2.0 * float(np.median(sigma)) / float(np.median(group.cosine))) + 1
    clear = math.ceil(4.0 * float(np.median(sigma)) / float(np.median(group.cosine)))
    residual = step.residual * window.weights
    series, white = [], []
    for k, side in ((0, -1), (len(group.course_px) - 1, 1)):
        z = window.distance_px[k] / sigma
        kernel = np.where(np.abs(z) < 4.0, np.exp(-0.5 * z * z), 0.0)
        for by in range(2 * clear, 2 * clear + 6 * stride, stride):
            moved_kernel = _moved_columns(kernel, side * by) * window.weights
            norm = np.sum(moved_kernel * moved_kernel, axis=1)
            whole = (norm > 0.8 * np.sum(kernel * kernel, axis=1)) & good
            if np.count_nonzero(whole) < 0.5 * np.count_nonzero(good):
                break
            series.append(np.where(whole, np.sum(moved_kernel * residual, axis=1), np.nan))
            white.append(np.where(whole, norm * step.noise**2, np.nan))
    return series, white


def _moved_columns(a: FloatArray, by: int) -> FloatArray:
    result = np.zeros_like(a)
    if by >= 0:
        result[:, by:] = a[:, : a.shape[1] - by]
    else:
        result[:, :by] = a[:, -by:]
    return result


def misfit(window: Window, step: Step, good: BoolArray) -> float:
    """Return the root mean square of what the model leaves alike in all rows."""
    weights = window.weights * good[:, None]
    count = weights.sum(axis=0)
    seen = count > 0.3 * count.max()
    mean = (step.residual * weights).sum(axis=0)[seen] / count[seen]
    return float(np.sqrt(np.mean(mean**2)))
