"""Comparing two groups, against published data and reference implementations.

The data and their sources are in tests/data/published_comparisons.json. "B": the expected value
was read in a second text that quotes the publisher and was recomputed; "C": data read in a text,
expected value from memory and recomputed; "D": recomputed only.
"""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.rates import test_poisson_2indep as poisson_two_samples
from statsmodels.stats.weightstats import ttost_ind

from micromeasure.compare.contrast import Sample, contrast, permutation_p, ratio_interval
from micromeasure.compare.rates import Counts, compare_presence, compare_rates, compare_words
from micromeasure.compare.verdicts import DIFFERS, NOT_RESOLVED, SAME, holm, verdict

PUBLISHED = json.loads(
    (Path(__file__).parents[1] / "data" / "published_comparisons.json").read_text()
)


def clinic(column: int) -> tuple[Sample, Sample]:
    rows = PUBLISHED["tost_clinic"]["rows"]
    return tuple(Sample(values=np.array([r[column] for r in rows if r[0] == g])) for g in (1, 2))


def test_equivalence_of_two_groups_of_fifteen():
    # statsmodels 0.15.0, test_tost.py, made with R package equivalence (level B).
    expected = PUBLISHED["tost_clinic"]["welch_var1_eps06"]
    found = contrast(*clinic(1))
    assert found.value == pytest.approx(expected["diff"], rel=1e-10)
    assert found.u == pytest.approx(expected["se"], rel=1e-10)
    assert found.dof == pytest.approx(expected["df"], rel=1e-10)
    assert found.interval(0.10) == pytest.approx(tuple(expected["ci90"]), rel=1e-9)
    assert found.p_within(-0.6, 0.6) == pytest.approx(expected["p"], rel=1e-9)
    assert verdict(found.p, found.p_within(-0.6, 0.6)) == SAME


def test_no_equivalence_of_two_groups_of_fifteen():
    # The same source, second variable (level B).
    expected = PUBLISHED["tost_clinic"]["welch_var2_eps06"]
    found = contrast(*clinic(2))
    assert found.dof == pytest.approx(expected["df"], rel=1e-10)
    assert found.interval(0.10) == pytest.approx(tuple(expected["ci90"]), rel=1e-9)
    assert found.p_within(-0.6, 0.6) == pytest.approx(expected["p"], rel=1e-9)
    assert verdict(found.p, found.p_within(-0.6, 0.6)) == DIFFERS
    assert verdict(0.2, found.p_within(-0.6, 0.6)) == NOT_RESOLVED


def test_equivalence_agrees_with_a_reference_implementation():
    first, second = clinic(1)
    p, _, _ = ttost_ind(first.values, second.values, -0.4, 0.5, usevar="unequal")
    assert contrast(first, second).p_within(-0.4, 0.5) == pytest.approx(p, rel=1e-9)


def test_equivalence_of_a_ratio_on_the_log_scale():
    # statsmodels 0.15.0, test_tost.py (level B): ln of the first variable, margin ln 1.25.
    expected = PUBLISHED["tost_clinic"]["log_ratio_var1_eps_ln125"]
    first, second = (Sample(values=np.log(s.values)) for s in clinic(1))
    found = contrast(first, second)
    assert found.value == pytest.approx(expected["diff"], rel=1e-9)
    assert found.dof == pytest.approx(expected["df"], rel=1e-9)
    assert found.p_within(-math.log(1.25), math.log(1.25)) == pytest.approx(expected["p"], rel=1e-9)


def test_equivalence_of_pairs():
    # Wellek (2003), p. 212, as in the SAS/STAT TTEST example (level B): 12 pairs, 0.8 to 1.25.
    expected = PUBLISHED["tost_auc"]
    ratios = np.log([test / reference for test, reference in expected["pairs"]])
    found = contrast(Sample(values=ratios), None, 0.0)
    assert math.exp(found.value) == pytest.approx(expected["gmr"], abs=5e-5)
    ends = tuple(math.exp(e) for e in found.interval(0.10))
    assert ends == pytest.approx(tuple(expected["ci90"]), abs=5e-5)
    p = found.p_within(math.log(0.8), math.log(1.25))
    assert p == pytest.approx(expected["p_overall"], rel=1e-7)


def test_statistic_of_a_handbook_example():
    # NIST/SEMATECH e-Handbook, 1.3.5.3 (data read; Welch's t level D): 249 against 79 cars. Our
    # degrees of freedom are deliberately lower than Welch's where groups differ in size.
    expected = PUBLISHED["nist_two_sample_t"]
    first, second = (Sample(values=np.array(expected[k])) for k in ("y1", "y2"))
    found = contrast(first, second)
    assert found.value / found.u == pytest.approx(expected["t_welch"], abs=5e-6)
    assert 0.9 * expected["df_welch"] < found.dof <= expected["df_welch"]


@pytest.mark.parametrize("n", [2, 3, 7])
def test_agrees_with_welch_for_groups_of_one_size(n):
    rng = np.random.default_rng(n)
    a, b = rng.normal(0, 1, n), rng.normal(1, 3, n)
    reference = stats.ttest_ind(a, b, equal_var=False)
    found = contrast(Sample(values=a), Sample(values=b))
    assert found.p == pytest.approx(reference.pvalue, rel=1e-9)
    ends = reference.confidence_interval(0.95)
    assert found.interval() == pytest.approx((ends.low, ends.high), rel=1e-9)


def test_permutation_of_few_specimens_by_hand():
    # Two against three: of 10 arrangements only the observed one is as extreme on its side, and
    # none on the other, counted double; 1/10 on either side.
    p = permutation_p(np.array([9.0, 10.0]), np.array([1.0, 2.0, 4.0]))
    assert p == pytest.approx(0.2)


def test_fieller_ends_make_the_contrast_just_significant():
    rng = np.random.default_rng(4)
    a, b = Sample(values=rng.normal(5, 0.4, 5)), Sample(values=rng.normal(4, 0.3, 4))
    _, low, high = ratio_interval(a, b)
    for end in (low, high):
        assert contrast(a, b, end).p == pytest.approx(0.05, rel=1e-6)


def test_holm_agrees_with_a_reference_implementation():
    p = [0.011, 0.2, 0.04, 0.0004, 0.04]
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1])
    with_gap = holm([0.011, None, 0.2])
    assert with_gap[1] is None
    assert [x for x in with_gap if x is not None] == pytest.approx([0.022, 0.2])


def test_poisson_rates_agree_with_a_reference_implementation():
    group = Counts(counts=np.array([4.0, 5.0, 3.0]), exposures=np.array([2.0, 2.0, 2.0]))
    reference = Counts(counts=np.array([1.0, 1.0, 2.0]), exposures=np.array([2.0, 2.0, 3.0]))
    found = compare_rates(group, reference)
    exact = poisson_two_samples(12, 6.0, 4, 7.0, method="exact-cond", compare="ratio")
    assert found.dispersion == 1.0
    assert found.p == pytest.approx(exact.pvalue, rel=1e-9)
    # Clopper-Pearson on the binomial share, turned into a ratio of rates.
    share = stats.binomtest(12, 16).proportion_ci(0.95, method="exact")
    low, high = (s / (1 - s) * 7.0 / 6.0 for s in (share.low, share.high))
    assert (found.ratio_low, found.ratio_high) == pytest.approx((low, high), rel=1e-9)


def test_presence_is_fishers_tea_tasting():
    # R. A. Fisher, The Design of Experiments (1935), the lady tasting tea (from memory): 3 of 4
    # right both ways gives 17/70 one-sided and 34/70 two-sided.
    p, _ = compare_presence(3, 4, 1, 4)
    assert p == pytest.approx(34 / 70)


def test_words_reduce_to_fisher_for_two_words_and_sum_to_one_for_three():
    two = compare_words(["PET", "PET", "PET", "PBT"], ["PBT", "PBT", "PBT", "PET"])
    assert two == pytest.approx(34 / 70)
    assert compare_words(["a", "b", "c"], ["a", "b", "c"]) == pytest.approx(1.0)
    assert compare_words(["a"] * 3, ["b"] * 3) == pytest.approx(0.1)
