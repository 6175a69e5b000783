import math

import numpy as np
import pytest
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from micromeasure.compare.gauge import crossed_study, precision_at, repeated_study
from micromeasure.errors import MeasurementError


def drawn(rng, *, parts=200, operators=40, repeats=3, sds=(2.0, 1.0, 0.5, 0.8)):
    part, operator, interaction, repeat = sds
    return (
        50.0
        + part * rng.normal(size=(parts, 1, 1))
        + operator * rng.normal(size=(1, operators, 1))
        + interaction * rng.normal(size=(parts, operators, 1))
        + repeat * rng.normal(size=(parts, operators, repeats))
    )


def test_known_spreads_come_back():
    found = crossed_study(drawn(np.random.default_rng(2)))
    assert not found.is_pooled
    assert found.repeatability_sd == pytest.approx(0.8, rel=0.02)
    assert found.interaction_sd == pytest.approx(0.5, rel=0.05)
    assert found.operator_sd == pytest.approx(1.0, rel=0.25)
    assert found.part_sd == pytest.approx(2.0, rel=0.12)
    assert found.gauge_sd == pytest.approx(
        math.hypot(found.repeatability_sd, found.reproducibility_sd)
    )


def test_sums_of_squares_agree_with_a_reference_implementation():
    import pandas as pd

    values = drawn(np.random.default_rng(4), parts=5, operators=3, repeats=2)
    p, o, _ = np.indices(values.shape)
    table = pd.DataFrame(
        {"y": values.ravel(), "p": p.ravel().astype(str), "o": o.ravel().astype(str)}
    )
    wanted = anova_lm(ols("y ~ C(p) * C(o)", table).fit())["sum_sq"]
    found = {line.source: line.sum_of_squares for line in crossed_study(values).lines}
    assert found["part"] == pytest.approx(wanted["C(p)"])
    assert found["operator"] == pytest.approx(wanted["C(o)"])
    assert found["interaction"] == pytest.approx(wanted["C(p):C(o)"])
    assert found["repeat"] == pytest.approx(wanted["Residual"])


def test_interval_of_repeatability_covers():
    rng = np.random.default_rng(8)
    hits = 0
    for _ in range(1000):
        found = repeated_study([rng.normal(10 * i, 0.3, 3) for i in range(4)])
        hits += found.repeatability_low <= 0.3 <= found.repeatability_high
    assert hits / 1000 == pytest.approx(0.95, abs=0.021)


def test_unequal_repeats_without_operators():
    rng = np.random.default_rng(9)
    groups = [rng.normal(rng.normal(0, 2.0), 0.5, rng.integers(1, 6)) for _ in range(400)]
    found = repeated_study(groups)
    assert found.repeatability_sd == pytest.approx(0.5, rel=0.05)
    assert found.part_sd == pytest.approx(2.0, rel=0.1)
    assert found.n_repeats == 0
    assert found.reproducibility_sd is None
    assert found.limit_big_r is None


def test_repeatability_limit_is_what_two_results_differ_by():
    rng = np.random.default_rng(10)
    found = repeated_study([rng.normal(0, 1.0, 4000)])
    pairs = rng.normal(0, 1.0, (20_000, 2))
    assert np.mean(np.abs(pairs[:, 0] - pairs[:, 1]) > found.limit_r) == pytest.approx(
        0.05, abs=0.008
    )


def test_share_of_tolerance():
    found = repeated_study([np.array([1.0, 3.0]), np.array([2.0, 4.0])])
    assert found.gauge_sd == pytest.approx(math.sqrt(2.0))
    assert found.share_of(12.0 * math.sqrt(2.0)) == pytest.approx(0.5)


def test_nothing_measured_twice():
    with pytest.raises(MeasurementError, match="no part was measured twice"):
        repeated_study([np.array([1.0]), np.array([2.0])])
    with pytest.raises(MeasurementError, match=r"shape \(1, 3, 2\)"):
        crossed_study(np.zeros((1, 3, 2)))


def test_cochran_is_rarely_alarmed():
    rng = np.random.default_rng(12)
    alarms = sum(precision_at(rng.normal(size=(6, 3))).cochran_p <= 0.05 for _ in range(1500))
    assert 0.03 < alarms / 1500 < 0.066
