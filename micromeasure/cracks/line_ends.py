"""Where a dark line ends: the half level, found as the stretch that stands out most in sum."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.cracks.cross_profiles import median, smoothed
from micromeasure.outcome import FloatArray

# Beyond the traced ends the line is looked for along its own heading over this length.
EXTENSION_PX = 12
_END_WINDOW_PX = 22
# Darkening of the best way where there is no line, in spreads of a sample of darkening.
_CHANCE_DEPTH = 0.8
# Uncertainty of an end on the border, and of any end between two samples.
_U_CUT_PX = 0.3
# Samples of darkening over which noise and texture are alike; on textures as rendered, intervals
# are right with about this.
_ALIKE_SAMPLES = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Ends:
    """Where a line begins and ends along its curve, how well that is known, ends on a border."""

    first: float
    last: float
    u_px: float
    n_open: int


def find_ends(depths: FloatArray, inside: NDArray[np.bool_], noise: float) -> Ends | None:
    """Return where a line begins and ends.

    The line is the stretch over which the darkening exceeds its half level by most in sum; the
    half level lies midway between the darkening inside and what the best way shows where no line
    is. Gaps of a broken line are passed over where what follows outweighs them.
    """
    n = len(depths)
    plateau = median(depths[EXTENSION_PX : n - EXTENSION_PX])
    if plateau <= 0:
        return None
    # Noise and texture offer a dark way almost anywhere: its darkening is no sign of a line.
    null = min(_CHANCE_DEPTH * noise, 0.6 * plateau)
    smooth = smoothed(depths, 0.7)
    run = heaviest_run(smooth - 0.5 * (plateau + null), inside)
    if run is None or run[1] - run[0] < 3:
        return None
    # The half level at each end is that of the stretch just inside it.
    window = min(_END_WINDOW_PX, run[1] - run[0])
    inner = np.array(
        [
            median(smooth[run[0] : run[0] + window + 1]),
            median(smooth[run[1] - window : run[1] + 1]),
        ]
    )
    inner = np.clip(inner, 0.5 * plateau, 2 * plateau)
    excess = smooth - np.interp(np.arange(n), run, 0.5 * (inner + null))
    run = heaviest_run(excess, inside) or run
    if run[1] - run[0] < 3:
        return None
    first, u_first, open_first = _end((excess, inside), run[0], (inner[0] - null, noise))
    last, u_last, open_last = _end(
        (excess[::-1], inside[::-1]), n - 1 - run[1], (inner[1] - null, noise)
    )
    return Ends(
        first=first, last=n - 1 - last, u_px=math.hypot(u_first, u_last),
        n_open=int(open_first) + int(open_last),
    )  # fmt: skip


def heaviest_run(excess: FloatArray, inside: NDArray[np.bool_]) -> tuple[int, int] | None:
    """Return first and last index of the stretch of greatest sum that lies inside throughout."""
    total = np.zeros(len(excess) + 1)
    np.cumsum(np.where(inside, excess, -1e9), out=total[1:])
    lowest = np.minimum.accumulate(total[:-1])
    gain = total[1:] - lowest
    last = int(gain.argmax())
    if gain[last] <= 0:
        return None
    first = int(total[: last + 1].argmin())
    return first, last


def _end(
    line: tuple[FloatArray, NDArray[np.bool_]], first: int, step: tuple[float, float]
) -> tuple[float, float, bool]:
    """Return the place of the first end, its standard uncertainty and whether a border cuts it.

    Notes
    -----
    The place is where the half level is crossed. How well it is known comes from the likelihood of
    every other place: in noise of spread s that is alike over m samples, beginning at another place
    costs (sum of the excess in between) × step / (m s²) of log-likelihood. A line that
    fades, or goes on after a gap, so gets a wide uncertainty.
    """
    excess, inside = line
    height, noise = step
    if first > 0 and not inside[first - 1]:
        return float(first), _U_CUT_PX, True
    low, high = max(0, first - _END_WINDOW_PX), min(len(excess), first + _END_WINDOW_PX)
    # No end lies beyond a border.
    outside = np.flatnonzero(~inside[low:first])
    if len(outside):
        low += int(outside[-1]) + 1
    total = np.zeros(high - low + 1)
    np.cumsum(excess[low:high], out=total[1:])
    cost = np.maximum(total - total[first - low], 0.0)
    cost *= height / max(_ALIKE_SAMPLES * noise**2, 1e-12)
    weight = np.exp(-np.minimum(cost, 50.0))
    off = np.arange(low - first, high - first + 1)
    u = math.sqrt(float(weight @ (off * off)) / float(weight.sum()))
    if first == 0:
        return 0.0, math.hypot(u, _U_CUT_PX), False
    outer, inner = excess[first - 1], excess[first]
    part = float(inner / (inner - outer)) if inner > outer else 0.5
    return first - min(max(part, 0.0), 1.0), math.hypot(u, _U_CUT_PX), False
