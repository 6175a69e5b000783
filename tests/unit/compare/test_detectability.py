import math

import numpy as np
import pytest

from micromeasure.compare.detectability import (
    FalseRate,
    bound_on_length,
    detectability_from_hits,
    fit_hits,
)
from micromeasure.compare.pod_plot import curve_rows, figure_rows, pod_svg
from micromeasure.compare.signal_detectability import detectability_from_signals
from micromeasure.errors import MeasurementError


def hits(n=200, seed=3, middle=35.0, slope=4.0):
    rng = np.random.default_rng(seed)
    length = np.exp(rng.uniform(2.5, 5.5, n))
    p = 1 / (1 + np.exp(-slope * (np.log(length) - math.log(middle))))
    return length, (rng.random(n) < p).astype(float)


def test_known_curve_is_recovered():
    length, hit = hits(4000)
    found = detectability_from_hits(length, hit)
    assert found.curve.scale == "log length"
    assert found.a50_um == pytest.approx(35.0, rel=0.04)
    assert found.a90_um == pytest.approx(35.0 * math.exp(math.log(9) / 4), rel=0.06)
    assert found.a90_um < found.a90_95_um < 1.15 * found.a90_um
    assert found.curve.probability(np.array([found.a50_um]))[0] == pytest.approx(0.5)


def test_length_itself_is_taken_where_it_fits_better():
    rng = np.random.default_rng(8)
    length = rng.uniform(5, 80, 3000)
    hit = (rng.random(3000) < 1 / (1 + np.exp(-(length - 40) / 5))).astype(float)
    assert detectability_from_hits(length, hit).curve.scale == "length"
    assert detectability_from_hits(length, hit, scale="log length").curve.scale == "log length"


def test_doubling_the_unit_doubles_the_sizes():
    length, hit = hits()
    one, two = detectability_from_hits(length, hit), detectability_from_hits(2 * length, hit)
    assert two.a50_um == pytest.approx(2 * one.a50_um)
    assert two.a90_95_um == pytest.approx(2 * one.a90_95_um, rel=1e-6)


def test_more_cracks_tighten_the_bound():
    few, many = detectability_from_hits(*hits(60)), detectability_from_hits(*hits(2000))
    assert few.a90_95_um / few.a90_um > many.a90_95_um / many.a90_um


def test_the_profile_bound_is_near_the_delta_methods_for_many_data():
    length, hit = hits(4000)
    curve = fit_hits(length, hit, scale="log length")
    gradient = -np.array([1.0, (math.log(9) - curve.intercept) / curve.slope]) / curve.slope
    error = math.sqrt(gradient @ curve.covariance @ gradient)
    wald = curve.length_at(0.9) * math.exp(1.6449 * error)
    assert bound_on_length(length, hit, curve) == pytest.approx(wald, rel=0.02)


def test_weak_data_set_no_bound():
    length = np.array([10.0, 20, 30, 40, 50, 60, 70, 80])
    weak = detectability_from_hits(length, [0, 1, 0, 1, 0, 1, 1, 1], scale="length")
    assert weak.a90_95_um is None
    flat = fit_hits(np.tile(length, 2), [1] * 8 + [0] * 7 + [1], scale="length")
    assert flat.slope > 0
    assert bound_on_length(np.tile(length, 2), [1] * 8 + [0] * 7 + [1], flat) is None


@pytest.mark.parametrize(
    ("length", "hit", "words"),
    [
        ([10, 20, 30], [1, 1, 1], "all 3 cracks were found"),
        ([10, 20, 30], [0, 0, 0], "all 3 cracks were missed"),
        ([10, 20, 30, 40], [0, 0, 1, 1], "parts all misses from all hits"),
        ([10, 20], [0, 1], "at least three cracks"),
        ([10, 20, math.nan], [0, 1, 1], "missing or no number"),
        ([-10, 20, 30, 25], [0, 1, 0, 1], "no logarithm"),
    ],
)
def test_data_that_set_no_curve_say_why(length, hit, words):
    with pytest.raises(MeasurementError, match=words):
        fit_hits(length, hit, scale="log length")


def test_hits_that_fall_with_length_are_refused():
    length, hit = hits()
    with pytest.raises(MeasurementError, match="not found more often"):
        detectability_from_hits(length, 1 - hit)


def test_false_candidates_per_area_have_an_exact_bound():
    none = FalseRate(count=0, area_mm2=2.0)
    assert none.per_mm2 == 0
    # The upper 95 % bound of a count of zero is ln 20.
    assert none.per_mm2_high == pytest.approx(math.log(20) / 2)
    assert FalseRate(count=5, area_mm2=1.0).per_mm2_high == pytest.approx(10.513, abs=0.001)


def test_signals_give_the_size_at_the_decision_level():
    rng = np.random.default_rng(2)
    length = np.exp(rng.uniform(2.0, 5.5, 1500))
    signal = np.exp(0.2 + 1.1 * np.log(length) + rng.normal(0, 0.4, 1500))
    weak = np.where(signal < 12, np.nan, signal)
    found = detectability_from_signals(length, weak, decision=45.0, floor=12.0)
    assert found.kind == "signal"
    a50, a90 = (math.exp((math.log(45) - 0.2 + z * 0.4) / 1.1) for z in (0.0, 1.28155))
    assert found.a50_um == pytest.approx(a50, rel=0.05)
    assert found.a90_um == pytest.approx(a90, rel=0.05)
    assert found.a90_um < found.a90_95_um < 1.1 * found.a90_um


def test_too_few_signals_are_refused():
    with pytest.raises(MeasurementError, match="2 of 4 cracks have a usable signal"):
        detectability_from_signals([10, 20, 30, 40], [np.nan, np.nan, 5, 9], decision=4.0)


def test_figures_curve_and_plot_say_the_same():
    length, hit = hits()
    found = detectability_from_hits(length, hit, false=FalseRate(count=3, area_mm2=1.5))
    figures = {row["statistic"]: row["value"] for row in figure_rows(found)}
    assert figures["a90/95"] == found.a90_95_um
    assert figures["false_per_area"] == pytest.approx(2.0)
    cautions = [row["remark"] for row in figure_rows(found) if row["statistic"] == "caution"]
    assert "qualified inspection" in cautions[0]
    rows = curve_rows(found, length)
    near = min(rows, key=lambda row: abs(row["length_um"] - found.a90_um))
    assert near["probability_of_detection"] == pytest.approx(0.9, abs=0.03)
    svg = pod_svg(found, length, hit).decode()
    assert svg.lstrip().startswith("<?xml")
    assert f"a90/95 {found.a90_95_um:.0f} µm" in svg
