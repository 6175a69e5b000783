"""The lowest point of a foot: the heel of a bend or a corner of the tip, without the blur.

A blurred outline runs inside a corner: the half-way level of a square corner lies 0.8 blur
widths short of its point. A heel is an arc and needs but the small shift of a blurred circle;
a corner is found from its two straight flanks, and its rounding from how dark it is.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from micromeasure.outcome import FloatArray
from micromeasure.sideview.arc import Arc, grow_arc, into_frame
from micromeasure.sideview.bend import Bend, find_bend
from micromeasure.sideview.outline import Outline, local_frame
from micromeasure.sideview.tip import Tip, fit_tip
from micromeasure.sideview.wedge import blurred_wedge, sliver

# An arc of at least so many blur widths is measured as an arc, a smaller one as a corner.
_ARC_MIN_SIGMA = 4.0
# The blurred outline of a corner leaves its flanks nearer than this, in blur widths.
_CORNER_REACH = 3.0
_ROUNDINGS = 33
# An outline reaching further below its contact, in scatters of a point and pixels, and a tip
# whose pixels are further off its model, in their noise and shares of the step, are irregular.
_MAX_BEYOND_SCATTER, _MAX_BEYOND_PX = 4.0, 0.02
_MAX_MISFIT_NOISE, _MAX_MISFIT = 2.5, 0.015
_LEAST_HEEL = 0.7


@dataclass(frozen=True, slots=True, kw_only=True)
class Contact:
    """Where a foot would touch a plane.

    Attributes
    ----------
    point_um : ndarray of float, shape (2,)
        Its place, y upwards.
    u_along_um, u_across_um : float
        Standard uncertainties along the base line and across it.
    kind : str
        ``heel``, ``corner`` or ``support``.
    centre_um : ndarray of float, shape (2,)
        Centre of the rounding; the contact lies `radius_um` below it.
    radius_um : float
    beyond_um : float
        How far the outline itself reaches below the fitted contact: a burr or a speck.
    is_irregular : bool
        Whether something else than a clean heel or tip is seen there.
    """

    point_um: FloatArray
    u_along_um: float
    u_across_um: float
    kind: str
    centre_um: FloatArray
    radius_um: float
    beyond_um: float = 0.0
    is_irregular: bool = False


def find_contact(
    outline: Outline, index: int, along: FloatArray, *, reach_um: float, thickness_um: float | None
) -> Contact:
    """Find the lowest point near an outline point.

    Parameters
    ----------
    outline : Outline
    index : int
        Outline point near the contact.
    along : ndarray of float, shape (2,)
        Unit vector along the base line, to the right.
    reach_um : float
        How far along the outline the foot may be looked at, about 1.5 sheet thicknesses.
    thickness_um : float or None
        Rough thickness of the sheet, None for a solid shape.

    Returns
    -------
    Contact
    """
    contact, misfit = _find(outline, index, along, reach_um=reach_um, thickness_um=thickness_um)
    most = _MAX_BEYOND_SCATTER * outline.noise.scatter + _MAX_BEYOND_PX * outline.pixel_um
    irregular = contact.beyond_um > most
    irregular |= misfit > _MAX_MISFIT_NOISE * outline.noise_share + _MAX_MISFIT
    # A sheet stands on the end of a strip or on a bend, whose outer radius exceeds its thickness.
    if thickness_um is not None and contact.kind != "tip":
        irregular |= contact.kind != "heel" or contact.radius_um < _LEAST_HEEL * thickness_um
    return replace(contact, is_irregular=irregular)


def _find(
    outline: Outline, index: int, along: FloatArray, *, reach_um: float, thickness_um: float | None
) -> tuple[Contact, float]:
    """Return the contact and how far pixels are off a tip's model, 0 for other shapes."""
    if thickness_um is not None:
        tip = fit_tip(outline, index, along, thickness_um)
        if tip is not None:
            return _of_tip(outline, index, along, tip=tip, reach=reach_um), tip.misfit
    return _heel_or_corner(outline, index, along, reach_um), 0.0


def _heel_or_corner(outline: Outline, index: int, along: FloatArray, reach_um: float) -> Contact:
    # In a frame turned by 180° the lowest point is the highest, and the outline's order runs on.
    turned = -along
    u, v, distance = local_frame(outline, index, turned, low_um=-reach_um, high_um=reach_um)
    blur = outline.sigma_um
    if len(u) < 8:
        return _plain(outline, index, along)
    arc = grow_arc(
        u, v, distance, start=max(3 * blur, 5 * outline.pixel_um), stop=reach_um,
        noise=outline.noise,
    )  # fmt: skip
    radius = unblurred_radius(arc.radius, blur)
    is_arc = arc.is_adequate and arc.curvature > 0 and radius >= _ARC_MIN_SIGMA * blur
    # A flat underside with a corner near by also passes for a large arc: its top lies outside.
    if is_arc and abs(arc.top[0]) <= arc.half_width:
        bend = find_bend(outline, index, arc.half_width, reach_um)
        if bend is not None:
            heel = _of_bend(outline, index, along, bend=bend, reach=reach_um)
            if _is_sound(heel, outline, index, along):
                return heel
        return _heel(outline, index, along, arc=arc, v=v)
    corner = _corner(outline, index, along, reach_um)
    if corner is not None:
        return corner
    return (
        _heel(outline, index, along, arc=arc, v=v)
        if arc.curvature > 0
        else _plain(outline, index, along)
    )


def _is_sound(heel: Contact, outline: Outline, index: int, along: FloatArray) -> bool:
    """Whether a fitted heel is known well and lies at the outline it was fitted to."""
    across = np.array([-along[1], along[0]])
    off = abs(float((heel.point_um - outline.points_um[index]) @ across))
    blur = outline.sigma_um
    return heel.u_across_um < blur and off < blur + outline.pixel_um and heel.radius_um > 0


def unblurred_radius(radius: float, blur: float) -> float:
    """Return the radius of an arc from that of its half-way level in a blurred image.

    Parameters
    ----------
    radius, blur : float
        Radius of the measured arc and standard deviation of the blur, in one unit.

    Returns
    -------
    float

    Notes
    -----
    To second order a Gaussian blur moves the half-way level of an arc of radius R towards its
    centre by blur² / (2 R), so the level's own radius r obeys r = R - blur²/(2 R).
    """
    if not math.isfinite(radius):
        return radius
    return (radius + math.sqrt(radius * radius + 2 * blur * blur)) / 2


def _heel(outline: Outline, index: int, along: FloatArray, *, arc: Arc, v: FloatArray) -> Contact:
    origin, across = outline.points_um[index], np.array([-along[1], along[0]])
    u_top, v_top = arc.top
    radius = unblurred_radius(arc.radius, outline.sigma_um)
    shift = radius - arc.radius
    point = origin - u_top * along - (v_top + shift) * across
    u_along, u_across = arc.u_top
    # The shift is known as well as the blur's shape is: a tenth of it for a round aperture.
    return Contact(
        point_um=point, u_along_um=u_along, u_across_um=math.hypot(u_across, 0.1 * shift),
        kind="heel", centre_um=point + radius * across, radius_um=radius,
        beyond_um=max(0.0, float(v.max()) - v_top),
    )  # fmt: skip


def _of_bend(
    outline: Outline, index: int, along: FloatArray, *, bend: Bend, reach: float
) -> Contact:
    across = np.array([-along[1], along[0]])
    point, u_along, u_across = bend.lowest(along)
    seen = outline.points_um[outline.stretch(index, -reach, reach)[0]]
    return Contact(
        point_um=point, u_along_um=u_along, u_across_um=u_across, kind="heel",
        centre_um=bend.centre_um, radius_um=bend.radius_um,
        beyond_um=max(0.0, -float(((seen - point) @ across).min())),
    )  # fmt: skip


def _of_tip(outline: Outline, index: int, along: FloatArray, *, tip: Tip, reach: float) -> Contact:
    across = np.array([-along[1], along[0]])
    seen = outline.points_um[outline.stretch(index, -reach, reach)[0]]
    return Contact(
        point_um=tip.low_um, u_along_um=tip.u_along_um, u_across_um=tip.u_across_um, kind="tip",
        centre_um=tip.centre_um, radius_um=tip.radius_um,
        beyond_um=max(0.0, -float(((seen - tip.low_um) @ across).min())),
    )  # fmt: skip


def _plain(outline: Outline, index: int, along: FloatArray) -> Contact:
    """Return the outline point itself, with the uncertainty of a position so taken."""
    point = outline.points_um[index]
    u = outline.sigma_um / math.sqrt(3.0)
    return Contact(
        point_um=point,
        u_along_um=2 * u,
        u_across_um=u,
        kind="point",
        centre_um=point,
        radius_um=0.0,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Flank:
    """A straight flank: a point on it, its direction away from the corner, uncertainties."""

    point: FloatArray
    direction: FloatArray
    covariance: FloatArray


def _corner(outline: Outline, index: int, along: FloatArray, reach_um: float) -> Contact | None:
    before, after = (_flank(outline, index, reach=reach_um, side=side) for side in (-1, 1))
    if before is None or after is None:
        return None
    matrix = np.column_stack([before.direction, -after.direction])
    if abs(np.linalg.det(matrix)) < math.sin(math.radians(15)):
        return None
    steps = np.linalg.solve(matrix, after.point - before.point)
    vertex = before.point + steps[0] * before.direction
    bisector = before.direction + after.direction
    bisector /= np.hypot(*bisector)
    half = math.acos(float(np.clip(before.direction @ bisector, -1, 1)))
    radius, u_radius = _rounding(outline, vertex, bisector, half=half, reach=reach_um)
    across = np.array([-along[1], along[0]])
    # The rounding's centre lies on the bisector; the contact is straight below it.
    reach = 1.0 / math.sin(half)
    centre = vertex + radius * reach * bisector
    point = centre - radius * across
    by_radius = reach * bisector - across
    u_vertex = _u_vertex(before, after, matrix, along)
    low = outline.points_um[outline.stretch(index, -reach_um, reach_um)[0]]
    return Contact(
        point_um=point,
        u_along_um=math.hypot(u_vertex[0], float(by_radius @ along) * u_radius),
        u_across_um=math.hypot(u_vertex[1], float(by_radius @ across) * u_radius),
        kind="corner", centre_um=centre, radius_um=radius,
        beyond_um=max(0.0, -float(((low - point) @ across).min())),
    )  # fmt: skip


def _flank(outline: Outline, index: int, *, reach: float, side: int) -> _Flank | None:
    """Fit the straight flank on one side of a corner (-1 before it, 1 behind it)."""
    near = _CORNER_REACH * outline.sigma_um + outline.pixel_um
    far = max(reach, near + 8 * outline.pixel_um)
    low, high = (near, far) if side > 0 else (-far, -near)
    chosen, distance = outline.stretch(index, low, high)
    if len(chosen) < 6:
        return None
    points = outline.points_um[chosen]
    order = np.argsort(np.abs(distance))
    points, away = points[order], np.abs(distance[order]) - near
    direction = points[min(len(points), 12) - 1] - points[0]
    direction /= max(float(np.hypot(*direction)), 1e-12)
    uv = into_frame(points, points[0], direction)
    line = grow_arc(
        uv[:, 0], uv[:, 1], away, start=6.5 * outline.pixel_um, stop=far, straight=True,
        noise=outline.noise,
    )  # fmt: skip
    across = np.array([-direction[1], direction[0]])
    cos, sin = math.cos(line.slope), math.sin(line.slope)
    return _Flank(
        point=points[0] + line.offset * across,
        direction=cos * direction + sin * across,
        covariance=line.covariance[:2, :2],
    )


def _u_vertex(before: _Flank, after: _Flank, matrix: FloatArray, along: FloatArray) -> FloatArray:
    """Return standard uncertainties of the flanks' crossing along and across the base line."""
    vertex = (
        before.point + np.linalg.solve(matrix, after.point - before.point)[0] * before.direction
    )
    normals = []
    variances = []
    for flank in (before, after):
        normals.append(np.array([-flank.direction[1], flank.direction[0]]))
        lever = np.array([1.0, float((vertex - flank.point) @ flank.direction)])
        variances.append(float(lever @ flank.covariance @ lever))
    # Both flanks shifted along their normals: N x = d, so cov(x) = N⁻¹ D N⁻ᵀ.
    inverse = np.linalg.inv(np.array(normals))
    covariance = inverse @ np.diag(variances) @ inverse.T
    across = np.array([-along[1], along[0]])
    return np.sqrt([along @ covariance @ along, across @ covariance @ across])


def _rounding(
    outline: Outline, vertex: FloatArray, bisector: FloatArray, *, half: float, reach: float
) -> tuple[float, float]:
    """Return the radius of a corner's rounding and its standard uncertainty, from grey values.

    The blurred corner is modelled as a sharp one less the sliver that rounding takes away; the
    radius is that of the best agreement with the pixels within three blur widths.
    """
    blur = outline.pixel_blur_um
    at, values = outline.pixels_near(vertex, 3 * blur)
    if len(values) < 12:
        return 0.0, 2 * blur
    uv = into_frame(at, vertex, bisector)
    grid_a, grid_b = uv.T
    sharp = blurred_wedge(grid_a / blur, grid_b / blur, half)
    largest = min(0.6 * reach / 1.5, (_ARC_MIN_SIGMA + 2.0) * blur)
    radii = np.linspace(0.0, largest, _ROUNDINGS)
    errors = np.empty(_ROUNDINGS)
    for k, radius in enumerate(radii):
        model = sharp - sliver(grid_a, grid_b, half=half, radius=radius, blur=blur)
        basis = np.column_stack([np.ones_like(model), model])
        _, rest, *_ = np.linalg.lstsq(basis, values, rcond=None)
        errors[k] = float(rest[0]) if len(rest) else 0.0
    best = int(np.argmin(errors))
    variance = errors[best] / max(len(values) - 3, 1)
    likelihood = np.exp(-0.5 * (errors - errors[best]) / max(variance, 1e-12))
    likelihood /= likelihood.sum()
    mean = float(likelihood @ radii)
    spread = math.sqrt(max(0.0, float(likelihood @ (radii - mean) ** 2)))
    return mean, math.hypot(spread, (radii[1] - radii[0]) / math.sqrt(12))


def touch(contact: Contact, along: FloatArray) -> FloatArray:
    """Return the contact's lowest point for a base line of another direction."""
    across = np.array([-along[1], along[0]])
    if contact.radius_um <= 0:
        return contact.point_um
    point: FloatArray = contact.centre_um - contact.radius_um * across
    return point
