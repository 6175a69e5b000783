"""Blurred steps in profiles across an edge: sampling them and finding where the step is."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.outcome import FloatArray

Booleans = NDArray[np.bool_]

# Gauss-Newton from within a pixel of the edge settles in so many rounds.
_FIT_ROUNDS = 4
# Shifts for which the answer of the linear estimate is worked out, pixels.
_TABLE_PX = 1.6
_TABLE_STEPS = 65


def sample(
    pixels: NDArray[Any], points: FloatArray, normals: FloatArray, offsets: FloatArray
) -> FloatArray:
    """Sample profiles by bilinear interpolation.

    Parameters
    ----------
    pixels : ndarray, shape (rows, cols)
    points, normals : ndarray of float, shape (n, 2)
    offsets : ndarray of float, shape (m,)
        Distances along the normal, pixels.

    Returns
    -------
    ndarray of float, shape (n, m)
        NaN where a profile leaves the image.
    """
    rows, cols = pixels.shape
    x = points[:, :1] + normals[:, :1] * offsets
    y = points[:, 1:] + normals[:, 1:] * offsets
    # Profiles are straight: one whose ends are inside is inside.
    ends_x, ends_y = x[:, [0, -1]], y[:, [0, -1]]
    outside = (ends_x < 0) | (ends_y < 0) | (ends_x > cols - 1) | (ends_y > rows - 1)
    leaves = outside.any(axis=1)
    if leaves.any():
        x[leaves], y[leaves] = 0.0, 0.0
    column = np.minimum(x.astype(np.int32), cols - 2)
    row = np.minimum(y.astype(np.int32), rows - 2)
    # Fractions of a pixel and grey values keep seven digits in single precision.
    fx, fy = (x - column).astype(np.float32), (y - row).astype(np.float32)
    flat, start = pixels.reshape(-1), row * cols + column
    corners = [flat.take(start + step).astype(np.float32) for step in (0, 1, cols, cols + 1)]
    top = corners[0] + (corners[1] - corners[0]) * fx
    bottom = corners[2] + (corners[3] - corners[2]) * fx
    values: FloatArray = (top + (bottom - top) * fy).astype(np.float64)
    values[leaves] = np.nan
    return values


def nearest(
    pixels: NDArray[Any], points: FloatArray, normals: FloatArray, offsets: FloatArray
) -> FloatArray:
    """Sample profiles at the nearest pixels, good to half a pixel; see `sample`."""
    rows, cols = pixels.shape
    x = np.rint(points[:, :1] + normals[:, :1] * offsets).astype(np.int32)
    y = np.rint(points[:, 1:] + normals[:, 1:] * offsets).astype(np.int32)
    outside = (x < 0) | (y < 0) | (x >= cols) | (y >= rows)
    start = np.where(outside, 0, y * cols + x)
    values: FloatArray = pixels.reshape(-1).take(start).astype(np.float64)
    values[outside] = np.nan
    return values


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeFits:
    """Blurred steps fitted to profiles, one entry a profile.

    Attributes
    ----------
    position, u : ndarray of float, shape (n,)
        Offset of the step and its standard uncertainty, pixels.
    step : ndarray of float, shape (n,)
        Grey value at the start of the profile minus that at its end.
    sigma : ndarray of float, shape (n,)
        Blur width, pixels.
    residual : ndarray of float, shape (n,)
        Root mean square of what the fit leaves, grey values.
    good : ndarray of bool, shape (n,)
        False where the profile leaves the image or the fit ran away.
    rest : ndarray of float, shape (n, m), or None
        What the fit leaves, grey values; only of `fit_steps`.
    """

    position: FloatArray
    u: FloatArray
    step: FloatArray
    sigma: FloatArray
    residual: FloatArray
    good: Booleans
    rest: FloatArray | None = None


def fit_edges(
    profiles: FloatArray, offsets: FloatArray, sigma: float, *, fit_blur: bool = False
) -> EdgeFits:
    """Fit a step blurred by a Gaussian to each profile by Gauss-Newton.

    Parameters
    ----------
    profiles : ndarray of float, shape (n, m)
        NaN makes a whole profile not good.
    offsets : ndarray of float, shape (m,)
    sigma : float
        Blur width, the start value where `fit_blur` is set.
    fit_blur : bool
        Whether the blur is free for each profile.

    Returns
    -------
    EdgeFits

    Notes
    -----
    Model: c - (d/2) erf((s - p) / (sqrt(2) sigma)). The position is uncorrelated with level,
    step and blur when the profile is centred on the edge, so a blur that is a little off does
    not move it.
    """
    finite: Booleans = np.asarray(np.isfinite(profiles).all(axis=1))
    values = np.where(finite[:, None], profiles, 0.0)
    n, m = values.shape
    position, width = np.zeros(n), np.full(n, sigma)
    for _ in range(_FIT_ROUNDS):
        basis = _basis(offsets, position, width, fit_blur=fit_blur)
        solution, left, inverse = _solve(basis, values)
        step = -2.0 * solution[:, 1]
        scale = np.where(np.abs(step) > 1e-9, step, np.inf)
        # Column 2 is the derivative by position for a step of 1.
        position = np.clip(
            position + np.clip(solution[:, 2] / scale, -1, 1), offsets[0], offsets[-1]
        )
        if fit_blur:
            width = np.clip(width + np.clip(solution[:, 3] / scale, -0.5, 0.5), 0.3, 15.0)
    residual = np.sqrt(left / m)
    variance = left / max(m - basis.shape[2], 1) * inverse[:, 2, 2]
    good = finite & np.isfinite(variance) & (np.abs(position) < offsets[-1] - 1)
    u = np.sqrt(np.maximum(variance, 0.0)) / np.abs(scale)
    return EdgeFits(position=position, u=u, step=step, sigma=width, residual=residual, good=good)


def fit_steps(
    profiles: FloatArray, offsets: FloatArray, sigma: float, opposite_px: float | None = None
) -> EdgeFits:
    """Find the step of known blur in many profiles with one matrix product.

    Parameters
    ----------
    profiles : ndarray of float, shape (n, m)
        NaN makes a whole profile not good.
    offsets : ndarray of float, shape (m,)
        Distances along the profile, outwards, from within a pixel or so of the edge.
    sigma : float
        Blur width.
    opposite_px : float or None
        Distance inwards of the sheet's other edge where it lies within the profile's reach.

    Returns
    -------
    EdgeFits

    Notes
    -----
    Level, step and the step's derivative by position are fitted linearly about offset 0; the
    ratio of the last two is the shift to first order. What it is to all orders follows from
    applying the same estimate to the model shifted by known amounts, a curve that is inverted.
    """
    finite: Booleans = np.asarray(np.isfinite(profiles).all(axis=1))
    values = np.where(finite[:, None], profiles, 0.0)
    step, slope = _template(offsets, sigma, opposite_px)
    basis = np.column_stack([np.ones_like(offsets), step, slope])
    normal = np.linalg.inv(basis.T @ basis)
    solve = basis @ normal
    solution = values @ solve
    shifts = np.linspace(-_TABLE_PX, _TABLE_PX, _TABLE_STEPS)
    moved = _template(offsets - shifts[:, None], sigma, opposite_px)[0] @ solve
    answer = moved[:, 2] / moved[:, 1]
    rising = np.concatenate([[True], np.diff(np.maximum.accumulate(answer)) > 1e-9])
    scale = np.where(np.abs(solution[:, 1]) > 1e-9, solution[:, 1], np.inf)
    position = np.interp(solution[:, 2] / scale, answer[rising], shifts[rising])
    rest = values - solution @ basis.T
    left = np.einsum("nm,nm->n", rest, rest) / rest.shape[1]
    good = finite & np.isfinite(position) & (np.abs(position) < 0.95 * _TABLE_PX)
    m = len(offsets)
    u = np.sqrt(left * m / max(m - 3, 1) * normal[2, 2]) / np.abs(scale)
    return EdgeFits(
        position=position, u=u, step=solution[:, 1], sigma=np.full(len(values), sigma),
        residual=np.sqrt(left), good=good, rest=rest,
    )  # fmt: skip


def _template(
    s: FloatArray, sigma: float, opposite_px: float | None
) -> tuple[FloatArray, FloatArray]:
    """Return a blurred fall of 1 at s = 0 and its derivative by position."""
    from scipy.special import ndtr

    density = np.exp(-0.5 * (s / sigma) ** 2) / (math.sqrt(2 * math.pi) * sigma)
    step = ndtr(-s / sigma)
    if opposite_px is not None:
        # A slab: bright or dark only between the two edges.
        step = step - ndtr(-(s + opposite_px) / sigma)
        far = (s + opposite_px) / sigma
        density = density - np.exp(-0.5 * far**2) / (math.sqrt(2 * math.pi) * sigma)
    return step, density


def _basis(
    offsets: FloatArray, position: FloatArray, width: FloatArray, *, fit_blur: bool
) -> FloatArray:
    """Return level, step and derivatives at the present fit, shape (n, m, 3 or 4)."""
    from scipy.special import erf

    z = (offsets[None, :] - position[:, None]) / width[:, None]
    density = np.exp(-0.5 * z * z) / (math.sqrt(2 * math.pi) * width[:, None])
    columns = [np.ones_like(z), erf(z / math.sqrt(2)), density]
    if fit_blur:
        columns.append(z * density)
    return np.stack(columns, axis=2)


def _solve(basis: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return solutions, sums of squared residuals and inverse normal matrices."""
    turned = basis.transpose(0, 2, 1)
    normal = turned @ basis
    size = normal.shape[1]
    # A trace of damping keeps flat profiles solvable; it moves no sound fit by 1e-9.
    trace = np.trace(normal, axis1=1, axis2=2)[:, None, None]
    inverse = np.linalg.inv(normal + 1e-10 * trace * np.eye(size))
    solution = (inverse @ (turned @ values[:, :, None]))[:, :, 0]
    left = ((values - (basis @ solution[:, :, None])[:, :, 0]) ** 2).sum(axis=1)
    return solution, left, inverse
