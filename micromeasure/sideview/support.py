"""The support's upper edge at sub-pixel, where a part stands on one."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.errors import MeasurementError
from micromeasure.outcome import FloatArray
from micromeasure.sideview.arc import Arc, fit_arc
from micromeasure.sideview.contour import Contour
from micromeasure.sideview.frame import Frame
from micromeasure.sideview.part import Part
from micromeasure.sideview.step import fit_edges, sample

_MAX_COLUMNS = 2500
# Around the part's feet the support's edge is not free: blur widths on each side.
_CLEARANCE_SIGMA = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Support:
    """A straight line along the support's upper edge, y upwards, micrometres.

    Attributes
    ----------
    point_um, along_um : ndarray of float, shape (2,)
        A point on the line and the unit vector to the right.
    line : Arc
        The fit, in the frame of that point and vector before it was turned to the line.
    cut_um : float
        A foot whose outline comes down to less than this above the line stands on it.
    clear_um : float
        Outline points lower than this have an edge that the support's own disturbs.
    columns_um : tuple of two floats
        First and last x at which the edge was seen.
    """

    point_um: FloatArray
    along_um: FloatArray
    line: Arc
    cut_um: float
    clear_um: float
    columns_um: tuple[float, float]

    def u_at(self, point_um: FloatArray) -> float:
        """Return the standard uncertainty of the line's height at a point."""
        place = float((point_um - self.point_um) @ self.along_um)
        lever = np.array([1.0, place])
        return math.sqrt(float(lever @ self.line.covariance[:2, :2] @ lever))


def fit_support(pixels: NDArray[Any], part: Part, contour: Contour, frame: Frame) -> Support | None:
    """Fit the support's edge where nothing stands on it.

    Parameters
    ----------
    pixels : ndarray, shape (rows, cols)
    part : Part
    contour : Contour
        The part's outline, to keep away from its feet.
    frame : Frame

    Returns
    -------
    Support or None
        None where `part` has no support.

    Raises
    ------
    MeasurementError
        If the support is seen but its edge cannot be fitted.
    """
    if part.support is None:
        return None
    intercept, slope = part.support
    sigma = contour.sigma_px
    columns = _free_columns(part, contour, (_CLEARANCE_SIGMA * sigma + 4))
    points = np.column_stack([columns, intercept + slope * columns])
    normal = np.array([slope, -1.0]) / math.hypot(slope, 1.0)
    normals = np.broadcast_to(normal, points.shape)
    reach = math.ceil(3 * sigma + 2 + part.factor)
    offsets = np.arange(-reach, reach + 1.0)
    fit = fit_edges(sample(pixels, points, normals, offsets), offsets, sigma)
    sign = 1.0 if part.is_bright else -1.0
    step = float(np.median(sign * fit.step[fit.good])) if fit.good.any() else 0.0
    good = fit.good & (sign * fit.step > 0.6 * step) & (sign * fit.step < step / 0.6)
    if good.sum() < 12 or step <= 0:
        message = "support: its upper edge is seen but too unclear to fit a line"
        raise MeasurementError(message)
    edge = points[good] + normals[good] * fit.position[good, None]
    return _line(edge, part, sigma, frame)


def _free_columns(part: Part, contour: Contour, clearance: float) -> FloatArray:
    intercept, slope = part.support or (0.0, 0.0)
    height = intercept + slope * contour.points_px[:, 0] - contour.points_px[:, 1]
    low = contour.points_px[height < clearance + 2 * part.factor, 0]
    columns = part.support_columns_px
    columns = np.arange(columns.min(), columns.max() + 1) if len(columns) else columns
    known = part.support_columns_px
    # Columns of the reduced image stand for as many of the full one.
    nearest = np.searchsorted(known, columns).clip(0, len(known) - 1)
    left = (nearest - 1).clip(0)
    gap = np.minimum(np.abs(known[nearest] - columns), np.abs(known[left] - columns))
    columns = columns[gap <= part.factor]
    if len(low):
        low = np.sort(low)
        right = np.searchsorted(low, columns).clip(0, len(low) - 1)
        before = (right - 1).clip(0)
        apart = np.minimum(np.abs(low[right] - columns), np.abs(low[before] - columns))
        columns = columns[apart > clearance]
    step = max(1, math.ceil(len(columns) / _MAX_COLUMNS))
    chosen: FloatArray = columns[::step]
    return chosen


def _line(edge_px: FloatArray, part: Part, sigma: float, frame: Frame) -> Support:
    points = frame.to_um(edge_px)
    middle = points.mean(axis=0)
    fit = fit_arc(points[:, 0] - middle[0], points[:, 1] - middle[1], straight=True)
    along = np.array([math.cos(fit.slope), math.sin(fit.slope)])
    pixel = frame.pixel_um
    return Support(
        point_um=middle + np.array([0.0, fit.offset]), along_um=along, line=fit,
        cut_um=(4.0 * part.factor + 12.0) * pixel,
        clear_um=(1.5 * part.factor + 4.0 * sigma + 2.0) * pixel,
        columns_um=(float(points[0, 0]), float(points[-1, 0])),
    )  # fmt: skip
