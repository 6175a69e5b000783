"""Values across a line: sampling, smoothing along it, and the width of its cross profile.

What is done for many lines takes them all at once, their points end to end in one array of N
points, with `sizes`, the number of points of each: most lines have some dozens of points, and done
one by one the calls would cost more than the numbers.
"""

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from micromeasure.cracks.patch import Image
from micromeasure.outcome import FloatArray

Sizes = NDArray[np.intp]
_Number = TypeVar("_Number", bound=np.generic)

# Fits of cross profiles end where place and width no longer move by more.
_SETTLED_PX = 3e-3
# The mean cross profile of a line comes from no more profiles than about this.
_PROFILES = 100


def sizes_of(lines: Sequence[FloatArray]) -> Sizes:
    """Return how many points each line has."""
    return np.array([len(line) for line in lines], dtype=np.intp)


def parted(values: NDArray[_Number], sizes: Sizes) -> list[NDArray[_Number]]:
    """Return what lies end to end as one array per line."""
    stops = np.cumsum(sizes).tolist()
    starts = [0, *stops[:-1]]
    return [values[start:stop] for start, stop in zip(starts, stops, strict=True)]


def smoothed(values: FloatArray, sigma: float, sizes: Sizes | None = None) -> FloatArray:
    """Return values smoothed along the first axis; straight ends stay where they are.

    Parameters
    ----------
    values : ndarray, shape (N,) or (N, k)
    sigma : float
        Standard deviation, in samples.
    sizes : ndarray of int or None
        Number of samples of each line; None for a single one.
    """
    if sigma <= 0.05:
        return values
    reach = max(1, math.ceil(4 * sigma))
    columns = values if values.ndim == 2 else values[:, None]
    lines = [columns] if sizes is None else parted(columns, sizes)
    padded = np.empty((len(columns) + 2 * reach * len(lines), columns.shape[1]))
    at = 0
    for line in lines:
        _prolong(line, reach, padded[at : at + len(line) + 2 * reach])
        at += len(line) + 2 * reach
    kernel = _gaussian(sigma, reach)
    found = np.empty((len(padded) - 2 * reach, columns.shape[1]))
    for k in range(columns.shape[1]):
        found[:, k] = np.convolve(padded[:, k], kernel, mode="valid")
    if sizes is not None:
        # Between two lines lie the samples that belong to neither.
        found = found[np.arange(len(columns)) + np.repeat(2 * reach * np.arange(len(sizes)), sizes)]
    return found if values.ndim == 2 else found[:, 0]


def _prolong(line: FloatArray, reach: int, out: FloatArray) -> None:
    """Write a line with what precedes and follows it: odd reflection keeps it straight."""
    n = len(line)
    if n > reach:
        before, after = line[reach:0:-1], line[-2 : -reach - 2 : -1]
    else:
        index = np.arange(1, reach + 1)
        before = line[np.minimum(index, n - 1)][::-1]
        after = line[np.maximum(n - 1 - index, 0)]
    out[reach:-reach] = line
    np.subtract(2 * line[0], before, out=out[:reach])
    np.subtract(2 * line[-1], after, out=out[-reach:])


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
    ordered = np.partition(flat, half)
    return 0.5 * (float(ordered[:half].max()) + float(ordered[half]))


def medians(values: FloatArray, sizes: Sizes) -> FloatArray:
    """Return the median of the values of each line."""
    return np.array([median(part) for part in parted(values, sizes)])


def normals(points: FloatArray, sizes: Sizes | None = None) -> FloatArray:
    """Return the unit normals of a line, or of several lines, at their points, shape (N, 2)."""
    normal = np.empty_like(points, dtype=float)
    across, along = normal[:, 0], normal[:, 1]
    # Central differences, one-sided at the ends; their length does not matter.
    np.subtract(points[:-2, 1], points[2:, 1], out=across[1:-1])
    np.subtract(points[2:, 0], points[:-2, 0], out=along[1:-1])
    stops = np.array([len(points)]) if sizes is None else np.cumsum(sizes)
    first = np.concatenate(([0], stops))[:-1]
    later = np.concatenate((first + 1, stops - 1))
    ends = np.concatenate((first, stops - 1))
    across[ends] = points[later - 1, 1] - points[later, 1]
    along[ends] = points[later, 0] - points[later - 1, 0]
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


def sample_across(
    values: Image, points: FloatArray, normal: FloatArray, offsets: FloatArray
) -> NDArray[np.float32]:
    """Return values across lines, linearly interpolated.

    Parameters
    ----------
    values : ndarray of float32
    points, normal : ndarray, shape (N, 2)
    offsets : ndarray, shape (m,) or (N, m)
        Distances from the points along the normals.

    Returns
    -------
    ndarray of float32, shape (N, m)
    """
    import cv2

    u, v = ((points[:, k, None] + normal[:, k, None] * offsets).astype(np.float32) for k in (0, 1))
    found = cv2.remap(values, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(found, dtype=np.float32)


def typical_widths(values: Image, courses: FloatArray, sizes: Sizes) -> FloatArray:
    """Return the full width at half depth of the mean cross profile of each line, px.

    Parameters
    ----------
    values : ndarray of float32
    courses : ndarray, shape (N, 2)
        Lines end to end.
    sizes : ndarray of int, shape (n,)

    Returns
    -------
    ndarray, shape (n,)
    """
    normal = normals(smoothed(courses, 2.0, sizes), sizes)
    offsets = np.arange(-10.0, 10.01, 0.5)
    every, sizes = spread_points(sizes, _PROFILES)
    profiles = sample_across(values, courses[every], normal[every], offsets).astype(float)
    total = np.add.reduceat(profiles, np.cumsum(sizes) - sizes, axis=0)
    profile = total / sizes[:, None]
    # A straight line through both outer parts, which lie symmetrically about the middle.
    outer = np.abs(offsets) > 6
    far = offsets[outer]
    slope = profile[:, outer] @ far / (far @ far)
    level = profile[:, outer].mean(axis=1)
    dark = level[:, None] + slope[:, None] * offsets - profile
    middle = len(offsets) // 2
    peak = middle - 3 + dark[:, middle - 3 : middle + 4].argmax(axis=1)
    half = 0.5 * dark[np.arange(len(dark)), peak]
    right = _first_below(dark, peak, half)
    left = _first_below(dark[:, ::-1], len(offsets) - 1 - peak, half)
    return np.asarray(np.where(half > 0, np.maximum(0.5 * (left + right), 1.2), 2.4))


def spread_points(sizes: Sizes, most: int | None = None) -> tuple[NDArray[np.intp], Sizes]:
    """Return the places of every second point of each line and how many each has of these.

    Where that gives more than `most`, points farther apart are taken.
    """
    step = np.full(len(sizes), 2) if most is None else np.maximum(2, sizes // most)
    starts = np.cumsum(sizes) - sizes
    local = np.arange(int(sizes.sum())) - np.repeat(starts, sizes)
    return np.flatnonzero(local % np.repeat(step, sizes) == 0), -(-sizes // step)


def _first_below(profiles: FloatArray, start: Sizes, level: FloatArray) -> FloatArray:
    """Return after how many samples from its start each profile falls below its level."""
    n, m = profiles.shape
    rows = np.arange(n)
    below = (profiles < level[:, None]) & (np.arange(m) >= start[:, None])
    at = np.where(below.any(axis=1), below.argmax(axis=1), m)
    inner = profiles[rows, np.minimum(at, m) - 1]
    outer = profiles[rows, np.minimum(at, m - 1)]
    crossed = at - start - (level - outer) / np.maximum(inner - outer, 1e-9)
    return np.asarray(np.where(at < m, crossed, m - 1.0 - start))


def line_widths(values: Image, lines: list[FloatArray], stations: list[int]) -> list[FloatArray]:
    """Return full widths at half depth at several places of each line, from fitted profiles.

    Profiles are averaged over the stretch between stations and fitted by a Gaussian on a sloping
    ground; all stations of all lines at once by Gauss-Newton steps.
    """
    sizes = sizes_of(lines)
    points = np.concatenate(lines)
    normal = normals(smoothed(points, 1.5, sizes), sizes)
    offsets = np.arange(-11.0, 11.01, 1.0)
    profile = sample_across(values, points, normal, offsets).astype(float)
    n_stations = np.maximum(1, np.minimum(stations, sizes // 4))
    means = [
        part[: len(part) // n * n].reshape(n, len(part) // n, -1).mean(axis=1)
        for part, n in zip(parted(profile, sizes), n_stations.tolist(), strict=True)
    ]
    fits = fit_profiles(offsets, np.concatenate(means))
    amplitude, centre, spread = fits[:, 0], fits[:, 1], fits[:, 2]
    good = (amplitude > 0) & (np.abs(centre) < 3) & (spread > 0.3) & (spread < 7)
    # Sampling between pixels widens a profile by a variance of 1/6 on average.
    widths = 2.354820 * np.sqrt(np.maximum(spread**2 - 1 / 6, 0.09))
    return [
        width[is_good]
        for width, is_good in zip(parted(widths, n_stations), parted(good, n_stations), strict=True)
    ]


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
    diagonal = np.arange(5)
    # Fits that have not settled yet.
    moving = np.arange(len(fit))
    for _ in range(8):
        profile = profiles[moving]
        a, c, s, level, slope = (fit[moving, k, None] for k in range(5))
        t = (offsets - c) / s
        bell = np.exp(-0.5 * t * t)
        # Derivatives by the five parameters.
        jacobian = np.ones((len(moving), 5, len(offsets)))
        np.negative(bell, out=jacobian[:, 0])
        np.multiply(jacobian[:, 0], t * (a / s), out=jacobian[:, 1])
        np.multiply(jacobian[:, 1], t, out=jacobian[:, 2])
        jacobian[:, 4] = offsets
        rest = profile - level - slope * offsets + a * bell
        weighted = jacobian * weight
        normal = weighted @ jacobian.transpose(0, 2, 1)
        own = normal[:, diagonal, diagonal]
        normal[:, diagonal, diagonal] = own + 2e-4 * own.sum(axis=1)[:, None] + 1e-9
        step = np.linalg.solve(normal, weighted @ rest[..., None])[..., 0]
        step[:, 1] = np.clip(step[:, 1], -0.7, 0.7)
        step[:, 2] = np.clip(step[:, 2], -0.5, 0.7)
        fit[moving] += step
        fit[moving, 2] = np.clip(fit[moving, 2], 0.25, 8.0)
        moving = moving[np.abs(step[:, 1:3]).max(axis=1) >= _SETTLED_PX]
        if len(moving) == 0:
            break
    return fit
