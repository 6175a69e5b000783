"""Where a foot touches a support that hides the contact itself.

Next to a support no edge of the foot is clean, so the contact follows from what is seen above:
a heel is the arc that touches both its flanks and the support; a tip is the end of a strip that
just reaches down to it.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.outcome import FloatArray
from micromeasure.sideview.arc import fit_arc, into_frame
from micromeasure.sideview.bend import bend_distances
from micromeasure.sideview.contact import Contact
from micromeasure.sideview.descent import descend
from micromeasure.sideview.outline import Outline
from micromeasure.sideview.stretch import longest_stretch
from micromeasure.sideview.support import Support
from micromeasure.sideview.tip import fit_standing_tip

# Places a flank may begin at, and how far it is followed, in sheet thicknesses or, for a solid
# shape, twentieths of its width.
_FLANK_STARTS = (0.0, 0.3, 0.6, 1.0, 1.5, 2.2, 3.0)
_FLANK_LENGTHS = (1.0, 2.5)
# Flanks that diverge by more on their way up are a heel's, others those of a strip.
_MIN_HEEL_DEG = 20.0
_MAX_POINTS = 240
_STEPS = np.array([1e-5, 1e-4, 1e-5, 1e-4])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Flank:
    """What is seen of a foot on one side of its contact, in the support's frame.

    Attributes
    ----------
    points : ndarray of float, shape (n, 2)
        From the contact outwards, to the end of the straight piece.
    straight : slice
        The straight piece.
    foot : float
        Where that meets the support.
    lean : float
        Its direction against the support's normal, radians, above 0 to the right.
    u_foot : float
        Standard uncertainty of `foot`.
    """

    points: FloatArray
    straight: slice
    foot: float
    lean: float
    u_foot: float


def standing_contact(
    outline: Outline, support: Support, uv: FloatArray, *, there: NDArray[np.bool_], size_um: float
) -> Contact:
    """Estimate where along the support a foot touches it; its height is the support's.

    Parameters
    ----------
    outline : Outline
    support : Support
    uv : ndarray of float, shape (n, 2)
        Outline points along the support and above it.
    there : ndarray of bool, shape (n,)
        The foot's lowest points, those at the cut.
    size_um : float
        Thickness of the sheet or a twentieth of a solid's width.

    Returns
    -------
    Contact
        Of kind ``support``, with a standard uncertainty along it of what is not seen.
    """
    low, high = float(uv[there, 0].min()), float(uv[there, 0].max())
    place, u_place = (low + high) / 2, (high - low) / math.sqrt(12)
    index = np.flatnonzero(there)
    middle = int(index[np.argmin(np.abs(uv[index, 0] - place))])
    flanks = [_flank(outline, uv, middle, side=side, place=place, size=size_um) for side in (-1, 1)]
    if flanks[0] is not None and flanks[1] is not None:
        left, right = sorted((flanks[0], flanks[1]), key=lambda flank: flank.foot)
        if right.lean - left.lean > math.radians(_MIN_HEEL_DEG):
            found = _heel(left, right, outline)
        else:
            found = _tip(left, right, outline, support)
        if found is not None and low - size_um < found[0] < high + size_um:
            place, u_place = found
    point = support.point_um + place * support.along_um
    return Contact(
        point_um=point, u_along_um=u_place, u_across_um=support.u_at(point), kind="support",
        centre_um=point, radius_um=0.0,
    )  # fmt: skip


def _flank(
    outline: Outline, uv: FloatArray, middle: int, *, side: int, place: float, size: float
) -> _Flank | None:
    """Follow the outline from the contact on one side to the end of its first straight piece."""
    far = (_FLANK_STARTS[-1] + _FLANK_LENGTHS[1] + 4) * size
    chosen, distance = outline.stretch(middle, *sorted((0.0, side * far)))
    order = np.argsort(np.abs(distance), kind="stable")
    points, away = uv[chosen[order]], np.abs(distance[order])
    if len(points) < 12:
        return None
    away = away - away[0]
    pixel = outline.pixel_um
    shortest = max(_FLANK_LENGTHS[0] * size, 10 * pixel)
    for start in _FLANK_STARTS:
        first = int(np.searchsorted(away, start * size))
        rest, length = points[first:], away[first:] - away[min(first, len(away) - 1)]
        if len(rest) < 10:
            return None
        direction = rest[min(len(rest) - 1, 30)] - rest[0]
        turned = into_frame(rest, rest[0], direction / max(float(np.hypot(*direction)), 1e-12))
        found = longest_stretch(
            turned[:, 0], turned[:, 1], length, start=shortest,
            stop=_FLANK_LENGTHS[1] * size + shortest, noise=outline.noise, straight=True,
        )  # fmt: skip
        if found.holds:
            last = first + int(np.searchsorted(length, found.half_width, side="right"))
            return _fitted(points[:last], slice(first, last))
    return None


def _fitted(points: FloatArray, straight: slice) -> _Flank:
    piece = points[straight]
    line = fit_arc(piece[:, 1], piece[:, 0], straight=True)
    return _Flank(
        points=points, straight=straight, foot=line.offset, lean=line.slope,
        u_foot=math.sqrt(line.covariance[0, 0]),
    )  # fmt: skip


def _heel(left: _Flank, right: _Flank, outline: Outline) -> tuple[float, float] | None:
    """Return where the arc touches the support, and the standard uncertainty.

    The arc touches three lines, so that its radius follows from the flanks.
    """
    pixel, blur = outline.pixel_um, outline.sigma_um / outline.pixel_um
    middle = np.array([(left.foot + right.foot) / 2, 0.0])
    sides = [flank.points[:: max(1, len(flank.points) * 2 // _MAX_POINTS)]
             for flank in (left, right)]  # fmt: skip
    points = (np.concatenate(sides) - middle) / pixel
    # Normals of the flanks point away from the arc's centre.
    angles = np.array([-math.pi - left.lean, -right.lean])
    feet = (np.array([left.foot, right.foot]) - middle[0]) / pixel
    start = np.column_stack([angles, np.cos(angles) * feet]).ravel()
    found = descend(
        lambda x: bend_distances(_tangent(x), points, blur), start, _STEPS,
        soft=3 * outline.noise.scatter / pixel, rounds=15,
    )  # fmt: skip
    spread = 1.4826 * float(np.median(np.abs(found.rest)))
    radius = float(_tangent(found.x[None])[0, 4])
    if spread > 3 * outline.noise.scatter / pixel + 0.1 or radius <= 0:
        return None
    variance = max(spread, outline.noise.scatter / pixel) ** 2 * outline.noise.inflation
    covariance = found.covariance(variance)
    places = _touch(found.x + np.vstack([np.zeros(4), 1e-5 * np.eye(4)]))
    slope = (places[1:] - places[0]) / 1e-5
    noise = max(0.0, float(slope @ covariance @ slope))
    # What the model of an edge leaves, of both flanks and the support.
    by_support = slope[1] * math.sin(found.x[0]) + slope[3] * math.sin(found.x[2])
    model = outline.edge_model_um / pixel * math.hypot(slope[1], slope[3], by_support)
    return float(middle[0] + places[0] * pixel), math.hypot(math.sqrt(noise), model) * pixel


def _tangent(lines: FloatArray) -> FloatArray:
    """Return two lines with the radius of the arc that touches them and the support."""
    angle1, c1, angle2, c2 = lines.T
    n1x, n2x = np.cos(angle1), np.cos(angle2)
    lift1, lift2 = 1 + np.sin(angle1), 1 + np.sin(angle2)
    radius = (c1 * n2x - c2 * n1x) / (lift1 * n2x - lift2 * n1x)
    return np.column_stack([lines, radius])


def _touch(lines: FloatArray) -> FloatArray:
    """Return where the arc that touches two lines and the support touches the latter."""
    angle1, c1, angle2, c2 = lines.T
    n1x, n2x = np.cos(angle1), np.cos(angle2)
    lift1, lift2 = 1 + np.sin(angle1), 1 + np.sin(angle2)
    place: FloatArray = (c2 * lift1 - c1 * lift2) / (n2x * lift1 - n1x * lift2)
    return place


def _tip(
    left: _Flank, right: _Flank, outline: Outline, support: Support
) -> tuple[float, float] | None:
    """Return where a tip's lower corner touches the support, and the standard uncertainty."""
    slope = (left.lean + right.lean) / 2
    up = np.array([math.sin(slope), math.cos(slope)])
    across = np.array([-support.along_um[1], support.along_um[0]])
    turned = np.array([support.along_um, across]).T
    middle = support.point_um + (left.foot + right.foot) / 2 * support.along_um
    seen = fit_standing_tip(
        outline, middle, support.along_um, forward=-(turned @ up),
        width_um=(right.foot - left.foot) * math.cos(slope),
    )  # fmt: skip
    if seen is not None:
        low, u = seen
        model = outline.edge_model_um * math.hypot(1 / math.cos(slope), math.tan(slope))
        u = math.hypot(u, max(left.u_foot, right.u_foot), model)
        return float((low - support.point_um) @ support.along_um), u
    # The lower corner is the right flank's if the strip leans to the right on its way up. Its
    # rounding is hidden: none to half the sheet, a sixth as a cut edge's usual one. The contact
    # lies in from the flank by the tangent length of the rounding.
    flank, inwards = (right, -1.0) if slope > 0 else (left, 1.0)
    width = right.foot - left.foot
    tangent = math.tan((math.pi / 2 - abs(flank.lean)) / 2)
    u = math.hypot(flank.u_foot, width / 2 / math.sqrt(12) * tangent)
    return flank.foot + inwards * width / 6 * tangent, u
