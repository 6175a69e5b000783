"""Probability of detection against crack length (MIL-HDBK-1823A, ASTM E2862 and E3023 in spirit).

Hit or miss: a logistic or probit curve on length or on its logarithm, fitted by maximum
likelihood. Signal: a straight line of signal on length, normal scatter, signals below the noise
floor counted as such; detection is a signal above the decision level. The size found with
probability 90 % with 95 % confidence (a90/95) comes from the profile likelihood of a90.

The figures hold for the conditions in which the cracks were looked at, and for no others.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.errors import MeasurementError

FloatArray = NDArray[np.float64]

LINKS = ("logit", "probit")
SCALES = ("length", "log length")
# One-sided 95 %: the two-sided 90 % quantile of chi-square with one degree of freedom.
_DROP_95 = 2.705543454095404
_STEPS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class PodCurve:
    """A fitted curve of probability of detection.

    Attributes
    ----------
    link : str
        ``logit`` or ``probit``.
    scale : str
        ``length`` or ``log length``: what the curve is straight in.
    intercept, slope : float
        On the link's scale.
    covariance : ndarray, shape (2, 2)
        Of intercept and slope, from the observed information.
    log_likelihood : float
    n, hits : int
    """

    link: str
    scale: str
    intercept: float
    slope: float
    covariance: FloatArray
    log_likelihood: float
    n: int
    hits: int

    def probability(self, length_um: FloatArray) -> FloatArray:
        """Return the probability of detection at lengths."""
        x = _scaled(np.asarray(length_um, dtype=float), self.scale)
        return _inverse(self.link, self.intercept + self.slope * x)[0]

    def length_at(self, probability: float) -> float:
        """Return the length that is found with a probability."""
        x = (_link(self.link, probability) - self.intercept) / self.slope
        return math.exp(x) if self.scale == "log length" else x


@dataclass(frozen=True, slots=True, kw_only=True)
class FalseRate:
    """Candidates that were no crack, per area.

    Attributes
    ----------
    count : int
    area_mm2 : float
        Area searched.
    """

    count: int
    area_mm2: float

    @property
    def per_mm2(self) -> float:
        """Number per square millimetre."""
        return self.count / self.area_mm2

    @property
    def per_mm2_high(self) -> float:
        """Upper 95 % confidence bound of the number per area (exact, Poisson)."""
        from scipy.special import gammaincinv

        return float(gammaincinv(self.count + 1, 0.95)) / self.area_mm2


@dataclass(frozen=True, slots=True, kw_only=True)
class Detectability:
    """What can be found, as a table row says it.

    Attributes
    ----------
    curve : PodCurve
    a50_um, a90_um : float
        Lengths found with probability 50 % and 90 %.
    a90_95_um : float or None
        Upper 95 % confidence bound of a90; None where the data set no bound.
    false : FalseRate or None
        Candidates that were no crack; None where none were given.
    kind : str
        ``hit or miss`` or ``signal``.
    """

    curve: PodCurve
    a50_um: float
    a90_um: float
    a90_95_um: float | None
    false: "FalseRate | None" = None
    kind: str = "hit or miss"


def fit_hits(
    length_um: Sequence[float] | FloatArray,
    hit: Sequence[float] | FloatArray,
    *,
    link: str = "logit",
    scale: str = "length",
    trials: Sequence[float] | FloatArray | None = None,
) -> PodCurve:
    """Fit a curve of probability of detection to hits and misses.

    Parameters
    ----------
    length_um : sequence of float, shape (n,)
        Size of each crack, above 0 for ``log length``.
    hit : sequence of float, shape (n,)
        1 found, 0 missed; with `trials`, the number of hits.
    link : str
        ``logit`` or ``probit``.
    scale : str
        ``length`` or ``log length``.
    trials : sequence of float, shape (n,), optional
        Number of looks at each size; 1 where not given.

    Returns
    -------
    PodCurve

    Raises
    ------
    MeasurementError
        If there are hits only, misses only, or a size that separates all hits from all misses:
        then no finite curve is most likely.

    Notes
    -----
    Newton's method on the log-likelihood; every step is halved until the likelihood grows.
    """
    sizes, hits = np.asarray(length_um, dtype=float), np.asarray(hit, dtype=float)
    looks = np.ones_like(sizes) if trials is None else np.asarray(trials, dtype=float)
    _check_hits(sizes, hits, looks, scale)
    x = _scaled(sizes, scale)
    middle, spread = float(np.average(x, weights=looks)), max(float(np.std(x)), 1e-9)
    z = (x - middle) / spread
    fitted, information, value = _newton(z, hits, looks, link)
    # Back from centred sizes: slope / spread, intercept less slope times middle.
    back = np.array([[1.0, -middle / spread], [0.0, 1.0 / spread]])
    intercept, slope = back @ fitted
    return PodCurve(
        link=link,
        scale=scale,
        intercept=float(intercept),
        slope=float(slope),
        covariance=back @ np.linalg.inv(information) @ back.T,
        log_likelihood=value,
        n=int(looks.sum()),
        hits=int(hits.sum()),
    )


def bound_on_length(
    length_um: Sequence[float] | FloatArray,
    hit: Sequence[float] | FloatArray,
    curve: PodCurve,
    *,
    probability: float = 0.9,
    upper: bool = True,
    drop: float = _DROP_95,
    trials: Sequence[float] | FloatArray | None = None,
) -> float | None:
    """Return a confidence bound of the length found with a probability, by profile likelihood.

    Parameters
    ----------
    length_um, hit, trials
        The data of the curve.
    curve : PodCurve
    probability : float
    upper : bool
        The upper bound, else the lower one.
    drop : float
        How far twice the log-likelihood may fall; the default gives a one-sided 95 % bound.

    Returns
    -------
    float or None
        None where the likelihood does not fall so far within twenty times the longest length:
        the data set no bound.

    Notes
    -----
    With x the length or its logarithm and x_p the size sought, the curve is written
    link(P) = link(p) + b (x − x_p); for each x_p the slope b is fitted anew, and the bound is
    where twice the loss of log-likelihood reaches `drop`.
    """
    sizes, hits = np.asarray(length_um, dtype=float), np.asarray(hit, dtype=float)
    looks = np.ones_like(sizes) if trials is None else np.asarray(trials, dtype=float)
    x = _scaled(sizes, curve.scale)
    level = _link(curve.link, probability)
    best = (level - curve.intercept) / curve.slope

    def excess(at: float) -> float:
        profile = _profile(x - at, hits, looks, (curve.link, level, curve.slope))
        return 2 * (curve.log_likelihood - profile) - drop

    step = (1 if upper else -1) * max(
        math.sqrt(max(float(_variance_of_size(curve, best)), 1e-12)), 1e-6
    )
    inner, outer = best, best + step
    farthest = float(_scaled(np.array([20 * sizes.max()]), curve.scale)[0])
    for _ in range(24):
        if excess(outer) > 0:
            break
        if outer > farthest:
            return None
        inner, outer = outer, outer + step
        step *= 1.5
    else:
        return None
    for _ in range(_STEPS):
        half = 0.5 * (inner + outer)
        inner, outer = (inner, half) if excess(half) > 0 else (half, outer)
    return math.exp(outer) if curve.scale == "log length" else outer


def detectability_from_hits(
    length_um: Sequence[float] | FloatArray,
    hit: Sequence[float] | FloatArray,
    *,
    link: str = "logit",
    scale: str | None = None,
    false: FalseRate | None = None,
) -> Detectability:
    """Return what hits and misses say about the size that is found.

    Parameters
    ----------
    length_um, hit : sequence of float, shape (n,)
    link : str
    scale : str or None
        None takes whichever of length and log length is more likely; the curve says which.
    false : FalseRate, optional
        Candidates that were no crack.
    """
    scales = SCALES if scale is None else (scale,)
    if scale is None and np.min(np.asarray(length_um, dtype=float)) <= 0:
        scales = ("length",)
    curves = [fit_hits(length_um, hit, link=link, scale=item) for item in scales]
    curve = max(curves, key=lambda item: item.log_likelihood)
    if curve.slope <= 0:
        message = (
            "longer cracks are not found more often in these data, so no length is found with "
            "90 % probability; check the table for swapped hits and misses."
        )
        raise MeasurementError(message)
    return Detectability(
        curve=curve,
        a50_um=curve.length_at(0.5),
        a90_um=curve.length_at(0.9),
        a90_95_um=bound_on_length(length_um, hit, curve),
        false=false,
    )


def _check_hits(sizes: FloatArray, hits: FloatArray, looks: FloatArray, scale: str) -> None:
    if len(sizes) < 3 or sizes.shape != hits.shape or sizes.shape != looks.shape:
        message = (
            f"{len(sizes)} sizes and {len(hits)} results were given; give one result for each of "
            "at least three cracks."
        )
        raise MeasurementError(message)
    if not (np.isfinite(sizes).all() and np.isfinite(hits).all()):
        message = "a size or result is missing or no number; complete the table."
        raise MeasurementError(message)
    if scale == "log length" and sizes.min() <= 0:
        message = f"a length of {sizes.min():g} has no logarithm; every length must be above 0."
        raise MeasurementError(message)
    if hits.sum() in (0, looks.sum()):
        which = "missed" if hits.sum() == 0 else "found"
        message = (
            f"all {looks.sum():.0f} cracks were {which}, which sets no curve; add "
            f"{'longer' if which == 'missed' else 'shorter'} ones."
        )
        raise MeasurementError(message)
    found, missed = sizes[hits > 0], sizes[hits < looks]
    if found.min() >= missed.max() or found.max() <= missed.min():
        message = (
            f"a length of {missed.max():g} um parts all misses from all hits, so the steepness of "
            "the curve is not set; add cracks of lengths near it."
        )
        raise MeasurementError(message)


def _scaled(sizes: FloatArray, scale: str) -> FloatArray:
    return np.log(sizes) if scale == "log length" else sizes


def _link(name: str, probability: float) -> float:
    if name == "probit":
        from scipy.special import ndtri

        return float(ndtri(probability))
    return math.log(probability / (1 - probability))


def _inverse(name: str, eta: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return probability and its derivative by the linear predictor."""
    eta = np.clip(eta, -35, 35)
    if name == "probit":
        from scipy.special import ndtr

        density = np.exp(-0.5 * eta**2) / math.sqrt(2 * math.pi)
        return np.asarray(ndtr(eta)), np.asarray(density)
    p = 1 / (1 + np.exp(-eta))
    return np.asarray(p), np.asarray(p * (1 - p))


def _log_likelihood(p: FloatArray, hits: FloatArray, looks: FloatArray) -> float:
    p = np.clip(p, 1e-300, 1 - 1e-16)
    return float((hits * np.log(p) + (looks - hits) * np.log1p(-p)).sum())


def _newton(
    z: FloatArray, hits: FloatArray, looks: FloatArray, link: str
) -> tuple[FloatArray, FloatArray, float]:
    """Return coefficients, information and log-likelihood of a curve on one variable."""
    design = np.column_stack((np.ones_like(z), z))
    share = min(max(float(hits.sum() / looks.sum()), 1e-3), 1 - 1e-3)
    at = np.array([_link(link, share), 0.0])
    value = -math.inf
    information = np.eye(2)
    for _ in range(_STEPS):
        p, slope = _inverse(link, design @ at)
        value = _log_likelihood(p, hits, looks)
        score, information = _score(design, hits, looks, (p, slope))
        step = np.linalg.solve(information, score)
        size = 1.0
        while size > 1e-8:
            trial = at + size * step
            if _log_likelihood(_inverse(link, design @ trial)[0], hits, looks) >= value - 1e-12:
                break
            size /= 2
        at = at + size * step
        if np.abs(size * step).max() < 1e-11:
            break
    p, slope = _inverse(link, design @ at)
    _, information = _score(design, hits, looks, (p, slope))
    return at, information, _log_likelihood(p, hits, looks)


def _score(
    design: FloatArray,
    hits: FloatArray,
    looks: FloatArray,
    response: tuple[FloatArray, FloatArray],
) -> tuple[FloatArray, FloatArray]:
    """Return gradient and expected information."""
    p, slope = response
    variance = np.maximum(p * (1 - p), 1e-300)
    score = design.T @ ((hits - looks * p) * slope / variance)
    information = (design * (looks * slope**2 / variance)[:, None]).T @ design
    return np.asarray(score), np.asarray(information)


def _profile(
    x: FloatArray, hits: FloatArray, looks: FloatArray, start: tuple[str, float, float]
) -> float:
    """Return the greatest log-likelihood over slopes above 0 of a curve through one point."""
    link, level, slope = start

    def loss(log_slope: float) -> float:
        p, _ = _inverse(link, level + math.exp(log_slope) * x)
        return -_log_likelihood(p, hits, looks)

    return -_least(loss, math.log(max(slope, 1e-12)))


def _least(function: Callable[[float], float], start: float) -> float:
    """Return the least value of a function of one variable near a start (golden section)."""
    ratio = (math.sqrt(5) - 1) / 2
    low, high = start - 14.0, start + 4.0
    a, b = high - ratio * (high - low), low + ratio * (high - low)
    fa, fb = function(a), function(b)
    for _ in range(_STEPS):
        if fa < fb:
            high, b, fb = b, a, fa
            a = high - ratio * (high - low)
            fa = function(a)
        else:
            low, a, fa = a, b, fb
            b = low + ratio * (high - low)
            fb = function(b)
    return min(fa, fb)


def _variance_of_size(curve: PodCurve, size: float) -> float:
    """Return the variance of a size on the curve's scale by the delta method."""
    gradient = -np.array([1.0, size]) / curve.slope
    return float(gradient @ curve.covariance @ gradient)


def size_with_error(curve: PodCurve, probability: float) -> tuple[float, float]:
    """Return the size found with a probability and its standard error, on the curve's scale.

    By the delta method; for a curve on log length both are natural logarithms.
    """
    size = (_link(curve.link, probability) - curve.intercept) / curve.slope
    return size, math.sqrt(_variance_of_size(curve, size))
