import math

import numpy as np
import pytest

from micromeasure.edges.correlation import inflation, long_run_factor


def test_independent_values_have_factor_one() -> None:
    rng = np.random.default_rng(1)
    factors = [long_run_factor(rng.standard_normal(2400), 24) for _ in range(40)]
    assert np.mean(factors) == pytest.approx(1.0, abs=0.07)


def test_a_first_order_process_has_its_known_factor() -> None:
    # Variance of the mean of x_t = a x_(t-1) + e_t against independent values: (1+a)/(1-a).
    rng, a = np.random.default_rng(2), 0.5
    noise = rng.standard_normal((60, 3000))
    x = np.zeros_like(noise)
    for t in range(1, noise.shape[1]):
        x[:, t] = a * x[:, t - 1] + noise[:, t]
    factors = [long_run_factor(row[100:], 40) for row in x]
    # Blocks of 40 miss a little of the correlation: 3 - 2 a (..)/block, about 4 %.
    assert np.mean(factors) == pytest.approx((1 + a) / (1 - a), rel=0.08)


def test_gaps_are_ignored_and_short_series_say_nothing() -> None:
    rng = np.random.default_rng(3)
    values = rng.standard_normal(4800)
    values[rng.integers(0, 4800, 300)] = np.nan
    assert long_run_factor(values, 24) == pytest.approx(1.0, abs=0.25)
    assert math.isnan(long_run_factor(values[:60], 24))


def test_inflation_is_the_variance_against_that_expected_of_white_noise() -> None:
    rng = np.random.default_rng(4)
    white = [np.full(2400, 1.0)] * 3
    quiet = [0.1 * rng.standard_normal(2400) for _ in white]
    assert inflation(quiet, white) == pytest.approx(0.01, rel=0.3)
    assert math.isnan(inflation([], []))
