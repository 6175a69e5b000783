"""Values across a line: sampling, smoothing along it, and the width of its cross profile."""

import math

import numpy as np

from micromeasure.cracks.patch import Image
from micromeasure.outcome import FloatArray


def smoothed(values: FloatArray, sigma: float) -> FloatArray:
    """Return values smoothed along the first axis; straight ends stay where they are."""
    if sigma <= 0.05:
        return values
    reach = max(1, math.ceil(4 * sigma))
    columns = values if values.ndim == 2 else values[:, None]
    n = len(columns)
    index = np.arange(1, reach + 1)
    # Odd reflection about each end point keeps a straight line straight.
    head = 2 * columns[0] - columns[np.minimum(index, n - 1)][::-1]
    tail = 2 * columns[-1] - columns[np.maximum(n - 1 - index, 0)]
    padded = np.vstack((head, columns, tail))
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    kernel /= kernel.sum()
    result = np.column_stack([np.convolve(column, kernel, mode="valid") for column in padded.T])
    return result if values.ndim == 2 else result[:, 0]


def normals(points: FloatArray) -> FloatArray:
    """Return the unit normals of a line at its points."""
    tangent = np.gradient(points, axis=0)
    tangent /= np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-9)[:, None]
    return np.column_stack((-tangent[:, 1], tangent[:, 0]))


def sample(values: Image, points: FloatArray) -> FloatArray:
    """Return values at points ``u v`` of any leading shape, linearly interpolated."""
    import cv2

    flat = points.reshape(len(points), -1, 2).astype(np.float32)
    found = cv2.remap(
        values, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(found, dtype=float).reshape(points.shape[:-1])


def typical_width(window: Image, course: FloatArray) -> float:
    """Return the full width at half depth of the mean cross profile, px."""
    normal = normals(smoothed(course, 2.0))
    offsets = np.arange(-10.0, 10.01, 0.5)
    points = course[::2, None, :] + offsets[None, :, None] * normal[::2, None, :]
    profile = sample(window, points).mean(axis=0)
    outer = np.abs(offsets) > 6
    ground = np.polyval(np.polyfit(offsets[outer], profile[outer], 1), offsets)
    dark = ground - profile
    middle = len(offsets) // 2
    peak = middle - 3 + int(dark[middle - 3 : middle + 4].argmax())
    half = 0.5 * dark[peak]
    if half <= 0:
        return 2.4
    sides = (dark[peak:], dark[peak::-1])
    return max(float(sum(_first_below(side, half) for side in sides)) * 0.5, 1.2)


def _first_below(side: FloatArray, level: float) -> float:
    """Return after how many samples a profile falls below a level, interpolated."""
    below = np.flatnonzero(side < level)
    if len(below) == 0:
        return float(len(side) - 1)
    k = int(below[0])
    return float(k - (level - side[k]) / max(side[k - 1] - side[k], 1e-9))


def line_widths(window: Image, points: FloatArray, *, stations: int) -> FloatArray:
    """Return full widths at half depth at several places, from fitted cross profiles.

    Profiles are averaged over the stretch between stations and fitted by a Gaussian on a sloping
    ground; all stations at once by Gauss-Newton steps.
    """
    n = len(points)
    stations = max(1, min(stations, n // 4))
    normal = normals(smoothed(points, 1.5))
    offsets = np.arange(-11.0, 11.01, 1.0)
    profile = sample(window, points[:, None, :] + offsets[None, :, None] * normal[:, None, :])
    each = n // stations
    mean = profile[: each * stations].reshape(stations, each, -1).mean(axis=1)
    fits = fit_profiles(offsets, mean)
    amplitude, centre, spread = fits[:, 0], fits[:, 1], fits[:, 2]
    good = (amplitude > 0) & (np.abs(centre) < 3) & (spread > 0.3) & (spread < 7)
    # Sampling between pixels widens a profile by a variance of 1/6 on average.
    return np.asarray(2.354820 * np.sqrt(np.maximum(spread[good] ** 2 - 1 / 6, 0.09)))


def fit_profiles(offsets: FloatArray, profiles: FloatArray) -> FloatArray:
    """Fit dark Gaussians on a sloping ground to cross profiles.

    Parameters
    ----------
    offsets : ndarray, shape (m,)
        Places across the line.
    profiles : ndarray, shape (n, m)
        Grey values.

    Returns
    -------
    ndarray, shape (n, 5)
        Depth, place, standard deviation, ground level and slope of each.
    """
    weight = np.exp(-0.5 * (offsets / 6.0) ** 2)
    ground = np.quantile(profiles, 0.7, axis=1)
    near = np.abs(offsets) < 2
    depth = np.maximum(ground - profiles[:, near].min(axis=1), 1e-6)
    fit = np.column_stack(
        (depth, np.zeros(len(depth)), np.full(len(depth), 1.4), ground, np.zeros(len(depth)))
    )
    for _ in range(8):
        a, c, s = (fit[:, k : k + 1] for k in range(3))
        t = (offsets - c) / s
        bell = np.exp(-0.5 * t**2)
        model = fit[:, 3:4] + fit[:, 4:5] * offsets - a * bell
        jacobian = np.stack(
            (-bell, -a * bell * t / s, -a * bell * t**2 / s,
             np.ones_like(bell), np.broadcast_to(offsets, bell.shape)), axis=2,
        )  # fmt: skip
        weighted = (jacobian * weight[None, :, None]).transpose(0, 2, 1)
        normal = weighted @ jacobian
        trace = np.trace(normal, axis1=1, axis2=2)[:, None, None]
        normal += np.eye(5) * (2e-4 * trace + 1e-9)
        right = weighted @ (profiles - model)[..., None]
        step = np.linalg.solve(normal, right)[..., 0]
        step[:, 1] = np.clip(step[:, 1], -0.7, 0.7)
        step[:, 2] = np.clip(step[:, 2], -0.5, 0.7)
        fit = fit + step
        fit[:, 2] = np.clip(fit[:, 2], 0.25, 8.0)
    return fit
