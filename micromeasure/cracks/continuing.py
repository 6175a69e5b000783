"""Following a dark line beyond its ends: over gaps, round corners, across what hides it.

From an end, ways are tried in a fan of directions. Their gain is the darkening above a share of
the line's own, summed along the best way. The same fan is opened at places beside the line, where
there is no line: only what gains far more than those does continues it.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.cracks.cross_profiles import normals, sample, smoothed
from micromeasure.cracks.patch import Image, Patch
from micromeasure.outcome import FloatArray

# Directions of a fan against the line's own, its steps and its places across.
_DIRECTIONS = np.deg2rad(np.arange(-78.0, 79.0, 13.0))
_STEP_PX = 2.0
_STEPS = 12
_ACROSS = np.arange(-4.0, 4.5, 1.0)
# A way gains where it is darker than this share of the line.
_LEVEL = 0.4
# What bending by a pixel a step, and turning at the start, cost in units of that level.
_BENDING = 0.2
_TURNING = 1.2
# A difference between the two sides, beyond so many spreads of noise, tells an edge.
_EDGE_FREE = 3.0
# A line may have run astray just before it stopped: ways also start this far before its end.
_BACK_PX = (0, 6, 12)
_HEADING_PX = 9
_FEWEST_PX = 14
# Gain that continues a line, in lengths of full darkening, beside that of the places around it.
_LEAST_GAIN_PX = 3.0
_ABOVE_OTHERS = 1.5
_ROUNDS = 10
# Distances along and across at which fans are opened for comparison.
_BESIDE = ((-16.0, 0.0, 16.0), (8.0, 15.0, 22.0, 29.0, 36.0))
REACH_PX = 130


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """What a line is followed in.

    Attributes
    ----------
    smooth : ndarray of float32, shape (rows, cols)
        Grey values, smoothed as the line's width asks for.
    side_px : float
        Distance from the line at which its sides are looked at.
    noise : float
        Spread of one darkening by noise.
    shift : ndarray, shape (2,)
        Place of the first pixel in the patch.
    patch : Patch
    """

    smooth: Image
    side_px: float
    noise: float
    shift: FloatArray
    patch: Patch

    def darkening(self, points: FloatArray, normal: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return darkening against both sides and the difference between these."""
        middle = sample(self.smooth, points)
        left = sample(self.smooth, points - self.side_px * normal)
        right = sample(self.smooth, points + self.side_px * normal)
        return 0.5 * (left + right) - middle, np.abs(left - right)

    def along(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the same along a line."""
        return self.darkening(points, normals(smoothed(points, 2.0)))

    def in_band(self, points: FloatArray) -> NDArray[np.bool_]:
        """Return which points lie in the band and on the image."""
        return self.patch.in_band(points + self.shift)


def continued(ground: Ground, points: FloatArray, depth: float) -> FloatArray:
    """Return a line, followed on beyond its last point where it continues.

    Parameters
    ----------
    ground : Ground
    points : ndarray, shape (n, 2)
        About one a pixel; `u v` in the ground's own frame.
    depth : float
        Darkening of the line.
    """
    for _ in range(_ROUNDS):
        starts = [points[: len(points) - back] for back in _BACK_PX]
        starts = [line for line in starts if len(line) >= _FEWEST_PX]
        if not starts or not ground.in_band(2 * points[-1:] - points[-3]).all():
            return points
        level = _end_level(ground, points, depth)
        gains, ways = _fans(ground, starts, level)
        # What would be given up must be outweighed, too.
        given_up = [_excess(ground, points[len(line) - 1 :], level) for line in starts]
        best = int((gains - given_up).argmax())
        if gains[best] - given_up[best] < _LEAST_GAIN_PX - 1.0:
            # Nowhere do the fans beside gain so little that this could be enough.
            return points
        others = _gains_beside(ground, points, level)
        least = max(
            _ABOVE_OTHERS * float(np.quantile(others, 0.9)),
            float(np.median(others)) + _LEAST_GAIN_PX,
        )
        if gains[best] - given_up[best] < least:
            return points
        way = _dense(np.vstack((starts[best][-1:], ways[best])))[1:]
        inside = ground.in_band(way)
        points = np.vstack((starts[best], way if inside.all() else way[: int(inside.argmin())]))
        if not inside.all():
            return points
    return points


def gain_beyond(ground: Ground, points: FloatArray, depth: float) -> float:
    """Return the best gain beyond a line's last point, in lengths of full darkening."""
    gains, _ = _fans(ground, [points], _end_level(ground, points, depth))
    return float(gains[0])


def _end_level(ground: Ground, points: FloatArray, depth: float) -> float:
    """Return the darkening of a line's last stretch, not far from that of the whole."""
    return float(np.clip(np.median(ground.along(points[-40:])[0][-30:]), 0.5 * depth, 1.5 * depth))


def _excess(ground: Ground, points: FloatArray, level: float) -> float:
    if len(points) < 3:
        return 0.0
    return max(float((ground.along(points)[0] / level - _LEVEL).sum()), 0.0)


def _gains_beside(ground: Ground, points: FloatArray, level: float) -> FloatArray:
    """Return the gains of fans that start beside the line's end and point the same way."""
    heading = _heading(points)
    along = np.array((math.cos(heading), math.sin(heading)))
    across = np.array((-along[1], along[0]))
    off = ground.side_px + np.array(_BESIDE[1])
    places = [points[-1] + a * along + b * across for a in _BESIDE[0] for b in (*off, *-off)]
    tails = [np.vstack((place - _HEADING_PX * along, place)) for place in places]
    return _fans(ground, tails, level)[0]


def _fans(
    ground: Ground, lines: list[FloatArray], level: float
) -> tuple[FloatArray, list[FloatArray]]:
    """Return gain and course of the best way in the fan beyond each line's last point."""
    n = len(lines)
    starts = np.array([line[-1] for line in lines])
    angles = np.array([_heading(line) for line in lines])[:, None] + _DIRECTIONS
    along = np.stack((np.cos(angles), np.sin(angles)), axis=-1)[:, :, None, None, :]
    across = np.stack((-along[..., 1], along[..., 0]), axis=-1)
    distance = _STEP_PX * np.arange(1, _STEPS + 1)[None, None, :, None, None]
    grid = (
        starts[:, None, None, None, :]
        + distance * along
        + _ACROSS[None, None, None, :, None] * across
    )
    shape = grid.shape[:-1]
    flat = grid.reshape(n * len(_DIRECTIONS), -1, 2)
    normal = np.broadcast_to(across, grid.shape).reshape(flat.shape)
    dark, tilt = ground.darkening(flat, normal)
    dark = dark - 0.5 * np.maximum(tilt - _EDGE_FREE * ground.noise, 0.0)
    excess = _STEP_PX * (dark.reshape(shape) / level - _LEVEL)
    bending = _STEP_PX * _LEVEL * _BENDING * (_ACROSS[:, None] - _ACROSS[None, :]) ** 2
    turning = _STEP_PX * _LEVEL * _TURNING * (1 - np.cos(_DIRECTIONS))
    total = excess[:, :, 0] - bending[len(_ACROSS) // 2] - turning[None, :, None]
    choice = np.zeros(shape, dtype=np.intp)
    sums = [total]
    for step in range(1, _STEPS):
        ways = total[:, :, None, :] - bending
        choice[:, :, step] = ways.argmax(axis=-1)
        total = ways.max(axis=-1) + excess[:, :, step]
        sums.append(total)
    all_sums = np.stack(sums, axis=2).reshape(n, -1)
    best = all_sums.argmax(axis=1)
    courses = []
    for line, place in enumerate(best):
        fan, step, column = np.unravel_index(place, shape[1:])
        course = []
        for k in range(int(step), -1, -1):
            course.append(grid[line, fan, k, column])
            column = choice[line, fan, k, column]
        courses.append(np.array(course[::-1]))
    return all_sums[np.arange(n), best], courses


def _heading(points: FloatArray) -> float:
    reach = min(_HEADING_PX, len(points) - 1)
    way = points[-1] - points[-1 - reach]
    return math.atan2(way[1], way[0])


def _dense(course: FloatArray) -> FloatArray:
    """Return a course of steps with about one point a pixel."""
    at = np.arange(0.0, len(course) - 1 + 1e-9, 1.0 / _STEP_PX)
    index = np.arange(len(course))
    return np.column_stack([np.interp(at, index, course[:, k]) for k in (0, 1)])
