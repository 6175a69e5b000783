import math

import numpy as np
import pytest

from micromeasure.compare.contrast import (
    Sample,
    contrast,
    permutation_p,
    quantile,
    ratio_interval,
    smallest_resolvable,
)

A = np.array([101.0, 103.0, 102.0, 104.5])
B = np.array([99.0, 98.0, 100.5])


def with_scale(values, key="scale:a", relative=0.01):
    return Sample(values=values, shared={key: relative * values})


def test_scale_common_to_both_counts_once_on_the_difference():
    far = A + 50.0
    alone = contrast(Sample(values=far), Sample(values=B))
    found = contrast(with_scale(far), with_scale(B))
    assert found.u_shared == pytest.approx(0.01 * abs(found.value), rel=1e-3)
    assert found.u == pytest.approx(math.hypot(alone.u, found.u_shared))


def test_scales_of_two_calibrations_count_on_the_means():
    found = contrast(with_scale(A), with_scale(B, key="scale:b"))
    assert found.u_shared == pytest.approx(0.01 * math.hypot(A.mean(), B.mean()), rel=1e-3)


def test_offset_common_to_both_cancels():
    shared = {"offset": np.full(4, 0.3)}, {"offset": np.full(3, 0.3)}
    found = contrast(Sample(values=A, shared=shared[0]), Sample(values=B, shared=shared[1]))
    assert found.u_shared == pytest.approx(0.0)


def test_cause_of_each_specimen_alone_is_in_the_scatter_already():
    shared = {f"scale:{i}": np.where(np.arange(4) == i, 1.0, 0.0) for i in range(4)}
    found = contrast(Sample(values=A, shared=shared), Sample(values=B))
    assert found.u_shared == pytest.approx(0.0, abs=1e-12)
    assert found.u == pytest.approx(contrast(Sample(values=A), Sample(values=B)).u)


def test_shared_cause_widens_the_interval_and_keeps_the_ratio():
    plain = ratio_interval(Sample(values=A), Sample(values=B))
    scaled = ratio_interval(with_scale(A, relative=0.05), with_scale(B, relative=0.05))
    assert scaled[0] == pytest.approx(plain[0])
    assert scaled[1:] == pytest.approx(plain[1:], rel=2e-3)


def test_ratio_to_a_mean_that_may_be_zero_has_no_interval():
    _, low, high = ratio_interval(Sample(values=A), Sample(values=np.array([-1.0, 1.2, 0.1])))
    assert (low, high) == (None, None)
    assert math.isnan(ratio_interval(Sample(values=A), Sample(values=np.array([-1.0, 1.0])))[0])


def test_small_group_with_much_scatter_rules_the_degrees_of_freedom():
    few, many = np.array([0.0, 4.0]), np.arange(10) / 3
    welch = _welch_dof(few, many)
    found = contrast(Sample(values=few), Sample(values=many))
    assert 1.0 <= found.dof < welch


def test_order_of_groups_changes_the_sign_alone():
    there, back = (
        contrast(Sample(values=A), Sample(values=B)),
        contrast(Sample(values=B), Sample(values=A)),
    )
    assert there.value == -back.value
    assert (there.u, there.dof, there.p) == pytest.approx((back.u, back.dof, back.p))


def test_unit_does_not_matter():
    um, mm = (
        contrast(Sample(values=A), Sample(values=B)),
        contrast(Sample(values=A / 1000), Sample(values=B / 1000)),
    )
    assert mm.p == pytest.approx(um.p)
    assert mm.p_within(-0.001, 0.001) == pytest.approx(um.p_within(-1.0, 1.0))


def test_sameness_needs_both_sides():
    found = contrast(Sample(values=A), Sample(values=B))
    assert found.p_within(-1e9, 1e9) < 1e-6
    assert found.p_within(-1e9, found.value) == pytest.approx(0.5)
    assert found.p_within(found.value + 10, found.value + 20) > 0.9


def test_interval_and_probability_agree():
    found = contrast(Sample(values=A), Sample(values=B))
    low, _ = found.interval(found.p)
    assert low == pytest.approx(0.0, abs=1e-9)


def test_smallest_resolvable_is_found_nine_times_in_ten():
    u, dof = 1.0, 4.0
    truth = smallest_resolvable(u, dof)
    rng = np.random.default_rng(7)
    draws = 40_000
    t = (rng.normal(truth, u, draws)) / (u * np.sqrt(rng.chisquare(dof, draws) / dof))
    assert np.mean(t > quantile(dof, 0.975)) == pytest.approx(0.90, abs=0.006)
    assert smallest_resolvable(2 * u, dof) == pytest.approx(2 * truth)
    assert smallest_resolvable(0.0, dof) == 0.0
    # Known standard deviation: 1.960 + 1.282.
    assert smallest_resolvable(1.0, math.inf) == pytest.approx(3.2415, abs=1e-4)


def test_permutation_of_few_and_of_many():
    # Two against two have six arrangements; the two extreme ones are the least there is.
    assert permutation_p(np.array([1.0, 2.0]), np.array([5.0, 6.0])) == pytest.approx(2 / 6)
    rng = np.random.default_rng(1)
    assert permutation_p(rng.normal(0, 1, 14), rng.normal(3, 1, 14)) < 1e-3


@pytest.mark.parametrize("sizes", [(2, 10), (2, 2), (3, 5)])
def test_false_differences_stay_rare(sizes):
    # Standard deviations 2 and 1; plain Welch is wrong 11 % of the time for 2 against 10.
    rng = np.random.default_rng(20)
    studies = 3000
    wrong = sum(
        contrast(
            Sample(values=rng.normal(0, 2, sizes[0])), Sample(values=rng.normal(0, 1, sizes[1]))
        ).p
        <= 0.05
        for _ in range(studies)
    )
    # Three standard deviations of the count above the worst true rate known, 6.2 %.
    assert wrong / studies < 0.075


def _welch_dof(a, b):
    u = a.var(ddof=1) / len(a), b.var(ddof=1) / len(b)
    return sum(u) ** 2 / (u[0] ** 2 / (len(a) - 1) + u[1] ** 2 / (len(b) - 1))
