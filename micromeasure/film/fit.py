"""Fitting the edges of a stack to pixel rows: positions row by row, all else in common.

The model of a row is that of a blurred stack of layers under light that changes slowly::

    I(d) = (1 + g d) [B + sum_k A_k Phi(d_k / sigma)]

with d_k the distance to edge k along the local normal. Every pixel is used where it lies, none
is interpolated: the noise of neighbouring rows stays independent and no blur is added.
Levels B and A_k vary smoothly along the film, the light's slope g and the blur sigma as low
polynomials; each row has its own edge positions. Positions are eliminated row by row, so that
one small system of equations gives what is common (variable projection in its linear form).
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from micromeasure.edges.spline import cubic_basis, local_line
from micromeasure.errors import MeasurementError
from micromeasure.film.frame import Frame

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
BoolArray = NDArray[np.bool_]

ROWS_PER_LEVEL = 80  # spacing of the levels' spline, rows
MOST_LEVELS = 12
WINDOW_SIGMAS = 12.0
WINDOW_PX = (10.0, 56.0)
SMOOTH_TO_SIGMA = 0.12  # course noise allowed, in blur widths: the model is linear well beyond
MAX_HALF_ROWS = 150
BEND_DEGREE = 6
UNSETTLED = (
    "No blurred stack of layers fits along the film: the edges are too faint, too close for the "
    "blur, or change too much from place to place; check focus and layers, or give a region."
)
PIXEL_LIMIT = 5.0  # residuals beyond this many standard deviations have no weight


@dataclass(frozen=True, slots=True, kw_only=True)
class Common:
    """What rows share: levels along the film, blur, slope of the light.

    Attributes
    ----------
    base : ndarray, shape (n,)
        Level left of the first edge.
    steps : ndarray, shape (n_edges, n)
        Change of level at each edge, left to right.
    sigma_px : ndarray, shape (n,)
        Blur along the normal, px.
    slope : ndarray, shape (n,)
        Relative change of the light per px along the normal.
    """

    base: FloatArray
    steps: FloatArray
    sigma_px: FloatArray
    slope: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Edges near enough to be fitted together, and the state of their fit.

    Attributes
    ----------
    rows : ndarray of int, shape (n,)
        Frame rows.
    course_px : ndarray, shape (n_edges, n)
        Smooth columns of the edges; the model is linear around them.
    cosine : ndarray, shape (n,)
        Of the angle between row and normal.
    reach_px : tuple of two floats
        How far along the normal pixels are used left of the first and right of the last edge.
    common : Common
    """

    rows: NDArray[np.intp]
    course_px: FloatArray
    cosine: FloatArray
    reach_px: tuple[float, float]
    common: Common


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """Pixels of a group: values, weights, distances. Single precision: sums are short.

    Attributes
    ----------
    values, weights : ndarray of float32, shape (n, m)
    distance_px : ndarray of float32, shape (n_edges, n, m)
        Along the normal from each edge.
    """

    values: Float32Array
    weights: Float32Array
    distance_px: Float32Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Linear:
    """The model made linear around a group's state, and the normal equations of its rows.

    Attributes
    ----------
    residual : ndarray of float32, shape (n, m)
    templates : ndarray of float32, shape (n, q, m)
        Derivatives by positions, base, steps, blur, slope of the light.
    weights : ndarray of float32, shape (n, m)
    normal : ndarray, shape (n, q, q)
    right : ndarray, shape (n, q)
    """

    residual: Float32Array
    templates: Float32Array
    weights: Float32Array
    normal: FloatArray
    right: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One linear solution around a group's state.

    Attributes
    ----------
    offset_px : ndarray, shape (n_edges, n)
        Departure of each row's edges from the course, along the normal, row by row.
    row_cov : ndarray, shape (n, n_edges, n_edges)
        Covariance of the offsets for unit noise, common parameters known.
    common : Common
        Updated.
    mean_cov : ndarray, shape (n_edges, n_edges)
        Covariance of the offsets' means over the rows of weight, for unit noise, all
        parameters unknown.
    residual : ndarray of float32, shape (n, m)
    noise : float
        Standard deviation of the residuals.
    """

    offset_px: FloatArray
    row_cov: FloatArray
    common: Common
    mean_cov: FloatArray
    residual: Float32Array
    noise: float


def gather(frame: Frame, group: Group) -> Window:
    """Take the pixels of a group out of the image."""
    left = group.course_px[0] - group.reach_px[0] / group.cosine
    right = group.course_px[-1] + group.reach_px[1] / group.cosine
    first = np.ceil(left).astype(np.intp)
    width = int(np.ceil(np.max(right - first))) + 1
    col = first[:, None] + np.arange(width)
    inside = (col >= 0) & (col < frame.shape[1]) & (col <= right[:, None])
    values = frame.take(group.rows[:, None], np.clip(col, 0, frame.shape[1] - 1))
    # Distances start from whole columns, so that single precision keeps 1e-6 px.
    lag = (first - group.course_px) * group.cosine
    ahead = np.arange(width) * group.cosine[:, None]
    return Window(
        values=values,
        weights=inside.astype(np.float32),
        distance_px=(lag[:, :, None] + ahead).astype(np.float32),
    )


def linear_model(group: Group, window: Window) -> Linear:
    """Make the model linear around a group's state."""
    model, templates = _templates(group.common, window)
    residual = window.values - model
    normal, right = _equations(templates, residual, window.weights)
    return Linear(
        residual=residual,
        templates=templates,
        weights=window.weights,
        normal=normal,
        right=right,
    )


def reweighted(linear: Linear, weights: Float32Array) -> Linear:
    """Return the linear model with other weights; only rows that change are summed anew."""
    rows = np.flatnonzero((weights != linear.weights).any(axis=1))
    if rows.size == 0:
        return linear
    normal, right = linear.normal.copy(), linear.right.copy()
    normal[rows], right[rows] = _equations(
        linear.templates[rows], linear.residual[rows], weights[rows]
    )
    return replace(linear, weights=weights, normal=normal, right=right)


def _equations(
    templates: Float32Array, residual: Float32Array, weights: Float32Array
) -> tuple[FloatArray, FloatArray]:
    weighted = templates * weights[:, None, :]
    normal = weighted @ templates.transpose(0, 2, 1)
    right = (weighted @ residual[:, :, None])[:, :, 0]
    return normal.astype(np.float64), right.astype(np.float64)


def solve(group: Group, linear: Linear, good: BoolArray) -> Step:
    """Solve the model once, linear around the group's state.

    Parameters
    ----------
    group : Group
    linear : Linear
    good : ndarray of bool, shape (n,)
        Rows that determine the common parameters; the others only get their own offsets.

    Notes
    -----
    With H the normal matrix of one row, split in positions p and common parameters c, the
    common ones solve sum_rows Phi' (H_cc - H_cp inv(H_pp) H_pc) Phi, Phi their curves along
    the film (Golub and Pereyra's projection, per row); positions follow by back-substitution.
    """
    n_edges = len(group.course_px)
    normal, right = linear.normal.copy(), linear.right.copy()
    h_pp = normal[:, :n_edges, :n_edges].copy()
    scale = np.einsum("nii->n", h_pp) / n_edges
    typical = float(np.median(scale)) + 1e-300
    dead = scale <= 1e-3 * typical
    h_pp[dead] = np.eye(n_edges) * typical
    normal[dead], right[dead] = 0.0, 0.0
    used = good & ~dead
    row_cov = np.asarray(np.linalg.inv(h_pp), dtype=np.float64)
    h_cp = normal[:, n_edges:, :n_edges]
    project = h_cp @ row_cov
    reduced = normal[:, n_edges:, n_edges:] - project @ h_cp.transpose(0, 2, 1)
    reduced_right = right[:, n_edges:] - (project @ right[:, :n_edges, None])[:, :, 0]
    bases = _bases(group)
    coefficients, covariance = _assemble(
        [basis * used[:, None] for basis in bases], reduced, reduced_right
    )
    change = _curves(bases, coefficients)
    rest = right[:, :n_edges] - np.einsum("ncp,cn->np", h_cp, change)
    offset = np.einsum("npq,nq->pn", row_cov, rest)
    # Residuals of the linear solution, without building the model anew.
    everything = np.concatenate([offset, change]).T.astype(np.float32)
    residual = linear.residual - (everything[:, None, :] @ linear.templates)[:, 0]
    weights = linear.weights * used[:, None]
    n_free = float(weights.sum()) - n_edges * int(used.sum()) - coefficients.size
    squares = np.einsum("nm,nm,nm->n", weights, residual, residual)
    noise = math.sqrt(float(squares.sum()) / max(n_free, 1.0))
    if not math.isfinite(noise):
        raise MeasurementError(UNSETTLED)
    return Step(
        offset_px=offset,
        row_cov=row_cov,
        common=_updated(group.common, change),
        mean_cov=_mean_covariance(
            used, row_cov, project=project, bases=bases, covariance=covariance
        ),
        residual=residual,
        noise=noise,
    )


def _templates(common: Common, window: Window) -> tuple[Float32Array, Float32Array]:
    """Return the model, shape (n, m), and its derivatives, shape (n, q, m).

    Order of the derivatives: positions, base, steps, blur, slope of the light.
    """
    from scipy.special import ndtr

    distance = window.distance_px
    n_edges, n, m = distance.shape
    z = distance * (1.0 / common.sigma_px)[:, None].astype(np.float32)
    share = ndtr(z)
    density = np.exp(np.float32(-0.5) * z * z)
    density *= (common.steps / (common.sigma_px * -math.sqrt(2.0 * math.pi)))[:, :, None].astype(
        np.float32
    )
    middle = distance[0] if n_edges == 1 else np.float32(0.5) * (distance[0] + distance[-1])
    light = np.float32(1.0) + common.slope[:, None].astype(np.float32) * middle
    density *= light
    steps = common.steps.astype(np.float32)
    scene = common.base[:, None].astype(np.float32) + (steps[:, :, None] * share).sum(axis=0)
    templates = np.empty((n, 2 * n_edges + 3, m), dtype=np.float32)
    templates[:, :n_edges] = density.transpose(1, 0, 2)
    templates[:, n_edges] = light
    templates[:, n_edges + 1 : 2 * n_edges + 1] = (share * light).transpose(1, 0, 2)
    templates[:, 2 * n_edges + 1] = (density * z).sum(axis=0)
    templates[:, 2 * n_edges + 2] = middle * scene
    return scene * light, templates


def _bases(group: Group) -> list[FloatArray]:
    """Return the curves along the film of each common parameter."""
    rows = group.rows.astype(np.float64)
    t = (rows - rows[0]) / max(rows[-1] - rows[0], 1.0)
    n_levels = int(np.clip(round((rows[-1] - rows[0]) / ROWS_PER_LEVEL), 3, MOST_LEVELS))
    if rows.size < 40 * n_levels:
        # A first look at thinned rows: little is asked of it, and little lets it go astray.
        n_levels = 3
    levels = cubic_basis(t, n_levels)
    n_steps = len(group.course_px)
    return [levels] * (1 + n_steps) + [cubic_basis(t, 2), cubic_basis(t, 3)]


def _assemble(
    bases: list[FloatArray], reduced: FloatArray, right: FloatArray
) -> tuple[FloatArray, FloatArray]:
    sizes = [b.shape[1] for b in bases]
    starts = np.concatenate([[0], np.cumsum(sizes)])
    total = int(starts[-1])
    matrix, vector = np.zeros((total, total)), np.zeros(total)
    for i, left in enumerate(bases):
        at_i = slice(starts[i], starts[i + 1])
        vector[at_i] = left.T @ right[:, i]
        for j in range(i, len(bases)):
            at_j = slice(starts[j], starts[j + 1])
            block = left.T @ (reduced[:, i, j, None] * bases[j])
            matrix[at_i, at_j] = block
            matrix[at_j, at_i] = block.T
    # Parameters differ by orders of magnitude: scale first, then keep the solution bounded
    # where a stretch without weight leaves a coefficient free.
    size = np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    scaled = matrix / np.outer(size, size) + 1e-9 * np.eye(total)
    covariance = np.linalg.inv(scaled) / np.outer(size, size)
    return covariance @ vector, covariance


def _curves(bases: list[FloatArray], coefficients: FloatArray) -> FloatArray:
    curves, start = [], 0
    for basis in bases:
        curves.append(basis @ coefficients[start : start + basis.shape[1]])
        start += basis.shape[1]
    return np.stack(curves)


def _updated(common: Common, change: FloatArray) -> Common:
    n_edges = len(common.steps)
    sigma = common.sigma_px
    # A blur may not change its order of magnitude in one linear step.
    sigma = np.clip(sigma + change[1 + n_edges], 0.6 * sigma, 1.6 * sigma)
    return Common(
        base=common.base + change[0],
        steps=common.steps + change[1 : 1 + n_edges],
        sigma_px=np.maximum(sigma, 0.25),
        slope=common.slope + change[2 + n_edges],
    )


def _mean_covariance(
    used: BoolArray,
    row_cov: FloatArray,
    *,
    project: FloatArray,
    bases: list[FloatArray],
    covariance: FloatArray,
) -> FloatArray:
    n = max(int(used.sum()), 1)
    own = row_cov[used].sum(axis=0) / n**2
    sensitivity = np.concatenate(
        [basis.T @ (project[:, i] * used[:, None]) for i, basis in enumerate(bases)]
    )
    sensitivity = sensitivity / n
    return np.asarray(own + sensitivity.T @ covariance @ sensitivity)


def moved(group: Group, step: Step, good: BoolArray) -> Group:
    """Return the group with its course moved to the smoothed offsets of a solution.

    Parameters
    ----------
    group : Group
    step : Step
    good : ndarray of bool, shape (n,)
        Rows that may move the course.
    """
    sigma = float(np.median(step.common.sigma_px))
    limit = 1.5 * sigma
    weights = good.astype(np.float64)
    course = np.empty_like(group.course_px)
    for k, before in enumerate(group.course_px):
        variance = float(np.median(step.row_cov[:, k, k])) * step.noise**2
        half = int(np.clip(0.5 * variance / (SMOOTH_TO_SIGMA * sigma) ** 2, 2, MAX_HALF_ROWS))
        found = before + np.clip(step.offset_px[k], -4.0 * limit, 4.0 * limit) / group.cosine
        # What each row says is smoothed anew each time: smoothing only the changes would let
        # the course follow the noise a little further with every step.
        trend = bend(group.rows, found, weights)
        smooth = trend + local_line(found - trend, weights, half)
        course[k] = before + np.clip(smooth - before, -limit, limit)
    return replace(group, course_px=course, cosine=cosines(group.rows, course), common=step.common)


def bend(rows: NDArray[np.intp], values: FloatArray, weights: FloatArray) -> FloatArray:
    """Return a polynomial through values; it takes the film's bend out before smoothing."""
    t = 2.0 * (rows - rows[0]) / max(int(rows[-1] - rows[0]), 1) - 1.0
    basis = np.polynomial.chebyshev.chebvander(t, BEND_DEGREE)
    weighted = basis * weights[:, None]
    # High powers are held back a little: they must not run away where rows have no weight.
    hold = 1e-6 * (1.0 + float(weights.sum())) * (1.0 + np.arange(BEND_DEGREE + 1.0) ** 6)
    normal = weighted.T @ basis + np.diag(hold)
    return np.asarray(basis @ np.linalg.solve(normal, weighted.T @ values))


def cosines(rows: NDArray[np.intp], course_px: FloatArray) -> FloatArray:
    """Return the cosine between rows and the normal of the mid-line, smoothed over rows."""
    middle = 0.5 * (course_px[0] + course_px[-1])
    half = max(8, rows.size // 16)
    smooth = local_line(middle, np.ones_like(middle), half)
    slope = np.gradient(smooth, rows.astype(np.float64))
    return np.asarray(1.0 / np.sqrt(1.0 + slope**2))
