"""The edge offset of the optics, from lines of certified width."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from micromeasure.calibration.file import Calibration
from micromeasure.errors import CalibrationError
from micromeasure.estimate import coverage_factor, rounded

FloatArray = NDArray[np.float64]

_WIDTHS_FOR_SLOPE = 3
_RANGE_FOR_SLOPE = 1.5  # of widest to narrowest line
_CLEARLY_OFF = 2.0  # coverage half-widths


@dataclass(frozen=True, slots=True, kw_only=True)
class WidthPoint:
    """One line: what the certificate says and what was measured.

    Attributes
    ----------
    image : str
    certified_um, u_certified_um : float
    measured_um, u_measured_um : float
        Half-way width, without any edge offset; the uncertainty without that of the scale.
    is_dark : bool
        Whether the line is darker than what surrounds it.
    """

    image: str
    certified_um: float
    u_certified_um: float
    measured_um: float
    u_measured_um: float
    is_dark: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeOffset:
    """How far located edges lie towards the bright side.

    Attributes
    ----------
    offset_um, u_offset_um : float
    dof : float
        Degrees of freedom of the uncertainty.
    slope, u_slope : float or None
        Measured per certified width; None where the widths are too alike to tell: then the
        slope is taken as 1.
    residual_sd_um : float
    points : tuple of WidthPoint
    """

    offset_um: float
    u_offset_um: float
    dof: float
    slope: float | None
    u_slope: float | None
    residual_sd_um: float
    points: tuple[WidthPoint, ...]


def fit_edge_offset(points: Sequence[WidthPoint], *, u_scale_rel: float) -> EdgeOffset:
    """Fit measured against certified width: offset and, where the widths differ enough, slope.

    Parameters
    ----------
    points : sequence of WidthPoint
    u_scale_rel : float
        Relative standard uncertainty of the scale, common to all lines.

    Returns
    -------
    EdgeOffset

    Raises
    ------
    CalibrationError
        If there is no line, or a certified width makes no sense.

    Notes
    -----
    Both edges of a dark line lie towards the bright side: measured = slope·certified +
    2·offset; of a bright line, measured = slope·certified - 2·offset. An error of the scale
    goes into the slope, not into the offset, provided that there are lines of different
    width. The scatter beyond what is known of each line widens the uncertainty (Birge).
    """
    _check(points)
    certified = np.array([p.certified_um for p in points])
    measured = np.array([p.measured_um for p in points])
    sign = np.array([1.0 if p.is_dark else -1.0 for p in points])
    variance = np.array([p.u_certified_um**2 + p.u_measured_um**2 for p in points])
    distinct = np.unique(np.round(certified, 9))
    free = len(distinct) >= _WIDTHS_FOR_SLOPE and distinct[-1] >= _RANGE_FOR_SLOPE * distinct[0]
    design = np.column_stack([sign, certified]) if free else sign[:, None]
    target = measured if free else measured - certified
    dof = len(points) - design.shape[1]
    weight = 1.0 / variance if (variance > 0).all() else np.ones_like(variance)
    covariance = np.linalg.inv(design.T @ (design * weight[:, None]))
    solution = covariance @ (design.T @ (weight * target))
    residual = target - design @ solution
    sd = math.sqrt(float(residual @ residual) / dof) if dof > 0 else 0.0
    excess = float((weight * residual**2).sum()) / dof if dof > 0 else 1.0
    told = (variance > 0).all()
    factor = max(1.0, excess) if told else excess
    # With known uncertainties the scatter only widens them: then the points' number counts.
    freedom = math.inf if told and excess <= 1.0 else float(max(dof, 1))
    u2 = float(covariance[0, 0]) * factor
    if not free:
        u2 += (u_scale_rel * float(np.average(sign * certified, weights=weight))) ** 2
    return EdgeOffset(
        offset_um=float(solution[0]) / 2,
        u_offset_um=math.sqrt(u2) / 2,
        dof=freedom,
        slope=float(solution[1]) if free else None,
        u_slope=math.sqrt(float(covariance[1, 1]) * factor) if free else None,
        residual_sd_um=sd,
        points=tuple(points),
    )


def _check(points: Sequence[WidthPoint]) -> None:
    problems = []
    if not points:
        problems.append("no line of certified width was measured; at least one is needed.")
    for point in points:
        if not (math.isfinite(point.certified_um) and point.certified_um > 0):
            problems.append(
                f"{point.image}: certified width {point.certified_um:g} um; must be above 0."
            )
        elif not 0.5 < point.measured_um / point.certified_um < 2.0:
            problems.append(
                f"{point.image}: measured {point.measured_um:.3g} um where the certificate says "
                f"{point.certified_um:g} um; give the width of the line that the image shows."
            )
        if not (math.isfinite(point.u_certified_um) and point.u_certified_um >= 0):
            problems.append(
                f"{point.image}: uncertainty {point.u_certified_um:g} um of the certified width; "
                "must be at least 0."
            )
    if len(points) < 3 and any(p.u_certified_um + p.u_measured_um <= 0 for p in points):
        problems.append("fewer than 3 lines need their certificate's uncertainty; give it.")
    if problems:
        raise CalibrationError(problems)


def with_edge_offset(calibration: Calibration, found: EdgeOffset) -> Calibration:
    """Return a calibration that holds a found edge offset."""
    # The file keeps a standard uncertainty without degrees of freedom: one from few lines is
    # widened so that twice it still covers 95 %.
    wide = coverage_factor(found.dof) / coverage_factor(math.inf)
    return replace(
        calibration,
        edge_offset_um=float(f"{found.offset_um:.6g}"),
        u_edge_offset_um=float(f"{found.u_offset_um * wide:.3g}"),
    )


def describe_width(found: EdgeOffset, calibration: Calibration) -> str:
    """Return the result in plain words, several lines."""
    lines = [f"Edge offset of calibration {calibration.id}, from {len(found.points)} lines:"]
    for point in found.points:
        kind = "dark" if point.is_dark else "bright"
        off = point.measured_um - point.certified_um
        lines.append(
            f"  {point.image}: {kind} line, certified {point.certified_um:g} µm, measured "
            f"{point.measured_um:.4g} µm ({off:+.3f} µm)"
        )
    value, u = rounded(found.offset_um, found.u_offset_um)
    side = "bright" if found.offset_um >= 0 else "dark"
    wide = "too wide" if found.offset_um >= 0 else "too narrow"
    lines.append(
        f"  offset: {value} µm (u = {u} µm) towards the {side} side of every edge; a dark line "
        f"measures {abs(2 * found.offset_um):.3g} µm {wide} without this correction"
    )
    if found.slope is None or found.u_slope is None:
        lines.append("  slope: taken as 1; lines of at least 3 different widths would show it")
    else:
        value, u = rounded(found.slope, found.u_slope)
        lines.append(f"  slope, measured to certified width: {value} (u = {u})")
        u_scale = max(
            (u / s for u, s in zip(calibration.u_um_per_px or (0, 0), calibration.um_per_px,
                                   strict=True)),
        )  # fmt: skip
        if abs(found.slope - 1) > _CLEARLY_OFF * math.hypot(found.u_slope, u_scale):
            lines.append(
                "  NOTE: the slope differs from 1 by more than the uncertainties of lines and "
                "scale allow; check the scale of this calibration."
            )
    return "\n".join(lines)
