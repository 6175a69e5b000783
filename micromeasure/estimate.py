"""A measured number with its unit and the components of its uncertainty (JCGM 100).

`Estimate` is the only way a measured number travels through the package. Its components
are kept apart up to the last table, because some are shared by many images (the scale of
one calibration) and must neither average down nor be counted twice.
"""

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from micromeasure.errors import MicromeasureError

COVERAGE = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One contribution to a standard uncertainty.

    Attributes
    ----------
    name : str
        What it comes from, such as ``scale`` or ``edge location``.
    u : float
        Contribution to the estimate's standard uncertainty, in the estimate's unit: sensitivity
        times the input's standard uncertainty. The sign is the sensitivity's and matters only
        where `shared` components of several estimates are combined.
    dof : float
        Degrees of freedom; infinite where the uncertainty is taken as known.
    shared : str or None
        Key of the common cause, such as ``scale:bench-a-20x``. Components with one key are
        fully correlated between estimates. None: independent of everything else.
    kind : str
        ``A`` evaluated by statistics of these data, ``B`` otherwise (JCGM 100, 2.3.2, 2.3.3).
    source : str
        One line saying how the figure was found.
    """

    name: str
    u: float
    dof: float = math.inf
    shared: str | None = None
    kind: str = "B"
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A value, its unit and its uncertainty components.

    Attributes
    ----------
    value : float or None
        None for a lower limit, see `low_limit`.
    unit : str
        Unit of value and components, such as ``um``, ``deg``, ``1``.
    components : tuple of Component or None
        None where the uncertainty is unknown; an unknown uncertainty is never zero.
    low_limit : float or None
        Only where the value is beyond the range of the measurement: "greater than" this.
    """

    value: float | None
    unit: str
    components: tuple[Component, ...] | None = None
    low_limit: float | None = None

    @property
    def standard_uncertainty(self) -> float | None:
        """Combined standard uncertainty, or None where it is unknown."""
        if self.components is None or self.value is None:
            return None
        return math.sqrt(sum(u * u for u in _merged(self.components)))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom after Welch and Satterthwaite (JCGM 100, G.4.1)."""
        if not self.components:
            return math.inf
        u = self.standard_uncertainty or 0.0
        weight = sum(c.u**4 / c.dof for c in self.components if math.isfinite(c.dof))
        return u**4 / weight if weight > 0 else math.inf

    @property
    def interval_95(self) -> tuple[float | None, float | None]:
        """Ends of the 95 % coverage interval; None where they are unknown or unlimited."""
        if self.low_limit is not None:
            return self.low_limit, None
        u = self.standard_uncertainty
        if u is None or self.value is None:
            return None, None
        k = coverage_factor(self.dof)
        return self.value - k * u, self.value + k * u

    def scaled(self, factor: float, unit: str | None = None) -> "Estimate":
        """Return this estimate multiplied by an exact factor."""
        scaled = self.components and tuple(replace(c, u=c.u * factor) for c in self.components)
        return Estimate(
            value=None if self.value is None else self.value * factor,
            unit=unit or self.unit,
            components=scaled,
            low_limit=None if self.low_limit is None else self.low_limit * factor,
        )


def coverage_factor(dof: float, coverage: float = COVERAGE) -> float:
    """Return the half-width of a coverage interval in standard uncertainties.

    Parameters
    ----------
    dof : float
        Effective degrees of freedom, cut to a whole number as JCGM 100, G.4.1 advises.
    coverage : float
        Share of values the interval is to hold.

    Returns
    -------
    float
        Quantile of Student's t distribution.
    """
    # scipy.special is ten times quicker to import than scipy.stats.
    from scipy.special import ndtri, stdtrit

    if math.isinf(dof):
        return float(ndtri(0.5 + coverage / 2))
    return float(stdtrit(max(1.0, math.floor(dof)), 0.5 + coverage / 2))


def combine(value: float, unit: str, terms: Sequence[tuple[Estimate, float]]) -> Estimate:
    """Combine estimates to first order (JCGM 100, 5.1.2 and, for shared causes, 5.2.2).

    Parameters
    ----------
    value : float
        The combined value, computed by the caller.
    unit : str
        Its unit.
    terms : sequence of (Estimate, float)
        Each input with its sensitivity, the derivative of `value` by that input.

    Returns
    -------
    Estimate
        Components with one shared key are added with their signs into one component; if any
        input's uncertainty is unknown, so is the result's.
    """
    if any(estimate.components is None for estimate, _ in terms):
        return Estimate(value=value, unit=unit, components=None)
    independent: list[Component] = []
    shared: dict[str, list[Component]] = defaultdict(list)
    for estimate, sensitivity in terms:
        for component in estimate.components or ():
            part = replace(component, u=component.u * sensitivity)
            if part.shared is None:
                independent.append(part)
            else:
                shared[part.shared].append(part)
    joined = [replace(parts[0], u=sum(p.u for p in parts)) for parts in shared.values()]
    return Estimate(value=value, unit=unit, components=(*independent, *joined))


def mean_of(estimates: Sequence[Estimate]) -> Estimate:
    """Average estimates of one unit; shared components do not shrink with their number.

    Raises
    ------
    MicromeasureError
        If the list is empty, a value is missing or the units differ.
    """
    units = {estimate.unit for estimate in estimates}
    values = [estimate.value for estimate in estimates if estimate.value is not None]
    if len(units) != 1 or len(values) != len(estimates):
        message = (
            f"mean of {len(estimates)} estimates in units {sorted(units)}: need one unit, no gaps"
        )
        raise MicromeasureError(message)
    weight = 1.0 / len(values)
    return combine(math.fsum(values) * weight, units.pop(), [(e, weight) for e in estimates])


def difference(first: Estimate, second: Estimate) -> Estimate:
    """Return first minus second; a shared scale is counted once, on the difference."""
    a, b = _value(first), _value(second)
    return combine(a - b, first.unit, [(first, 1.0), (second, -1.0)])


def ratio(first: Estimate, second: Estimate, unit: str = "1") -> Estimate:
    """Return first divided by second; a shared relative uncertainty cancels."""
    a, b = _value(first), _value(second)
    return combine(a / b, unit, [(first, 1.0 / b), (second, -a / b**2)])


def rounded(value: float | None, u: float | None) -> tuple[str, str]:
    """Write a value and its standard uncertainty for people.

    The uncertainty keeps two significant digits and the value ends at the same place
    (JCGM 100, 7.2.6); unknown parts are a dash.
    """
    if value is None or not math.isfinite(value):
        return "–", "–"
    if u is None or not math.isfinite(u) or u <= 0:
        return f"{value:.4g}", "–"
    places = 1 - math.floor(math.log10(u))
    # 0.0996 rounds up to 0.10 and so needs one place less than its own magnitude says.
    if float(f"{u:.1e}") >= 10.0 ** (2 - places):
        places -= 1
    if places >= 0:
        return f"{value:.{places}f}", f"{u:.{places}f}"
    return f"{round(value, places):.0f}", f"{round(u, places):.0f}"


def as_plain(estimate: Estimate) -> Mapping[str, float | None]:
    """Return value, standard uncertainty and interval ends as plain numbers."""
    low, high = estimate.interval_95
    return {
        "value": estimate.value,
        "standard_uncertainty": estimate.standard_uncertainty,
        "low_95": low,
        "high_95": high,
    }


def _value(estimate: Estimate) -> float:
    if estimate.value is None:
        message = "a lower limit cannot be combined with other estimates"
        raise MicromeasureError(message)
    return estimate.value


def _merged(components: Sequence[Component]) -> list[float]:
    """Return contributions with those of one shared cause added first."""
    shared: dict[str, float] = defaultdict(float)
    single = []
    for component in components:
        if component.shared is None:
            single.append(component.u)
        else:
            shared[component.shared] += component.u
    return [*single, *shared.values()]
