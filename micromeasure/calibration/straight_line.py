"""Straight lines through calibration points, with covariance, prediction and inverse use."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.errors import CalibrationError

FloatArray = NDArray[np.float64]

_ROUNDS = 60
_SETTLED = 1e-13


@dataclass(frozen=True, slots=True, kw_only=True)
class StraightLine:
    """``y = intercept + slope·x`` with what is known of its parameters.

    Attributes
    ----------
    intercept, slope : float
    u_intercept, u_slope, covariance : float
        Standard uncertainties, and the covariance of the two.
    residual_sd : float
        Standard deviation of the residuals, by degrees of freedom; of the weighted residuals
        (a pure number) where uncertainties were given.
    dof : int
    """

    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    covariance: float
    residual_sd: float
    dof: int

    @property
    def chi_squared(self) -> float:
        """Sum of squared (weighted) residuals."""
        return self.residual_sd**2 * self.dof

    def predict(self, x: float) -> tuple[float, float]:
        """Return y at x and its standard uncertainty from the line alone."""
        variance = self.u_intercept**2 + 2 * x * self.covariance + (x * self.u_slope) ** 2
        return self.intercept + self.slope * x, math.sqrt(max(variance, 0.0))

    def invert(self, y: float, u_y: float = 0.0) -> tuple[float, float]:
        """Return the x of an observed y, and its standard uncertainty to first order."""
        x = (y - self.intercept) / self.slope
        _, u_line = self.predict(x)
        return x, math.hypot(u_line, u_y) / abs(self.slope)


def fit_line(
    x: FloatArray,
    y: FloatArray,
    *,
    u_x: FloatArray | None = None,
    u_y: FloatArray | None = None,
) -> StraightLine:
    """Fit a straight line by least squares.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
    u_x, u_y : ndarray, shape (n,), or None
        Known standard uncertainties. With neither, the points count alike and the residuals
        tell their uncertainty; with `u_y` alone the fit is weighted; with both it minimises
        the weighted distances in both coordinates.

    Returns
    -------
    StraightLine

    Raises
    ------
    CalibrationError
        If there are fewer than two points (three where the residuals must tell) or all x agree.

    Notes
    -----
    Uncertainties in both coordinates: iterated weights 1/(u_y² + b²·u_x²) and adjusted
    abscissae, whose covariance is evaluated at the adjusted points.

    References
    ----------
    .. [1] ISO/TS 28037:2010, clauses 6 and 7 (procedure from memory, its examples checked).
    .. [2] York et al. (2004), Am. J. Phys. 72, 367, eqs. 13 (from memory).
    """
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    known = u_y is not None
    if len(x) < (2 if known else 3) or float(np.ptp(x)) == 0.0:
        message = (
            f"a line through {len(x)} points at {len(np.unique(x))} places; at least "
            f"{2 if known else 3} points at 2 places are needed."
        )
        raise CalibrationError([message])
    variance = np.ones_like(x) if u_y is None else np.asarray(u_y, dtype=np.float64) ** 2
    if u_x is None or not known:
        return _weighted(x, y, 1.0 / variance, known=known)
    slope = _weighted(x, y, 1.0 / variance, known=True).slope
    variance_x = np.asarray(u_x, dtype=np.float64) ** 2
    weight, beta = 1.0 / variance, np.zeros_like(x)
    mean_x = mean_y = 0.0
    for _ in range(_ROUNDS):
        weight = 1.0 / (variance + slope * slope * variance_x)
        mean_x, mean_y = (float(np.average(v, weights=weight)) for v in (x, y))
        beta = weight * ((x - mean_x) * variance + slope * (y - mean_y) * variance_x)
        before, slope = slope, float(
            (weight * beta * (y - mean_y)).sum() / (weight * beta * (x - mean_x)).sum()
        )  # fmt: skip
        if abs(slope - before) <= _SETTLED * abs(slope):
            break
    adjusted = mean_x + beta
    centre = float(np.average(adjusted, weights=weight))
    u_slope2 = 1.0 / float((weight * (adjusted - centre) ** 2).sum())
    intercept = mean_y - slope * mean_x
    residual = y - intercept - slope * x
    dof = len(x) - 2
    chi2 = float((weight * residual**2).sum())
    return StraightLine(
        intercept=intercept,
        slope=slope,
        u_intercept=math.sqrt(1.0 / float(weight.sum()) + centre**2 * u_slope2),
        u_slope=math.sqrt(u_slope2),
        covariance=-centre * u_slope2,
        residual_sd=math.sqrt(chi2 / dof) if dof else 0.0,
        dof=dof,
    )


def _weighted(x: FloatArray, y: FloatArray, weight: FloatArray, *, known: bool) -> StraightLine:
    # Centred sums keep all digits where x is far from 0.
    mean_x, mean_y = (float(np.average(v, weights=weight)) for v in (x, y))
    dx, dy = x - mean_x, y - mean_y
    spread = float((weight * dx * dx).sum())
    slope = float((weight * dx * dy).sum()) / spread
    intercept = mean_y - slope * mean_x
    dof = len(x) - 2
    chi2 = float((weight * (dy - slope * dx) ** 2).sum())
    sd = math.sqrt(chi2 / dof) if dof else 0.0
    unit = 1.0 if known else sd
    return StraightLine(
        intercept=intercept,
        slope=slope,
        u_intercept=unit * math.sqrt(1.0 / float(weight.sum()) + mean_x**2 / spread),
        u_slope=unit / math.sqrt(spread),
        covariance=-mean_x * unit * unit / spread,
        residual_sd=sd,
        dof=dof,
    )
