"""The profile of a dome: base line, crown and what is measured from one to the other."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from micromeasure.errors import MeasurementError
from micromeasure.outcome import FloatArray
from micromeasure.sideview.arc import Arc, fit_arc, grow_arc, into_frame
from micromeasure.sideview.contact import Contact, find_contact, touch, unblurred_radius
from micromeasure.sideview.outline import Outline
from micromeasure.sideview.standing import standing_contact
from micromeasure.sideview.stretch import Noise
from micromeasure.sideview.support import Support

Indices = NDArray[np.intp]

# The crown is fitted over this share of the base chord to begin with; it grows while a circle
# holds, up to the widest.
_CROWN_START = 0.12
_CROWN_WIDEST = 0.8
# Share of a stretch over which a circle seems to hold that is fitted.
_CROWN_MARGIN = 0.83
# An outline this close to the image's side runs out of it.
_AT_BORDER_PX = 2.0
# Curvature of the outer surface in the top part is what counts; steeper flanks are limbs.
_CROWN_MAX_DEG = 45.0
# Share of the chord over which the top is sought on a smoothed outline, against specks.
_TOP_SMOOTHING = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class BaseLine:
    """The line the part stands on.

    Attributes
    ----------
    origin_um, along_um : ndarray of float, shape (2,)
        Left contact and unit vector to the right.
    left, right : Contact
    is_support : bool
        Whether the line is the support's edge; otherwise it joins the two contacts.
    support : Support or None
    """

    origin_um: FloatArray
    along_um: FloatArray
    left: Contact
    right: Contact
    is_support: bool
    support: Support | None = None

    @property
    def chord_um(self) -> float:
        """Distance between the contacts along the line."""
        return float((self.right.point_um - self.left.point_um) @ self.along_um)

    def u_height_um(self, along: float) -> float:
        """Return the standard uncertainty of the line's height at a place along it."""
        if self.support is not None:
            return self.support.u_at(self.origin_um + along * self.along_um)
        share = along / self.chord_um
        return math.hypot((1 - share) * self.left.u_across_um, share * self.right.u_across_um)


@dataclass(frozen=True, slots=True, kw_only=True)
class Crown:
    """The circle through the outer surface about its highest point.

    Attributes
    ----------
    arc : Arc
        In the base line's frame, shifted to the centre of the fitted stretch.
    centre_along_um : float
        Where that stretch is centred along the base line.
    height_um, along_um : float
        Height of the top above the base line, and where it lies along it.
    u_height_um, u_along_um : float
        Standard uncertainties from the fit alone.
    radius_um, u_radius_um : float
        Radius with the blur taken out; below 0 for a hollow.
    arc_deg : float
        Angle that the fitted stretch spans.
    is_circle : bool
        Whether a circle holds over the stretch.
    """

    arc: Arc
    centre_along_um: float
    height_um: float
    along_um: float
    u_height_um: float
    u_along_um: float
    radius_um: float
    u_radius_um: float
    arc_deg: float
    is_circle: bool


def find_base_line(
    outline: Outline, support: Support | None, *, reach_um: float, thickness_um: float | None
) -> BaseLine:
    """Find the feet and the line they stand on.

    Parameters
    ----------
    outline : Outline
    support : Support or None
        The support's edge, where one is seen.
    reach_um : float
        How far the outline of a foot may be looked at, about 1.5 sheet thicknesses.
    thickness_um : float or None
        Rough thickness of the sheet, None for a solid shape.

    Returns
    -------
    BaseLine

    Raises
    ------
    MeasurementError
        If the left or the right foot cannot be found.
    """
    if support is not None:
        return _on_support(outline, support, reach_um)
    left, right = _standing_points(outline)
    _check_inside(outline, [outline.points_um[left], outline.points_um[right]], reach_um)
    along = _unit(outline.points_um[right] - outline.points_um[left])
    contacts = [
        find_contact(outline, index, along, reach_um=reach_um, thickness_um=thickness_um)
        for index in (left, right)
    ]
    for _ in range(3):
        ends = [touch(contact, along) for contact in contacts]
        along = _unit(ends[1] - ends[0])
    placed = [_moved(contact, along) for contact in contacts]
    return BaseLine(
        origin_um=placed[0].point_um,
        along_um=along,
        left=placed[0],
        right=placed[1],
        is_support=False,
    )


def _moved(contact: Contact, along: FloatArray) -> Contact:
    return replace(contact, point_um=touch(contact, along))


def _unit(vector: FloatArray) -> FloatArray:
    result: FloatArray = vector / np.hypot(*vector)
    return result


def _standing_points(outline: Outline) -> tuple[int, int]:
    """Return the outline points at both ends of the longest hull edge below the part."""
    import cv2

    valid = np.flatnonzero(outline.valid)
    points = outline.points_um[valid].astype(np.float32)
    hull = cv2.convexHull(points[:, None, :], returnPoints=False)[:, 0]
    corners = points[hull].astype(float)
    edges = np.roll(corners, -1, axis=0) - corners
    middle = points.mean(axis=0)
    sides = corners + edges / 2
    # An edge below has the part above it; of those the widest carries it.
    width = np.where(sides[:, 1] < middle[1], np.abs(edges[:, 0]), 0.0)
    k = int(np.argmax(width))
    ends = sorted((int(valid[hull[k]]), int(valid[hull[(k + 1) % len(hull)]])),
                  key=lambda i: float(outline.points_um[i, 0]))  # fmt: skip
    span = float(np.ptp(points[:, 0]))
    if width[k] < 0.3 * span:
        message = (
            "left foot and right foot: not found; the part has no two points to stand on "
            f"further apart than 30 % of its width (widest {width[k]:.0f} of {span:.0f} um)"
        )
        raise MeasurementError(message)
    return ends[0], ends[1]


def _check_inside(outline: Outline, places_um: Sequence[FloatArray], reach_um: float) -> None:
    """Refuse contacts close to where the part runs out of the image: there it goes on unseen."""
    cols = outline.pixels.shape[1]
    margin = 3 * outline.sigma_um / outline.pixel_um + 2
    x = outline.to_px(outline.points_um)[:, 0]
    cut = outline.points_um[(x < _AT_BORDER_PX) | (x > cols - 1 - _AT_BORDER_PX)]
    for name, place in zip(("left foot", "right foot"), places_um, strict=True):
        own = float(outline.to_px(place[None])[0, 0])
        near = len(cut) > 0 and float(np.min(np.hypot(*(cut - place).T))) < reach_um
        if near or not margin <= own <= cols - 1 - margin:
            message = (
                f"{name}: not found; the part runs out of the image there. Move it into the field"
            )
            raise MeasurementError(message)


def _on_support(outline: Outline, support: Support, reach_um: float) -> BaseLine:
    along = support.along_um
    uv = into_frame(outline.points_um, support.point_um, along)
    middle = (uv[:, 0].min() + uv[:, 0].max()) / 2
    contacts = []
    for name, side in (("left foot", -1), ("right foot", 1)):
        there = np.sign(uv[:, 0] - middle) == side
        lowest = float(uv[there, 1].min())
        if lowest > support.cut_um:
            message = (
                f"{name}: not found; on its side the part ends {lowest:.0f} um above the support"
            )
            raise MeasurementError(message)
        # The outline was cut off the support there; what is as low is the foot's contact.
        there &= uv[:, 1] < lowest + 2 * outline.pixel_um
        contacts.append(standing_contact(outline, support, uv, there=there, size_um=reach_um / 1.5))
    left, right = contacts
    # Next to the support the foot is hidden: what is cut off that near may be its contact.
    _check_inside(outline, [left.point_um, right.point_um], reach_um / 1.5 + support.cut_um)
    return BaseLine(
        origin_um=left.point_um,
        along_um=along,
        left=left,
        right=right,
        is_support=True,
        support=support,
    )


def outer_path(outline: Outline, base: BaseLine) -> Indices:
    """Return the outline points of the upper side, from the left foot to the right one."""
    distance = [np.hypot(*(outline.points_um - c.point_um).T) for c in (base.left, base.right)]
    return outline.path(int(np.argmin(distance[0])), int(np.argmin(distance[1])))


def fit_crown(
    outline: Outline, base: BaseLine, outer: Indices, arc_deg: float | None = None
) -> Crown:
    """Fit a circle to the outer surface about its highest point.

    Parameters
    ----------
    outline : Outline
    base : BaseLine
    outer : ndarray of int
        Outline points of the upper side.
    arc_deg : float or None
        Angle to fit over; None takes the widest over which a circle holds.

    Returns
    -------
    Crown

    Raises
    ------
    MeasurementError
        If too little of the outer surface is seen.
    """
    kept = outer[outline.valid[outer]]
    uv = into_frame(outline.points_um[kept], base.origin_um, base.along_um)
    inside = (uv[:, 0] > 0) & (uv[:, 0] < base.chord_um)
    uv = uv[inside]
    chord = base.chord_um
    if len(uv) < 30:
        message = "crown: not found; too little of the outer surface has a clean edge"
        raise MeasurementError(message)
    centre = _top_place(uv, chord)
    arc, centre = _fit_about(uv, centre, chord, noise=outline.noise, arc_deg=arc_deg)
    if arc.curvature > 0 and abs(arc.top[0]) > 0.02 * chord:
        # The stretch is to lie evenly about the top, as far as a smoothed outline could not tell.
        centre += float(np.clip(arc.top[0], -0.1 * chord, 0.1 * chord))
        arc, centre = _fit_about(uv, centre, chord, noise=outline.noise, arc_deg=arc_deg)
    return _crown(arc, centre, outline)


def _top_place(uv: FloatArray, chord: float) -> float:
    """Return where along the base line the outer surface is highest, specks smoothed away."""
    cells = max(8, round(2 / _TOP_SMOOTHING))
    which = np.clip((uv[:, 0] / chord * cells).astype(np.intp), 0, cells - 1)
    heights = np.array([np.median(uv[which == k, 1]) if np.any(which == k) else -np.inf
                        for k in range(cells)])  # fmt: skip
    return (int(np.argmax(heights)) + 0.5) * chord / cells


def _fit_about(
    uv: FloatArray, centre: float, chord: float, *, noise: Noise, arc_deg: float | None
) -> tuple[Arc, float]:
    u, v = uv[:, 0] - centre, uv[:, 1]
    widest = min(_CROWN_WIDEST * chord / 2, centre, chord - centre)
    first = min(_CROWN_START * chord / 2, widest)
    near = np.abs(u) <= widest
    u, v = u[near], v[near]
    arc = grow_arc(u, v, u, start=first, stop=widest, noise=noise)
    if arc.is_adequate and arc.half_width > first:
        # Straight limbs leave a circle so gently that noise hides their first part.
        inside = np.abs(u) <= _CROWN_MARGIN * arc.half_width
        arc = replace(fit_arc(u[inside], v[inside]), is_adequate=True)
    limit = math.radians(_CROWN_MAX_DEG if arc_deg is None else arc_deg / 2)
    half = arc.radius * math.sin(limit)
    if arc.curvature > 0 and (arc_deg is not None or arc.half_width > half):
        top = arc.top[0] if abs(arc.top[0]) < arc.half_width else 0.0
        inside = np.abs(u - top) <= half
        if inside.sum() >= 10:
            return fit_arc(u[inside] - top, v[inside]), centre + top
    return arc, centre


def _crown(arc: Arc, centre: float, outline: Outline) -> Crown:
    blur = outline.sigma_um
    # The whole outline tells the correlation of its points from more of them than the crown does,
    # but from bends as well: the geometric mean of both.
    grown = math.sqrt(max(1.0, outline.noise.inflation / arc.inflation))
    arc = replace(arc, covariance=arc.covariance * grown)
    top_u, top_v = arc.top if abs(arc.top[0]) <= arc.half_width else _edge_of(arc)
    # Blur lowers a convex surface by blur² / (2 R).
    radius = math.copysign(unblurred_radius(arc.radius, blur), arc.curvature or 1.0)
    shift = blur * blur * arc.curvature / 2
    u_along, u_height = arc.u_top
    span = 2 * math.degrees(math.asin(min(1.0, arc.half_width * abs(arc.curvature))))
    return Crown(
        arc=arc, centre_along_um=centre, height_um=top_v + shift, along_um=centre + top_u,
        u_height_um=u_height, u_along_um=min(u_along, arc.half_width), radius_um=radius,
        u_radius_um=arc.u_radius, arc_deg=span, is_circle=arc.is_adequate,
    )  # fmt: skip


def _edge_of(arc: Arc) -> tuple[float, float]:
    """Return the higher end of an arc whose top lies outside it, or of a hollow."""
    ends = np.array([-arc.half_width, arc.half_width])
    heights = arc.offset + ends * math.tan(arc.slope) - arc.curvature * ends**2 / 2
    k = int(np.argmax(heights))
    return float(ends[k]), float(heights[k])
