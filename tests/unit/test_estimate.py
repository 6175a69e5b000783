import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from micromeasure.errors import MicromeasureError
from micromeasure.estimate import (
    Component,
    Estimate,
    combine,
    coverage_factor,
    difference,
    mean_of,
    ratio,
    rounded,
)

positive = st.floats(min_value=1e-3, max_value=1e3)


def length(value, *, scale_relative=0.0, own=0.0, shared="scale:bench"):
    return Estimate(
        value=value,
        unit="um",
        components=(
            Component(name="scale", u=value * scale_relative, shared=shared),
            Component(name="edge location", u=own),
        ),
    )


def test_unknown_uncertainty_stays_unknown_through_every_combination():
    known, unknown = length(10.0, own=0.1), Estimate(value=9.0, unit="um")
    assert unknown.standard_uncertainty is None
    assert unknown.interval_95 == (None, None)
    assert difference(known, unknown).components is None
    assert ratio(known, unknown).standard_uncertainty is None
    assert mean_of([known, unknown]).standard_uncertainty is None


def test_components_of_one_cause_add_with_their_sign_within_an_estimate():
    parts = (Component(name="x", u=3.0, shared="s"), Component(name="y", u=-2.0, shared="s"))
    assert Estimate(value=1.0, unit="um", components=parts).standard_uncertainty == 1.0


@given(positive, positive, st.floats(min_value=1e-6, max_value=0.1))
def test_a_shared_scale_cancels_in_a_ratio(a, b, relative):
    result = ratio(length(a, scale_relative=relative), length(b, scale_relative=relative))
    assert result.value == pytest.approx(a / b)
    assert result.standard_uncertainty == pytest.approx(0.0, abs=1e-12 * a / b)


@given(positive, positive, st.floats(min_value=1e-6, max_value=0.1))
def test_a_shared_scale_counts_once_on_a_difference(a, b, relative):
    result = difference(length(a, scale_relative=relative), length(b, scale_relative=relative))
    assert result.standard_uncertainty == pytest.approx(abs(a - b) * relative, abs=1e-12 * (a + b))


@given(st.integers(min_value=1, max_value=50))
def test_averaging_shrinks_only_what_is_independent(n):
    result = mean_of([length(100.0, scale_relative=0.001, own=0.5)] * n)
    by_name = {c.name: abs(c.u) for c in result.components if c.shared}
    assert by_name["scale"] == pytest.approx(0.1)
    assert result.standard_uncertainty == pytest.approx(math.hypot(0.1, 0.5 / math.sqrt(n)))


def test_mean_refuses_mixed_units_and_lower_limits():
    with pytest.raises(MicromeasureError, match="one unit"):
        mean_of([length(1.0), Estimate(value=1.0, unit="deg", components=())])
    with pytest.raises(MicromeasureError, match="no gaps"):
        mean_of([Estimate(value=None, unit="1", low_limit=3.0)])


def test_a_lower_limit_has_only_its_low_end():
    limit = Estimate(value=None, unit="1", components=(), low_limit=3.2)
    assert limit.interval_95 == (3.2, None)
    with pytest.raises(MicromeasureError, match="lower limit"):
        ratio(limit, length(1.0))


def test_few_degrees_of_freedom_widen_the_interval():
    few = Estimate(value=0.0, unit="um", components=(Component(name="a", u=1.0, dof=3),))
    many = Estimate(value=0.0, unit="um", components=(Component(name="a", u=1.0),))
    assert few.interval_95[1] == pytest.approx(3.182446, abs=1e-6)
    assert many.interval_95[1] == pytest.approx(1.959964, abs=1e-6)


def test_scaling_is_exact():
    scaled = length(10.0, own=0.1).scaled(0.001, "mm")
    assert (scaled.value, scaled.unit) == (0.01, "mm")
    assert scaled.standard_uncertainty == pytest.approx(0.0001)


def test_combine_keeps_the_names_of_components():
    total = combine(3.0, "um", [(length(1.0, own=0.1), 1.0), (length(2.0, own=0.2), 1.0)])
    assert [c.name for c in total.components] == ["edge location", "edge location", "scale"]


@pytest.mark.parametrize(
    ("value", "u", "expected"),
    [
        (12.3456, 0.0123, ("12.346", "0.012")),
        (12.3456, 0.0996, ("12.35", "0.10")),
        (1234.5, 123.0, ("1230", "120")),
        (0.0, 0.5, ("0.00", "0.50")),
        (1.5, None, ("1.5", "–")),
        (1.5, 0.0, ("1.5", "–")),
        (None, 0.1, ("–", "–")),
        (math.nan, 0.1, ("–", "–")),
    ],
)
def test_rounding_to_two_digits_of_the_uncertainty(value, u, expected):
    assert rounded(value, u) == expected


@given(st.floats(min_value=-1e6, max_value=1e6), st.floats(min_value=1e-6, max_value=1e6))
def test_rounding_never_moves_the_value_by_more_than_a_tenth_of_u(value, u):
    text, _ = rounded(value, u)
    assert abs(float(text) - value) <= 0.0501 * u + 1e-9


def test_coverage_factor_cuts_to_whole_degrees_of_freedom():
    assert coverage_factor(16.7) == coverage_factor(16)
    assert coverage_factor(0.3) == coverage_factor(1)
