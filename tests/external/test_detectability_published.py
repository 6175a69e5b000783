"""Detection curves against published logistic and probit fits.

MIL-HDBK-1823A and ASTM E2862 print worked examples of a50, a90 and a90/95; their data could not be
obtained. The same models on other published data are checked instead; each source is named with
its test. Confidence bounds published for these data are Fieller's; ours come from the profile
likelihood, which is another approximation of the same thing, hence the wider tolerance there.
"""

import math

import numpy as np
import pytest

from micromeasure.compare.detectability import (
    bound_on_length,
    detectability_from_hits,
    fit_hits,
    size_with_error,
)

# Two-sided 95 %: chi-square with one degree of freedom.
TWO_SIDED_95 = 3.841458820694124


def test_oring_incidents_by_flight():
    """R's glm output for 23 shuttle flights, read in a university's statistics notebook."""
    temperature = [66, 70, 69, 68, 67, 72, 73, 70, 57, 63, 70, 78, 67, 53, 67, 75, 70, 81, 76, 79,
                   75, 76, 58]  # fmt: skip
    incident = [0, 1, 0, 0, 0, 0, 0, 0, 1, 1, 1, 0, 0, 1, 0, 0, 0, 0, 0, 0, 1, 0, 1]
    curve = fit_hits(temperature, incident)
    assert curve.intercept == pytest.approx(15.0429, abs=5e-5)
    assert curve.slope == pytest.approx(-0.2322, abs=5e-5)
    errors = np.sqrt(np.diag(curve.covariance))
    assert errors == pytest.approx([7.3786, 0.1082], abs=5e-5)
    assert curve.intercept / errors[0] == pytest.approx(2.039, abs=5e-4)
    assert curve.slope / errors[1] == pytest.approx(-2.145, abs=5e-4)


def test_oring_failures_by_launch():
    """Montgomery & Runger, Applied Statistics and Probability for Engineers, Table 11-9."""
    temperature = [53, 56, 57, 63, 66, 67, 67, 67, 68, 69, 70, 70, 70, 70, 72, 73, 75, 75, 76, 76,
                   78, 79, 80, 81]  # fmt: skip
    failure = [1, 1, 1, 0, 0, 0, 0, 0, 0, 0, 0, 1, 1, 1, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0]
    curve = fit_hits(temperature, failure)
    assert curve.intercept == pytest.approx(10.875, abs=5e-4)
    assert curve.slope == pytest.approx(-0.17132, abs=5e-6)
    assert np.sqrt(np.diag(curve.covariance)) == pytest.approx([5.703, 0.08344], abs=5e-4)
    assert curve.log_likelihood == pytest.approx(-11.515, abs=5e-4)
    share = np.mean(failure)
    flat = len(failure) * (share * math.log(share) + (1 - share) * math.log(1 - share))
    assert 2 * (curve.log_likelihood - flat) == pytest.approx(5.944, abs=5e-4)


def test_damaged_orings_of_six():
    """OpenIntro statistics, exercise 6.4: grouped data, published coefficients from memory."""
    temperature = [53, 57, 58, 63, 66, 67, 67, 67, 68, 69, 70, 70, 70, 70, 72, 73, 75, 75, 76, 76,
                   78, 79, 81]  # fmt: skip
    damaged = [5, 1, 1, 1, 0, 0, 0, 0, 0, 0, 1, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0]
    curve = fit_hits(temperature, damaged, trials=[6] * 23)
    assert [curve.intercept, curve.slope] == pytest.approx([11.6630, -0.2162], abs=5e-5)
    assert np.sqrt(np.diag(curve.covariance)) == pytest.approx([3.2963, 0.0532], abs=5e-5)


def test_probit_on_the_logarithm_of_dose():
    """SAS/STAT user's guide, PROBIT example 1 (data read there, estimates from memory)."""
    dose, number, response = (
        [1, 2, 3, 4, 5, 6, 7],
        [10, 12, 10, 10, 12, 10, 10],
        [1, 2, 4, 5, 8, 8, 10],
    )
    curve = fit_hits(dose, response, trials=number, link="probit", scale="log length")
    assert curve.intercept == pytest.approx(-1.81270, abs=1e-4)
    # The published slope is per decade.
    assert curve.slope * math.log(10) == pytest.approx(3.41812, abs=1e-4)
    assert math.log10(curve.length_at(0.5)) == pytest.approx(0.53032, abs=1e-5)


LAMPREY = {
    "May": (
        [0.79, 0.8, 0.76, 1.36, 1.22, 1.18, 1.54, 1.44, 1.36, 1.69, 1.66, 1.6, 1.92,
         1.86, 1.8, 2.2, 2.18, 2.1],
        [0, 1, 0, 13, 10, 7, 16, 11, 17, 17, 19, 18, 22, 19, 18, 20, 20, 20],
        [20, 20, 20, 21, 19, 18, 20, 21, 20, 20, 20, 20, 22, 20, 20, 20, 20, 20],
        (1.256, 1.188, 1.312),
    ),
    "June": (
        [1.67, 1.69, 1.67, 2.09, 2.1, 2.09, 2.37, 2.38, 2.39, 2.55, 2.59, 2.59, 2.68,
         2.78, 2.8, 3.07, 3.09, 3.11],
        [0, 0, 0, 0, 0, 0, 1, 0, 0, 0, 6, 4, 4, 11, 8, 10, 11, 9],
        [9, 10, 9, 11, 10, 10, 10, 10, 10, 10, 10, 9, 10, 11, 11, 10, 11, 10],
        (2.654, 2.603, 2.71),
    ),
    "September": (
        [1.45, 1.48, 1.99, 2.01, 2.29, 2.32, 2.62, 2.65, 3.09, 3.06, 3.59, 3.6],
        [0, 0, 4, 3, 9, 6, 10, 8, 10, 10, 10, 10],
        [10, 10, 10, 10, 10, 10, 10, 10, 10, 10, 10, 10],
        (2.118, 1.984, 2.23),
    ),
}  # fmt: skip


@pytest.mark.parametrize("month", LAMPREY)
def test_median_and_its_limits_for_lamprey(month):
    """Package ecotox 1.4.4 of R, its tests of logit LC50 with 95 % limits (Finney 1971).

    August is left out: its limits there carry a heterogeneity factor, which detection data do not
    get here.
    """
    dose, dead, total, (median, low, high) = LAMPREY[month]
    curve = fit_hits(dose, dead, trials=total, scale="log length")
    assert curve.length_at(0.5) == pytest.approx(median, rel=1e-3)
    limits = [
        bound_on_length(
            dose, dead, curve, probability=0.5, trials=total, drop=TWO_SIDED_95, upper=upper
        )
        for upper in (False, True)
    ]
    assert limits == pytest.approx([low, high], abs=0.1 * (high - low))


def test_budworm_female_moths_at_one_slope():
    """Venables & Ripley, MASS, `dose.p` (printed doses from memory, recomputed exactly).

    Their model has one slope for both sexes; fitted to the females alone, the dose that half
    respond to agrees within a third of its standard error.
    """
    curve = fit_hits([0, 1, 2, 3, 4, 5], [0, 2, 6, 10, 12, 16], trials=[20] * 6)
    size, error = size_with_error(curve, 0.5)
    assert abs(size - 3.263587) < 0.229754 / 3 + 0.1
    assert error == pytest.approx(0.229754, rel=0.35)


@pytest.mark.parametrize("link", ["logit", "probit"])
def test_the_fit_is_that_of_statsmodels(link):
    """statsmodels, GLM of the binomial family: another implementation of the same likelihood."""
    import statsmodels.api as sm

    rng = np.random.default_rng(5)
    length = np.exp(rng.uniform(2.0, 5.5, 200))
    hit = (rng.random(200) < 1 / (1 + np.exp(-3 * (np.log(length) - 3.5)))).astype(float)
    curve = fit_hits(length, hit, link=link, scale="log length")
    kind = sm.families.links.Logit() if link == "logit" else sm.families.links.Probit()
    model = sm.GLM(hit, sm.add_constant(np.log(length)), family=sm.families.Binomial(link=kind))
    fitted = model.fit()
    assert [curve.intercept, curve.slope] == pytest.approx(fitted.params, rel=1e-6)
    np.testing.assert_allclose(curve.covariance, fitted.cov_params(), rtol=1e-4)
    assert curve.log_likelihood == pytest.approx(fitted.llf, rel=1e-9)


def test_bound_of_a90_covers_as_often_as_it_says():
    """Definition of a confidence bound: no source."""
    rng = np.random.default_rng(11)
    true = math.exp(math.log(35.0) + math.log(9.0) / 4.0)
    covered = []
    for _ in range(150):
        length = np.exp(rng.uniform(2.5, 5.5, 100))
        hit = rng.random(100) < 1 / (1 + np.exp(-4.0 * (np.log(length) - math.log(35.0))))
        found = detectability_from_hits(length, hit, scale="log length")
        covered.append(found.a90_95_um is None or found.a90_95_um >= true)
    # 150 trials at 95 %: four standard deviations are 7 %.
    assert np.mean(covered) > 0.88
