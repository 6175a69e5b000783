"""Means of two revisions compared, and ratios taken within one image compared with 1."""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from micromeasure.compare import contrast as means
from micromeasure.compare.comparison import (
    Comparison,
    Question,
    Tolerance,
    described,
    obstacle,
    with_permutation,
)
from micromeasure.compare.contrast import Contrast, Sample
from micromeasure.compare.specimens import Group

_NO_SCATTER = (
    "the values of each revision do not differ at all; they are rounded too coarsely to show how "
    "specimens vary"
)


def compare_means(
    question: Question, group: Group, reference: Group, tolerance: Tolerance | None = None
) -> Comparison:
    """Compare the means of two revisions, specimens being the unit of replication.

    Parameters
    ----------
    question : Question
    group, reference : Group
    tolerance : Tolerance or None

    Returns
    -------
    Comparison
        Without corrected probabilities and verdict, which need all questions of the study. Where
        a side has fewer than two specimens, or lower limits, there is no test and a remark says
        why.
    """
    base = described(question, group, reference)
    notes = obstacle(group, reference)
    if notes:
        return replace(base, remarks=(*base.remarks, *notes))
    sample, against = as_sample(group), as_sample(reference)
    found, sample, against = _difference(sample, against, question.reference)
    if found.u == 0.0:
        return replace(
            base,
            remarks=(
                *base.remarks,
                _NO_SCATTER,
            ),
        )
    ratio, ratio_low, ratio_high = _ratio(sample, against)
    compared = replace(
        _with_contrast(base, found),
        method=means.METHOD,
        ratio=ratio,
        ratio_low_95=ratio_low,
        ratio_high_95=ratio_high,
    )
    compared = with_permutation(compared, sample, against)
    compared = _with_tolerance(
        compared, found, tolerance, lambda share: _p_relative(sample, against, share)
    )
    return _with_scale_doubts(compared, group, reference)


def compare_with_one(
    question: Question, group: Group, tolerance: Tolerance | None = None
) -> Comparison:
    """Compare ratios taken within one image with the number 1.

    Parameters
    ----------
    question : Question
    group : Group
        Specimens here are pairs of films imaged side by side.
    tolerance : Tolerance or None
    """
    base = replace(
        described(question, group, None),
        difference=None if len(group.values) == 0 else float(group.values.mean()) - 1.0,
    )
    notes = obstacle(group, None)
    if notes:
        return replace(base, remarks=(*base.remarks, *notes))
    sample = as_sample(group)
    found = means.contrast(sample, None, 1.0)
    if found.u == 0.0:
        return replace(base, remarks=(*base.remarks, "the values do not differ at all"))
    compared = replace(
        _with_contrast(base, found),
        method="t test of pairs imaged side by side against 1",
        ratio=found.value + 1.0,
        ratio_low_95=found.interval()[0] + 1.0,
        ratio_high_95=found.interval()[1] + 1.0,
    )
    compared = _with_tolerance(
        compared, found, tolerance, lambda share: found.p_within(-share, share)
    )
    return _with_scale_doubts(compared, group, group)


def as_sample(group: Group) -> Sample:
    """Return a group's values with the contributions of causes common to several specimens."""
    estimates = [s.estimate for s in group.specimens if s.estimate.value is not None]
    shared: dict[str, list[float]] = {}
    dof: dict[str, float] = {}
    for i, estimate in enumerate(estimates):
        for component in estimate.components or ():
            if component.shared is None:
                continue
            parts = shared.setdefault(component.shared, [0.0] * len(estimates))
            parts[i] += component.u
            dof[component.shared] = min(dof.get(component.shared, math.inf), component.dof)
    return Sample(
        values=group.values,
        shared={key: np.array(parts) for key, parts in shared.items()},
        shared_dof=dof,
    )


def _difference(sample: Sample, against: Sample, reference: str) -> tuple[Contrast, Sample, Sample]:
    """Return the difference of two means, and the samples as ratios are to be taken of them.

    Values may have been divided by the mean of this very reference. The scatter of the reference
    then is in the divisor too; as the two are one and the same cause they must not be added as if
    independent. Of ``m/r - 1`` the derivative by r is that of the contrast ``m - (m/r) r``.
    """
    own = f"reference:{reference}:"
    if not any(key.startswith(own) for s in (sample, against) for key in s.shared):
        return means.contrast(sample, against), sample, against
    sample, against = (_without(s, own) for s in (sample, against))
    difference = float(sample.values.mean() - against.values.mean())
    ratio = float(sample.values.mean() / against.values.mean())
    found = replace(means.contrast(sample, against, ratio), value=difference)
    return found, sample, against


def _without(sample: Sample, prefix: str) -> Sample:
    kept = {k: v for k, v in sample.shared.items() if not k.startswith(prefix)}
    return replace(sample, shared=kept)


def _with_contrast(base: Comparison, found: Contrast) -> Comparison:
    low_95, high_95 = found.interval(0.05)
    low_90, high_90 = found.interval(0.10)
    return replace(
        base,
        difference=found.value,
        standard_uncertainty=found.u,
        shared_uncertainty=found.u_shared,
        dof=found.dof,
        low_95=low_95,
        high_95=high_95,
        low_90=low_90,
        high_90=high_90,
        p=found.p,
        smallest_resolvable=means.smallest_resolvable(found.u, found.dof),
        smallest_tolerance=max(abs(low_90), abs(high_90)),
    )


def _with_tolerance(
    compared: Comparison,
    found: Contrast,
    tolerance: Tolerance | None,
    p_relative: Callable[[float], float],
) -> Comparison:
    """Add the two one-sided tests; a relative tolerance is tested on the ratio."""
    if tolerance is None:
        return compared
    if tolerance.absolute is not None:
        return replace(
            compared,
            tolerance=tolerance.absolute,
            p_equivalence=found.p_within(-tolerance.absolute, tolerance.absolute),
        )
    share = tolerance.relative or 0.0
    return replace(
        compared,
        tolerance=share * abs(1.0 if compared.mean_reference is None else compared.mean_reference),
        p_equivalence=p_relative(share),
        remarks=(*compared.remarks, f"tolerance {100 * share:g} % of the reference"),
    )


def _p_relative(sample: Sample, reference: Sample, share: float) -> float:
    """Test that the ratio of the means lies within 1 ± share, on two contrasts."""
    sign = 1.0 if reference.values.mean() >= 0 else -1.0
    above = means.contrast(sample, reference, 1.0 - share)
    below = means.contrast(sample, reference, 1.0 + share)
    low = replace(above, value=sign * above.value).p_within(0.0, math.inf)
    high = replace(below, value=sign * below.value).p_within(-math.inf, 0.0)
    return max(low, high)


def _ratio(sample: Sample, reference: Sample) -> tuple[float | None, float | None, float | None]:
    ratio, low, high = means.ratio_interval(sample, reference)
    return (None, None, None) if math.isnan(ratio) else (ratio, low, high)


def _with_scale_doubts(compared: Comparison, group: Group, reference: Group) -> Comparison:
    """Withdraw what an unknown measurement uncertainty does not allow."""
    if group.is_uncertainty_known and reference.is_uncertainty_known:
        return compared
    if "uncalibrated" not in compared.flags:
        note = (
            "uncertainty of the measurement not stated: the interval rests on the scatter between "
            "specimens alone"
        )
        return replace(compared, remarks=(*compared.remarks, note))
    scales = [{c for s in side.specimens for c in s.calibrations} for side in (group, reference)]
    compared = replace(
        compared,
        p_equivalence=None,
        remarks=(*compared.remarks, "scale not calibrated: no statement about a tolerance"),
    )
    if scales[0] == scales[1]:
        # An error of one scale cannot make a difference where there is none.
        return compared
    return replace(
        compared, p=None, remarks=(*compared.remarks, "the revisions were imaged at unlike scales")
    )
