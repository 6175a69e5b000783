"""A circle or a straight line through outline points, over as long a stretch as it holds.

A stretch is fitted in a frame of its own: `u` along it, `v` across it. The circle is written
by its offset, slope and curvature at u = 0, which stays well-conditioned for flat arcs and
passes through a straight line without a jump.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from micromeasure.outcome import FloatArray
from micromeasure.sideview.stretch import TUKEY, Noise, circle_distances, longest_stretch

_ROUNDS = 8
# Few points far off their circle need more of them.
_FEW, _ROUNDS_FEW = 40, 20
_LAGS = 8


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
    """
    free = 2 if straight else 3
    scale_u = max(float(np.max(np.abs(u))), 1e-12)
    unit = np.array([scale_u, 1.0, 1 / scale_u])[:free]
    circle = np.zeros((1, 3))
    weights = np.ones(len(u))
    few = len(u) <= _FEW
    settled = 1e-7 if few else 1e-3
    # Without slope and curvature the first round fits a parabola.
    for k in range(_ROUNDS_FEW if few else _ROUNDS):
        distance, jacobian = _distances(u, v, circle)
        scale = _spread(distance) if len(u) > 6 else float(np.std(distance))
        if k > 1 and scale > 0 and len(u) > 6:
            weights = np.clip(1 - (distance / (TUKEY * scale)) ** 2, 0.0, None) ** 2
        columns = jacobian[:free] * unit[:, None]
        weighted = columns * weights
        normal = weighted @ columns.T
        normal += 1e-12 * np.trace(normal) * np.eye(free)
        move = np.linalg.solve(normal, -(weighted @ distance))
        circle[0, :free] += move * unit
        if k == 0:
            # A parabola's slope is the tangent of the circle's.
            circle[0, 1] = math.atan(circle[0, 1])
            circle[0, 2] *= math.cos(circle[0, 1]) ** 3
        if k > 2 and float(np.abs(move @ columns).max()) < settled * scale:
            break
    distance, jacobian = _distances(u, v, circle)
    return _judge(u, distance, jacobian[:free], weights=weights, circle=circle[0])


def _distances(u: FloatArray, v: FloatArray, circle: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return distances from one circle and their derivatives, shapes (n,) and (3, n)."""
    distance, jacobian = circle_distances(u, v, circle)
    return distance[0], jacobian[:, 0]


def grow_arc(
    u: FloatArray, v: FloatArray, position: FloatArray, *, start: float, stop: float,
    noise: Noise, straight: bool = False,
) -> Arc:  # fmt: skip
    """Fit the longest stretch around position 0 that is a circle (or a line) within the noise.

    Parameters are those of `longest_stretch`.

    Returns
    -------
    Arc
    """
    stretch = longest_stretch(
        u, v, position, start=start, stop=stop, noise=noise, straight=straight
    )
    inside = np.abs(position) <= stretch.half_width
    return replace(fit_arc(u[inside], v[inside], straight=straight), is_adequate=stretch.holds)


def _spread(values: FloatArray) -> float:
    # About zero, so that half the points keep a weight whatever their distances.
    return 1.4826 * float(np.median(np.abs(values)))


def _judge(
    u: FloatArray,
    distance: FloatArray,
    jacobian: FloatArray,
    *,
    weights: FloatArray,
    circle: FloatArray,
) -> Arc:
    used = weights > 0
    if not used.any():
        used = np.ones(len(weights), dtype=bool)
    kept, columns = distance[used], jacobian[:, used]
    free = len(columns)
    variance = float(np.sum(kept**2)) / max(len(kept) - free, 1)
    inflation = inflation_of(kept, free)
    size = np.sqrt(np.maximum((columns * columns).sum(axis=1), 1e-300))
    scaled = columns / size[:, None]
    covariance = np.zeros((3, 3))
    covariance[:free, :free] = (
        np.linalg.pinv(scaled @ scaled.T) / np.outer(size, size) * variance * inflation
    )
    return Arc(
        offset=float(circle[0]), slope=float(circle[1]), curvature=float(circle[2]),
        covariance=covariance, residual=math.sqrt(variance), inflation=inflation,
        n=int(used.sum()), half_width=float(np.max(np.abs(u[used]))),
        is_adequate=inflation < 6.0,
    )  # fmt: skip


def inflation_of(residuals: FloatArray, free: int, lags: int = _LAGS) -> float:
    """Return how many times the variance of a mean grows for the correlation of neighbours.

    Parameters
    ----------
    residuals : ndarray of float, shape (n,)
        In order along the outline.
    free : int
        Unknowns that were fitted.
    lags : int
        Distances up to which neighbours may be correlated, in points.

    Returns
    -------
    float
        1 plus twice the sum of the autocorrelations. Each unknown fitted takes its share of that
        sum out of the residuals, which is put back.
    """
    n = len(residuals)
    if n < 4 * lags:
        # Too short to see the correlation: neighbours a pixel apart share about two pixels.
        return 2.0
    centred = residuals - residuals.mean()
    power = float(centred @ centred)
    if power <= 0:
        return 1.0
    rho = sum(float(centred[k:] @ centred[:-k]) for k in range(1, lags + 1)) / power
    return max(1.0, (1.0 + 2.0 * rho) / max(1.0 - 2.0 * lags * free / n, 0.4))


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
