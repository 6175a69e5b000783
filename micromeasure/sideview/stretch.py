"""The longest stretch of an outline that is a circle or a straight line within the noise.

All half-widths of a ladder are fitted at once, each a row of one matrix.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from micromeasure.outcome import FloatArray

Booleans = NDArray[np.bool_]

# Tukey's weight reaches zero at this many standard deviations: 95 % efficient on clean data.
TUKEY = 4.685
# Parts a stretch is divided in to see whether it is a circle, and how far the middle residual of
# a part may be off, in its own standard deviations.
_BINS = 8
_MAX_BIN_SIGMA = 3.5
# Chi-squared of 5 degrees of freedom, 99 %: eight parts less the three unknowns of a circle.
_MAX_SIGNS = 15.1
# Deviation that is let pass whatever the noise, in pixels: below the accuracy aimed at.
_FREE_DEVIATION_PX = 0.01
# Step from one half-width tried to the next.
_GROWTH = 1.2
# A speck may spoil some stretches and not longer ones; so many failures in a row end the search.
_GIVE_UP = 4
_TRIED_POINTS = 400
_MIN_POINTS = 6
# Rounds before outliers are set aside, and with it: for a line, and for a circle.
_PLAIN_ROUNDS, _ROUNDS = (1, 2), (3, 5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """How far single outline points lie off a smooth curve.

    Attributes
    ----------
    scatter : float
        Standard deviation of one point.
    inflation : float
        How many times the variance of a mean grows for the correlation of neighbours.
    pixel : float
        Length of a pixel in the same unit.
    """

    scatter: float
    inflation: float
    pixel: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A stretch about position 0.

    Attributes
    ----------
    half_width : float
        Largest distance of its points from position 0.
    holds : bool
        Whether any stretch tried showed nothing but noise about its circle.
    """

    half_width: float
    holds: bool


def longest_stretch(
    u: FloatArray, v: FloatArray, position: FloatArray, *, start: float, stop: float,
    noise: Noise, straight: bool = False,
) -> Stretch:  # fmt: skip
    """Find the longest stretch around position 0 that is a circle (or a line) within the noise.

    Parameters
    ----------
    u, v : ndarray of float, shape (n,)
        Points in order along the outline.
    position : ndarray of float, shape (n,)
        Distance along the outline or its projection, by which the stretch is measured.
    start, stop : float
        First and last half-width tried; the first is used even if it is no circle.
    noise : Noise
        How far single points lie off.
    straight : bool
        Whether a line is meant.

    Returns
    -------
    Stretch
    """
    every = max(1, math.ceil(len(u) / _TRIED_POINTS))
    u, v, position = u[::every], v[::every], position[::every]
    # Points further apart share less of their noise.
    noise = replace(noise, inflation=max(1.0, noise.inflation / every))
    count = 1 + max(0, math.ceil(math.log(max(stop / start, 1.0)) / math.log(_GROWTH) - 1e-9))
    halves = np.minimum(start * _GROWTH ** np.arange(count), max(start, stop))
    inside = np.abs(position) <= halves[:, None]
    enough = inside.sum(axis=1) >= _MIN_POINTS
    if not enough.any():
        farthest = np.sort(np.abs(position))[: _MIN_POINTS + 1]
        return Stretch(half_width=float(farthest[-1]), holds=False)
    halves, inside = halves[enough], inside[enough]
    distance = _distances_of_all(u, v, inside, noise=noise, straight=straight)
    good = _hold(distance, inside, position, noise)
    # Where so many in a row fail, longer ones are of another shape.
    failed = np.convolve(~good, np.ones(_GIVE_UP, dtype=int))[: len(good)] == _GIVE_UP
    if failed.any():
        end = int(np.argmax(failed)) + 1
        good, halves = good[:end], halves[:end]
    chosen = int(np.flatnonzero(good)[-1]) if good.any() else 0
    if 0 < chosen < len(halves) - 1:
        # The last good stretch may reach over the end by less than is seen: one shorter.
        chosen -= 1
    return Stretch(half_width=float(halves[chosen]), holds=bool(good.any()))


def _distances_of_all(
    u: FloatArray, v: FloatArray, inside: Booleans, *, noise: Noise, straight: bool
) -> FloatArray:
    """Return the distances of all points from the circle through each row of `inside`."""
    free = 2 if straight else 3
    circles = np.zeros((len(inside), 3))
    # Offset, slope and curvature have units of their own; in these they are of like size.
    scale = max(float(np.ptp(u)), 1e-12) / 2
    unit = np.array([scale, 1.0, 1 / scale])[:free]
    # A stretch that holds scatters like the noise; how others are fitted does not matter.
    limit = TUKEY * math.hypot(noise.scatter, _FREE_DEVIATION_PX * noise.pixel)
    weights = inside.astype(float)
    # The first round fits a parabola, which is what a circle with no slope or curvature yet is.
    for k in range(_ROUNDS[free - 2]):
        distance, jacobian = circle_distances(u, v, circles)
        if k >= _PLAIN_ROUNDS[free - 2]:
            weights = inside * np.maximum(1 - (distance / limit) ** 2, 1e-3) ** 2
        columns = jacobian[:free] * unit[:, None, None]
        weighted = columns * weights
        normal = weighted.transpose(1, 0, 2) @ columns.transpose(1, 2, 0)
        right = -(weighted * distance).sum(axis=2).T
        trace = np.trace(normal, axis1=1, axis2=2)[:, None, None]
        normal += 1e-12 * trace * np.eye(free)
        circles[:, :free] += np.linalg.solve(normal, right[:, :, None])[:, :, 0] * unit
        if k == 0:
            # A parabola's slope is the tangent of the circle's.
            circles[:, 1] = np.arctan(circles[:, 1])
            circles[:, 2] *= np.cos(circles[:, 1]) ** 3
    distance, _ = circle_distances(u, v, circles)
    return distance


def circle_distances(
    u: FloatArray, v: FloatArray, circles: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return signed distances of points from circles, and their derivatives.

    Parameters
    ----------
    u, v : ndarray of float, shape (n,)
    circles : ndarray of float, shape (k, 3)
        Offset, slope and curvature of each at u = 0.

    Returns
    -------
    distance : ndarray of float, shape (k, n)
    jacobian : ndarray of float, shape (3, k, n)
        By offset, slope and curvature.

    Notes
    -----
    With A half the curvature and (a, b) the point seen from the circle's own point at u = 0,
    Q = A (a² + b²) + b is zero on the circle and its gradient there is one, so that the
    distance is 2 Q / (1 + sqrt(1 + 4 A Q)) exactly.
    """
    offset, slope, curvature = circles.T[:, :, None]
    cos, sin, half = np.cos(slope), np.sin(slope), curvature / 2
    w = v - offset
    a, b = u * cos + w * sin, w * cos - u * sin
    square = a * a + b * b
    q = half * square + b
    root = np.sqrt(np.maximum(1 + 2 * curvature * q, 1e-12))
    distance: FloatArray = 2 * q / (1 + root)
    jacobian: FloatArray = np.empty((3, *distance.shape))
    jacobian[0] = -(curvature * (a * sin + b * cos) + cos) / root
    jacobian[1] = -a / root
    jacobian[2] = (square - distance * distance) / (2 * root)
    return distance, jacobian


def _hold(distance: FloatArray, inside: Booleans, position: FloatArray, noise: Noise) -> Booleans:
    """Whether the residuals over each stretch are those of single points and nothing else."""
    rows = len(inside)
    free = _FREE_DEVIATION_PX * noise.pixel
    far = np.where(inside, position, np.inf)
    near = np.where(inside, position, -np.inf)
    low, high = far.min(axis=1)[:, None], near.max(axis=1)[:, None]
    share = (position - low) / np.maximum(high - low, 1e-12)
    which = np.clip((share * _BINS).astype(np.intp), 0, _BINS - 1)
    cell = (which + _BINS * np.arange(rows)[:, None])[inside]
    count = np.bincount(cell, minlength=rows * _BINS)
    # Medians, so that a speck on the outline does not end the stretch; 1.25 is their scatter
    # beside that of means. A median is beyond a limit if half the points are.
    deviation = 1.25 * noise.scatter * np.sqrt(noise.inflation / np.maximum(count, 1))
    limit = _MAX_BIN_SIGMA * deviation + free
    rest = distance[inside]
    above, below = (
        np.bincount(cell, weights=beyond, minlength=rows * _BINS)
        for beyond in (rest > limit[cell], rest < -limit[cell])
    )
    even = (2 * np.maximum(above, below) < np.maximum(count, 1)).reshape(rows, _BINS).all(axis=1)
    # A slow deviation shows in all parts together: the signs of their residuals, specks left out.
    speck = TUKEY * noise.scatter + free
    over = np.where((np.abs(rest) < free / 2) | (np.abs(rest) > speck), 0.0, np.sign(rest))
    signs = np.bincount(cell, weights=over, minlength=rows * _BINS)
    each = (signs**2 / np.maximum(count * noise.inflation, 1)).reshape(rows, _BINS)
    even &= each.sum(axis=1) <= _MAX_SIGNS
    n = inside.sum(axis=1)
    few = 3.5 * np.sqrt(noise.inflation / (2 * n))
    most = (noise.scatter * (1.15 + few) + free)[:, None] / 1.4826
    narrow = (inside & (np.abs(distance) <= most)).sum(axis=1) >= n / 2
    return np.asarray(even & narrow)
