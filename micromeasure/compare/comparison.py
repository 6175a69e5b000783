"""One comparison of two revisions in one quantity: what it holds, and what precedes any test."""

from dataclasses import dataclass, field, replace

from micromeasure.compare import contrast as means
from micromeasure.compare.contrast import Sample
from micromeasure.compare.specimens import Group, Spread, spread
from micromeasure.compare.verdicts import NOT_RESOLVED
from micromeasure.estimate import Estimate, mean_of
from micromeasure.estimate import difference as measured_difference

_NO_SPREAD = Spread(means_sd=None, between_sd=None, within_sd=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerance:
    """What counts as the same for the purpose.

    Attributes
    ----------
    absolute : float or None
        In the quantity's unit.
    relative : float or None
        As a share of the reference mean; one of the two is given.
    """

    absolute: float | None = None
    relative: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What is asked: whether a quantity is the same in two revisions.

    Attributes
    ----------
    quantity, view, feature, statistic, state : str
    revision, reference : str
    is_asked : bool
        Whether the study asks it by name.
    unit : str
    source : str
        File of another instrument, empty for our own measurements.
    """

    quantity: str
    view: str = ""
    feature: str = ""
    statistic: str = ""
    state: str = ""
    revision: str
    reference: str
    is_asked: bool = False
    unit: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """One row of `comparisons.csv`; the fields are explained with its columns.

    Attributes
    ----------
    question : Question
    verdict : str
        Set by `answered` once all questions are known.
    remarks : tuple of str
        Clauses for people.
    """

    question: Question
    method: str
    verdict: str = NOT_RESOLVED
    remarks: tuple[str, ...] = ()
    flags: tuple[str, ...] = ()
    n: int = 0
    n_reference: int = 0
    n_positions: int = 0
    n_positions_reference: int = 0
    mean: float | None = None
    mean_reference: float | None = None
    sd: float | None = None
    sd_reference: float | None = None
    between_sd: float | None = None
    between_sd_reference: float | None = None
    within_sd: float | None = None
    within_sd_reference: float | None = None
    difference: float | None = None
    standard_uncertainty: float | None = None
    shared_uncertainty: float | None = None
    measurement_uncertainty: float | None = None
    dof: float | None = None
    low_95: float | None = None
    high_95: float | None = None
    low_90: float | None = None
    high_90: float | None = None
    p: float | None = None
    p_holm: float | None = None
    p_permutation: float | None = None
    tolerance: float | None = None
    p_equivalence: float | None = None
    p_equivalence_holm: float | None = None
    smallest_resolvable: float | None = None
    smallest_tolerance: float | None = None
    ratio: float | None = None
    ratio_low_95: float | None = None
    ratio_high_95: float | None = None
    sample: Group | None = field(default=None, repr=False)
    sample_reference: Group | None = field(default=None, repr=False)


def described(question: Question, group: Group, reference: Group | None) -> Comparison:
    """Return what can be said before any test: numbers of specimens, means and spreads."""
    mean, mean_reference = _mean(group), None if reference is None else _mean(reference)
    first, second = spread(group), _NO_SPREAD if reference is None else spread(reference)
    flags = {f for s in group.specimens for f in s.flags}
    if reference is not None:
        flags |= {f for s in reference.specimens for f in s.flags}
    difference = None
    if mean is not None and mean_reference is not None:
        difference = mean - mean_reference
    return Comparison(
        question=question,
        method=means.METHOD,
        flags=tuple(sorted(flags)),
        n=len(group.specimens),
        n_reference=0 if reference is None else len(reference.specimens),
        n_positions=group.n_positions,
        n_positions_reference=0 if reference is None else reference.n_positions,
        mean=mean,
        mean_reference=mean_reference,
        sd=first.means_sd,
        sd_reference=second.means_sd,
        between_sd=first.between_sd,
        between_sd_reference=second.between_sd,
        within_sd=first.within_sd,
        within_sd_reference=second.within_sd,
        difference=difference,
        measurement_uncertainty=_measurement_uncertainty(group, reference),
        sample=group,
        sample_reference=reference,
    )


def obstacle(group: Group, reference: Group | None) -> tuple[str, ...]:
    """Return why these groups cannot be tested; empty if they can."""
    notes = []
    for side in (group, reference):
        if side is None:
            continue
        name = side.revision or "the pair"
        if not side.specimens:
            notes.append(f"no value of {name}")
        elif side.n_limits:
            notes.append(
                f"{side.n_limits} of {len(side.specimens)} specimens of {name} are lower limits; "
                "the true values are greater"
            )
        elif len(side.specimens) == 1:
            notes.append(
                f"one specimen of {name}: it cannot show how specimens vary, so the difference "
                "holds for these specimens only"
            )
    return tuple(notes)


def with_permutation(compared: Comparison, sample: Sample, reference: Sample) -> Comparison:
    """Add the permutation test."""
    return replace(compared, p_permutation=means.permutation_p(sample.values, reference.values))


def _mean(group: Group) -> float | None:
    if not len(group.values) or group.n_limits:
        return None
    return float(group.values.mean())


def _measurement_uncertainty(group: Group, reference: Group | None) -> float | None:
    """Return the uncertainty of the difference between these very specimens."""
    sides = [group] if reference is None else [group, reference]
    if any(s.n_limits or not s.specimens or not s.is_uncertainty_known for s in sides):
        return None
    averages: list[Estimate] = [mean_of([s.estimate for s in side.specimens]) for side in sides]
    if reference is None:
        return averages[0].standard_uncertainty
    return measured_difference(averages[0], averages[1]).standard_uncertainty
