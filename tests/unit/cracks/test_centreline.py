import numpy as np
import pytest

from micromeasure.cracks.centreline import (
    measure_line,
    measure_lines,
    pixel_noise,
    polyline_length,
)
from micromeasure.cracks.cross_profiles import fit_profiles
from micromeasure.cracks.patch import cut_around


def measured(view, course, **conditions):
    micrograph = view.micrograph(**conditions)
    course = np.asarray(course, dtype=float)
    patch = cut_around(micrograph, course)
    start = np.round(patch.patch_points(course))
    return measure_line(patch, start), patch


def polyline_points(course):
    """Return points of a polyline, a hundred to each of its stretches."""
    at = np.arange(0.0, len(course) - 1 + 1e-9, 0.01)
    return np.column_stack([np.interp(at, np.arange(len(course)), part) for part in course.T])


@pytest.mark.parametrize("shift", [0.0, 0.23, 0.5, 0.81])
@pytest.mark.parametrize("angle_deg", [0.0, 31.0, 90.0])
def test_course_length_and_width_of_a_straight_line(drawing, shift, angle_deg):
    a = np.deg2rad(angle_deg)
    t = np.linspace(-45, 45, 91)[:, None]
    course = np.array((210.0, 150.0)) + shift + t * np.array((np.cos(a), np.sin(a)))
    line, patch = measured(drawing().line(course, width=2.5, depth=60.0), course)
    assert line.length_px == pytest.approx(90.0, abs=1.2)
    across = (patch.image_points(line.points) - course[45]) @ np.array((-np.sin(a), np.cos(a)))
    # A line along the pixels is itself drawn up to 0.05 px off: the blur comes after the pixels.
    assert abs(float(np.median(across))) < 0.11
    # A box 2.5 wide under a blur of 1.0 and a pixel of 1.0, variances added.
    assert line.width_px == pytest.approx(2.3548 * np.sqrt(1 + (2.5**2 + 1) / 12), rel=0.06)
    assert line.open_ends == 0


def test_a_jagged_line_is_followed_round_its_corners(drawing, jagged):
    course = jagged((120.0, 120.0), (290.0, 170.0))
    line, _ = measured(drawing().line(course, depth=60.0), course)
    assert line.length_px == pytest.approx(polyline_length(course), rel=0.025)
    assert line.roughness_px > 0.5


def test_a_gap_is_passed_over(drawing):
    view = drawing().line([(120.0, 150.0), (170.0, 150.0)], depth=60.0)
    view.line([(177.0, 150.0), (240.0, 150.0)], depth=60.0)
    line, _ = measured(view, [(120.0, 150.0), (240.0, 150.0)])
    assert line.length_px == pytest.approx(120.0, abs=2.0)


def test_ends_are_where_the_darkening_falls_to_half(drawing):
    view = drawing().line([(120.0, 150.0), (200.0, 150.0)], depth=60.0)
    # The start is far beyond both ends, and short of them.
    for first, last in ((108.0, 211.0), (128.0, 192.0)):
        line, patch = measured(view, [(first, 150.0), (last, 150.0)])
        ends = np.sort(patch.image_points(line.points)[[0, -1], 0])
        assert ends == pytest.approx([120.0, 200.0], abs=1.0)


def test_noise_widens_the_uncertainty(drawing):
    course = [(120.0, 150.0), (220.0, 160.0)]
    calm, _ = measured(drawing().line(course), course, noise=1.0)
    loud, _ = measured(drawing().line(course), course, noise=8.0)
    assert loud.u_ends_px > 1.5 * calm.u_ends_px
    assert loud.u_path_px > calm.u_path_px


def test_an_edge_has_a_tilt_and_a_line_has_none(drawing):
    step = drawing()
    step.image[152:, :] -= 50.0
    course = [(120.0, 150.0), (220.0, 150.0)]
    edge, _ = measured(step.line(course, depth=10.0), course)
    line, _ = measured(drawing().line(course), course)
    assert line.tilt < 0.2
    assert edge is None or edge.tilt > 1.0


def test_a_bright_line_is_no_dark_one(drawing):
    bright = drawing().line([(120.0, 150.0), (220.0, 150.0)], width=9.0, depth=-60.0)
    line, _ = measured(bright, [(120.0, 150.0), (220.0, 150.0)], noise=0.0)
    # At best the foot of its flank is followed, which is an edge.
    assert line is None or line.tilt > 2


def test_many_lines_are_measured_as_each_alone(drawing, jagged):
    courses = [
        np.array([(40.0, 40.0), (100.0, 52.0)]),
        jagged((60.0, 90.0), (380.0, 140.0)),
        np.array([(50.0, 200.0), (74.0, 201.0)]),
        np.array([(120.0, 230.0), (330.0, 215.0)]),
    ]
    view = drawing()
    for course, width in zip(courses, (2.0, 2.0, 2.0, 8.0), strict=True):
        view.line(course, width=width, depth=60.0)
    bright = np.array([(200.0, 40.0), (300.0, 40.0)])
    view.line(bright, width=9.0, depth=-60.0)
    patch = cut_around(view.micrograph(), np.array([(0.0, 0.0), (410.0, 290.0)]))
    paths = [np.round(patch.patch_points(course)) for course in (*courses, bright)]
    together = measure_lines(patch, paths)
    assert together[3].width_px > 5
    for line, path in zip(together, paths, strict=True):
        alone = measure_line(patch, path)
        if alone is None:
            assert line is None
            continue
        # Sampling between pixels goes by steps of 1/32 pixel, which rounding can shift by one.
        np.testing.assert_allclose(line.points, alone.points, atol=0.01)
        assert line.length_px == pytest.approx(alone.length_px, abs=0.01)
        assert line.u_ends_px == pytest.approx(alone.u_ends_px, rel=0.01)
        np.testing.assert_allclose(line.widths_px, alone.widths_px, atol=0.01)


def test_a_long_line_is_followed_in_stretches_without_a_break(drawing, jagged):
    course = jagged((12.0, 40.0), (398.0, 260.0))
    view = drawing().line(course, depth=40.0)
    line, patch = measured(view, course)
    found = patch.image_points(line.points)
    gaps = np.linalg.norm(found[:, None] - polyline_points(course), axis=2).min(axis=1)
    assert np.median(gaps) < 0.35
    assert np.hypot(*np.diff(found, axis=0).T).max() < 2.0


def test_pixel_noise_is_not_moved_by_slopes(drawing):
    view = drawing()
    view.image += np.linspace(0, 60, view.shape[1])[None, :]
    values = view.micrograph(noise=3.0, blur=0.5).pixels.astype(np.float32)
    assert pixel_noise(values) == pytest.approx(3.0, rel=0.06)


def test_profiles_are_fitted_on_sloping_ground():
    offsets = np.arange(-10.0, 10.5, 1.0)
    truth = np.array([(30.0, 0.4, 1.3, 120.0, 0.8), (12.0, -0.9, 2.1, 90.0, -0.5)])
    a, c, s, b, k = (truth[:, i : i + 1] for i in range(5))
    profiles = b + k * offsets - a * np.exp(-0.5 * ((offsets - c) / s) ** 2)
    np.testing.assert_allclose(fit_profiles(offsets, profiles)[:, :4], truth[:, :4], atol=0.05)
