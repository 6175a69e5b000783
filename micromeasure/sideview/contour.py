"""The outline of a part at sub-pixel: an edge fitted across the local normal, point by point.

The outline of the mask only says where to look. From each of its points, one pixel apart, a
profile is sampled along the normal and a blurred step is fitted to it; its middle is the
half-way level between the plateaus on the two sides.
"""

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.errors import MeasurementError
from micromeasure.outcome import FloatArray
from micromeasure.sideview.part import Part

Booleans = NDArray[np.bool_]

# Plateaus count to this many blur widths from the edge; a Gaussian edge is complete there.
_REACH_SIGMA = 3.0
# Half-pixel steps: what bilinear sampling does to a profile then cancels between neighbours, down
# to 0.003 px; with whole steps it would shift near-level edges by up to 0.02 px.
_STEP_PX = 0.5
_FIT_ROUNDS = 4
# A profile whose step is below this share of its neighbours' is not the same edge.
_MIN_STEP_SHARE = 0.6
_SUBSET = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class Contour:
    """A closed outline, in order, the part on the right hand when y points down.

    Attributes
    ----------
    points_px : ndarray of float, shape (n, 2)
        Edge positions ``x y``, about one pixel apart.
    normals_px : ndarray of float, shape (n, 2)
        Unit normals out of the part.
    valid : ndarray of bool, shape (n,)
        False where no clean edge was found: image border, cut by the support, dust, glare.
    u_px : ndarray of float, shape (n,)
        Standard uncertainty of each position across the edge, from its own fit.
    sigma_px : float
        Blur of the edge, median over the outline.
    step : float
        Median difference of grey values across the edge.
    """

    points_px: FloatArray
    normals_px: FloatArray
    valid: Booleans
    u_px: FloatArray
    sigma_px: float
    step: float


def trace_contour(pixels: NDArray[Any], part: Part) -> Contour:
    """Trace the outline of the part.

    Parameters
    ----------
    pixels : ndarray, shape (rows, cols)
        Grey values.
    part : Part
        Mask to start from.

    Returns
    -------
    Contour

    Raises
    ------
    MeasurementError
        If the edge is too faint or too blurred to fit.
    """
    rough = _mask_outline(part)
    sign = 1.0 if part.is_bright else -1.0
    # First pass: wide, to come within a fraction of a pixel of the edge.
    points, normals = _resample(rough, smooth=2.0 * part.factor)
    reach = 3 * part.factor + 4
    offsets = np.arange(-reach, reach + 1.0)
    moved = points + normals * _steepest(
        sample(pixels, points, normals, offsets), offsets, sign
    )[:, None]  # fmt: skip
    points, normals = _resample(moved, smooth=2.0)
    # Second pass: the blur, from a sample of profiles, then all of them with that blur.
    sigma = _blur(pixels, points, normals, sign)
    return _fit_all(pixels, points, normals, sigma=sigma, sign=sign)


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
    outside = (x < 0) | (y < 0) | (x > cols - 1) | (y > rows - 1)
    column = np.clip(x, 0, cols - 1.001).astype(np.int32)
    row = np.clip(y, 0, rows - 1.001).astype(np.int32)
    fx, fy = x - column, y - row
    flat, start = pixels.reshape(-1), row * cols + column
    top = flat[start] * (1 - fx) + flat[start + 1] * fx
    bottom = flat[start + cols] * (1 - fx) + flat[start + cols + 1] * fx
    values: FloatArray = top * (1 - fy) + bottom * fy
    values[outside] = np.nan
    return values


def _mask_outline(part: Part) -> FloatArray:
    import cv2

    contours, _ = cv2.findContours(part.mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    points = max(contours, key=len)[:, 0, :].astype(float)
    if len(points) < 40:
        message = f"the part's outline is only {len(points)} px long; it needs at least 40 px"
        raise MeasurementError(message)
    return (points + 0.5) * part.factor - 0.5


def _resample(points: FloatArray, smooth: float) -> tuple[FloatArray, FloatArray]:
    """Return points one pixel apart along the smoothed closed outline, and outward normals."""
    length = np.concatenate(
        [[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0, append=points[:1]).T))]
    )
    closed = np.vstack([points, points[:1]])
    at = np.linspace(0.0, length[-1], max(40, round(length[-1])), endpoint=False)
    even = np.column_stack([np.interp(at, length, closed[:, k]) for k in (0, 1)])
    even = smooth_closed(even, smooth)
    along = smooth_closed(np.roll(even, -1, axis=0) - np.roll(even, 1, axis=0), smooth / 2)
    along /= np.maximum(np.hypot(*along.T), 1e-12)[:, None]
    # The turn of the whole outline tells on which side the part lies.
    area = float(
        np.sum(even[:, 0] * np.roll(even[:, 1], -1) - even[:, 1] * np.roll(even[:, 0], -1))
    )
    normals = np.column_stack([along[:, 1], -along[:, 0]]) * np.sign(area)
    return even, normals


def smooth_closed(values: FloatArray, sigma: float) -> FloatArray:
    """Return values along a closed outline after a Gaussian of `sigma` points.

    Parameters
    ----------
    values : ndarray of float, shape (n,) or (n, k)
    sigma : float

    Returns
    -------
    ndarray of float
        Same shape.
    """
    if sigma <= 0:
        return values
    reach = min(math.ceil(4 * sigma), (len(values) - 1) // 2)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    kernel /= kernel.sum()
    columns = values.reshape(len(values), -1)
    padded = np.concatenate([columns[-reach:], columns, columns[:reach]]) if reach else columns
    smoothed = [np.convolve(padded[:, k], kernel, mode="valid") for k in range(columns.shape[1])]
    return np.column_stack(smoothed).reshape(values.shape)


def _steepest(profiles: FloatArray, offsets: FloatArray, sign: float) -> FloatArray:
    """Return the offset of the steepest fall (outwards) of the right polarity, 0 where unseen."""
    smooth = profiles[:, :-2] + 2 * profiles[:, 1:-1] + profiles[:, 2:]
    fall = sign * (smooth[:, :-2] - smooth[:, 2:])
    fall = np.nan_to_num(fall, nan=0.0)
    # Of two edges in reach the nearer one is meant.
    middle = offsets[2:-2]
    weight = np.maximum(fall, 0.0) / (1.0 + np.abs(middle) / len(offsets))
    top = np.argmax(weight, axis=1)
    index = np.arange(-2, 3) + np.clip(top, 2, len(middle) - 3)[:, None]
    near = np.take_along_axis(np.maximum(fall, 0.0), index, axis=1)
    total = near.sum(axis=1)
    position: FloatArray = (near * middle[index]).sum(axis=1) / np.where(total > 0, total, 1.0)
    return position


def _blur(pixels: NDArray[Any], points: FloatArray, normals: FloatArray, sign: float) -> float:
    """Return the median blur width of some profiles along the outline, pixels."""
    chosen = np.linspace(0, len(points) - 1, min(_SUBSET, len(points))).astype(np.intp)
    sigma = 1.2
    for _ in range(3):
        offsets = _offsets(sigma)
        profiles = sample(pixels, points[chosen], normals[chosen], offsets)
        fit = fit_edges(profiles, offsets, sigma, fit_blur=True)
        good = fit.good & (sign * fit.step > 0)
        if good.sum() < 20:
            message = "hardly any clean edge along the part's outline; check focus and light"
            raise MeasurementError(message)
        sigma = float(np.clip(np.median(fit.sigma[good]), 0.35, 12.0))
    return sigma


def _offsets(sigma: float) -> FloatArray:
    reach = math.ceil(_REACH_SIGMA * sigma + 1.5)
    return np.arange(-reach, reach + 0.25, _STEP_PX)


def _fit_all(
    pixels: NDArray[Any], points: FloatArray, normals: FloatArray, *, sigma: float, sign: float
) -> Contour:
    offsets = _offsets(sigma)
    fit = fit_edges(sample(pixels, points, normals, offsets), offsets, sigma)
    step = float(np.median(fit.step[fit.good & (sign * fit.step > 0)]))
    valid = fit.good & (fit.step / step > _MIN_STEP_SHARE) & (fit.step / step < 1 / _MIN_STEP_SHARE)
    valid &= np.abs(fit.position) < offsets[-1] / 2
    noise = float(np.median(fit.residual[valid])) if valid.any() else 0.0
    valid &= fit.residual < 4 * noise + 0.02 * abs(step)
    position = np.where(np.isfinite(fit.position), np.clip(fit.position, -2, 2), 0.0)
    return Contour(
        points_px=points + normals * position[:, None], normals_px=normals, valid=valid,
        u_px=fit.u, sigma_px=sigma, step=abs(step),
    )  # fmt: skip


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
    """

    position: FloatArray
    u: FloatArray
    step: FloatArray
    sigma: FloatArray
    residual: FloatArray
    good: Booleans


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


def shifted(contour: Contour, origin_px: tuple[float, float]) -> Contour:
    """Return the contour with an origin added, from window to whole-image coordinates."""
    return replace(contour, points_px=contour.points_px + np.asarray(origin_px, dtype=float))
