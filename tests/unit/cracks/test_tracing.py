import numpy as np

from micromeasure.cracks.tracing import trace_lines


def line_map(length, height, seed=1):
    rng = np.random.default_rng(seed)
    z = np.abs(rng.normal(0, 0.8, (120, 260))).clip(0, 2).astype(np.float32)
    z[59:62, 30 : 30 + length] = height
    return z


def test_a_weak_line_is_followed_where_it_is_long_and_not_where_it_is_short():
    assert len(trace_lines(line_map(150, 4.4), min_length_px=10)) == 1
    assert trace_lines(line_map(12, 4.4), min_length_px=10) == []


def test_a_strong_line_is_followed_even_where_it_is_short():
    assert len(trace_lines(line_map(12, 7.0), min_length_px=10)) == 1


def test_nothing_is_followed_below_the_weak_level():
    assert trace_lines(line_map(200, 3.5), min_length_px=10) == []
