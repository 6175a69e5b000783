"""A fold seen from the side: two straight pieces and the arc between them, on each surface."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.outcome import FloatArray
from micromeasure.sideview.bend import MIN_TURN_DEG, fit_bend, straight_end
from micromeasure.sideview.contour import smooth_closed
from micromeasure.sideview.outline import Outline

Indices = NDArray[np.intp]


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
    limb = straight_end(points, length, valid, outline=outline, at=start, towards=0.0)
    foot = straight_end(points, length, valid, outline=outline, at=stop, towards=tip)
    if limb is None or foot is None:
        return None
    chosen = np.flatnonzero(valid & (length >= limb) & (length <= foot))
    bend = fit_bend(points[chosen], length[chosen], core, outline)
    if bend is None:
        return None
    # The arc's centre lies outside the metal on the inner side of the fold.
    touch = chosen[np.argmin(np.abs(length[chosen] - (start + stop) / 2))]
    outward = outline.normals_um[side[touch]]
    return SurfaceFold(
        angle_deg=180 - math.degrees(bend.turn_rad), u_angle_deg=math.degrees(bend.u_turn_rad),
        radius_um=bend.radius_um, u_radius_um=bend.u_radius_um, centre_um=bend.centre_um,
        is_inner=bool((bend.centre_um - points[touch]) @ outward > 0), ends_um=bend.ends_um,
        n=bend.n,
    )  # fmt: skip


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
    if abs(turn[k]) < math.radians(MIN_TURN_DEG):
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
