"""Verification: measure images of known truth as a study, and hold the numbers to the promises.

Everything goes the public way: images on disk, a study file, a run, `measurements.csv`.
"""

import math
import tempfile
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from micromeasure.reference.trial import Conditions, Promise, Trial, TrialSet, Truth
from micromeasure.reference.trial_study import write_study
from micromeasure.run.engine import run_study
from micromeasure.run.options import Options
from micromeasure.study.load import load_study
from micromeasure.tables.reading import Result, read_results

FAILURES_ALLOWED = 0.01
# A sound program is called broken in one of a thousand looks at one promise.
RISK = 0.001
_Z_RISK = 3.29


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """How one promise fared.

    Attributes
    ----------
    promise : Promise
    n, failures : int
        Images measured, and images where the number is missing.
    bias, scatter, p95 : float
        Of the error, in steps.
    bound_ratio : float or None
        Scatter divided by the Cramér–Rao bound.
    coverage : float or None
        Share of stated 95 % intervals that hold the truth; None where none is promised.
    wild : int
        Errors greater than five stated standard uncertainties.
    flags_missing : int
        Flags that were due and not raised.
    broken : tuple of str
        One sentence for each broken promise.
    errors : tuple of float
        In steps, for plots.
    """

    promise: Promise
    n: int
    failures: int
    bias: float
    scatter: float
    p95: float
    bound_ratio: float | None
    coverage: float | None
    wild: int
    flags_missing: int
    broken: tuple[str, ...]
    errors: tuple[float, ...] = field(default=(), repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Hit:
    truth: Truth
    result: Result


def verify_set(
    trial_set: TrialSet,
    n: int,
    *,
    conditions: Conditions,
    rng: np.random.Generator,
    jobs: int,
) -> list[Verdict]:
    """Render, measure and judge the reference images of one family.

    Parameters
    ----------
    trial_set : TrialSet
    n : int
        Number of images.
    conditions : Conditions
    rng : numpy.random.Generator
    jobs : int
        Worker processes.

    Returns
    -------
    list of Verdict
        One for each promise that any image bears on.
    """
    with tempfile.TemporaryDirectory(prefix="micromeasure-verify-") as name:
        folder = Path(name) / "study"
        trials = write_study(trial_set, folder, n, conditions=conditions, rng=rng)
        out = Path(name) / "results"
        run_study(load_study(folder), out=out, options=Options(jobs=jobs), watch=_ignore)
        return judge(trial_set.promises, trials, read_results(out))


def judge(
    promises: Sequence[Promise], trials: dict[str, Trial], results: Sequence[Result]
) -> list[Verdict]:
    """Compare measured numbers with the truth."""
    found = {(r.image, r.quantity, r.feature, r.statistic): r for r in results}
    verdicts = []
    for promise in promises:
        hits: list[_Hit] = []
        failures = missing = 0
        for image, trial in trials.items():
            if trial.condition != promise.condition or trial.must_fail:
                continue
            for truth in trial.truths:
                if (truth.quantity, truth.statistic) != (promise.quantity, promise.statistic):
                    continue
                result = found.get((image, truth.quantity, truth.feature, truth.statistic))
                if result is None or result.estimate.value is None:
                    failures += 1
                    continue
                missing += len(set(trial.flags_due) - set(result.flags))
                hits.append(_Hit(truth=truth, result=result))
        if hits or failures:
            verdicts.append(_verdict(promise, hits, failures, missing))
    return verdicts


def wrong_answers(trials: dict[str, Trial], results: Sequence[Result]) -> list[str]:
    """Return the images that should have failed but gave a number."""
    measured: dict[str, int] = defaultdict(int)
    for result in results:
        measured[result.image] += result.estimate.value is not None
    return [name for name, trial in trials.items() if trial.must_fail and measured[name]]


def _verdict(promise: Promise, hits: list[_Hit], failures: int, missing: int) -> Verdict:
    errors, ratios, held, wild = [], [], 0, 0
    for hit in hits:
        value, truth = hit.result.estimate.value or 0.0, hit.truth
        error = value - truth.value
        errors.append(error / truth.step)
        if truth.bound:
            ratios.append(error / truth.bound)
        low, high = hit.result.estimate.interval_95
        held += low is not None and high is not None and low <= truth.value <= high
        u = hit.result.estimate.standard_uncertainty
        wild += u is None or abs(error) > 5 * u
    n = len(hits)
    array = np.array(errors) if errors else np.array([math.nan])
    numbers = {
        "n": n,
        "failures": failures,
        "bias": float(array.mean()),
        "scatter": float(array.std(ddof=1)) if n > 1 else math.nan,
        "p95": float(np.quantile(np.abs(array), 0.95)),
        "coverage": held / n if n and promise.coverage is not None else None,
        "wild": wild if promise.coverage is not None else 0,
        "flags_missing": missing,
    }
    bound_ratio = float(np.sqrt(np.mean(np.square(ratios)))) if ratios else None
    broken = tuple(_broken(promise, array, held=held, failures=failures, missing=missing))
    if bound_ratio and promise.bound_ratio:
        # The rms of n normal errors is known to 1 / sqrt(2 n).
        slack = 1 + _Z_RISK / math.sqrt(2 * len(ratios))
        if bound_ratio > promise.bound_ratio * slack:
            sentence = (
                f"scatter is {bound_ratio:.2f} times the Cramér–Rao bound; "
                f"promised is {promise.bound_ratio:g}"
            )
            broken += (sentence,)
    return Verdict(
        promise=promise,
        bound_ratio=bound_ratio,
        broken=broken,
        errors=tuple(errors),
        **numbers,  # type: ignore[arg-type]  # ints and floats go to the fields of their kind
    )


def _broken(
    promise: Promise, errors: np.ndarray, *, held: int, failures: int, missing: int
) -> list[str]:
    """Return what is broken beyond what chance explains."""
    n = errors.size if not np.isnan(errors).any() else 0
    name = promise.step_name
    broken = []
    if _too_many(failures, n + failures, FAILURES_ALLOWED):
        broken.append(f"{failures} of {n + failures} could not be measured")
    if n == 0:
        return broken
    bias = float(errors.mean())
    slack = _Z_RISK * float(errors.std(ddof=1)) / math.sqrt(n) if n > 1 else math.inf
    if abs(bias) > promise.bias + slack:
        broken.append(f"bias is {bias:.3g} {name}; promised is {promise.bias:g} {name}")
    beyond = int(np.sum(np.abs(errors) > promise.p95))
    if _too_many(beyond, n, 0.05):
        broken.append(f"{beyond} of {n} errors exceed {promise.p95:g} {name}; promised is 5 in 100")
    if promise.coverage is not None and _too_many(n - held, n, 1 - promise.coverage):
        broken.append(f"only {held} of {n} stated 95 % intervals hold the truth")
    if missing:
        broken.append(f"{missing} due flags were not raised")
    return broken


def _too_many(count: int, n: int, share: float) -> bool:
    """Return whether a count is beyond chance for a true share."""
    from scipy.special import bdtrc

    return count > 0 and float(bdtrc(count - 1, n, share)) < RISK


def _ignore(event: object) -> None:
    """Watch a run without a word."""
