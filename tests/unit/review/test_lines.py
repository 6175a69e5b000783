import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from micromeasure.review.lines import from_wkt, overlap, thinned
from micromeasure.tables.rows import line_string


def straight(x0: float, x1: float, y: float = 0.0) -> np.ndarray:
    return np.array([[x0, y], [x1, y]])


def test_line_string_comes_back() -> None:
    points = np.array([[10.25, 3.0], [700.01, 1024.5], [-0.5, 2.0]])
    assert np.array_equal(from_wkt(line_string(points)), points)


@pytest.mark.parametrize(
    "text",
    ["", "POINT (1 2)", "LINESTRING EMPTY", "LINESTRING (1 2)", "LINESTRING (1 2, 3)",
     "LINESTRING (1 2, a b)", "LINESTRING (1 2, nan 4)"],
)  # fmt: skip
def test_what_is_no_line_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="must be a WKT LINESTRING"):
        from_wkt(text)


@pytest.mark.parametrize(
    ("first", "second", "share"),
    [
        (straight(0, 100), straight(0, 100), 1.0),
        (straight(0, 100), straight(100, 0), 1.0),  # direction does not matter
        (straight(0, 100), straight(0, 100, y=3.0), 1.0),  # near enough
        (straight(0, 100), straight(0, 100, y=5.0), 0.0),  # another line beside it
        (straight(0, 100), straight(300, 400), 0.0),
        (straight(0, 1000), straight(0, 500), 0.5),  # the half of it
        (straight(0, 1000), straight(500, 1500), 1 / 3),  # half of each
    ],
)
def test_overlap_is_common_length_over_joint_length(
    first: np.ndarray, second: np.ndarray, share: float
) -> None:
    assert overlap(first, second) == pytest.approx(share, abs=0.01)


@given(
    st.lists(st.tuples(st.floats(0, 500), st.floats(0, 300)), min_size=2, max_size=12, unique=True),
    st.lists(st.tuples(st.floats(0, 500), st.floats(0, 300)), min_size=2, max_size=12, unique=True),
)
@settings(max_examples=60, deadline=None)
def test_overlap_is_a_share_and_the_same_both_ways(
    first: list[tuple[float, float]], second: list[tuple[float, float]]
) -> None:
    a, b = np.array(first), np.array(second)
    assert 0.0 <= overlap(a, b) <= 1.0
    assert overlap(a, b) == pytest.approx(overlap(b, a))
    if np.hypot(*np.diff(a, axis=0).T).sum() > 0:
        assert overlap(a, a) == pytest.approx(1.0)


def test_thinned_line_stays_within_the_distance() -> None:
    x = np.arange(0.0, 400.0)
    line = np.column_stack([x, 30 * np.sin(x / 60)])
    few = thinned(line, within_px=0.7)
    assert len(few) < 30
    gap = np.abs(np.interp(x, few[:, 0], few[:, 1]) - line[:, 1])
    assert gap.max() < 1.0
    assert np.array_equal(few[[0, -1]], line[[0, -1]])
