"""Values across a line: sampling, smoothing along it, and the width of its cross profile."""

import math
from functools import lru_cache

import numpy as np

from micromeasure.cracks.patch import Image
from micromeasure.outcome import FloatArray

# Fits of cross profiles end where places and widths of most no longer move by more.
_SETTLED_PX = 3e-3


def smoothed(values: FloatArray, sigma: float) -> FloatArray:
    """Return values smoothed along the first axis; straight ends stay where they are."""
    if sigma <= 0.05:
        return values
    reach = max(1, math.ceil(4 * sigma))
    columns = values if values.ndim == 2 else values[:, None]
    n = len(columns)
    index = np.arange(1, reach + 1)
    # Odd reflection about each end point keeps a straight line straight.
    padded = np.empty((n + 2 * reach, columns.shape[1]))
    padded[:reach] = 2 * columns[0] - columns[np.minimum(index, n - 1)][::-1]
    padded[reach:-reach] = columns
    padded[-reach:] = 2 * columns[-1] - columns[np.maximum(n - 1 - index, 0)]
    kernel = _gaussian(sigma, reach)
    result = np.empty((n, columns.shape[1]))
    for k in range(columns.shape[1]):
        result[:, k] = np.convolve(padded[:, k], kernel, mode="valid")
    return result if values.ndim == 2 else result[:, 0]


@lru_cache(maxsize=64)
def _gaussian(sigma: float, reach: int) -> FloatArray:
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    return np.asarray(kernel / kernel.sum())


def median(values: FloatArray | Image) -> float:
    """Return the median of all values; NumPy's own takes most of its time for checks."""
    flat = values.ravel()
    half = flat.size // 2
    if flat.size % 2:
        return float(np.partition(flat, half)[half])
    low, high = np.partition(flat, (half - 1, half))[half - 1 : half + 1]
    return 0.5 * (float(low) + float(high))


def normals(points: FloatArray) -> FloatArray:
    """Return the unit normals of a line at its points."""
    normal = np.empty_like(points, dtype=float)
    across, along = normal[:, 0], normal[:, 1]
    # Central differences, one-sided at the ends; their length does not matter.
    np.subtract(points[:-2, 1], points[2:, 1], out=across[1:-1])
    np.subtract(points[2:, 0], points[:-2, 0], out=along[1:-1])
    across[[0, -1]] = points[[0, -2], 1] - points[[1, -1], 1]
    along[[0, -1]] = points[[1, -1], 0] - points[[0, -2], 0]
    normal /= np.maximum(np.hypot(across, along), 1e-9)[:, None]
    return normal


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
    # A straight line through both outer parts, which lie symmetrically about the middle.
    outer = np.abs(offsets) > 6
    far = offsets[outer]
    slope = float(far @ profile[outer] / (far @ far))
    dark = float(profile[outer].mean()) + slope * offsets - profile
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
    # The 70 % quantile, which the line's own samples do not reach.
    place = 0.7 * (len(offsets) - 1)
    below = int(place)
    ordered = np.sort(profiles, axis=1)[:, below : below + 2]
    ground = ordered[:, 0] + (place - below) * (ordered[:, 1] - ordered[:, 0])
    near = np.abs(offsets) < 2
    depth = np.maximum(ground - profiles[:, near].min(axis=1), 1e-6)
    fit = np.column_stack(
        (depth, np.zeros(len(depth)), np.full(len(depth), 1.4), ground, np.zeros(len(depth)))
    )
    # Derivatives by the five parameters; those by level and slope do not change.
    jacobian = np.empty((len(profiles), 5, len(offsets)))
    jacobian[:, 3], jacobian[:, 4] = 1.0, offsets
    diagonal = np.arange(5)
    for _ in range(8):
        a, c, s = fit[:, 0:1], fit[:, 1:2], fit[:, 2:3]
        t = (offsets - c) / s
        bell = np.exp(-0.5 * t * t)
        np.negative(bell, out=jacobian[:, 0])
        np.multiply(jacobian[:, 0], t * (a / s), out=jacobian[:, 1])
        np.multiply(jacobian[:, 1], t, out=jacobian[:, 2])
        rest = profiles - fit[:, 3:4] - fit[:, 4:5] * offsets + a * bell
        weighted = jacobian * weight
        normal = weighted @ jacobian.transpose(0, 2, 1)
        own = normal[:, diagonal, diagonal]
        normal[:, diagonal, diagonal] = own + 2e-4 * own.sum(axis=1)[:, None] + 1e-9
        step = np.linalg.solve(normal, weighted @ rest[..., None])[..., 0]
        step[:, 1] = np.clip(step[:, 1], -0.7, 0.7)
        step[:, 2] = np.clip(step[:, 2], -0.5, 0.7)
        fit = fit + step
        fit[:, 2] = np.clip(fit[:, 2], 0.25, 8.0)
        if median(np.abs(step[:, 1:3]).max(axis=1)) < _SETTLED_PX:
            break
    return fit
