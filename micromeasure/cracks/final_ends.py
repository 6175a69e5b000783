"""Where a line ends, weighed against its surroundings, with every other place it might end at.

Beside the line, ways that run parallel to it are followed in the same manner. They tell how dark
a way may be where there is no line: on a streaky surface nearly as dark as a fine crack. An end is
placed where "line on this side, such a way on that" explains the darkening best. Three
kinds of error stay, and make the uncertainty: the fall of the darkening is blurred by noise and
texture; a last stretch may be something else that the trace ran on into; and the line may go on
where it is not seen.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.cracks.cross_profiles import median, smoothed
from micromeasure.cracks.line_ends import Ends, heaviest_run
from micromeasure.outcome import FloatArray

# A line must lie above this share of the way from what is found beside it to its own darkening.
_SHARE = 0.4
# Samples of darkening over which texture is alike, the tempering of the likelihood.
_ALIKE_SAMPLES = 10.0
# Along the line, over which what is beside it is averaged.
_BESIDE_PX = 10.0
_LEAST_SPREAD = 0.06
_WINDOW_PX = 22
_HORIZON_PX = 150
_LOCAL_PX = 60
# No sample says more than this for or against the line.
_MOST = 2.5
# Odds that a last stretch is something else, fitted to rendered cracks of both renderers of the
# benchmarks: constant; a turn beyond 15 deg, per 30 deg; natural logarithm of its darkening over
# that of the line before it; darkness of the ways beside it over that of the line; how straight a
# long one is, times that turn; how much more it runs along the lay than the line before it.
_ASTRAY = (-7.6, 1.8, -5.75, 6.0, 1.1, 2.4)
_TURN_FREE_DEG, _TURN_UNIT_DEG, _TURN_PX = 15.0, 30.0, 14
_TAIL_STEP_PX, _TAIL_PX, _BODY_PX = 3, 8, 40
# Odds that a line goes on unseen, fitted likewise: constant, logarithm of darkening over the
# spread of darkening beside it, gain of the best way beyond the end (no more than 6).
_UNSEEN = (0.53, -2.11, 0.38)
_MOST_GAIN = 6.0
# How much farther such lines go (exponential): px, share of the length seen, at most px.
_UNSEEN_REACH = (14.0, 0.2, 45.0)
# Where the half level is looked for beside the likeliest first sample.
_NEXT_PX = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """Darkening along a line that was prolonged at both ends, and beside it.

    Attributes
    ----------
    points : ndarray, shape (n, 2)
    depths : ndarray, shape (n,)
    beside : ndarray, shape (k, n)
        Darkening along parallel ways.
    inside : ndarray of bool, shape (n,)
        Whether band and image hold the point.
    depth : float
        Darkening of the line as far as known.
    lay : tuple of two floats
        Direction of the surface's lay, from columns towards rows in radians, and its strength,
        0 to 1.
    """

    points: FloatArray
    depths: FloatArray
    beside: FloatArray
    inside: NDArray[np.bool_]
    depth: float
    lay: tuple[float, float] = (0.0, 0.0)

    def reversed(self) -> "Profile":
        """Return the same from the other end."""
        return Profile(
            points=self.points[::-1], depths=self.depths[::-1], beside=self.beside[:, ::-1],
            inside=self.inside[::-1], depth=self.depth, lay=self.lay,
        )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Evidence:
    """Log-likelihood ratio for the line, and darkening above the half level, sample by sample."""

    ratio: FloatArray
    excess: FloatArray
    run: tuple[int, int]
    beside: FloatArray
    spread: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _End:
    place: float
    first: int
    is_open: bool
    tail: int
    astray: float


def _evidence(profile: Profile) -> _Evidence | None:
    depths = smoothed(profile.depths, 0.7)
    beside = np.array([smoothed(way, 0.7) for way in profile.beside])
    chance = median(beside)
    least = _LEAST_SPREAD * profile.depth
    spread = max(1.4826 * median(np.abs(beside - chance)), least)
    local = ((beside - chance) ** 2).mean(axis=0)
    local = np.sqrt(np.maximum(0.5 * smoothed(local, _BESIDE_PX) + 0.5 * spread**2, least**2))
    # A trace takes the darkest of the ways that offer themselves.
    darkest = np.max([smoothed(way, _BESIDE_PX) for way in beside], axis=0)
    level = np.full(len(depths), profile.depth)
    own, run = 0.0, (0, 0)
    for _ in range(3):
        ground = np.clip(darkest, 0.0, 0.6 * level)
        height = level - ground
        variance = _ALIKE_SAMPLES * (local**2 + 0.5 * own**2)
        above = np.clip((depths - ground) / height - _SHARE, -0.6, 0.6)
        ratio = np.minimum(height**2 / variance, _MOST) * above
        found = heaviest_run(ratio, profile.inside)
        if found is None or found[1] - found[0] < 3:
            return None
        run = found
        window = min(_WINDOW_PX, run[1] - run[0])
        ends = [
            median(depths[run[0] : run[0] + window + 1]),
            median(depths[run[1] - window : run[1] + 1]),
        ]
        level = np.interp(
            np.arange(len(depths)), run, np.clip(ends, 0.5 * profile.depth, 2 * profile.depth)
        )
        held = slice(run[0], run[1] + 1)
        own = 1.4826 * median(np.abs(depths[held] - level[held]))
    return _Evidence(
        ratio=ratio, excess=depths - 0.5 * level, run=run, beside=darkest, spread=spread
    )


def locate_ends(profile: Profile, gains: tuple[float, float] | None) -> Ends | None:
    """Return where a line begins and ends and how well that is known.

    Parameters
    ----------
    profile : Profile
    gains : tuple of two floats or None
        Gain of the best way beyond the first and the last point, from `continuing.gain_beyond`;
        None where a person set the ends, so that no other line needs to be thought of.

    Returns
    -------
    Ends or None
        None where nothing stands out. `u_px` is such that the interval of 1.96 of them holds
        95 % of the places, competing ones included.
    """
    evidence = _evidence(profile)
    if evidence is None:
        return None
    ends, errors = [], []
    for side in (0, 1):
        own = profile if side == 0 else profile.reversed()
        seen = evidence if side == 0 else _reversed(evidence)
        end = _end(own, seen, compete=gains is not None)
        ends.append(end)
        errors.append(_longer(own, seen, end, None if gains is None else gains[side]))
    first, last = ends[0].place, len(profile.depths) - 1 - ends[1].place
    if last - first < 3:
        return None
    return Ends(
        first=first, last=last, u_px=_half_width(errors) / 1.96,
        n_open=sum(end.is_open for end in ends),
    )  # fmt: skip


def _reversed(evidence: _Evidence) -> _Evidence:
    n = len(evidence.ratio)
    return _Evidence(
        ratio=evidence.ratio[::-1], excess=evidence.excess[::-1],
        run=(n - 1 - evidence.run[1], n - 1 - evidence.run[0]), beside=evidence.beside[::-1],
        spread=evidence.spread,
    )  # fmt: skip


def _end(profile: Profile, evidence: _Evidence, *, compete: bool) -> _End:
    """Return the first end of a line; a last stretch that looks astray is left out."""
    first = evidence.run[0]
    is_open = first > 0 and not profile.inside[first - 1]
    tail, astray = _astray(profile, evidence) if compete else (0, 0.0)
    if astray > 0.5:
        first, is_open = first + tail, False
    place = float(first) if is_open else _crossing(evidence.excess, first)
    return _End(place=place, first=first, is_open=is_open, tail=tail, astray=astray)


def _crossing(excess: FloatArray, first: int) -> float:
    """Return where the half level is crossed, next to a sample that begins the line."""
    start = first
    while first < min(start + _NEXT_PX, len(excess) - 1) and excess[first] < 0:
        first += 1
    while first > max(start - _NEXT_PX, 0) and excess[first - 1] >= 0:
        first -= 1
    if first == 0 or (excess[first - 1] >= 0) == (excess[first] >= 0):
        # Nothing crosses nearby: the darkening wavers about the level.
        return max(start - 0.5, 0.0)
    outer, inner = excess[first - 1], excess[first]
    return first - float(inner / max(inner - outer, 1e-9))


def _astray(profile: Profile, evidence: _Evidence) -> tuple[int, float]:
    """Return the first stretch most likely not the line's own, in samples, and its probability."""
    first, last = evidence.run
    n = last - first + 1
    held = slice(first, last + 1)
    points, beside = profile.points[held], evidence.beside[held]
    depths = np.maximum(profile.depths[held], 0.05 * profile.depth)
    best = (0, 0.0)
    for tail in _tails(min(int(0.75 * n), n - 10)):
        body = median(depths[tail : tail + _BODY_PX])
        turn = max(_turn_deg(points, tail) - _TURN_FREE_DEG, 0.0) / _TURN_UNIT_DEG
        signs = (
            1.0,
            turn,
            math.log(median(depths[:tail]) / body),
            min(median(beside[:tail]) / body, 1.2),
            turn * _straightness(points[: tail + 1]),
            _along(points[: tail + 1], profile.lay)
            - _along(points[tail : tail + _BODY_PX + 1], profile.lay),
        )
        odds = float(np.dot(_ASTRAY, signs))
        share = 1.0 / (1.0 + math.exp(-odds))
        if share > best[1]:
            best = (tail, share)
    return best


def _tails(longest: int) -> list[int]:
    """Return lengths of last stretches to be looked at, about a tenth apart."""
    tails, tail = [], _TAIL_PX
    while tail <= longest:
        tails.append(tail)
        tail += max(_TAIL_STEP_PX, tail // 10)
    return tails


def _straightness(points: FloatArray) -> float:
    """Return how straight a stretch is: 0 for a short or crooked one."""
    chord = points[-1] - points[0]
    across = np.array((-chord[1], chord[0])) / max(float(np.hypot(*chord)), 1.0)
    bow = float(np.sqrt(np.mean(((points - points[0]) @ across) ** 2)))
    n = len(points) - 1
    return max(math.log(n / (20.0 * (bow + 0.4))), 0.0) * min(n / 30.0, 2.0)


def _along(points: FloatArray, lay: tuple[float, float]) -> float:
    """Return how much a stretch runs along the lay, -1 to 1, times the lay's strength."""
    chord = points[-1] - points[0]
    return lay[1] * math.cos(2 * (math.atan2(chord[1], chord[0]) - lay[0]))


def _turn_deg(points: FloatArray, at: int) -> float:
    outward = points[max(0, at - _TURN_PX)] - points[at]
    inward = points[at] - points[min(len(points) - 1, at + _TURN_PX)]
    angle = math.atan2(outward[1], outward[0]) - math.atan2(inward[1], inward[0])
    return abs((math.degrees(angle) + 180.0) % 360.0 - 180.0)


def _longer(profile: Profile, evidence: _Evidence, end: _End, gain: float | None) -> FloatArray:
    """Return the probabilities that the line is longer at its first end by -150 to 150 pixels."""
    by = np.arange(-_HORIZON_PX, _HORIZON_PX + 1)
    shares = np.zeros(len(by))
    if end.is_open:
        shares[_HORIZON_PX] = 1.0
        return shares
    low, high = max(0, end.first - _LOCAL_PX), min(len(evidence.ratio), end.first + _LOCAL_PX)
    total = np.concatenate(([0.0], np.cumsum(evidence.ratio[low:high])))
    cost = np.maximum(total - total[end.first - low], 0.0)
    places = np.arange(low, high + 1)
    reachable = places <= end.first
    reachable[: end.first - low] &= np.logical_and.accumulate(
        profile.inside[low : end.first][::-1]
    )[::-1]
    weight = np.exp(-np.minimum(cost, 50.0)) * (reachable | (places > end.first))
    np.add.at(shares, _HORIZON_PX + end.first - places, weight / weight.sum())
    if gain is None:
        return shares
    seen = evidence.run[1] - evidence.run[0]
    reach = min(_UNSEEN_REACH[0] + _UNSEEN_REACH[1] * seen, _UNSEEN_REACH[2])
    beyond = np.exp(-by / reach) * (by > 0)
    odds = _UNSEEN[0] + _UNSEEN[2] * min(gain, _MOST_GAIN)
    odds += _UNSEEN[1] * math.log(max(profile.depth / evidence.spread, 0.5))
    unseen = 1.0 / (1.0 + math.exp(-odds))
    shares = (1 - unseen) * shares + unseen * beyond / beyond.sum()
    # The stretch that may be astray is taken out, or was already and may be the line's own.
    off = min(end.tail, _HORIZON_PX)
    moved = np.zeros(len(by))
    moved[_HORIZON_PX + (off if end.astray > 0.5 else -off)] = 1.0
    other = min(end.astray, 1 - end.astray)
    return np.asarray((1 - other) * shares + other * moved)


def _half_width(errors: list[FloatArray]) -> float:
    """Return the distance from the value that holds 95 % of the lengths."""
    joint = np.convolve(errors[0], errors[1])
    middle = len(joint) // 2
    both = joint[middle:].copy()
    both[1:] += joint[:middle][::-1]
    total = np.cumsum(both) / both.sum()
    k = int(np.searchsorted(total, 0.95))
    below = total[k - 1] if k > 0 else 0.0
    # Places are whole pixels; between them the share is taken to rise evenly.
    return float(k - 0.5 + (0.95 - below) / max(total[k] - below, 1e-9))
