"""Following dark lines: the cheapest smooth way across cross profiles, then the exact bottom.

All lines are followed at once, their points end to end in arrays of N points (see
`cross_profiles`), each in an image of its own: the wider a line, the smoother.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from micromeasure.cracks.cross_profiles import (
    Sizes,
    medians,
    normals,
    parted,
    sample_across,
    sizes_of,
    smoothed,
    spread_points,
)
from micromeasure.cracks.patch import Image
from micromeasure.outcome import FloatArray

# Step across a line, and how much it costs to turn.
_SAMPLE_PX = 0.5
_STIFFNESS = 0.6
# Long lines are followed in stretches of about so many profiles, which overlap by so many at both
# ends: there the best way has long forgotten where it started.
_STRETCH = 96
_OVERLAP = 24

# A smoothed image and the place of its first pixel.
Place = tuple[Image, FloatArray]


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """A line through cross profiles: base points, normals and offsets along them."""

    base: FloatArray
    normal: FloatArray
    offset: FloatArray

    @property
    def points(self) -> FloatArray:
        """Points of the line, shape (n, 2)."""
        return self.base + self.offset[:, None] * self.normal


def follow_lines(
    places: list[Place], paths: list[FloatArray], sigmas: FloatArray, stray: float
) -> list[Curve]:
    """Return the dark lines near paths, each followed in its own image.

    Parameters
    ----------
    places : list of Place
        For each line the smoothed image it is followed in.
    paths : list of ndarray, shape (n, 2)
        Rough courses ``u v``.
    sigmas : ndarray
        Smoothing of each line's image, px.
    stray : float
        How far from its path a line is looked for, px.

    Returns
    -------
    list of Curve
    """
    # Every second profile is enough for the course; the bottom is found in each.
    every, sizes = spread_points(sizes_of(paths))
    rough = _best_ways(places, np.concatenate(paths)[every], sizes, stray)
    base, sizes = resampled_lines(rough.points, sizes, 1.0)
    normal = normals(base, sizes)
    offset = _bottoms(places, (base, normal), sizes, sigmas)
    return [
        Curve(base=base, normal=normal, offset=offset)
        for base, normal, offset in zip(
            parted(base, sizes), parted(normal, sizes), parted(offset, sizes), strict=True
        )
    ]


def resampled_lines(points: FloatArray, sizes: Sizes, step: float) -> tuple[FloatArray, Sizes]:
    """Return several lines with points at even distances, and how many points each has then.

    Lines are smoothed over their pixel stairs before.
    """
    sigmas = np.where(sizes > 4, np.minimum(2.0, sizes / 6), 0.0)
    if np.ptp(sigmas) == 0:
        points = smoothed(points, float(sigmas[0]), sizes)
    else:
        parts = zip(parted(points, sizes), sigmas.tolist(), strict=True)
        points = np.concatenate([smoothed(part, sigma) for part, sigma in parts])
    # Lengths run on from line to line, with a gap of one before each.
    steps = np.hypot(*np.diff(points, axis=0, prepend=points[:1]).T)
    first = np.cumsum(sizes) - sizes
    steps[first] = 1.0
    s = np.cumsum(steps)
    start, length = s[first], s[first + sizes - 1] - s[first]
    sizes = np.maximum(2, np.rint(length / step).astype(np.intp) + 1)
    local = np.arange(int(sizes.sum())) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    at = np.repeat(start, sizes) + local * np.repeat(length / (sizes - 1), sizes)
    at = np.minimum(at, np.repeat(start + length, sizes))
    return np.column_stack([np.interp(at, s, points[:, k]) for k in (0, 1)]), sizes


def _best_ways(places: list[Place], base: FloatArray, sizes: Sizes, stray: float) -> Curve:
    """Return the ways of least summed grey value and bending across the profiles of each line."""
    normal = normals(base, sizes)
    offsets = np.arange(-stray, stray + 1e-9, _SAMPLE_PX)
    profile = sampled(places, (base, normal, sizes), offsets)
    profile -= profile.max(axis=1, keepdims=True)
    scale = medians(-profile.min(axis=1), sizes)
    cost = profile / np.repeat(np.maximum(scale, 1e-6), sizes)[:, None]
    bend = _STIFFNESS * ((offsets[:, None] - offsets[None, :]) ** 2)
    # In stretches, all of which take their steps together: long lines need no more of these.
    rows, sizes, is_core = _stretches(sizes)
    chosen = _cheapest_ways(cost[rows], sizes, bend)[is_core]
    return Curve(base=base, normal=normal, offset=offsets[chosen])


def _stretches(sizes: Sizes) -> tuple[NDArray[np.intp], Sizes, NDArray[np.bool_]]:
    """Cut lines into stretches that overlap: where a way began does not tell far along it.

    Returns the rows of all stretches end to end, the sizes of these, and which rows are a
    stretch's own. In the order of the lines each row is one stretch's own.
    """
    firsts, lasts, n_before, n_own = [], [], [], []
    start = 0
    for size in sizes.tolist():
        cuts = np.linspace(0, size, max(1, round(size / _STRETCH)) + 1).astype(int).tolist()
        for low, high in pairwise(cuts):
            first = max(0, low - _OVERLAP)
            firsts.append(start + first)
            lasts.append(start + min(size, high + _OVERLAP))
            n_before.append(low - first)
            n_own.append(high - low)
        start += size
    first, last, before, own = (np.array(part) for part in (firsts, lasts, n_before, n_own))
    sizes = last - first
    local = np.arange(int(sizes.sum())) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    rows = local + np.repeat(first, sizes)
    local -= np.repeat(before, sizes)
    return rows, sizes, (local >= 0) & (local < np.repeat(own, sizes))


def _cheapest_ways(cost: FloatArray, sizes: Sizes, bend: FloatArray) -> NDArray[np.intp]:
    """Return the column of each row of costs, shape (N, m), on the cheapest way down each line.

    A step from column j to column i, or back, adds ``bend[i, j]``. All lines take their k-th step
    together.
    """
    # The longest first: those that have a k-th row are then the first few.
    order = np.argsort(-sizes, kind="stable")
    n, m = int(sizes.max()), len(bend)
    alive = np.searchsorted(-sizes[order], -np.arange(n), side="left")
    # All first rows, then all second ones, and so on.
    step = np.repeat(np.arange(n), alive)
    first = np.cumsum(alive) - alive
    rows = (np.cumsum(sizes) - sizes)[order][np.arange(len(cost)) - first[step]] + step
    cost_at = cost[rows]
    spans = list(zip(first.tolist(), alive.tolist(), strict=True))
    # Least cost of the ways to each column, shape (lines, m) for each k.
    totals = [cost_at[: len(sizes)]]
    # From, line, to: the least is then taken over long rows.
    ways = np.empty((m, len(sizes), m))
    turns = bend[:, None, :]
    for start, going in spans[1:]:
        reached = np.add(totals[-1][:going].T[:, :, None], turns, out=ways[:, :going])
        totals.append(np.minimum.reduce(reached, axis=0) + cost_at[start : start + going])
    chosen = np.empty(len(cost), dtype=np.intp)
    pick = np.empty(len(sizes), dtype=np.intp)
    before = 0
    for total, (start, going) in zip(reversed(totals), reversed(spans), strict=True):
        # Lines that go on have picked the next column; the others end here.
        pick[:before] = (total[:before] + bend[pick[:before]]).argmin(axis=1)
        if going > before:
            pick[before:going] = total[before:].argmin(axis=1)
        chosen[start : start + going] = pick[:going]
        before = going
    found = np.empty_like(chosen)
    found[rows] = chosen
    return found


def _bottoms(
    places: list[Place], lines: tuple[FloatArray, FloatArray], sizes: Sizes, sigmas: FloatArray
) -> FloatArray:
    """Return how far the bottom of the parabola through three samples lies from each point."""
    base, normal = lines
    h = np.repeat(np.maximum(0.7, 0.7 * sigmas), sizes)
    steps = h[:, None] * np.array((-1.0, 0.0, 1.0))
    offset = np.zeros(len(base))
    for _ in range(3):
        around = sampled(places, (base, normal, sizes), offset[:, None] + steps)
        left, middle, right = around.T
        slope = 0.5 * (right - left)
        bend = left - 2 * middle + right
        typical = np.repeat(np.maximum(medians(bend, sizes), 1e-6), sizes)
        # Where the profile is flat, a parabola's bottom may lie anywhere: the step is damped.
        step = -slope * h / np.maximum(bend, 0.5 * typical)
        offset = offset + np.clip(step, -0.6, 0.6)
    return offset


def sampled(
    places: list[Place], lines: tuple[FloatArray, FloatArray, Sizes], offsets: FloatArray
) -> FloatArray:
    """Return values across several lines, each in its own image.

    Lines are points and normals, shape (N, 2), and sizes; offsets along the normals have the shape
    (m,) or (N, m), the values (N, m).
    """
    points, normal, sizes = lines
    image, shift = places[0]
    if all(other is image for other, _ in places):
        return sample_across(image, points - shift, normal, offsets).astype(float)
    each = np.broadcast_to(offsets, (len(points), offsets.shape[-1]))
    parts = zip(places, *(parted(part, sizes) for part in (points, normal, each)), strict=True)
    return np.concatenate(
        [
            sample_across(image, points - shift, normal, offsets)
            for (image, shift), points, normal, offsets in parts
        ]
    ).astype(float)
