"""Probability of detection from signals: a line of signal on length with normal scatter.

Signals too weak to be told from noise are known only to lie below the floor and count so in the
likelihood. A crack is detected where its signal exceeds the decision level.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from micromeasure.compare.detectability import (
    Detectability,
    FalseRate,
    FloatArray,
    PodCurve,
)
from micromeasure.errors import MeasurementError

_DROP_95 = 2.705543454095404
_FEWEST = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalFit:
    """A line of signal on size.

    Attributes
    ----------
    intercept, slope, scatter : float
        Signal = intercept + slope × size, with normal scatter of this standard deviation; size
        and signal as logarithms where `is_log`.
    log_likelihood : float
    is_log : bool
    """

    intercept: float
    slope: float
    scatter: float
    log_likelihood: float
    is_log: bool


def detectability_from_signals(
    length_um: Sequence[float] | FloatArray,
    signal: Sequence[float] | FloatArray,
    *,
    decision: float,
    floor: float | None = None,
    is_log: bool = True,
    false: FalseRate | None = None,
) -> Detectability:
    """Return what signals say about the size that is found.

    Parameters
    ----------
    length_um : sequence of float, shape (n,)
    signal : sequence of float, shape (n,)
        NaN or below `floor`: too weak to be told from noise.
    decision : float
        Signals above this are detections.
    floor : float, optional
        Least signal that is more than noise; the least one given where not stated.
    is_log : bool
        Whether the logarithm of signal is straight in the logarithm of length.
    false : FalseRate, optional
        Candidates that were no crack.

    Raises
    ------
    MeasurementError
        If too few signals lie above the floor, or the signal does not grow with length.
    """
    sizes, signals = np.asarray(length_um, dtype=float), np.asarray(signal, dtype=float)
    seen = np.isfinite(signals)
    level = float(np.min(signals[seen])) if floor is None and seen.any() else (floor or 0.0)
    seen &= signals >= level
    if seen.sum() < _FEWEST or (is_log and (sizes.min() <= 0 or level <= 0 or decision <= 0)):
        message = (
            f"{int(seen.sum())} of {len(sizes)} cracks have a usable signal; give at least "
            f"{_FEWEST} signals above the floor, all lengths and levels above 0."
        )
        raise MeasurementError(message)
    x = np.log(sizes) if is_log else sizes
    y = np.where(seen, signals, level)
    y, base, bar = (
        (np.log(y), math.log(level), math.log(decision)) if is_log else (y, level, decision)
    )
    fit = _fit(x, y, seen, base, is_log=is_log)
    if fit.slope <= 0:
        message = "the signal does not grow with length in these data; check the table."
        raise MeasurementError(message)
    curve = PodCurve(
        link="probit",
        scale="log length" if is_log else "length",
        intercept=(fit.intercept - bar) / fit.scatter,
        slope=fit.slope / fit.scatter,
        covariance=np.full((2, 2), np.nan),
        log_likelihood=fit.log_likelihood,
        n=len(sizes),
        hits=int((seen & (y > bar)).sum()),
    )
    bound = _bound(x, y, seen, (base, bar, fit))
    return Detectability(
        curve=curve,
        a50_um=curve.length_at(0.5),
        a90_um=curve.length_at(0.9),
        a90_95_um=None if bound is None else (math.exp(bound) if is_log else bound),
        kind="signal",
        false=false,
    )


def _fit(x: FloatArray, y: FloatArray, seen: np.ndarray, base: float, *, is_log: bool) -> SignalFit:
    """Fit the line by maximum likelihood, unseen signals as below the base."""
    from scipy.optimize import minimize

    slope, intercept = np.polyfit(x[seen], y[seen], 1)
    scatter = max(float(np.std(y[seen] - slope * x[seen] - intercept)), 1e-6)

    def loss(p: FloatArray) -> float:
        return -_likelihood(x, y, seen, (base, float(p[0]), float(p[1]), math.exp(p[2])))

    found = minimize(
        loss, [intercept, slope, math.log(scatter)], method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-10, "maxiter": 8000, "maxfev": 8000},
    )  # fmt: skip
    a, b, log_s = (float(value) for value in found.x)
    return SignalFit(
        intercept=a, slope=b, scatter=math.exp(log_s), log_likelihood=-float(found.fun),
        is_log=is_log,
    )  # fmt: skip


def _likelihood(
    x: FloatArray, y: FloatArray, seen: np.ndarray, line: tuple[float, float, float, float]
) -> float:
    from scipy.special import log_ndtr

    base, intercept, slope, scatter = line
    mean = intercept + slope * x
    density = -0.5 * ((y - mean) / scatter) ** 2 - math.log(scatter * math.sqrt(2 * math.pi))
    return float(density[seen].sum() + log_ndtr((base - mean[~seen]) / scatter).sum())


def _bound(
    x: FloatArray, y: FloatArray, seen: np.ndarray, at: tuple[float, float, SignalFit]
) -> float | None:
    """Return the upper one-sided 95 % bound of a90 by profile likelihood, on the fit's scale."""
    from scipy.optimize import brentq, minimize

    base, bar, fit = at
    z90 = 1.2815515655446004
    best = (bar - fit.intercept + z90 * fit.scatter) / fit.slope

    def excess(a90: float) -> float:
        def loss(p: FloatArray) -> float:
            slope, scatter = math.exp(p[0]), math.exp(p[1])
            intercept = bar + z90 * scatter - slope * a90
            return -_likelihood(x, y, seen, (base, intercept, slope, scatter))

        found = minimize(
            loss, [math.log(fit.slope), math.log(fit.scatter)], method="Nelder-Mead",
            options={"xatol": 1e-8, "fatol": 1e-9, "maxiter": 4000},
        )  # fmt: skip
        return 2 * (fit.log_likelihood + float(found.fun)) - _DROP_95

    step = 0.2 * fit.scatter / fit.slope
    outer = best + step
    for _ in range(40):
        if excess(outer) > 0:
            return float(brentq(excess, best, outer, xtol=1e-8))
        outer += step
        step *= 1.4
    return None
