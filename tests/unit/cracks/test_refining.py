"""The second look at a line: followed on, its ends weighed, its interval."""

from dataclasses import replace

import numpy as np
import pytest

from micromeasure.cracks.centreline import measure_line, polyline_length
from micromeasure.cracks.final_ends import Profile, locate_ends
from micromeasure.cracks.patch import cut_around
from micromeasure.cracks.refining import refine_line


def refined(view, seen, whole, **how):
    """Measure the seen part of a line, then look again with the whole of it in the patch."""
    patch = cut_around(view.micrograph(noise=2.0), np.asarray(whole, dtype=float))
    path = patch.patch_points(np.asarray(seen, dtype=float))
    n = max(6, int(polyline_length(path)))
    at = np.linspace(0, 1, n)
    path = np.column_stack(
        [np.interp(at, np.linspace(0, 1, len(path)), path[:, k]) for k in (0, 1)]
    )
    first = measure_line(patch, path)
    return first, refine_line(patch, first, **how), patch


def test_a_crack_is_followed_round_a_corner_where_the_trace_stopped(drawing):
    whole = [(90.0, 100.0), (160.0, 104.0), (190.0, 160.0), (230.0, 200.0)]
    view = drawing().line(whole, depth=50.0)
    # Something bright crosses at the corner.
    view.image[96:112, 158:164] += 60.0
    first, line, _ = refined(view, whole[:2], whole)
    assert first.length_px < 0.6 * polyline_length(np.array(whole))
    assert line.length_px == pytest.approx(polyline_length(np.array(whole)), rel=0.03)


def test_a_line_that_ends_is_not_followed_on(drawing):
    whole = [(90.0, 100.0), (190.0, 108.0)]
    _, line, patch = refined(drawing().line(whole, depth=50.0), whole, whole)
    ends = np.sort(patch.image_points(line.points)[[0, -1], 0])
    assert ends == pytest.approx([90.0, 190.0], abs=1.0)
    # A clear line: its interval is a few per cent.
    assert 1.96 * line.u_ends_px < 0.05 * line.length_px


def test_a_tail_that_turns_off_fainter_along_the_lay_is_left_out(drawing):
    view = drawing()
    rng = np.random.default_rng(5)
    # Streaks along x everywhere, one of them where the crack ends.
    view.image += rng.normal(0, 12.0, (view.shape[0], 1)).repeat(view.shape[1], axis=1)
    view.image[180:183, 150:250] -= 44.0
    crack = [(120.0, 80.0), (128.0, 110.0), (124.0, 140.0), (150.0, 181.0)]
    view.line(crack, depth=60.0)
    trace = [*crack, (230.0, 181.0)]
    first, line, _ = refined(view, trace, trace)
    true_px = polyline_length(np.array(crack))
    assert first.length_px > true_px + 50
    assert line.length_px == pytest.approx(true_px, abs=8.0)
    # That it is the crack's own is still thought of.
    assert 1.96 * line.u_ends_px > 20.0


def test_a_persons_ends_are_not_moved_far(drawing):
    whole = [(90.0, 100.0), (160.0, 104.0), (190.0, 160.0), (230.0, 200.0)]
    view = drawing().line(whole, depth=50.0)
    view.image[96:112, 158:164] += 60.0
    first, line, _ = refined(view, whole[:2], whole, drawn=True)
    assert line.length_px == pytest.approx(first.length_px, abs=3.0)


def profile(n=160, first=50, last=110, *, depth=10.0, spread=1.0, seed=2):
    rng = np.random.default_rng(seed)
    at = np.arange(n)
    own = depth * ((at >= first) & (at <= last)) + rng.normal(0, spread, n)
    return Profile(
        points=np.column_stack((at, np.full(n, 20.0))).astype(float), depths=own,
        beside=rng.normal(0, spread, (6, n)), inside=np.full(n, fill_value=True), depth=depth,
    )  # fmt: skip


def test_ends_lie_where_the_line_is_likelier_than_its_surroundings():
    ends = locate_ends(profile(), (-0.5, -0.5))
    assert ends.first == pytest.approx(49.5, abs=1.0)
    assert ends.last == pytest.approx(110.5, abs=1.0)


def test_dark_surroundings_and_a_way_beyond_widen_the_interval():
    calm = locate_ends(profile(), (-0.5, -0.5))
    loud = locate_ends(profile(spread=4.0), (-0.5, -0.5))
    beyond = locate_ends(profile(spread=2.0), (5.0, -0.5))
    closed = locate_ends(profile(spread=2.0), (-0.5, -0.5))
    assert loud.u_px > 2 * calm.u_px
    assert beyond.u_px > 2 * closed.u_px


def test_a_border_cuts_a_line_without_doubt():
    given = profile()
    inside = given.inside.copy()
    inside[:60] = False
    ends = locate_ends(replace(given, inside=inside), (-0.5, -0.5))
    assert ends.first == 60.0
    assert ends.n_open == 1


def test_nothing_dark_has_no_ends():
    assert locate_ends(replace(profile(), depths=np.full(160, -3.0)), None) is None


@pytest.mark.parametrize("flip", [False, True])
def test_both_ends_are_treated_alike(flip):
    given = profile(first=40, last=120)
    ends = locate_ends(given.reversed() if flip else given, (-0.5, -0.5))
    length = ends.last - ends.first
    assert length == pytest.approx(81.0, abs=1.0)
