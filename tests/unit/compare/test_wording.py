import pytest

from micromeasure.compare.comparison import Comparison, Question
from micromeasure.compare.wording import (
    answer,
    brief,
    interval_text,
    p_text,
    signed,
    value_text,
    with_unit,
)
from micromeasure.estimate import Component, Estimate


def test_units_follow_their_numbers():
    assert with_unit("3.2", "um") == "3.2 µm"
    assert with_unit("91.4", "deg") == "91.4°"
    assert with_unit("1.31", "1") == "1.31"


def test_zero_has_no_sign():
    assert signed("-0.00") == "0.00"
    assert signed("-0.01") == "−0.01"


@pytest.mark.parametrize(
    ("number", "text"),
    [(0.0, "0"), (1.0, "1.0"), (490.3, "490"), (0.0996, "0.10"), (-3.26, "−3.3"), (9.96, "10")],
)
def test_brief(number, text):
    assert brief(number) == text


def test_probabilities():
    assert p_text(None) == "–"
    assert p_text(3e-9) == "< 0.0001"
    assert p_text(0.0123) == "0.012"
    assert p_text(0.5) == "0.50"


def test_values_are_rounded_to_their_expanded_uncertainty():
    estimate = Estimate(value=24.2831, unit="um", components=(Component(name="u", u=0.0092),))
    assert value_text(estimate) == "24.283 ± 0.018"
    assert value_text(Estimate(value=24.2831, unit="um")) == "24.28"
    assert value_text(Estimate(value=None, unit="1", low_limit=3.5)) == "> 3.5"


def test_interval_ends_at_the_place_of_its_middle():
    assert interval_text(-4.43, 2.31, "um", 3.37) == "−4.4 to 2.3 µm"


def test_answer_is_one_line():
    question = Question(
        quantity="dome_height", feature="crown", view="dome-side", state="free",
        revision="M", reference="K", unit="um",
    )  # fmt: skip
    compared = Comparison(
        question=question, method="", difference=-1.04, low_95=-4.43, high_95=2.31, p_holm=0.4,
        verdict="not resolved",
    )  # fmt: skip
    assert answer(compared) == (
        "dome height, crown (dome-side, free): M − K = −1.0 µm "
        "(95 %: −4.4 to 2.3 µm; p 0.40): not resolved"
    )
