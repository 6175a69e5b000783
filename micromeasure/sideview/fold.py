"""A fold seen from the side: two straight pieces and the arc between them, on each surface."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.outcome import FloatArray
from micromeasure.sideview.arc import grow_arc, into_frame
from micromeasure.sideview.contour import smooth_closed
from micromeasure.sideview.outline import Outline

Indices = NDArray[np.intp]

# A smaller turn than this is no fold but the dome's own curvature.
_MIN_TURN_DEG = 8.0
_MAX_POINTS = 400
# Length of straight outline needed on each side of the arc, in pixels.
_MIN_STRAIGHT_PX = 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SurfaceFold:
    """Straight, arc, straight along one surface of the sheet.

    Attributes
    ----------
    angle_deg, u_angle_deg : float
        Included angle, flat sheet 180°, and its standard uncertainty.
    radius_um, u_radius_um : float
        Radius of the arc with the blur taken out.
    is_inner : bool
        Whether the arc's centre lies outside the metal: the inner side of the fold.
    centre_um : ndarray of float, shape (2,)
    ends_um : ndarray of float, shape (4, 2)
        Far end of the limb's straight piece, both ends of the arc, far end of the foot's piece.
    n : int
        Points used.
    """

    angle_deg: float
    u_angle_deg: float
    radius_um: float
    u_radius_um: float
    is_inner: bool
    centre_um: FloatArray
    ends_um: FloatArray
    n: int


def fit_fold(outline: Outline, side: Indices, thickness_um: float) -> SurfaceFold | None:
    """Find the fold along one surface and fit it.

    Parameters
    ----------
    outline : Outline
    side : ndarray of int
        Outline points of one surface, from the crown to the tip.
    thickness_um : float
        Thickness of the sheet.

    Returns
    -------
    SurfaceFold or None
        None where no fold, or too little straight outline beside it, is seen.
    """
    points = outline.points_um[side]
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    core = _core(points, length, outline, thickness_um)
    if core is None:
        return None
    start, stop = core
    tip = length[-1] - 0.7 * thickness_um - 3 * outline.sigma_um
    valid = outline.valid[side]
    limb = _straight(points, length, valid, outline=outline, at=start, towards=0.0)
    foot = _straight(points, length, valid, outline=outline, at=stop, towards=tip)
    if limb is None or foot is None:
        return None
    chosen = np.flatnonzero(valid & (length >= limb) & (length <= foot))
    chosen = chosen[:: max(1, math.ceil(len(chosen) / _MAX_POINTS))]
    normals = outline.normals_um[side[chosen]]
    return _fit(points[chosen], normals, length[chosen], core=core, outline=outline)


def _core(
    points: FloatArray, length: FloatArray, outline: Outline, thickness: float
) -> tuple[float, float] | None:
    """Return where the arc of the fold begins and ends, as distances from the crown."""
    spacing = length[-1] / max(len(points) - 1, 1)
    width = max(0.25 * thickness, 3 * outline.sigma_um) / spacing
    # Mirrored at both ends, the surface closes without a jump.
    smooth = smooth_closed(np.vstack([points, points[::-1]]), width)[: len(points)]
    heading = np.unwrap(np.arctan2(*np.gradient(smooth, axis=0).T[::-1]))
    curvature = np.gradient(heading, np.maximum(length, 1e-9)) if len(points) > 3 else heading * 0
    reach = 1.5 * thickness
    ahead = np.interp(length + reach, length, heading)
    behind = np.interp(length - reach, length, heading)
    turn = ahead - behind
    low, high = 1.5 * reach, length[-1] - 1.2 * thickness - 3 * outline.sigma_um
    inside = (length > low) & (length < high)
    # A turn that reaches into the tip's own corners is not the fold's.
    turn = np.where(length + reach > high, 0.0, turn)
    if not inside.any():
        return None
    k = int(np.flatnonzero(inside)[np.argmax(np.abs(turn[inside]))])
    if abs(turn[k]) < math.radians(_MIN_TURN_DEG):
        return None
    sign = np.sign(turn[k])
    window = np.abs(length - length[k]) < reach
    peak = int(np.flatnonzero(window)[np.argmax(sign * curvature[window])])
    level = 0.25 * sign * curvature[peak]
    first = last = peak
    while first > 0 and sign * curvature[first] > level:
        first -= 1
    while last < len(points) - 1 and sign * curvature[last] > level and length[last] < high:
        last += 1
    return float(length[first]), float(length[last])


def _straight(
    points: FloatArray, length: FloatArray, valid: NDArray[np.bool_], *, outline: Outline,
    at: float, towards: float,
) -> float | None:  # fmt: skip
    """Return how far from the arc's end the outline runs straight, as a distance from the crown."""
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
    line = grow_arc(
        uv[:, 0], uv[:, 1], away, start=min(reach, 2 * _MIN_STRAIGHT_PX * pixel), stop=reach,
        noise=outline.noise, straight=True,
    )  # fmt: skip
    if line.half_width < 0.8 * _MIN_STRAIGHT_PX * pixel:
        return None
    reached = int(np.searchsorted(away, line.half_width).clip(0, len(away) - 1))
    return float(length[inside[reached]])


def _fit(
    points: FloatArray, normals: FloatArray, length: FloatArray, *, core: tuple[float, float],
    outline: Outline,
) -> SurfaceFold | None:  # fmt: skip
    from scipy.optimize import least_squares

    start = _start(points, length, core)
    if start is None:
        return None
    scale = outline.pixel_um
    middle = points.mean(axis=0)
    seen = (points - middle) / scale
    start[[1, 3]] = (start[[1, 3]] - _normal(start[[0, 2]]).T @ middle) / scale
    start[4] /= scale
    blur = outline.sigma_um / scale
    found = least_squares(
        _residuals, start, args=(seen, blur), loss="soft_l1",
        f_scale=3 * outline.noise.scatter / scale, x_scale=[0.01, 1, 0.01, 1, 1], max_nfev=40,
    )  # fmt: skip
    angle1, angle2, radius = found.x[0], found.x[2], found.x[4]
    rest = _residuals(found.x, seen, blur)
    spread = max(1.4826 * float(np.median(np.abs(rest))), outline.noise.scatter / scale)
    jacobian = np.asarray(found.jac)
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * spread**2 * outline.noise.inflation
    turn = abs(_wrapped(angle2 - angle1))
    u_turn = math.sqrt(max(0.0, covariance[0, 0] + covariance[2, 2] - 2 * covariance[0, 2]))
    centre = _centre(found.x) * scale + middle
    pull = np.array([math.cos(angle1) + math.cos(angle2), math.sin(angle1) + math.sin(angle2)])
    outward = normals[len(normals) // 2]
    return SurfaceFold(
        angle_deg=180 - math.degrees(turn), u_angle_deg=math.degrees(u_turn),
        radius_um=radius * scale, u_radius_um=math.sqrt(covariance[4, 4]) * scale,
        is_inner=bool(pull @ outward < 0), centre_um=centre, n=len(points),
        ends_um=_ends(found.x, points, centre, radius * scale),
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
    if abs(turn) < math.sin(math.radians(_MIN_TURN_DEG) / 2):
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


def _residuals(x: FloatArray, points: FloatArray, blur: float) -> FloatArray:
    """Return distances of points from the blurred line, arc, line with normals' angles x[0], x[2].

    Blur moves an outline towards the centre of its curvature by blur²/2 times the curvature,
    itself smoothed along the outline by the same blur.
    """
    from scipy.special import ndtr

    angle1, c1, angle2, c2, radius = x
    matrix = _normal(x[[0, 2]]).T
    if abs(np.linalg.det(matrix)) < 1e-6:
        return np.full(len(points), 1e3)
    rest = points - _centre(x)
    turn = _wrapped(angle2 - angle1)
    middle = angle1 + turn / 2
    place = (np.arctan2(rest[:, 1], rest[:, 0]) - middle + math.pi) % (2 * math.pi) - math.pi
    half = abs(turn) / 2
    place = place * (1.0 if turn > 0 else -1.0)
    first, second = points @ matrix[0] - c1, points @ matrix[1] - c2
    distance = np.where(place < 0, first, second)
    on_arc = np.abs(place) < half
    distance = np.where(on_arc, np.hypot(*rest.T) - abs(radius), distance)
    tangent1 = np.array([-matrix[0][1], matrix[0][0]]) * (1 if turn > 0 else -1)
    tangent2 = np.array([-matrix[1][1], matrix[1][0]]) * (1 if turn > 0 else -1)
    r = max(abs(radius), 1e-3)
    before, behind = rest @ tangent1 - r * half, rest @ tangent2 + r * half
    along = np.where(on_arc, r * place, np.where(place < 0, before, behind))
    share = ndtr((along + r * half) / blur) - ndtr((along - r * half) / blur)
    # A radius below 0 has no meaning; a steep rise sends the search back.
    moved: FloatArray = distance + blur * blur / (2 * max(r, blur)) * share
    return np.asarray(moved + 10 * min(0.0, radius), dtype=np.float64)


def _ends(x: FloatArray, points: FloatArray, centre: FloatArray, radius: float) -> FloatArray:
    """Return the ends of the straight pieces and of the arc."""
    n1, n2 = _normal(x[[0, 2]]).T
    touch1, touch2 = centre + radius * n1, centre + radius * n2
    ends = []
    for touch, normal, far in ((touch1, n1, points[0]), (touch2, n2, points[-1])):
        tangent = np.array([-normal[1], normal[0]])
        ends.append(touch + ((far - touch) @ tangent) * tangent)
    return np.array([ends[0], touch1, touch2, ends[1]])
