"""The outline of a part at sub-pixel: an edge fitted across the local normal, point by point.

The outline of the mask only says where to look. From each of its points, one pixel apart, a
profile is sampled along the normal and a blurred step is fitted to it; its middle is the
half-way level between the plateaus on the two sides.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.errors import MeasurementError
from micromeasure.outcome import FloatArray
from micromeasure.sideview.budget import SAMPLING_PX
from micromeasure.sideview.part import Part
from micromeasure.sideview.step import Booleans, EdgeFits, fit_edges, fit_steps, nearest, sample

# Plateaus count to this many blur widths from the edge; a Gaussian edge is complete there.
_REACH_SIGMA = 3.0
# Half-pixel steps: what bilinear sampling does to a profile then cancels between neighbours, down
# to 0.003 px; with whole steps it would shift near-level edges by up to 0.02 px.
_STEP_PX = 0.5
# A profile whose step is below this share of its neighbours' is not the same edge.
_MIN_STEP_SHARE = 0.6
# Profiles this close to the edge tell its shape; too few do not, and it may be that of a lens.
_CENTRED_PX = 0.25
_UNKNOWN_MODEL_PX = 0.007
_SUBSET = 250
# A shape thicker than this share of its width is no strip.
_MAX_STRIP_SHARE = 0.2


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
    thickness_px : float or None
        Thickness of the sheet from area and length of the outline, None for a solid shape.
    edge_model_px : float
        What the model of an edge leaves of a position even without noise, standard uncertainty.
    noise_share : float
        Noise of a grey value as a share of the step across the edge.
    """

    points_px: FloatArray
    normals_px: FloatArray
    valid: Booleans
    u_px: FloatArray
    sigma_px: float
    step: float
    thickness_px: float | None
    edge_model_px: float
    noise_share: float


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
    # First pass: wide and coarse, to come within a fraction of a pixel of the edge.
    points, normals = _resample(rough, smooth=2.0 * part.factor, spacing=min(part.factor, 3))
    reach = 3 * part.factor + 4
    offsets = np.arange(-reach, reach + 1.0)
    profiles = nearest(pixels, points, normals, offsets)
    moved = points + normals * _steepest(profiles, offsets, sign)[:, None]
    points, normals = _resample(moved, smooth=2.0)
    # Second pass: the blur, from a sample of profiles, then all of them with that blur.
    sigma = _blur(pixels, points, normals, sign)
    thickness = _strip_thickness(points)
    return _fit_all(pixels, (points, normals), sigma=sigma, sign=sign, thickness=thickness)


def _mask_outline(part: Part) -> FloatArray:
    import cv2

    contours, _ = cv2.findContours(part.mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    points = max(contours, key=len)[:, 0, :].astype(float)
    if len(points) < 40:
        message = f"the part's outline is only {len(points)} px long; it needs at least 40 px"
        raise MeasurementError(message)
    return (points + 0.5) * part.factor - 0.5


def _resample(
    points: FloatArray, smooth: float, spacing: float = 1.0
) -> tuple[FloatArray, FloatArray]:
    """Return points evenly apart along the smoothed closed outline, and outward normals.

    The smoothing and the spacing are in pixels.
    """
    length = np.concatenate(
        [[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0, append=points[:1]).T))]
    )
    closed = np.vstack([points, points[:1]])
    at = np.linspace(0.0, length[-1], max(40, round(length[-1] / spacing)), endpoint=False)
    even = np.column_stack([np.interp(at, length, closed[:, k]) for k in (0, 1)])
    even = smooth_closed(even, smooth / spacing)
    along = smooth_closed(
        np.roll(even, -1, axis=0) - np.roll(even, 1, axis=0), smooth / spacing / 2
    )
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
    sigma = 1.2
    # The first rounds only tell how long profiles have to be.
    for count in (_SUBSET // 3, _SUBSET // 3, _SUBSET):
        chosen = np.linspace(0, len(points) - 1, min(count, len(points))).astype(np.intp)
        offsets = _offsets(sigma)
        profiles = sample(pixels, points[chosen], normals[chosen], offsets)
        fit = fit_edges(profiles, offsets, sigma, fit_blur=True)
        good = fit.good & (sign * fit.step > 0)
        if good.sum() < max(8, len(chosen) // 12):
            message = "hardly any clean edge along the part's outline; check focus and light"
            raise MeasurementError(message)
        sigma = float(np.clip(np.median(fit.sigma[good]), 0.35, 12.0))
    return sigma


def _offsets(sigma: float) -> FloatArray:
    reach = math.ceil(_REACH_SIGMA * sigma + 1.5)
    return np.arange(-reach, reach + 0.25, _STEP_PX)


def _strip_thickness(points: FloatArray) -> float | None:
    """Return the thickness of a strip from its outline's length and area, None for a solid."""
    x, y = points.T
    area = abs(float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))) / 2
    length = float(np.hypot(*np.diff(points, axis=0, append=points[:1]).T).sum())
    # A strip of thickness t and length l has area t l and perimeter 2 (l + t).
    root = length * length / 16 - area
    if root <= 0:
        return None
    thickness = length / 4 - math.sqrt(root)
    return thickness if thickness < _MAX_STRIP_SHARE * float(np.ptp(x)) else None


def _fit_all(
    pixels: NDArray[Any], lines: tuple[FloatArray, FloatArray], *, sigma: float, sign: float,
    thickness: float | None,
) -> Contour:  # fmt: skip
    points, normals = lines
    offsets = _offsets(sigma)
    opposite = None
    if thickness is not None and thickness < offsets[-1] + 3 * sigma:
        opposite = thickness
        # Beyond the other edge nothing is known of this one.
        offsets = offsets[offsets > -thickness / 2 - sigma]
    fit = fit_steps(sample(pixels, points, normals, offsets), offsets, sigma, opposite)
    step = float(np.median(fit.step[fit.good & (sign * fit.step > 0)]))
    share = fit.step / step
    valid = fit.good & (share > _MIN_STEP_SHARE) & (share < 1 / _MIN_STEP_SHARE)
    noise = float(np.median(fit.residual[valid])) if valid.any() else 0.0
    valid &= fit.residual < 4 * noise + 0.02 * abs(step)
    position = np.where(np.isfinite(fit.position), fit.position, 0.0)
    return Contour(
        points_px=points + normals * position[:, None], normals_px=normals, valid=valid,
        u_px=fit.u, sigma_px=sigma, step=abs(step), thickness_px=thickness,
        edge_model_px=_edge_model(fit, valid, sigma), noise_share=noise / abs(step),
    )  # fmt: skip


def _edge_model(fit: EdgeFits, valid: Booleans, sigma: float) -> float:
    """Return what the shape of the edges, other than a Gaussian step, leaves of a position.

    The mean of what many fits leave shows the shape that the model lacks, noise averaged out. A
    plateau wrong by a share e of the step moves the half-way level by e / 2 times the width
    sqrt(2 pi) sigma of the edge's slope.
    """
    centred = valid & (np.abs(fit.position) < _CENTRED_PX)
    if fit.rest is None or centred.sum() < _SUBSET:
        return _UNKNOWN_MODEL_PX
    shares = fit.rest[centred] / fit.step[centred, None]
    mean = shares.mean(axis=0)
    # Neighbours a pixel apart share their noise: as many as are two pixels apart count.
    noise = float(np.mean(shares.var(axis=0))) * 2 / len(shares)
    lacking = math.sqrt(max(0.0, float(mean @ mean) / len(mean) - noise))
    return max(SAMPLING_PX, math.sqrt(2 * math.pi) / 2 * sigma * lacking)
