"""Questions and their answers as the report shows them."""

from collections.abc import Sequence
from dataclasses import dataclass

from micromeasure.compare.comparison import Comparison
from micromeasure.compare.verdicts import DIFFERS, NOT_RESOLVED, SAME
from micromeasure.compare.wording import (
    brief,
    capitalised,
    difference_text,
    half_width,
    interval_text,
    p_text,
    signed,
    subject,
    with_unit,
)
from micromeasure.estimate import rounded
from micromeasure.report import palette
from micromeasure.report.forest import can_be_drawn, interval_figure


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """One comparison; finished texts.

    Attributes
    ----------
    subject, pair, verdict, sign, style : str
    means : str
        Both means.
    difference, interval, tolerance, p, resolvable, ratio : str
    figure : str
        SVG, empty where there is no interval.
    remarks : tuple of str
    source : str
        File of another instrument, empty for our own measurements.
    n : str
        Numbers of specimens.
    """

    subject: str
    pair: str
    verdict: str
    sign: str
    style: str
    means: str
    difference: str
    interval: str
    tolerance: str
    p: str
    resolvable: str
    ratio: str
    figure: str
    remarks: tuple[str, ...]
    source: str
    n: str


def answers(comparisons: Sequence[Comparison], *, are_asked: bool) -> tuple[Answer, ...]:
    """Return the study's questions, or what was compared besides."""
    return tuple(_answer(c) for c in comparisons if c.question.is_asked is are_asked)


def headline(comparisons: Sequence[Comparison]) -> str:
    """Say in one sentence how the questions came out."""
    asked = [c for c in comparisons if c.question.is_asked]
    kind = "question of the study" if asked else "comparison"
    found = asked or list(comparisons)
    if not found:
        return "Nothing was compared: the results hold one revision only."
    counts = [
        (sum(c.verdict == verdict for c in found), text)
        for verdict, text in (
            (DIFFERS, "differs"), (SAME, "is the same within its tolerance"),
            (NOT_RESOLVED, "is not resolved"),
        )
    ]  # fmt: skip
    parts = [f"{n} {text if n == 1 else _PLURAL[text]}" for n, text in counts if n]
    plural = "" if len(found) == 1 else "s"
    return (
        f"Of {len(found)} {kind.replace(' of', plural + ' of') if asked else kind + plural}, "
        + (" and ".join([", ".join(parts[:-1]), parts[-1]]) if len(parts) > 1 else parts[0])
        + "."
    )


_PLURAL = {
    "differs": "differ",
    "is the same within its tolerance": "are the same within their tolerances",
    "is not resolved": "are not resolved",
}


def _answer(compared: Comparison) -> Answer:
    question, style = compared.question, palette.VERDICTS[compared.verdict]
    unit, step = question.unit, half_width(compared)
    tolerance = "" if compared.tolerance is None else f"±{rounded(compared.tolerance, None)[0]}"
    return Answer(
        subject=capitalised(subject(question)),
        pair=f"{question.revision} − {question.reference or 1}",
        verdict=compared.verdict,
        sign=style.sign,
        style=style.name,
        means=_means(compared, step),
        difference=difference_text(compared),
        interval=""
        if compared.low_95 is None
        else interval_text(compared.low_95, compared.high_95, unit, step or 1.0),
        tolerance=with_unit(tolerance, unit) if tolerance else "",
        p=p_text(compared.p_holm),
        resolvable=""
        if compared.smallest_resolvable is None
        else with_unit(brief(compared.smallest_resolvable), unit),
        ratio=_ratio(compared),
        figure=interval_figure(compared) if can_be_drawn(compared) else "",
        remarks=compared.remarks,
        source=question.source,
        n=f"{compared.n_reference} and {compared.n}" if compared.n_reference else str(compared.n),
    )


def _means(compared: Comparison, step: float | None) -> str:
    question = compared.question
    sides = [
        (question.revision, compared.mean),
        (question.reference, compared.mean_reference),
    ]
    return ", ".join(
        f"{name} {with_unit(signed(rounded(mean, step)[0]), question.unit)}"
        for name, mean in reversed(sides)
        if mean is not None
    )


def _ratio(compared: Comparison) -> str:
    """Write the ratio where it means anything: not about quantities that lie around zero."""
    ratio, low, high = compared.ratio, compared.ratio_low_95, compared.ratio_high_95
    if ratio is None or ratio <= 0 or low is None or low < 0:
        return ""
    half = None if high is None else (high - low) / 2
    if half is None or half > ratio:
        return f"{brief(ratio)} ({brief(low)} to {'∞' if high is None else brief(high)})"
    return f"{rounded(ratio, half)[0]} ({rounded(low, half)[0]} to {rounded(high, half)[0]})"
