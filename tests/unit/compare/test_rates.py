import numpy as np
import pytest

from micromeasure.compare.rates import Counts, compare_rates, dispersion


def counts(*values, exposure=1.0):
    return Counts(counts=np.array(values, dtype=float), exposures=np.full(len(values), exposure))


def test_scatter_between_specimens_holds_back():
    even = compare_rates(counts(6, 5, 7, 6), counts(2, 1, 2, 1))
    lumpy = compare_rates(counts(24, 0, 0, 0), counts(6, 0, 0, 0))
    assert even.p < 0.01
    assert lumpy.p > 0.2
    assert lumpy.dispersion > 5
    assert lumpy.ratio == even.ratio
    assert lumpy.ratio_low < even.ratio_low
    assert lumpy.ratio_high > even.ratio_high


def test_no_count_anywhere():
    found = compare_rates(counts(0, 0, 0), counts(0, 0, 0), tolerance=2.0)
    assert found.p == 1.0
    assert found.ratio is None
    assert (found.ratio_low, found.ratio_high) == (0.0, None)
    # Nothing in 3 folds bounds the rate at 3.69/3 (exact 95 %), so 2 a fold is out of reach.
    assert found.difference_high == pytest.approx(3.689 / 3, abs=1e-3)
    assert found.p_equivalence < 0.05


def test_no_count_on_one_side():
    found = compare_rates(counts(5, 4, 6), counts(0, 0, 0))
    assert found.ratio is None
    assert found.ratio_low > 1.0
    assert found.ratio_high is None


def test_ratio_interval_turns_with_the_groups():
    there, back = (
        compare_rates(counts(9, 7), counts(2, 3)),
        compare_rates(counts(2, 3), counts(9, 7)),
    )
    assert there.ratio_low == pytest.approx(1 / back.ratio_high)
    assert there.p == pytest.approx(back.p)
    assert there.difference_low == pytest.approx(-back.difference_high)


def test_exposure_counts():
    found = compare_rates(counts(10, 10, exposure=5.0), counts(2, 2))
    assert found.ratio == pytest.approx(1.0)
    assert found.p > 0.9


def test_sameness_agrees_with_its_interval():
    group, reference = counts(5, 6, 4, 5), counts(4, 5, 6, 4)
    found = compare_rates(group, reference)
    edge = max(abs(found.difference_low_90), abs(found.difference_high_90))
    for tolerance, is_same in ((edge * 1.001, True), (edge * 0.999, False)):
        p = compare_rates(group, reference, tolerance=tolerance).p_equivalence
        assert (p < 0.05) is is_same


def test_dispersion_of_poisson_counts_is_near_one():
    rng = np.random.default_rng(3)
    factors = [
        dispersion([counts(*rng.poisson(4, 6)), counts(*rng.poisson(4, 6))])[0] for _ in range(300)
    ]
    assert np.mean(factors) == pytest.approx(1.15, abs=0.1)
