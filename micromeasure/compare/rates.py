"""Counts compared: how many cracks a fold has, and how many folds have one.

Exact tests on the totals, held back where counts vary from specimen to specimen more than
chance alone would make them: cracks of one specimen come from one blank and one bend.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.compare.contrast import LEVEL

FloatArray = NDArray[np.float64]

METHOD = "exact conditional Poisson test with allowance for scatter between specimens"


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """Counts of one group.

    Attributes
    ----------
    counts : ndarray of float, shape (n,)
        Total count of each specimen.
    exposures : ndarray of float, shape (n,)
        What was searched in each: number of folds, images or positions.
    """

    counts: FloatArray
    exposures: FloatArray

    @property
    def total(self) -> int:
        """Sum of the counts."""
        return round(float(self.counts.sum()))

    @property
    def exposure(self) -> float:
        """Sum of what was searched."""
        return float(self.exposures.sum())

    @property
    def rate(self) -> float:
        """Count per searched part."""
        return self.total / self.exposure


@dataclass(frozen=True, slots=True, kw_only=True)
class RateComparison:
    """Two rates compared.

    Attributes
    ----------
    ratio : float or None
        Rate over reference rate; None where the reference count is zero.
    ratio_low, ratio_high : float or None
        95 % interval; `ratio_high` is None where nothing bounds it.
    difference : float
    difference_low, difference_high : float
        95 % interval of the difference of the rates.
    difference_low_90, difference_high_90 : float
    p : float
    p_equivalence : float or None
    dispersion : float
        Variance of the counts over that of chance alone, not below 1.
    """

    ratio: float | None
    ratio_low: float
    ratio_high: float | None
    difference: float
    difference_low: float
    difference_high: float
    difference_low_90: float
    difference_high_90: float
    p: float
    p_equivalence: float | None
    dispersion: float


def compare_rates(
    group: Counts, reference: Counts, *, tolerance: float | None = None
) -> RateComparison:
    """Compare two rates of counts.

    Parameters
    ----------
    group, reference : Counts
        Two specimens or more each.
    tolerance : float or None
        Rates closer than this count as the same.

    Notes
    -----
    Given the sum of two Poisson counts, one of them is binomial; this gives an exact test and,
    from the exact interval of the binomial share, one for the ratio [1]_. Where specimens scatter
    more than Poisson counts do (Pearson's chi-square over its degrees of freedom above 1), the
    likelihood-ratio statistic is divided by that dispersion and referred to F; the larger
    probability and the wider interval of the two are reported. The interval of the difference
    joins the exact intervals of both rates by the distances of their ends from the rates [2]_,
    stretched by the square root of the dispersion.

    References
    ----------
    .. [1] J. Przyborowski and H. Wilenski, "Homogeneity of results in testing samples from
       Poisson series", Biometrika 31 (1940), 313-323.
    .. [2] G. Y. Zou and A. Donner, "Construction of confidence limits about effect measures",
       Statistics in Medicine 27 (2008), 1693-1702.
    """
    factor, dof = dispersion([group, reference])
    ratio = group.rate / reference.rate if reference.total else None
    low, high = _ratio_interval(group, reference, factor, dof)
    spans = {level: _difference_interval(group, reference, factor, level) for level in (0.05, 0.10)}
    return RateComparison(
        ratio=ratio,
        ratio_low=low,
        ratio_high=high,
        difference=group.rate - reference.rate,
        difference_low=spans[0.05][0],
        difference_high=spans[0.05][1],
        difference_low_90=spans[0.10][0],
        difference_high_90=spans[0.10][1],
        p=_p_equal(group, reference, factor, dof),
        p_equivalence=None
        if tolerance is None
        else _p_equivalence(group, reference, factor, tolerance),
        dispersion=factor,
    )


def dispersion(groups: Sequence[Counts]) -> tuple[float, int]:
    """Return how much more counts scatter between specimens than chance alone would make them.

    Returns
    -------
    factor : float
        Pearson's chi-square over its degrees of freedom, not below 1.
    dof : int
        The degrees of freedom, specimens minus groups.
    """
    chi_square = 0.0
    for group in groups:
        expected = group.rate * group.exposures
        if group.total:
            chi_square += float(((group.counts - expected) ** 2 / expected).sum())
    dof = sum(len(g.counts) for g in groups) - len(groups)
    return (max(1.0, chi_square / dof) if dof > 0 else 1.0), dof


def _p_equal(group: Counts, reference: Counts, factor: float, dof: int) -> float:
    from scipy.special import fdtrc
    from scipy.stats import binomtest

    total = group.total + reference.total
    if total == 0:
        return 1.0
    share = group.exposure / (group.exposure + reference.exposure)
    exact = float(binomtest(group.total, total, share).pvalue)
    if factor <= 1.0 or dof <= 0:
        return exact
    return max(exact, float(fdtrc(1, dof, _deviance(group, reference, 1.0) / factor)))


def _deviance(group: Counts, reference: Counts, ratio: float) -> float:
    """Return the likelihood-ratio statistic of a ratio of rates."""
    total = group.total + reference.total
    expected = total * ratio * group.exposure / (ratio * group.exposure + reference.exposure)
    parts = ((group.total, expected), (reference.total, total - expected))
    return max(0.0, 2.0 * sum(n * math.log(n / e) for n, e in parts if n))


def _ratio_interval(
    group: Counts, reference: Counts, factor: float, dof: int
) -> tuple[float, float | None]:
    from scipy.stats import binomtest

    total = group.total + reference.total
    if total == 0:
        return 0.0, None
    span = binomtest(group.total, total).proportion_ci(1 - LEVEL, method="exact")
    per = reference.exposure / group.exposure
    low = float(span.low) / (1 - float(span.low)) * per if group.total else 0.0
    high = float(span.high) / (1 - float(span.high)) * per if reference.total else None
    if factor <= 1.0 or dof <= 0:
        return low, high
    wide_low, wide_high = _quasi_interval(group, reference, factor, dof)
    low = min(low, wide_low)
    return low, None if high is None or wide_high is None else max(high, wide_high)


def _quasi_interval(
    group: Counts, reference: Counts, factor: float, dof: int
) -> tuple[float, float | None]:
    from scipy.optimize import brentq
    from scipy.special import fdtri

    limit = float(fdtri(1, dof, 1 - LEVEL)) * factor
    centre = math.log(max(group.total, 0.5) / group.exposure) - math.log(
        max(reference.total, 0.5) / reference.exposure
    )

    def end(side: float) -> float | None:
        def excess(log_ratio: float) -> float:
            return _deviance(group, reference, math.exp(log_ratio)) - limit

        step = side
        while abs(step) < 50.0:
            if excess(centre + step) > 0.0:
                inner = centre if excess(centre) < 0.0 else centre + step / 2
                return math.exp(float(brentq(excess, inner, centre + step)))
            step *= 2.0
        return None

    low = end(-1.0) if group.total else 0.0
    return low or 0.0, end(1.0) if reference.total else None


def _difference_interval(
    group: Counts, reference: Counts, factor: float, level: float
) -> tuple[float, float]:
    difference = group.rate - reference.rate
    low, high = _rate_interval(group, level)
    low_reference, high_reference = _rate_interval(reference, level)
    stretch = math.sqrt(factor)
    down = stretch * math.hypot(group.rate - low, high_reference - reference.rate)
    up = stretch * math.hypot(high - group.rate, reference.rate - low_reference)
    return difference - down, difference + up


def _rate_interval(group: Counts, level: float) -> tuple[float, float]:
    """Return the exact interval of a Poisson rate (Garwood 1936)."""
    from scipy.special import chdtri

    n = group.total
    low = float(chdtri(2 * n, 1 - level / 2)) / 2 if n else 0.0
    return low / group.exposure, float(chdtri(2 * n + 2, level / 2)) / 2 / group.exposure


def _p_equivalence(group: Counts, reference: Counts, factor: float, tolerance: float) -> float:
    """Return the level at which the interval of the difference just fits the tolerance."""
    from scipy.optimize import brentq

    def excess(p: float) -> float:
        low, high = _difference_interval(group, reference, factor, 2 * p)
        return max(high, -low) - tolerance

    if abs(group.rate - reference.rate) >= tolerance:
        return 0.5
    lowest, highest = 1e-9, 0.5 - 1e-9
    if excess(lowest) <= 0.0:
        return lowest
    return float(brentq(excess, lowest, highest)) if excess(highest) < 0.0 else 0.5


def compare_presence(
    with_any: int, n: int, with_any_reference: int, n_reference: int
) -> tuple[float, float]:
    """Compare how many specimens show at least one, by Fisher's exact test.

    Parameters
    ----------
    with_any, n : int
        Specimens with at least one, and all.
    with_any_reference, n_reference : int

    Returns
    -------
    p : float
        Two-sided.
    odds_ratio : float
        Sample odds ratio; infinite or NaN where a cell is empty.
    """
    from scipy.stats import fisher_exact

    rows = (with_any, n - with_any), (with_any_reference, n_reference - with_any_reference)
    found = fisher_exact(np.array(rows))
    return float(found.pvalue), float(found.statistic)


def compare_words(words: Sequence[str], reference: Sequence[str]) -> float:
    """Compare results in words, one a specimen, by the exact test of Fisher, Freeman and Halton.

    Parameters
    ----------
    words, reference : sequence of str
        Such as the polymer that each specimen was identified as.

    Returns
    -------
    float
        Probability, given how often each word occurs, of a table as rare as this or rarer.
    """
    names = sorted({*words, *reference})
    totals = [words.count(name) + reference.count(name) for name in names]
    whole = math.comb(sum(totals), len(words))
    tables = _splits(totals, len(words))
    ways = [
        math.prod(math.comb(t, k) for t, k in zip(totals, split, strict=True)) for split in tables
    ]
    seen = math.prod(
        math.comb(t, list(words).count(name)) for t, name in zip(totals, names, strict=True)
    )
    return sum(way for way in ways if way <= seen) / whole


def _splits(totals: Sequence[int], size: int) -> list[tuple[int, ...]]:
    """Return every way to draw `size` specimens from categories of given sizes."""
    if not totals:
        return [()] if size == 0 else []
    return [
        (k, *rest)
        for k in range(min(totals[0], size) + 1)
        for rest in _splits(totals[1:], size - k)
    ]
