"""A side view taken apart: part, support, outline, base line, crown."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.sideview.arc import into_frame
from micromeasure.sideview.contact import Contact
from micromeasure.sideview.contour import trace_contour
from micromeasure.sideview.frame import Frame
from micromeasure.sideview.outline import Outline, outline_of
from micromeasure.sideview.part import Part, find_part
from micromeasure.sideview.profile import BaseLine, find_base_line
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
