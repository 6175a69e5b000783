"""A circle or a straight line through outline points, over as long a stretch as it holds.

A stretch is fitted in a frame of its own: `u` along it, `v` across it. The circle is written
by its offset, slope and curvature at u = 0, which stays well-conditioned for flat arcs and
passes through a straight line without a jump.
"""

import itertools
import math
from dataclasses import dataclass, replace

import numpy as np

from micromeasure.outcome import FloatArray

# Tukey's weight reaches zero at this many standard deviations: 95 % efficient on clean data.
_TUKEY = 4.685
_ROUNDS = 8
# Few points far off their circle need more of them.
_FEW, _ROUNDS_FEW = 40, 20
# Parts a stretch is divided in to see whether it is a circle, and how far the mean residual of
# a part may be off, in its own standard deviations.
_BINS = 8
_MAX_BIN_SIGMA = 3.5
# Deviation that is let pass whatever the noise, in pixels: below the accuracy aimed at.
_FREE_DEVIATION_PX = 0.01
# Step from one half-width tried to the next.
_GROWTH = 1.2
# A speck may spoil some stretches and not longer ones; so many failures in a row end the search.
_GIVE_UP = 4
_TRIED_POINTS = 600
_LAGS = 8


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
class Arc:
    """A circle (or a line) through a stretch of outline, in the frame ``u v``.

    Attributes
    ----------
    offset : float
        v of the circle at u = 0.
    slope : float
        Its direction there, radians.
    curvature : float
        Above 0 where it bends towards lower v.
    covariance : ndarray of float, shape (3, 3)
        Of offset, slope and curvature, the correlation of neighbouring points included.
    residual : float
        Robust standard deviation of the points about the fit.
    inflation : float
        How many times the variance grows for the correlation of neighbouring points.
    n : int
        Points used.
    half_width : float
        Largest distance of a used point from u = 0.
    is_adequate : bool
        Whether the residuals show nothing but noise.
    """

    offset: float
    slope: float
    curvature: float
    covariance: FloatArray
    residual: float
    inflation: float
    n: int
    half_width: float
    is_adequate: bool

    @property
    def top(self) -> tuple[float, float]:
        """The point of greatest v, as (u, v); the point at u = 0 for a line."""
        if abs(self.curvature) < 1e-12:
            return 0.0, self.offset
        return (
            math.sin(self.slope) / self.curvature,
            self.offset + (1.0 - math.cos(self.slope)) / self.curvature,
        )

    @property
    def u_top(self) -> tuple[float, float]:
        """Standard uncertainties of the coordinates of `top`."""
        if abs(self.curvature) < 1e-12:
            return self.half_width, math.sqrt(self.covariance[0, 0])
        c, k = self.curvature, self.slope
        along = np.array([0.0, math.cos(k) / c, -math.sin(k) / c**2])
        across = np.array([1.0, math.sin(k) / c, -(1.0 - math.cos(k)) / c**2])
        u_along, u_across = (math.sqrt(max(0.0, g @ self.covariance @ g)) for g in (along, across))
        return u_along, u_across

    @property
    def radius(self) -> float:
        """Radius of the circle, infinite for a line."""
        return math.inf if self.curvature == 0 else 1.0 / abs(self.curvature)

    @property
    def u_radius(self) -> float:
        """Standard uncertainty of the radius."""
        return math.sqrt(self.covariance[2, 2]) * self.radius**2


def fit_arc(u: FloatArray, v: FloatArray, *, straight: bool = False) -> Arc:
    """Fit a circle, or a line, by least squares of the distances, outliers set aside.

    Parameters
    ----------
    u, v : ndarray of float, shape (n,)
        Points in order along the outline, at least four.
    straight : bool
        Whether the curvature is held at 0.

    Returns
    -------
    Arc

    Notes
    -----
    With A half the curvature and (a, b) the point seen from the circle's own point at u = 0,
    Q = A (a² + b²) + b is zero on the circle and its gradient there is one, so that the
    distance is 2 Q / (1 + sqrt(1 + 4 A Q)) exactly.
    """
    free = 2 if straight else 3
    scale_u = max(float(np.max(np.abs(u))), 1e-12)
    start = np.polyfit(u / scale_u, v, 1 if straight else 2)
    offset, slope = float(start[-1]), math.atan(float(start[-2]) / scale_u)
    curvature = 0.0 if straight else -2.0 * float(start[0]) / scale_u**2 * math.cos(slope) ** 3
    weights = np.ones(len(u))
    for _ in range(_ROUNDS if len(u) > _FEW else _ROUNDS_FEW):
        distance, jacobian = _distances(u, v, (offset, slope, curvature))
        scale = _spread(distance) if len(u) > 6 else float(np.std(distance))
        if scale > 0 and len(u) > 6:
            weights = np.clip(1 - (distance / (_TUKEY * scale)) ** 2, 0.0, None) ** 2
        weighted = jacobian[:, :free] * weights[:, None]
        move = _solved(weighted.T @ jacobian[:, :free], -weighted.T @ distance)
        offset, slope = offset + float(move[0]), slope + float(move[1])
        if not straight:
            curvature += float(move[2])
        if np.all(np.abs(jacobian[:, :free] @ move).max() < 1e-4 * max(scale, 1e-12)):
            break
    distance, jacobian = _distances(u, v, (offset, slope, curvature))
    return _judge(
        u, distance, jacobian[:, :free], weights=weights, solution=(offset, slope, curvature)
    )


def grow_arc(
    u: FloatArray, v: FloatArray, position: FloatArray, *, start: float, stop: float,
    noise: Noise, straight: bool = False,
) -> Arc:  # fmt: skip
    """Fit the longest stretch around position 0 that is a circle (or a line) within the noise.

    Parameters
    ----------
    u, v : ndarray of float, shape (n,)
        Points in order along the outline.
    position : ndarray of float, shape (n,)
        Distance along the outline or its projection, by which the stretch is measured.
    start, stop : float
        First and last half-width tried; the first is used even if it is no circle.
    straight : bool
        Whether a line is meant.
    noise : Noise
        How far single points lie off.

    Returns
    -------
    Arc
    """
    thin = slice(None, None, max(1, math.ceil(len(u) / _TRIED_POINTS)))
    tried_u, tried_v, place = u[thin], v[thin], np.abs(position[thin])
    halves: list[float] = []
    good: list[bool] = []
    half = start
    while not good or sum(good[-_GIVE_UP:]) or len(good) < _GIVE_UP:
        inside = place <= half
        if inside.sum() >= 6:
            arc = fit_arc(tried_u[inside], tried_v[inside], straight=straight)
            halves.append(half)
            good.append(_holds(arc, tried_u[inside], tried_v[inside], noise))
        if half >= stop and halves:
            break
        if half > 1e3 * stop:
            return fit_arc(u, v, straight=straight)
        half = min(half * _GROWTH, stop) if half < stop else half * _GROWTH
    chosen = max((k for k, holds in enumerate(good) if holds), default=0)
    if 0 < chosen < len(halves) - 1:
        # The last good stretch may reach over the end by less than is seen: one shorter.
        chosen -= 1
    inside = np.abs(position) <= halves[chosen]
    return replace(fit_arc(u[inside], v[inside], straight=straight), is_adequate=any(good))


def _holds(arc: Arc, u: FloatArray, v: FloatArray, noise: Noise) -> bool:
    """Whether the residuals over a stretch are those of single points and nothing else."""
    distance, _ = _distances(u, v, (arc.offset, arc.slope, arc.curvature))
    edges = np.linspace(u.min(), u.max(), _BINS + 1)
    which = np.clip(np.searchsorted(edges, u) - 1, 0, _BINS - 1)
    order = np.argsort(which, kind="stable")
    bounds = np.searchsorted(which[order], np.arange(_BINS + 1))
    sorted_distance = distance[order]
    # Medians, so that a speck on the outline does not end the stretch; 1.25 is their scatter
    # beside that of means.
    for low, high in itertools.pairwise(bounds):
        if high > low:
            middle = abs(float(np.median(sorted_distance[low:high])))
            deviation = 1.25 * noise.scatter * math.sqrt(noise.inflation / (high - low))
            if middle > _MAX_BIN_SIGMA * deviation + _FREE_DEVIATION_PX * noise.pixel:
                return False
    spread = 1.4826 * float(np.median(np.abs(distance)))
    few = 3.5 * math.sqrt(noise.inflation / (2 * len(u)))
    return spread <= noise.scatter * (1.15 + few) + _FREE_DEVIATION_PX * noise.pixel


def _distances(
    u: FloatArray, v: FloatArray, circle: tuple[float, float, float]
) -> tuple[FloatArray, FloatArray]:
    offset, slope, curvature = circle
    cos, sin, half = math.cos(slope), math.sin(slope), curvature / 2
    w = v - offset
    a, b = u * cos + w * sin, w * cos - u * sin
    q = half * (a * a + b * b) + b
    root = np.sqrt(np.maximum(1 + 4 * half * q, 1e-12))
    distance = 2 * q / (1 + root)
    by_offset = -(2 * half * (a * sin + b * cos) + cos)
    by_curvature = (a * a + b * b - distance * distance) / 2
    return distance, np.column_stack([by_offset, -a, by_curvature]) / root[:, None]


def _solved(normal: FloatArray, right: FloatArray) -> FloatArray:
    """Solve normal equations whose unknowns have units of their own, so of different size."""
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    scaled = normal / np.outer(scale, scale) + 1e-12 * np.eye(len(scale))
    solution: FloatArray = np.linalg.solve(scaled, right / scale) / scale
    return solution


def _spread(values: FloatArray) -> float:
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def _judge(
    u: FloatArray,
    distance: FloatArray,
    jacobian: FloatArray,
    *,
    weights: FloatArray,
    solution: tuple[float, float, float],
) -> Arc:
    used = weights > 0
    if not used.any():
        used = np.ones(len(weights), dtype=bool)
    kept = distance[used]
    free = jacobian.shape[1]
    variance = float(np.sum(kept**2)) / max(len(kept) - free, 1)
    inflation = _inflation(kept, free)
    covariance = np.zeros((3, 3))
    normal = jacobian[used].T @ jacobian[used]
    covariance[:free, :free] = np.linalg.pinv(normal) * variance * inflation
    offset, slope, curvature = solution
    return Arc(
        offset=offset, slope=slope, curvature=curvature, covariance=covariance,
        residual=math.sqrt(variance), inflation=inflation, n=int(used.sum()),
        half_width=float(np.max(np.abs(u[used]))), is_adequate=inflation < 6.0,
    )  # fmt: skip


def _inflation(residuals: FloatArray, free: int) -> float:
    """Return 1 + 2 sum of the autocorrelations, over lags that blur can couple."""
    n = len(residuals)
    if n < 4 * _LAGS:
        # Too short to see the correlation: neighbours a pixel apart share about two pixels.
        return 2.0
    centred = residuals - residuals.mean()
    power = float(centred @ centred) / n
    if power <= 0:
        return 1.0
    lags = np.arange(1, _LAGS + 1)
    # The fit takes `free` degrees of freedom out of the residuals, which biases each term.
    rho = np.array([float(centred[k:] @ centred[:-k]) / n / power for k in lags]) + free / n
    return max(1.0, 1.0 + 2.0 * float(np.sum(rho * (1 - lags / (n + 1)))))


def into_frame(points: FloatArray, origin: FloatArray, along: FloatArray) -> FloatArray:
    """Return points as (u, v): along a unit vector and across it to its left.

    Parameters
    ----------
    points : ndarray of float, shape (n, 2)
    origin, along : ndarray of float, shape (2,)

    Returns
    -------
    ndarray of float, shape (n, 2)
    """
    rest = points - origin
    return np.column_stack([rest @ along, rest @ np.array([-along[1], along[0]])])


def out_of_frame(points: FloatArray, origin: FloatArray, along: FloatArray) -> FloatArray:
    """Return points from a frame of `into_frame` to where they came from."""
    across = np.array([-along[1], along[0]])
    turned: FloatArray = origin + points[:, :1] * along + points[:, 1:] * across
    return turned
