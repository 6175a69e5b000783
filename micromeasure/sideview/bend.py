"""A bend in an outline: a straight piece, an arc and another straight piece, fitted as one."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.outcome import FloatArray
from micromeasure.sideview.arc import into_frame
from micromeasure.sideview.descent import descend
from micromeasure.sideview.outline import Outline
from micromeasure.sideview.stretch import longest_stretch

# A smaller turn than this is no fold but the dome's own curvature.
MIN_TURN_DEG = 8.0
_MAX_POINTS = 240
# Length of straight outline needed on each side of the arc, in pixels.
_MIN_STRAIGHT_PX = 8.0
# Steps of the unknowns, radians and pixels, that move the outline by less than its noise.
_STEPS = np.array([1e-5, 1e-4, 1e-5, 1e-4, 1e-3])


@dataclass(frozen=True, slots=True, kw_only=True)
class Bend:
    """Two lines and the circle that touches both.

    Attributes
    ----------
    solution : ndarray of float, shape (5,)
        Angle of the first line's normal (radians), its offset, the same of the second line, and
        the circle's radius; lengths in micrometres from `origin_um`.
    covariance : ndarray of float, shape (5, 5)
    origin_um : ndarray of float, shape (2,)
    ends_um : ndarray of float, shape (4, 2)
        Far end of the first line, both ends of the arc, far end of the second line.
    n : int
        Points used.
    """

    solution: FloatArray
    covariance: FloatArray
    origin_um: FloatArray
    ends_um: FloatArray
    n: int

    @property
    def radius_um(self) -> float:
        """Radius of the arc, the blur taken out."""
        return float(self.solution[4])

    @property
    def u_radius_um(self) -> float:
        """Standard uncertainty of the radius."""
        return math.sqrt(max(0.0, float(self.covariance[4, 4])))

    @property
    def centre_um(self) -> FloatArray:
        """Centre of the arc."""
        centre: FloatArray = _centre(self.solution) + self.origin_um
        return centre

    @property
    def turn_rad(self) -> float:
        """Angle between the two lines' directions."""
        return abs(_wrapped(float(self.solution[2] - self.solution[0])))

    @property
    def u_turn_rad(self) -> float:
        """Standard uncertainty of the turn."""
        c = self.covariance
        return math.sqrt(max(0.0, float(c[0, 0] + c[2, 2] - 2 * c[0, 2])))

    def lowest(self, along: FloatArray) -> tuple[FloatArray, float, float]:
        """Return the arc's lowest point and its uncertainties along and across a base line.

        Parameters
        ----------
        along : ndarray of float, shape (2,)
            Unit vector along the base line, to the right.
        """
        across = np.array([-along[1], along[0]])

        def low(x: FloatArray) -> FloatArray:
            point: FloatArray = _centre(x) - x[4] * across
            return point

        start = low(self.solution)
        steps = np.array([1e-6, 1e-3, 1e-6, 1e-3, 1e-3])
        gradient = np.array(
            [(low(self.solution + h * np.eye(5)[k]) - start) / h for k, h in enumerate(steps)]
        )
        u_along, u_across = (
            math.sqrt(max(0.0, float(g @ self.covariance @ g)))
            for g in (gradient @ along, gradient @ across)
        )
        return start + self.origin_um, u_along, u_across


def find_bend(outline: Outline, index: int, half_arc_um: float, reach_um: float) -> Bend | None:
    """Fit the bend about an outline point.

    Parameters
    ----------
    outline : Outline
    index : int
        Point on the arc.
    half_arc_um : float
        Rough half length of the arc.
    reach_um : float
        How far the straight pieces may reach beyond the arc.

    Returns
    -------
    Bend or None
        None where too little straight outline is seen beside the arc.
    """
    far = half_arc_um + reach_um
    chosen, distance = outline.stretch(index, -far, far)
    if len(chosen) < 20:
        return None
    everywhere = np.ones(len(chosen), dtype=bool)
    points, core = outline.points_um[chosen], (-half_arc_um, half_arc_um)
    first, last = (
        straight_end(points, distance, everywhere, outline=outline, at=at, towards=towards)
        for at, towards in ((core[0], -far), (core[1], far))
    )
    if first is None or last is None:
        return None
    kept = (distance >= first) & (distance <= last)
    return fit_bend(points[kept], distance[kept], core, outline)


def straight_end(
    points: FloatArray, length: FloatArray, valid: NDArray[np.bool_], *, outline: Outline,
    at: float, towards: float,
) -> float | None:  # fmt: skip
    """Return how far from the arc's end the outline runs straight, as a distance along it.

    Parameters
    ----------
    points : ndarray of float, shape (n, 2)
    length : ndarray of float, shape (n,)
        Distances along the outline, rising.
    valid : ndarray of bool, shape (n,)
    outline : Outline
        For its noise.
    at, towards : float
        Where the straight piece begins, and how far it may reach.

    Returns
    -------
    float or None
        None where too little straight outline is seen.
    """
    low, high = min(at, towards), max(at, towards)
    inside = np.flatnonzero(valid & (length >= low) & (length <= high))
    pixel = outline.pixel_um
    if len(inside) < _MIN_STRAIGHT_PX:
        return None
    away = np.abs(length[inside] - at)
    order = np.argsort(away)
    inside, away = inside[order], away[order]
    # The stretch next to the arc may be hidden by the support: count from what is seen.
    away = away - away[0]
    reach = max(abs(towards - at), _MIN_STRAIGHT_PX * pixel)
    first = points[inside[0]]
    direction = points[inside[min(len(inside) - 1, 30)]] - first
    uv = into_frame(points[inside], first, direction / max(float(np.hypot(*direction)), 1e-12))
    line = longest_stretch(
        uv[:, 0], uv[:, 1], away, start=min(reach, 2 * _MIN_STRAIGHT_PX * pixel), stop=reach,
        noise=outline.noise, straight=True,
    )  # fmt: skip
    if line.half_width < 0.8 * _MIN_STRAIGHT_PX * pixel:
        return None
    reached = int(np.searchsorted(away, line.half_width).clip(0, len(away) - 1))
    return float(length[inside[reached]])


def fit_bend(
    points: FloatArray, length: FloatArray, core: tuple[float, float], outline: Outline
) -> Bend | None:
    """Fit line, arc and line to outline points.

    Parameters
    ----------
    points : ndarray of float, shape (n, 2)
        In order.
    length : ndarray of float, shape (n,)
        Distances along the outline.
    core : tuple of two floats
        Where the arc begins and ends, roughly.
    outline : Outline
        For its noise and blur.

    Returns
    -------
    Bend or None
        None where the two straight pieces make no bend.
    """
    thin = slice(None, None, max(1, math.ceil(len(points) / _MAX_POINTS)))
    points, length = points[thin], length[thin]
    start = _start(points, length, core)
    if start is None:
        return None
    scale, middle = outline.pixel_um, points.mean(axis=0)
    seen = (points - middle) / scale
    start[[1, 3]] = (start[[1, 3]] - _normal(start[[0, 2]]).T @ middle) / scale
    start[4] /= scale
    blur = outline.sigma_um / scale
    found = descend(
        lambda x: bend_distances(x, seen, blur), start, _STEPS,
        soft=3 * outline.noise.scatter / scale, rounds=15,
    )  # fmt: skip
    spread = max(1.4826 * float(np.median(np.abs(found.rest))), outline.noise.scatter / scale)
    covariance = found.covariance(spread**2 * outline.noise.inflation)
    units = np.array([1.0, scale, 1.0, scale, scale])
    solution = found.x * units
    centre = _centre(solution) + middle
    return Bend(
        solution=solution, covariance=covariance * np.outer(units, units), origin_um=middle,
        ends_um=_ends(found.x, points, centre, float(solution[4])), n=len(points),
    )  # fmt: skip


def _start(points: FloatArray, length: FloatArray, core: tuple[float, float]) -> FloatArray | None:
    """Return start values: normals' angles and offsets of both lines, and a radius."""
    parts = (points[length <= core[0]], points[length >= core[1]])
    if min(len(part) for part in parts) < 4:
        return None
    lines = []
    for part in parts:
        middle = part.mean(axis=0)
        _, _, axes = np.linalg.svd(part - middle, full_matrices=False)
        direction = axes[0] * np.sign(axes[0] @ (part[-1] - part[0]))
        lines.append((middle, direction))
    (p1, d1), (p2, d2) = lines
    turn = float(d1[0] * d2[1] - d1[1] * d2[0])
    if abs(turn) < math.sin(math.radians(MIN_TURN_DEG) / 2):
        return None
    # Normals point away from the arc's centre, which lies on the side turned to.
    side = -math.copysign(1.0, turn)
    normals = [side * np.array([-d[1], d[0]]) for d in (d1, d2)]
    angles = [math.atan2(n[1], n[0]) for n in normals]
    angles[1] = angles[0] + _wrapped(angles[1] - angles[0])
    width = core[1] - core[0]
    radius = 0.5 * width / max(abs(math.asin(min(1.0, abs(turn)))), 0.1)
    return np.array([angles[0], normals[0] @ p1, angles[1], normals[1] @ p2, radius])


def _normal(angles: FloatArray) -> FloatArray:
    return np.array([np.cos(angles), np.sin(angles)])


def _wrapped(angle: float) -> float:
    return (angle + math.pi) % (2 * math.pi) - math.pi


def _centre(x: FloatArray) -> FloatArray:
    """Return the centre of the circle that touches both lines from inside."""
    matrix = _normal(x[[0, 2]]).T
    centre: FloatArray = np.linalg.solve(matrix, x[[1, 3]] - x[4])
    return centre


def bend_distances(bends: FloatArray, points: FloatArray, blur: float) -> FloatArray:
    """Return distances of points from blurred bends: a line, an arc and a line each.

    Parameters
    ----------
    bends : ndarray of float, shape (k, 5)
        Angle of the first line's normal, its offset, both of the second line, the radius.
    points : ndarray of float, shape (n, 2)
    blur : float
        In the unit of the points.

    Returns
    -------
    ndarray of float, shape (k, n)

    Notes
    -----
    Blur moves an outline towards the centre of its curvature by blur²/2 times the curvature,
    itself smoothed along the outline by the same blur.
    """
    from scipy.special import ndtr

    angle1, c1, angle2, c2, radius = bends.T[:, :, None]
    (nx1, ny1), (nx2, ny2) = _normal(angle1), _normal(angle2)
    turn = (angle2 - angle1 + math.pi) % (2 * math.pi) - math.pi
    sine = np.sin(turn)
    sine = np.where(np.abs(sine) < 1e-6, 1e-6, sine)
    d1, d2 = c1 - radius, c2 - radius
    x = points[:, 0] - (d1 * ny2 - d2 * ny1) / sine
    y = points[:, 1] - (d2 * nx1 - d1 * nx2) / sine
    side, half = np.sign(turn), np.abs(turn) / 2
    middle = angle1 + turn / 2
    # The angle about the centre from the arc's middle, towards the second line.
    place = side * np.arctan2(y * np.cos(middle) - x * np.sin(middle),
                              x * np.cos(middle) + y * np.sin(middle))  # fmt: skip
    on_arc = np.abs(place) < half
    # Both lines' distances from the centre are the radius.
    first, second = x * nx1 + y * ny1, x * nx2 + y * ny2
    distance = np.where(on_arc, np.hypot(x, y), np.where(place < 0, first, second)) - np.abs(radius)
    r = np.maximum(np.abs(radius), 1e-3)
    before = side * (y * nx1 - x * ny1) - r * half
    behind = side * (y * nx2 - x * ny2) + r * half
    along = np.where(on_arc, r * place, np.where(place < 0, before, behind))
    share = ndtr((along + r * half) / blur) - ndtr((along - r * half) / blur)
    # A radius below 0 has no meaning; a steep rise sends the search back.
    moved = distance + blur * blur / (2 * np.maximum(r, blur)) * share
    return np.asarray(moved + 10 * np.minimum(0.0, radius), dtype=np.float64)


def _ends(x: FloatArray, points: FloatArray, centre: FloatArray, radius: float) -> FloatArray:
    """Return the ends of the straight pieces and of the arc."""
    n1, n2 = _normal(x[[0, 2]]).T
    touch1, touch2 = centre + radius * n1, centre + radius * n2
    ends = []
    for touch, normal, far in ((touch1, n1, points[0]), (touch2, n2, points[-1])):
        tangent = np.array([-normal[1], normal[0]])
        ends.append(touch + ((far - touch) @ tangent) * tangent)
    return np.array([ends[0], touch1, touch2, ends[1]])
