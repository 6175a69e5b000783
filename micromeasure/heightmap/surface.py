"""The dome in a height map: the plane through its rim and the sphere through its crown."""

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.errors import MeasurementError
from micromeasure.outcome import FloatArray

# The sphere is fitted over a disc about the top that grows while a sphere holds.
_FIRST_SHARE = 0.3
_GROWTH = 1.15
_INSIDE = 0.93
_GROWTH_POINTS = 4000
_RINGS = 6
_TUKEY = 4.685
_MIN_POINTS = 40
_FIT_ROUNDS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class HeightMap:
    """Heights on a regular grid.

    Attributes
    ----------
    x_um, y_um : ndarray of float, shape (cols,) and (rows,)
        Places of columns and rows; y runs downwards.
    z_um : ndarray of float, shape (rows, cols)
        Heights, NaN where not known.
    correlated : float
        How many neighbouring entries share their noise: 1 for independent entries.
    ripple_um : float
        Systematic error that runs with height, such as that of interpolating between slices.
    """

    x_um: FloatArray
    y_um: FloatArray
    z_um: FloatArray
    correlated: float
    ripple_um: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Cap:
    """A dome in a height map.

    Attributes
    ----------
    height_um, u_height_um : float
        Greatest height above the rim's plane, and what the fits leave uncertain of it.
    radius_um, u_radius_um : float
        Radius of the sphere through the crown.
    top_um : ndarray of float, shape (2,)
        Place of the top, ``x y``.
    rim_radius_um : float
        Radius of the circle at which the cap ends.
    plane : ndarray of float, shape (3,)
        z = plane[0] + plane[1] x + plane[2] y.
    residual_um : float
        Scatter of heights about the sphere.
    n : int
        Heights the sphere rests on.
    has_surroundings : bool
        Whether the plane was fitted outside the cap; otherwise to the cap's own edge.
    """

    height_um: float
    u_height_um: float
    radius_um: float
    u_radius_um: float
    top_um: FloatArray
    rim_radius_um: float
    plane: FloatArray
    residual_um: float
    n: int
    has_surroundings: bool


def measure_cap(height_map: HeightMap) -> Cap:
    """Measure the dome in a height map.

    Parameters
    ----------
    height_map : HeightMap

    Returns
    -------
    Cap

    Raises
    ------
    MeasurementError
        If crown or rim cannot be found.
    """
    grid_x, grid_y = np.meshgrid(height_map.x_um, height_map.y_um)
    known = np.isfinite(height_map.z_um)
    if known.sum() < 4 * _MIN_POINTS:
        message = (
            f"crown: only {int(known.sum())} places of the height map have a height; "
            f"at least {4 * _MIN_POINTS} are needed"
        )
        raise MeasurementError(message)
    x, y, z = grid_x[known], grid_y[known], height_map.z_um[known]
    top = _rough_top(x, y, z)
    sphere, reach = _grow_sphere((x, y, z), top, height_map)
    # The disc may have grown a little over the edge: fit once more well inside it.
    well_inside = np.hypot(x - sphere.centre[0], y - sphere.centre[1]) < _INSIDE * reach
    if well_inside.sum() >= _MIN_POINTS:
        sphere = _fit_sphere(x[well_inside], y[well_inside], z[well_inside])
    centre = sphere.centre
    distance = np.hypot(x - centre[0], y - centre[1])
    plane, u_plane, outside = _rim_plane((x, y, z), distance=distance, sphere=sphere, reach=reach)
    normal = np.array([-plane[1], -plane[2], 1.0])
    size = float(np.linalg.norm(normal))
    height = (centre[2] - plane[0] - plane[1] * centre[0] - plane[2] * centre[1]) / size
    height += sphere.radius
    inflation = math.sqrt(height_map.correlated)
    return Cap(
        height_um=float(height),
        u_height_um=inflation * math.hypot(sphere.u_top, u_plane),
        radius_um=float(sphere.radius), u_radius_um=inflation * sphere.u_radius,
        top_um=centre[:2] + sphere.radius * normal[:2] / size, rim_radius_um=reach, plane=plane,
        residual_um=sphere.residual, n=sphere.n, has_surroundings=outside,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sphere:
    centre: FloatArray
    radius: float
    u_top: float
    u_radius: float
    residual: float
    n: int


def _rough_top(x: FloatArray, y: FloatArray, z: FloatArray) -> FloatArray:
    """Return the top of a paraboloid through the upper part of the map."""
    chosen = z > np.percentile(z, 60)
    middle = np.array([np.median(x[chosen]), np.median(y[chosen])])
    u, v, w = x[chosen] - middle[0], y[chosen] - middle[1], z[chosen]
    terms = np.column_stack([np.ones_like(u), u, v, u * u + v * v])
    keep = np.ones(len(w), dtype=bool)
    for _ in range(4):
        a, *_ = np.linalg.lstsq(terms[keep], w[keep], rcond=None)
        rest = w - terms @ a
        keep = np.abs(rest) < 3 * 1.4826 * np.median(np.abs(rest[keep])) + 1e-12
    if a[3] >= 0:
        message = "crown: not found; the upper part of the height map does not bulge upwards"
        raise MeasurementError(message)
    move = -a[1:3] / (2 * a[3])
    # A poor start must not lead out of the map.
    limit = np.array([np.ptp(u), np.ptp(v)]) / 2
    top: FloatArray = middle + np.clip(move, -limit, limit)
    return top


Points = tuple[FloatArray, FloatArray, FloatArray]


def _grow_sphere(points: Points, top: FloatArray, source: HeightMap) -> tuple[_Sphere, float]:
    """Return the sphere over the widest disc on which it holds, and the radius of the cap."""
    x, y, z = points
    farthest = float(np.max(np.hypot(x - top[0], y - top[1])))
    reach = _FIRST_SHARE * min(float(np.ptp(x)), float(np.ptp(y))) / 2
    best: tuple[_Sphere, float] | None = None
    while True:
        distance = np.hypot(x - top[0], y - top[1])
        inside = _some(distance <= reach)
        if len(inside) >= _MIN_POINTS:
            sphere = _fit_sphere(x[inside], y[inside], z[inside])
            if best is not None and not _holds(
                sphere, best[0].residual, points, share=distance / reach, source=source
            ):
                break
            best = (sphere, reach)
            top = sphere.centre[:2]
        if reach >= farthest:
            break
        reach *= _GROWTH
    if best is None:
        message = f"crown: fewer than {_MIN_POINTS} heights about its top"
        raise MeasurementError(message)
    return best[0], _edge(best, points, source)


def _some(chosen: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return enough of the chosen places for one step of the growth."""
    places = np.flatnonzero(chosen)
    return places[:: max(1, len(places) // _GROWTH_POINTS)]


def _holds(
    sphere: _Sphere, spread: float, points: Points, *, share: FloatArray, source: HeightMap
) -> bool:
    """Whether the sphere leaves rings of the disc no further off than their noise lets expect."""
    rest = _distances(sphere.centre, sphere.radius, points)
    for k in range(_RINGS):
        ring = (share > math.sqrt(k / _RINGS)) & (share <= math.sqrt((k + 1) / _RINGS))
        count = int(ring.sum())
        if count >= 8 and abs(float(np.median(rest[ring]))) > _allowed(spread, count, source):
            return False
    return True


def _allowed(spread: float, count: int, source: HeightMap) -> float:
    """Return how far the median of so many correlated heights may be off a true surface."""
    return source.ripple_um + spread * (0.15 + 4.0 * math.sqrt(source.correlated / count))


def _edge(best: tuple[_Sphere, float], points: Points, source: HeightMap) -> float:
    """Return where the surface leaves the sphere, near the edge of the largest good disc."""
    sphere, reach = best
    distance = np.hypot(points[0] - sphere.centre[0], points[1] - sphere.centre[1])
    rest = _distances(sphere.centre, sphere.radius, points)
    edges = reach * np.linspace(0.85, _GROWTH**3, 24)
    for low, high in itertools.pairwise(edges):
        ring = (distance >= low) & (distance < high)
        count = int(ring.sum())
        limit = max(1.5 * sphere.residual, _allowed(sphere.residual, max(count, 1), source))
        if count >= 6 and abs(float(np.median(rest[ring]))) > limit:
            return float(low)
    return float(min(edges[-1], distance.max()))


def _distances(centre: FloatArray, radius: float, points: Points) -> FloatArray:
    x, y, z = points
    away: FloatArray = np.sqrt((x - centre[0]) ** 2 + (y - centre[1]) ** 2 + (z - centre[2]) ** 2)
    return away - radius


def _fit_sphere(x: FloatArray, y: FloatArray, z: FloatArray) -> _Sphere:
    """Fit a sphere to a cap by least squares along z, outliers set aside.

    z = h - Q with Q = R - sqrt(R² - r²); noise of a height map is along z.
    """
    middle = np.array([x.mean(), y.mean()])
    u, v = x - middle[0], y - middle[1]
    square = u * u + v * v
    a, *_ = np.linalg.lstsq(np.column_stack([np.ones_like(u), u, v, square]), z, rcond=None)
    curvature = max(-2 * a[3], 1e-12)
    p = np.array([a[1] / curvature, a[2] / curvature, a[0], curvature])
    weights, rest, jacobian = np.ones(len(z)), z, np.empty((len(z), 4))
    for _ in range(_FIT_ROUNDS):
        rest, jacobian = _sagitta(p, u, v, z)
        spread = 1.4826 * float(np.median(np.abs(rest - np.median(rest)))) + 1e-12
        weights = np.clip(1 - (rest / (_TUKEY * spread)) ** 2, 0, None) ** 2
        weighted = jacobian * weights[:, None]
        move, *_ = np.linalg.lstsq(weighted.T @ jacobian, weighted.T @ rest, rcond=None)
        p = p + move
        p[3] = max(p[3], 1e-12)
    used = weights > 0
    variance = float(np.sum(weights * rest**2) / max(weights.sum() - 4, 1))
    covariance = np.linalg.pinv(jacobian[used].T @ jacobian[used]) * variance
    radius = 1 / p[3]
    return _Sphere(
        centre=np.array([p[0] + middle[0], p[1] + middle[1], p[2] - radius]), radius=radius,
        u_top=math.sqrt(covariance[2, 2]), u_radius=math.sqrt(covariance[3, 3]) * radius**2,
        residual=math.sqrt(variance), n=int(used.sum()),
    )  # fmt: skip


def _sagitta(
    p: FloatArray, u: FloatArray, v: FloatArray, z: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return residuals along z and derivatives by top x, top y, top height and curvature."""
    du, dv = u - p[0], v - p[1]
    square = du * du + dv * dv
    c = p[3]
    root = np.sqrt(np.maximum(1 - c * c * square, 1e-6))
    drop = c * square / (1 + root)
    slope = c / root
    by_curvature = -square / (root * (1 + root))
    jacobian = np.column_stack([slope * du, slope * dv, np.ones_like(u), by_curvature])
    return z - (p[2] - drop), jacobian


def _rim_plane(
    points: Points, *, distance: FloatArray, sphere: _Sphere, reach: float
) -> tuple[FloatArray, float, bool]:
    """Return the plane through the rim, the standard uncertainty of its height at the crown."""
    x, y, z = points
    drop = sphere.radius - math.sqrt(max(sphere.radius**2 - reach**2, 0.0))
    edge_z = sphere.centre[2] + sphere.radius - drop
    outside = (distance > 1.05 * reach) & (distance < 1.6 * reach)
    if outside.sum() >= _MIN_POINTS and _goes_round(x, y, sphere, outside):
        plane, u = _plane(x[outside], y[outside], z[outside])
        at_centre = plane[0] + plane[1] * sphere.centre[0] + plane[2] * sphere.centre[1]
        if abs(at_centre - edge_z) < 0.25 * drop + 3 * sphere.residual:
            return plane, u, True
    inside = (distance > 0.85 * reach) & (distance <= reach)
    if inside.sum() < _MIN_POINTS or not _goes_round(x, y, sphere, inside):
        message = "rim: not seen all round the dome, so no plane can be laid through it"
        raise MeasurementError(message)
    # Each height near the edge is carried down the sphere to the edge itself.
    rest = np.sqrt(np.maximum(sphere.radius**2 - distance[inside] ** 2, 0.0))
    carried = z[inside] - (rest - math.sqrt(max(sphere.radius**2 - reach**2, 0.0)))
    plane, u = _plane(x[inside], y[inside], carried)
    # Where the cap ends is known to some hundredths of its radius only.
    slope = reach / math.sqrt(max(sphere.radius**2 - reach**2, 1e-12))
    return plane, math.hypot(u, slope * 0.02 * reach), False


def _goes_round(x: FloatArray, y: FloatArray, sphere: _Sphere, chosen: NDArray[np.bool_]) -> bool:
    """Whether places lie in at least six of eight directions about the top."""
    angle = np.arctan2(y[chosen] - sphere.centre[1], x[chosen] - sphere.centre[0])
    eighth = np.floor((angle + math.pi) / (2 * math.pi) * 8).clip(0, 7)
    return len(np.unique(eighth)) >= 6


def _plane(x: FloatArray, y: FloatArray, z: FloatArray) -> tuple[FloatArray, float]:
    terms = np.column_stack([np.ones_like(x), x, y])
    weights = np.ones(len(z))
    for _ in range(10):
        weighted = terms * weights[:, None]
        plane, *_ = np.linalg.lstsq(weighted.T @ terms, weighted.T @ z, rcond=None)
        rest = z - terms @ plane
        spread = 1.4826 * float(np.median(np.abs(rest))) + 1e-12
        weights = np.clip(1 - (rest / (_TUKEY * spread)) ** 2, 0, None) ** 2
    variance = float(np.sum(weights * rest**2) / max(weights.sum() - 3, 1))
    covariance = np.linalg.pinv((terms * weights[:, None]).T @ terms) * variance
    middle = np.array([1.0, x.mean(), y.mean()])
    return np.asarray(plane, dtype=np.float64), math.sqrt(
        max(0.0, float(middle @ covariance @ middle))
    )
