"""Camera response from a step tablet: stored values of steps whose densities are known.

Each step sends the share 10^−D of the light; which stored value it gets is the response. The
curve is a cubic smoothing spline of log10(light) over log10(value − dark value), seen as the
mean of a Gaussian process: its roughness follows from the data (restricted maximum likelihood)
and every point of it has a standard uncertainty.
"""

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.calibration.file import CameraResponse
from micromeasure.errors import CalibrationError

FloatArray = NDArray[np.float64]

_LEAST_STEPS = 5
_NODES = 48
# The curve goes on beyond the brightest step by this density, towards the open light.
_BEYOND = 0.1
_ROUGHNESS = np.logspace(-3.0, 9.0, 73)
# Densities on certificates are rarely better; used where the user states nothing.
TABLET_U_DENSITY = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step of a tablet as seen by the camera.

    Attributes
    ----------
    density : float
    values, counts : ndarray, shape (n,)
        Histogram of the stored values in the step's region.
    light_rel : float
        Light that falls on this step, relative to the others (from an open-light frame).
    clipped_share : float
        Share of pixels at the end of the camera's range.
    """

    density: float
    values: FloatArray
    counts: FloatArray
    light_rel: float = 1.0
    clipped_share: float = 0.0

    @property
    def mean(self) -> float:
        """Mean stored value."""
        return float(self.values @ self.counts / self.counts.sum())

    @property
    def log_light(self) -> float:
        """log10 of the light that reaches the camera."""
        return math.log10(self.light_rel) - self.density

    @property
    def u_value(self) -> float:
        """Standard uncertainty of the mean: noise, and rounding to whole values."""
        variance = float((self.values - self.mean) ** 2 @ self.counts / self.counts.sum())
        sine = math.exp(-2.0 * math.pi**2 * variance) / (math.pi * math.sqrt(2.0))
        rounding = sine if variance > 0.01 else 1.0 / math.sqrt(12.0)
        return math.hypot(math.sqrt(variance / self.counts.sum()), rounding)


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponseFit:
    """A response with what it was made from.

    Attributes
    ----------
    response : CameraResponse
    values, densities, residuals : tuple of float
        Mean value and density of each step used, and how far it lies from the curve, as density.
    left_out : tuple of str
        One sentence for each step that was not used.
    """

    response: CameraResponse
    values: tuple[float, ...]
    densities: tuple[float, ...]
    residuals: tuple[float, ...]
    left_out: tuple[str, ...]


def fit_response(
    steps: Sequence[Step],
    *,
    dark_value: float = 0.0,
    u_density: float | None = None,
    full_scale: float = math.inf,
) -> ResponseFit:
    """Fit a camera response to the steps of a tablet.

    Parameters
    ----------
    steps : sequence of Step
        At least five that are neither clipped nor as dark as the dark frame.
    dark_value : float
        Mean stored value without light.
    u_density : float or None
        Standard uncertainty of the steps' densities; 0.005 where None, and more if the steps
        scatter by more about any smooth curve.
    full_scale : float
        Greatest stored value; the curve does not go beyond it.

    Raises
    ------
    CalibrationError
        If too few steps are left, or values do not rise with light.

    References
    ----------
    .. [1] G. Wahba, Improper priors, spline smoothing and the problem of guarding against model
       errors in regression, J. R. Stat. Soc. B 40 (1978) 364.
    """
    used, left_out = _usable(steps, dark_value)
    u = TABLET_U_DENSITY if u_density is None else u_density
    values = np.array([step.mean for step in used])
    curve = _fit(used, values, dark_value, u)
    for _ in range(2):
        effective = _effective_value(curve, dark_value)
        values = np.array([effective(step) for step in used])
        curve = _fit(used, values, dark_value, u)
    x = np.log10(values - dark_value)
    residuals = np.array([step.log_light for step in used]) - curve(x)[0]
    return ResponseFit(
        response=_as_table(
            curve,
            x,
            dark_value=dark_value,
            full_scale=full_scale,
            residual_sd=float(residuals.std(ddof=1)),
        ),
        values=tuple(float(v) for v in values),
        densities=tuple(step.density for step in used),
        residuals=tuple(float(r) for r in residuals),
        left_out=tuple(left_out),
    )


Curve = Callable[[FloatArray], tuple[FloatArray, FloatArray]]


def _usable(steps: Sequence[Step], dark_value: float) -> tuple[list[Step], list[str]]:
    used, left_out = [], []
    for step in sorted(steps, key=lambda s: s.log_light):
        if step.clipped_share > 0.001:
            left_out.append(f"density {step.density:g}: {step.clipped_share:.1%} of it is clipped.")
        elif step.mean - dark_value <= max(2.0, 5.0 * step.u_value):
            left_out.append(f"density {step.density:g}: is not told from the dark frame.")
        else:
            used.append(step)
    if len(used) < _LEAST_STEPS:
        message = (
            f"step tablet: found {len(used)} usable steps; need at least {_LEAST_STEPS}. "
            + " ".join(left_out)
        )
        raise CalibrationError([message.strip()])
    for darker, brighter in itertools.pairwise(used):
        apart = brighter.log_light - darker.log_light
        if brighter.mean <= darker.mean and apart > 3.0 * TABLET_U_DENSITY:
            message = (
                f"step tablet: density {brighter.density:g} has mean value {brighter.mean:.1f}, "
                f"density {darker.density:g} has {darker.mean:.1f}; values must rise with light. "
                "Check the order of the densities."
            )
            raise CalibrationError([message])
    return used, left_out


def _fit(steps: Sequence[Step], values: FloatArray, dark_value: float, u_density: float) -> Curve:
    x = np.log10(values - dark_value)
    y = np.array([step.log_light for step in steps])
    # Slope of the curve by finite differences turns a value's uncertainty into one of density.
    slope = np.gradient(y, x) if len(np.unique(x)) == len(x) else np.ones_like(x)
    in_x = np.array([step.u_value for step in steps]) / ((values - dark_value) * math.log(10.0))
    return smoothing_spline(x, y, np.hypot(u_density, slope * in_x))


def smoothing_spline(x: FloatArray, y: FloatArray, u: FloatArray) -> Curve:
    """Return a cubic smoothing spline through points with its standard uncertainty.

    Parameters
    ----------
    x, y, u : ndarray, shape (n,)
        Points and the standard uncertainties of y. If the points scatter by more than these
        about any smooth curve, all are enlarged alike.

    Returns
    -------
    callable
        From x to value and standard uncertainty of the curve.
    """
    start, width = float(x.min()), float(np.ptp(x))
    t = (x - start) / width
    lines = np.column_stack([np.ones_like(t), t])
    rough = _integrated_walk(t, t) * float(np.mean(u**2))
    noise = np.diag(u**2)
    best = max(_ROUGHNESS, key=lambda r: _restricted_likelihood(noise + r * rough, lines, y))
    covariance = noise + best * rough
    inverse = np.linalg.inv(covariance)
    spread = np.linalg.inv(lines.T @ inverse @ lines)
    trend = spread @ lines.T @ inverse @ y
    rest = y - lines @ trend
    scale = max(1.0, float(rest @ inverse @ rest) / (len(y) - 2))

    def curve(at: FloatArray) -> tuple[FloatArray, FloatArray]:
        s = np.maximum((np.asarray(at, dtype=np.float64) - start) / width, 0.0)
        straight = (np.asarray(at, dtype=np.float64) - start) / width
        cross = best * float(np.mean(u**2)) * _integrated_walk(s, t)
        here = np.column_stack([np.ones_like(straight), straight])
        mean = here @ trend + cross @ inverse @ rest
        own = best * float(np.mean(u**2)) * s**3 / 3.0
        gap = here - cross @ inverse @ lines
        variance = (
            own
            - np.einsum("ij,jk,ik->i", cross, inverse, cross)
            + np.einsum("ij,jk,ik->i", gap, spread, gap)
        )
        return mean, np.sqrt(scale * np.maximum(variance, 0.0))

    return curve


def _integrated_walk(s: FloatArray, t: FloatArray) -> FloatArray:
    """Covariance of a random walk integrated once: the prior behind a cubic spline."""
    low, high = np.minimum(s[:, None], t[None, :]), np.maximum(s[:, None], t[None, :])
    covariance: FloatArray = low * low * (3.0 * high - low) / 6.0
    return covariance


def _restricted_likelihood(covariance: FloatArray, lines: FloatArray, y: FloatArray) -> float:
    inverse = np.linalg.inv(covariance)
    normal = lines.T @ inverse @ lines
    trend = np.linalg.solve(normal, lines.T @ inverse @ y)
    rest = y - lines @ trend
    _, size = np.linalg.slogdet(covariance)
    _, size_normal = np.linalg.slogdet(normal)
    # The noise is taken as known: a profile over it would let a few steps hide all roughness.
    return -0.5 * (float(rest @ inverse @ rest) + float(size) + float(size_normal))


def _effective_value(curve: Curve, dark_value: float) -> Callable[[Step], float]:
    """Return the function from a step to the value whose light is the mean of its pixels' light.

    Light, not stored value, is what averages: with noise the two differ where the response is
    curved.
    """

    def light(values: FloatArray) -> FloatArray:
        x = np.log10(np.maximum(values - dark_value, 0.25))
        return np.asarray(10.0 ** curve(x)[0], dtype=np.float64)

    def effective(step: Step) -> float:
        mean_light = float(light(step.values) @ step.counts / step.counts.sum())
        around = step.mean + np.linspace(-3.0, 3.0, 121) * max(1.0, step.u_value)
        return float(np.interp(mean_light, light(around), around))

    return effective


def _as_table(
    curve: Curve, x: FloatArray, *, dark_value: float, full_scale: float, residual_sd: float
) -> CameraResponse:
    inside = np.linspace(x.min(), x.max(), _NODES)
    log_light, u = curve(inside)
    more, log_more, u_more = _beyond(
        inside, log_light, math.log10(max(full_scale - dark_value, 1.0))
    )
    nodes = np.concatenate([inside, more])
    log_light = np.concatenate([log_light, log_more])
    u = np.concatenate([u, np.hypot(u[-1], u_more)])
    rising = np.concatenate([[True], np.diff(np.maximum.accumulate(log_light)) > 0.0])
    # Without light there is only the dark value; the darkest step lends it its uncertainty.
    return CameraResponse(
        values=(dark_value, *_rounded(dark_value + 10.0 ** nodes[rising], 7)),
        light_rel=(0.0, *_rounded(10.0 ** log_light[rising], 7)),
        u_density=(_rounded(u, 3)[0], *_rounded(u[rising], 3)),
        residual_sd_density=float(f"{residual_sd:.3g}"),
        steps=len(x),
    )


def _beyond(
    x: FloatArray, log_light: FloatArray, greatest_x: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Continue the curve past the brightest step, towards the open light.

    Nothing tells how the response goes on there: the last slope is kept, and half of the
    density covered in this way is its standard uncertainty.
    """
    slope = float((log_light[-1] - log_light[-2]) / (x[-1] - x[-2]))
    end = min(float(x[-1]) + _BEYOND / max(slope, 0.1), greatest_x)
    if end <= x[-1] + 1e-6:
        return np.empty(0), np.empty(0), np.empty(0)
    more = np.linspace(float(x[-1]), end, 9)[1:]
    covered = slope * (more - x[-1])
    return more, log_light[-1] + covered, 0.5 * covered


def _rounded(values: FloatArray, digits: int) -> tuple[float, ...]:
    return tuple(float(f"{v:.{digits}g}") for v in values)
