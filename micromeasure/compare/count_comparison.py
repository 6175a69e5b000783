"""Counts, and results in words, of two revisions compared by exact tests."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from micromeasure.compare import contrast as means
from micromeasure.compare import rates
from micromeasure.compare.comparison import (
    Comparison,
    Question,
    Tolerance,
    described,
    obstacle,
    with_permutation,
)
from micromeasure.compare.contrast import Sample
from micromeasure.compare.specimens import Group

PRESENT = "present"
"""Statistic of the comparison of how many specimens show at least one."""


def compare_counts(
    question: Question, group: Group, reference: Group, tolerance: Tolerance | None = None
) -> tuple[Comparison, ...]:
    """Compare counts: their rates, and how many specimens have any.

    Parameters
    ----------
    question : Question
    group, reference : Group
        The positions of a specimen hold its counts.
    tolerance : Tolerance or None
        On the rate, count per position.

    Returns
    -------
    tuple of Comparison
        The rates; then the presence, with the statistic `PRESENT`.
    """
    base = replace(described(question, group, reference), method=rates.METHOD)
    notes = obstacle(group, reference)
    if notes:
        return (replace(base, remarks=(*base.remarks, *notes)),)
    counts, against = _counts(group), _counts(reference)
    limit = None if tolerance is None else _absolute(tolerance, against.rate)
    found = rates.compare_rates(counts, against, tolerance=limit)
    remarks = list(base.remarks)
    if found.dispersion > 1.5:
        remarks.append(
            f"counts scatter between specimens {found.dispersion:.1f} times as much as chance "
            "alone would make them"
        )
    rate = replace(
        base,
        mean=counts.rate,
        mean_reference=against.rate,
        difference=found.difference,
        low_95=found.difference_low,
        high_95=found.difference_high,
        low_90=found.difference_low_90,
        high_90=found.difference_high_90,
        p=found.p,
        tolerance=limit,
        p_equivalence=found.p_equivalence,
        smallest_tolerance=max(abs(found.difference_low_90), abs(found.difference_high_90)),
        ratio=found.ratio,
        ratio_low_95=found.ratio_low,
        ratio_high_95=found.ratio_high,
        remarks=tuple(remarks),
    )
    rate = with_permutation(
        rate,
        Sample(values=counts.counts / counts.exposures),
        Sample(values=against.counts / against.exposures),
    )
    return rate, _presence(base, counts, against)


def compare_words(question: Question, words: Sequence[str], reference: Sequence[str]) -> Comparison:
    """Compare results in words, one per specimen.

    Parameters
    ----------
    question : Question
    words, reference : sequence of str
    """
    found = Comparison(
        question=question,
        method="exact test of Fisher, Freeman and Halton",
        n=len(words),
        n_reference=len(reference),
        remarks=(
            f"{question.reference}: {_tally(reference)}; {question.revision}: {_tally(words)}",
        ),
    )
    if not words or not reference:
        return found
    p = rates.compare_words(words, reference)
    least = 1.0 / math.comb(len(words) + len(reference), len(words))
    notes = list(found.remarks)
    if not set(words) & set(reference) and p > means.LEVEL:
        notes.append(
            f"no result is common to both, but {len(words)} and {len(reference)} specimens cannot "
            f"give a probability below {least:.2g}"
        )
    return replace(found, p=p, remarks=tuple(notes))


def _counts(group: Group) -> rates.Counts:
    return rates.Counts(
        counts=np.array([round(sum(s.positions)) for s in group.specimens], dtype=np.float64),
        exposures=np.array([len(s.positions) for s in group.specimens], dtype=np.float64),
    )


def _presence(base: Comparison, counts: rates.Counts, reference: rates.Counts) -> Comparison:
    any_here = int((counts.counts > 0).sum())
    any_there = int((reference.counts > 0).sum())
    n, n_reference = len(counts.counts), len(reference.counts)
    p, _ = rates.compare_presence(any_here, n, any_there, n_reference)
    question = base.question
    remark = (
        f"{any_there} of {n_reference} specimens of {question.reference} and {any_here} of {n} "
        f"of {question.revision} show at least one"
    )
    return replace(
        base,
        question=replace(question, statistic=PRESENT, is_asked=False, unit="1"),
        method="Fisher's exact test",
        mean=any_here / n,
        mean_reference=any_there / n_reference,
        sd=None,
        sd_reference=None,
        between_sd=None,
        between_sd_reference=None,
        within_sd=None,
        within_sd_reference=None,
        measurement_uncertainty=None,
        difference=any_here / n - any_there / n_reference,
        p=p,
        remarks=(remark,),
    )


def _absolute(tolerance: Tolerance, reference: float) -> float:
    if tolerance.absolute is not None:
        return tolerance.absolute
    return (tolerance.relative or 0.0) * abs(reference)


def _tally(words: Sequence[str]) -> str:
    counted = sorted({(-list(words).count(word), word) for word in words})
    return ", ".join(f"{word} {-count} of {len(words)}" for count, word in counted) or "nothing"
