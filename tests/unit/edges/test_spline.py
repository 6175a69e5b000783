import numpy as np
import pytest

from micromeasure.edges.spline import cubic_basis, local_line


@pytest.mark.parametrize("n", [4, 7, 12])
def test_splines_sum_to_one_and_hold_a_straight_line(n: int) -> None:
    t = np.linspace(0.0, 1.0, 57)
    basis = cubic_basis(t, n)
    np.testing.assert_allclose(basis.sum(axis=1), 1.0, atol=1e-12)
    line = basis @ np.linalg.lstsq(basis, 3.0 * t - 1.0, rcond=None)[0]
    np.testing.assert_allclose(line, 3.0 * t - 1.0, atol=1e-10)


def test_few_functions_are_polynomials() -> None:
    t = np.linspace(0.0, 1.0, 20)
    basis = cubic_basis(t, 3)
    fit = basis @ np.linalg.lstsq(basis, t * t, rcond=None)[0]
    np.testing.assert_allclose(fit, t * t, atol=1e-12)


def test_local_line_keeps_a_line_bridges_gaps_and_averages_noise() -> None:
    at = np.arange(400.0)
    weights = np.ones(400)
    weights[100:110] = 0.0
    values = np.where(weights > 0, 0.3 * at - 5.0, 1e6)
    np.testing.assert_allclose(local_line(values, weights, 12), 0.3 * at - 5.0, atol=1e-6)
    noise = np.random.default_rng(5).standard_normal((50, 400))
    smooth = local_line(noise, np.ones_like(noise), 12)
    assert smooth[:, 20:-20].std() == pytest.approx(1.0 / 5.0, rel=0.05)
