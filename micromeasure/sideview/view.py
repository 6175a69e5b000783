"""A side view taken apart: part, support, outline, base line, crown, strip.

Several quantities of one image start from the same parts: they are found once an image and kept
with it.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.micrograph.image import Micrograph, Rectangle
from micromeasure.sideview.arc import into_frame
from micromeasure.sideview.budget import window_of
from micromeasure.sideview.contact import Contact
from micromeasure.sideview.contour import trace_contour
from micromeasure.sideview.frame import Frame
from micromeasure.sideview.outline import Outline, outline_of
from micromeasure.sideview.part import Part, find_part
from micromeasure.sideview.profile import BaseLine, Crown, find_base_line, fit_crown, outer_path
from micromeasure.sideview.strip import Strip, split_strip
from micromeasure.sideview.support import Support, fit_support

# How well a person sets the end of a line, standard uncertainty; common practice, no source.
_U_DRAWN_PX = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SideView:
    """What every quantity of a side view starts from.

    Attributes
    ----------
    part : Part
    outline : Outline
        Micrometres, y upwards, origin at the centre of the image's first pixel.
    support : Support or None
    thickness_um : float or None
        Rough thickness of the sheet, None for a solid shape.
    sigma_px : float
        Blur of the edges.
    touches_border : bool
        Whether the part runs out of the image.
    """

    part: Part
    outline: Outline
    support: Support | None
    thickness_um: float | None
    sigma_px: float
    touches_border: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class DomeView:
    """A dome in a side view: where it stands, its crown and its two surfaces.

    Attributes
    ----------
    view : SideView
    base : BaseLine
    outer : ndarray of int
        Outline points of the upper side, from the left foot to the right one.
    crown : Crown
    strip : Strip or None
        None where no inner surface is seen.
    """

    view: SideView
    base: BaseLine
    outer: NDArray[np.intp]
    crown: Crown
    strip: Strip | None


def side_view_of(micrograph: Micrograph, region: Rectangle | None) -> SideView:
    """Take a micrograph apart, once for all quantities.

    Parameters
    ----------
    micrograph : Micrograph
    region : tuple of four floats or None
        ``x0 y0 x1 y1`` in pixels of the whole image.

    Returns
    -------
    SideView

    Raises
    ------
    MeasurementError
        If there is no part or its edge is too unclear.
    """
    key = ("side view", region)
    if key not in micrograph.shared:
        pixels, origin = window_of(micrograph, region)
        frame = Frame(calibration=micrograph.calibration, origin_px=origin)
        micrograph.shared[key] = take_apart(pixels, frame)
    view: SideView = micrograph.shared[key]
    return view


def dome_view_of(
    micrograph: Micrograph, region: Rectangle | None, *,
    base_line: Rectangle | None = None, crown_arc_deg: float | None = None,
) -> DomeView:  # fmt: skip
    """Find a dome's base line, crown and surfaces, once for all quantities that ask alike.

    Parameters
    ----------
    micrograph : Micrograph
    region : tuple of four floats or None
        ``x0 y0 x1 y1`` in pixels of the whole image.
    base_line : tuple of four floats or None
        Drawn base line ``x0 y0 x1 y1``, None to find it.
    crown_arc_deg : float or None
        Angle over which the crown is fitted, None for the widest where a circle holds.

    Returns
    -------
    DomeView

    Raises
    ------
    MeasurementError
        Naming the part that could not be found.
    """
    key = ("dome", region, base_line, crown_arc_deg)
    if key not in micrograph.shared:
        view = side_view_of(micrograph, region)
        outline = view.outline
        base = (
            base_line_of(view) if base_line is None
            else drawn_base_line(base_line, outline.frame)
        )  # fmt: skip
        outer = outer_path(outline, base)
        crown = fit_crown(outline, base, outer, crown_arc_deg)
        strip = split_strip(outline, base, crown, view.thickness_um)
        micrograph.shared[key] = DomeView(
            view=view, base=base, outer=outer, crown=crown, strip=strip
        )
    dome: DomeView = micrograph.shared[key]
    return dome


def take_apart(pixels: NDArray[Any], frame: Frame) -> SideView:
    """Find the part, trace its outline and fit the support.

    Parameters
    ----------
    pixels : ndarray, shape (rows, cols)
        Grey values, crown up.
    frame : Frame
        Where these pixels lie and how long they are.

    Returns
    -------
    SideView

    Raises
    ------
    MeasurementError
        If there is no part or its edge is too unclear.
    """
    part = find_part(pixels)
    contour = trace_contour(pixels, part)
    support = fit_support(pixels, part, contour, frame)
    thick = contour.thickness_px
    outline = outline_of(contour, frame, pixels, is_bright=part.is_bright)
    if support is not None:
        height = into_frame(outline.points_um, support.point_um, support.along_um)[:, 1]
        outline = replace(outline, valid=outline.valid & (height > support.clear_um))
    return SideView(
        part=part, outline=outline, support=support, sigma_px=contour.sigma_px,
        thickness_um=None if thick is None else thick * outline.pixel_um,
        touches_border=bool(_border(part.mask).any()),
    )  # fmt: skip


def _border(mask: NDArray[np.uint8]) -> NDArray[np.uint8]:
    return np.concatenate([mask[0], mask[-1], mask[:, 0], mask[:, -1]])


def base_line_of(view: SideView) -> BaseLine:
    """Find the line the part stands on, see `find_base_line`."""
    width = float(np.ptp(view.outline.points_um[:, 0]))
    reach = 1.5 * (view.thickness_um or width / 20)
    return find_base_line(
        view.outline, view.support, reach_um=reach, thickness_um=view.thickness_um
    )


def drawn_base_line(line_px: tuple[float, float, float, float], frame: Frame) -> BaseLine:
    """Return a base line that a person drew from foot to foot.

    Parameters
    ----------
    line_px : tuple of four floats
        ``x0 y0 x1 y1`` in the whole image.
    frame : Frame
    """
    ends = np.reshape(line_px, (2, 2)) - np.array(frame.origin_px, dtype=float)
    left, right = sorted(frame.to_um(ends), key=lambda point: float(point[0]))
    along = (right - left) / np.hypot(*(right - left))
    u_um = _U_DRAWN_PX * frame.pixel_um
    contacts = [
        Contact(point_um=end, u_along_um=u_um, u_across_um=u_um, kind="drawn", centre_um=end,
                radius_um=0.0)
        for end in (left, right)
    ]  # fmt: skip
    return BaseLine(
        origin_um=left, along_um=along, left=contacts[0], right=contacts[1], is_support=False
    )
