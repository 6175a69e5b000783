"""What the noise beside the edges says about the edges' own errors."""

import math

import numpy as np
from numpy.typing import NDArray

from micromeasure.edges.correlation import inflation
from micromeasure.film.fit import Group, Step, Window

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


MOST_MOCKS = 6  # places on one plateau
MOCK_SIGMAS = 4.0  # half length of an edge's weights, and what is kept clear beside an edge
CALM_SIGMAS = 1.5  # beyond this from every edge a residual holds little but noise


def noise_inflation(group: Group, window: Window, step: Step, good: BoolArray) -> float:
    """Return the variance of the edges' mean positions against that from white noise.

    Parameters
    ----------
    group : Group
    window : Window
    step : Step
        The last solution; its noise is that of all pixels alike.
    good : ndarray of bool, shape (n,)
        Rows that are used.

    Returns
    -------
    float
        At least 1.

    Notes
    -----
    The weights with which pixels enter an edge's position are laid over the plateaus beside it:
    what comes out has the size and the correlation along the film of the edge's own errors.
    An edge takes half of its noise from either side, and a bright plateau has more of it than a
    dark one. A plateau too narrow for the weights has the correlation of the others and the
    noise of its own pixels.
    """
    sides = range(len(group.course_px) + 1)
    calm = [_calm_variance(group, window, step, good, plateau=k) for k in sides]
    found = [inflation(*_mocks(group, window, step, good, plateau=k)) for k in sides]
    known = [(f, c) for f, c in zip(found, calm, strict=True) if f > 0.0 and c > 0.0]
    if not known:
        return 1.0
    usual = float(np.mean([f / c for f, c in known]))
    filled = [f if f > 0.0 else usual * c for f, c in zip(found, calm, strict=True)]
    filled = [f for f in filled if f > 0.0]
    # Plateaus between two edges serve both.
    weights = [1.0, *([2.0] * (len(filled) - 2)), 1.0][: len(filled)]
    return max(1.0, float(np.average(filled, weights=weights)))


def _mocks(
    group: Group, window: Window, step: Step, good: BoolArray, *, plateau: int
) -> tuple[list[FloatArray], list[FloatArray]]:
    """Return offsets that the noise of a plateau would feign, and their white variance.

    Plateau k lies left of edge k.
    """
    sigma = group.common.sigma_px[:, None].astype(np.float32)
    cols = float(np.median(sigma)) / float(np.median(group.cosine))
    stride, clear = math.ceil(2.0 * cols) + 1, 2 * math.ceil(MOCK_SIGMAS * cols)
    last = len(group.course_px)
    edge, side = (plateau, -1) if plateau < last else (last - 1, 1)
    room = clear + MOST_MOCKS * stride
    if 0 < plateau < last:
        gap = float(np.median(group.course_px[edge] - group.course_px[edge - 1]))
        room = min(room, math.floor(gap) - clear + 1)
    z = window.distance_px[edge] / sigma
    kernel = np.where(np.abs(z) < MOCK_SIGMAS, np.exp(-0.5 * z * z), 0.0)
    whole_norm = np.sum(kernel * kernel, axis=1)
    residual = step.residual * window.weights
    series, white = [], []
    for by in range(clear, room, stride):
        moved_kernel = _moved_columns(kernel, side * by) * window.weights
        norm = np.sum(moved_kernel * moved_kernel, axis=1)
        whole = (norm > 0.8 * whole_norm) & good
        if np.count_nonzero(whole) < 0.5 * np.count_nonzero(good):
            break
        series.append(np.where(whole, np.sum(moved_kernel * residual, axis=1), np.nan))
        white.append(np.where(whole, norm * step.noise**2, np.nan))
    return series, white


def _calm_variance(
    group: Group, window: Window, step: Step, good: BoolArray, *, plateau: int
) -> float:
    """Return the variance of a plateau's residuals; NaN where the edges leave nothing of it."""
    limit = CALM_SIGMAS * float(np.median(group.common.sigma_px))
    distance = window.distance_px
    there = (window.weights > 0) & good[:, None]
    if plateau > 0:
        there &= distance[plateau - 1] > limit
    if plateau < len(distance):
        there &= distance[plateau] < -limit
    if np.count_nonzero(there) < np.count_nonzero(good):
        return math.nan
    return float(np.mean(step.residual[there] ** 2))


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
