"""Two outlines laid over each other by turning and shifting only, and what is left between them."""

import math
from dataclasses import dataclass

import numpy as np

from micromeasure.outcome import FloatArray

# First turns tried when the parts may lie anyhow: enough for the search to fall into the right
# valley of any shape that has one.
_STARTS = 24
_COARSE_POINTS = 300
_ROUNDS = 40
_TUKEY = 4.685
# The dense reference curve has so many points per point given.
_DENSE = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """A closed outline made dense by a periodic cubic spline.

    Attributes
    ----------
    points_um : ndarray of float, shape (n, 2)
        Clockwise with y upwards.
    normals_um : ndarray of float, shape (n, 2)
        Unit normals outwards.
    valid : ndarray of bool, shape (n,)
    """

    points_um: FloatArray
    normals_um: FloatArray
    valid: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True)
class Overlay:
    """One outline laid over another.

    Attributes
    ----------
    points_um, normals_um : ndarray of float, shape (n, 2)
        The first outline after turn and shift, in the other's frame.
    deviation_um : ndarray of float, shape (n,)
        Signed distance from the other outline, above 0 outside it; NaN where either is not
        known.
    turn_deg : float
    shift_um : ndarray of float, shape (2,)
    """

    points_um: FloatArray
    normals_um: FloatArray
    deviation_um: FloatArray
    turn_deg: float
    shift_um: FloatArray


def curve_through(points_um: FloatArray, valid: np.ndarray | None = None) -> Curve:
    """Make a closed outline dense.

    Parameters
    ----------
    points_um : ndarray of float, shape (n, 2)
        In order, not repeated at the end.
    valid : ndarray of bool, shape (n,), optional

    Returns
    -------
    Curve
    """
    from scipy.interpolate import CubicSpline

    points = np.asarray(points_um, dtype=np.float64)
    known = np.ones(len(points), dtype=bool) if valid is None else np.asarray(valid, dtype=bool)
    x, y = points.T
    if np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)) > 0:
        points, known = points[::-1], known[::-1]
    closed = np.vstack([points, points[:1]])
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    spline = CubicSpline(length, closed, bc_type="periodic")
    at = (length[:-1, None] + np.diff(length)[:, None] * np.arange(_DENSE) / _DENSE).ravel()
    along = spline(at, 1)
    along /= np.maximum(np.hypot(*along.T), 1e-12)[:, None]
    # Clockwise with y upwards: outside is on the left.
    normals = np.column_stack([-along[:, 1], along[:, 0]])
    both = known & np.roll(known, -1)
    return Curve(points_um=spline(at), normals_um=normals, valid=np.repeat(both, _DENSE))


def lay_over(moving: Curve, fixed: Curve, *, any_turn: bool = False) -> Overlay:
    """Register one outline on another rigidly, never scaled, and return the deviation.

    Parameters
    ----------
    moving, fixed : Curve
        The part and what it is compared with.
    any_turn : bool
        Whether the parts may lie turned by any angle; otherwise by some degrees only.

    Returns
    -------
    Overlay

    Notes
    -----
    Least squares of the distances along the fixed outline's normals, nearest points sought
    anew in each round; points far off get Tukey's weight, so that a burr or a missing corner
    does not drag the rest along.
    """
    from scipy.spatial import cKDTree

    tree = cKDTree(fixed.points_um)
    step = max(1, len(moving.points_um) // _COARSE_POINTS)
    coarse = moving.points_um[::step][moving.valid[::step]]
    pivot = moving.points_um.mean(axis=0)
    middle = fixed.points_um.mean(axis=0)
    turns = np.linspace(0, 2 * math.pi, _STARTS, endpoint=False) if any_turn else np.zeros(1)
    tries = [
        _search(coarse - pivot, fixed, tree, (float(turn), *middle), rounds=15) for turn in turns
    ]
    best = min(tries, key=lambda one: one[1])[0]
    thin = moving.points_um[::_DENSE][moving.valid[::_DENSE]]
    pose, _ = _search(thin - pivot, fixed, tree, best, rounds=_ROUNDS)
    points = _posed(moving.points_um - pivot, pose)
    rotation = _rotation(pose[0])
    deviation, nearest = _deviation(points, fixed, tree)
    deviation[~(moving.valid & fixed.valid[nearest])] = np.nan
    return Overlay(
        points_um=points, normals_um=moving.normals_um @ rotation.T, deviation_um=deviation,
        turn_deg=math.degrees((pose[0] + math.pi) % (2 * math.pi) - math.pi),
        shift_um=np.array(pose[1:]) - rotation @ pivot,
    )  # fmt: skip


Pose = tuple[float, float, float]


def _search(
    points: FloatArray, fixed: Curve, tree: object, start: Pose, *, rounds: int
) -> tuple[Pose, float]:
    """Return the pose of least squared distance from a start, and the root mean square left."""
    pose, spread = start, math.inf
    for _ in range(rounds):
        moved = _posed(points, pose)
        rest, nearest = _deviation(moved, fixed, tree)
        normals = fixed.normals_um[nearest]
        spread = 1.4826 * float(np.median(np.abs(rest))) + 1e-9
        weight = np.clip(1 - (rest / (_TUKEY * spread)) ** 2, 0, None) ** 2
        weight = weight * fixed.valid[nearest]
        centre = np.array(pose[1:])
        lever = moved - centre
        jacobian = np.column_stack(
            [normals[:, 1] * lever[:, 0] - normals[:, 0] * lever[:, 1], normals]
        )
        weighted = jacobian * weight[:, None]
        change, *_ = np.linalg.lstsq(weighted.T @ jacobian, -weighted.T @ rest, rcond=None)
        pose = (pose[0] + float(np.clip(change[0], -0.3, 0.3)), pose[1] + float(change[1]),
                pose[2] + float(change[2]))  # fmt: skip
        reach = float(np.abs(lever).max())
        if np.hypot(*change[1:]) < 1e-7 * reach and abs(change[0]) < 1e-8:
            break
    rest, _ = _deviation(_posed(points, pose), fixed, tree)
    return pose, float(np.sqrt(np.mean(np.clip(np.abs(rest), 0, 5 * np.median(np.abs(rest))) ** 2)))


def _rotation(turn: float) -> FloatArray:
    return np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])


def _posed(points: FloatArray, pose: Pose) -> FloatArray:
    posed: FloatArray = points @ _rotation(pose[0]).T + np.array(pose[1:])
    return posed


def _deviation(points: FloatArray, fixed: Curve, tree: object) -> tuple[FloatArray, np.ndarray]:
    """Return signed distances from the fixed outline, and its nearest points."""
    _, nearest = tree.query(points)  # type: ignore[attr-defined]  # a cKDTree, imported late
    rest = points - fixed.points_um[nearest]
    # The nearest point is within an eighth of a spacing; across it the tangent is the curve.
    return np.sum(rest * fixed.normals_um[nearest], axis=1), nearest


def offsets_about(curves: list[Curve]) -> FloatArray:
    """Return how far each outline lies outside the first one, all laid over it.

    Parameters
    ----------
    curves : list of Curve
        At least one.

    Returns
    -------
    ndarray of float, shape (len(curves), n)
        Along the normals of the first outline's n points; NaN where an outline is not known.
    """
    from scipy.spatial import cKDTree

    first = curves[0]
    spacing = float(np.median(np.hypot(*np.diff(first.points_um, axis=0).T)))
    offsets = [np.where(first.valid, 0.0, np.nan)]
    for other in curves[1:]:
        laid = lay_over(other, first)
        known = np.isfinite(laid.deviation_um)
        distance, nearest = cKDTree(laid.points_um[known]).query(first.points_um)
        offset = laid.deviation_um[known][nearest]
        # Where the other outline is not known near by, it says nothing.
        offsets.append(np.where(distance < 5 * spacing + 2 * np.abs(offset), offset, np.nan))
    return np.array(offsets)


def moved_by(curve: Curve, offsets_um: FloatArray) -> Curve:
    """Return an outline moved along its normals by the mean of some offsets.

    Parameters
    ----------
    curve : Curve
    offsets_um : ndarray of float, shape (k, n)
        From `offsets_about`; NaN counts for nothing.
    """
    known = np.isfinite(offsets_um)
    mean = np.nan_to_num(offsets_um).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    return Curve(
        points_um=curve.points_um + curve.normals_um * mean[:, None],
        normals_um=curve.normals_um, valid=np.asarray(known.any(axis=0)),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlineSize:
    """Size of an outline.

    Attributes
    ----------
    area_um2, perimeter_um : float
    feret_max_um, feret_min_um : float
        Greatest and least distance of two parallel tangents.
    feret_max_along, feret_min_along : ndarray of float, shape (2,)
        Unit vectors along which they are taken.
    """

    area_um2: float
    perimeter_um: float
    feret_max_um: float
    feret_min_um: float
    feret_max_along: FloatArray
    feret_min_along: FloatArray


def size_of(points_um: FloatArray) -> OutlineSize:
    """Return area, perimeter and Feret diameters of a closed outline.

    Parameters
    ----------
    points_um : ndarray of float, shape (n, 2)
        In order, not repeated at the end.

    Returns
    -------
    OutlineSize

    Notes
    -----
    The greatest diameter joins two corners of the convex hull, the least stands on one of its
    edges (rotating calipers, Shamos 1978).
    """
    from scipy.spatial import ConvexHull

    x, y = np.asarray(points_um, dtype=np.float64).T
    perimeter = float(np.hypot(np.roll(x, -1) - x, np.roll(y, -1) - y).sum())
    hull = points_um[ConvexHull(points_um).vertices]
    rest = hull[:, None, :] - hull[None, :, :]
    distance = np.hypot(rest[:, :, 0], rest[:, :, 1])
    i, j = np.unravel_index(int(np.argmax(distance)), distance.shape)
    edges = np.roll(hull, -1, axis=0) - hull
    normals = np.column_stack([-edges[:, 1], edges[:, 0]]) / np.hypot(*edges.T)[:, None]
    widths = np.ptp(hull @ normals.T, axis=0)
    k = int(np.argmin(widths))
    return OutlineSize(
        area_um2=area_of(points_um), perimeter_um=perimeter, feret_max_um=float(distance[i, j]),
        feret_min_um=float(widths[k]), feret_max_along=rest[i, j] / distance[i, j],
        feret_min_along=normals[k],
    )  # fmt: skip


def area_of(points_um: FloatArray) -> float:
    """Return the area within a closed outline (Gauss's area formula), µm²."""
    x, y = np.asarray(points_um, dtype=np.float64).T
    return abs(float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))) / 2
