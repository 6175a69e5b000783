"""Comparisons and numbers in words, the same on screen and in the report."""

import math
from collections.abc import Sequence

from micromeasure.compare.comparison import Comparison, Question
from micromeasure.estimate import COVERAGE, Estimate, coverage_factor, rounded

_UNITS = {"um": "µm", "um2": "µm²", "deg": "°", "1": "", "1/mm": "mm⁻¹", "1/um": "µm⁻¹"}
_LOWEST_SHOWN = 0.0001


def unit_for_people(unit: str) -> str:
    """Return a unit as it is printed: ``um`` is µm, a plain number has none."""
    return _UNITS.get(unit, unit)


def with_unit(number: str, unit: str) -> str:
    """Return a number with its unit, set as the SI brochure asks: a space, but not before °."""
    shown = unit_for_people(unit)
    if not shown:
        return number
    return number + shown if shown == "°" else f"{number} {shown}"


def plain_name(name: str) -> str:
    """Return the name of a quantity or statistic as words."""
    return name.replace("_", " ")


def capitalised(text: str) -> str:
    """Return a text with a capital first letter, the rest as it is."""
    return text[:1].upper() + text[1:]


def subject(question: Question) -> str:
    """Say what a question is about, such as ``dome height, crown (dome-side, free)``."""
    parts = [plain_name(question.quantity)]
    if question.feature and question.feature != "all":
        parts.append(question.feature)
    if question.statistic not in {"", "mean", "value"}:
        parts.append(plain_name(question.statistic))
    where = ", ".join(word for word in (question.view, question.state) if word)
    return ", ".join(parts) + (f" ({where})" if where else "")


def value_text(estimate: Estimate) -> str:
    """Write a value with its expanded uncertainty, ``12.34 ± 0.56``, or what is known of it."""
    if estimate.value is None:
        low = estimate.low_limit
        return "–" if low is None else f"> {low:.3g}"
    value, half, _ = expanded(estimate)
    return value if half == "–" else f"{value} ± {half}"


def expanded(estimate: Estimate) -> tuple[str, str, str]:
    """Return value, expanded uncertainty at 95 % and coverage factor, rounded for people.

    The expanded uncertainty keeps two digits and the value ends at the same place.
    """
    u = estimate.standard_uncertainty
    if u is None or estimate.value is None:
        return *rounded(estimate.value, None), "–"
    k = coverage_factor(estimate.dof, COVERAGE)
    return *rounded(estimate.value, k * u), f"{k:.2f}"


def interval_text(low: float | None, high: float | None, unit: str, half: float) -> str:
    """Write an interval, rounded to two digits of its half-width as its middle is."""
    if low is None or high is None:
        return "–"
    ends = (rounded(low, half)[0], rounded(high, half)[0])
    return with_unit(f"{signed(ends[0])} to {signed(ends[1])}", unit)


def signed(number: str) -> str:
    """Return a number with a true minus sign, and zero without any."""
    if number.startswith("-") and not number.strip("-0."):
        return number[1:]
    return number.replace("-", "−")


def brief(number: float) -> str:
    """Write a number with two significant digits, and no exponent where that is readable."""
    short = float(f"{number:.1e}")
    if short == 0.0 or not math.isfinite(short):
        return signed(f"{short:g}")
    places = 1 - math.floor(math.log10(abs(short)))
    return signed(f"{short:.{places}f}" if 0 < places < 7 else f"{short:g}")


def p_text(p: float | None) -> str:
    """Write a probability: two digits, and no more zeros than anyone believes."""
    if p is None:
        return "–"
    if p < _LOWEST_SHOWN:
        return "< 0.0001"
    return f"{p:.2g}" if p < 0.1 else f"{p:.2f}"


def difference_text(compared: Comparison) -> str:
    """Write a difference with its unit, rounded to its interval."""
    if compared.difference is None:
        return "–"
    half = half_width(compared)
    text = f"{compared.difference:.2g}" if half is None else rounded(compared.difference, half)[0]
    return with_unit(signed(text), compared.question.unit)


def half_width(compared: Comparison) -> float | None:
    """Return half the width of the 95 % interval, or what measurement alone gives."""
    if compared.low_95 is not None and compared.high_95 is not None:
        return (compared.high_95 - compared.low_95) / 2
    u = compared.measurement_uncertainty
    return None if u is None or math.isnan(u) else 2 * u


def joined(remarks: Sequence[str]) -> str:
    """Return remarks as one text."""
    return "; ".join(remarks)


def answer(compared: Comparison) -> str:
    """Write one comparison as a line: what was compared, by how much it differs, the verdict."""
    question = compared.question
    if compared.difference is None:
        numbers = ""
    else:
        step = half_width(compared)
        numbers = f"{question.revision} − {question.reference or 1} = {difference_text(compared)}"
        if compared.low_95 is not None and step is not None:
            span = interval_text(compared.low_95, compared.high_95, question.unit, step)
            numbers += f" (95 %: {span}; p {p_text(compared.p_holm)})"
        numbers += ": "
    pair = "" if numbers else f"{question.revision} against {question.reference}: "
    return f"{subject(question)}: {pair}{numbers}{compared.verdict}"
