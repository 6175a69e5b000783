import math
from dataclasses import replace

import numpy as np
import pytest

from micromeasure.calibration.file import nominal_calibration
from micromeasure.calibration.geometry import Distortion
from micromeasure.cracks.centreline import polyline_length
from micromeasure.cracks.indication import measure_centreline
from micromeasure.errors import MeasurementError
from micromeasure.reference.render import polygon_coverage

COURSE = np.array([(120.0, 100.0), (150.0, 104.0), (200.0, 101.0), (236.0, 112.0)])
FOLD = (10.0, 150.0, 410.0, 150.0)


def test_a_drawn_line_is_moved_onto_the_crack(drawing):
    micrograph = drawing().line(COURSE, depth=60.0).micrograph()
    rough = COURSE + np.array([(2, 3), (-1, -3), (0, 3), (1, -2)])
    found = measure_centreline(micrograph, rough, fold_px=FOLD)
    true_um = polyline_length(COURSE * 0.8)
    assert found.length.value == pytest.approx(true_um, rel=0.03)
    low, high = found.length.interval_95
    assert low < true_um < high
    assert found.contrast == pytest.approx(60 / 130 * 0.7, rel=0.25)


def test_unequal_pixels_count_in_length_angle_and_distance(drawing):
    scale = np.array((0.6, 0.9))
    course = np.array([(120.0, 85.0), (200.0, 125.0)])
    micrograph = drawing(um_per_px=tuple(scale)).line(course, depth=60.0).micrograph()
    found = measure_centreline(micrograph, course, fold_px=FOLD)
    assert found.length.value == pytest.approx(polyline_length(course * scale), rel=0.03)
    # Distance is across the fold, which lies along x: 0.9 um a pixel.
    assert found.distance_to_fold_um == pytest.approx(0.9 * 45.0, abs=2.0)
    steps = (course[-1] - course[0]) * scale
    assert found.angle_to_fold_deg == pytest.approx(
        math.degrees(math.atan2(steps[1], steps[0])), abs=1.0
    )


def seen(calibration, ideal_px):
    """Where points appear through the distortion that the calibration undoes."""
    points = np.array(ideal_px, dtype=float)
    for _ in range(60):
        points += ideal_px - calibration.undistorted(points)
    return points


def test_distortion_is_undone_in_length_width_angle_and_distance(drawing):
    scale = np.array((0.7, 0.9))
    micrograph = drawing(um_per_px=tuple(scale)).micrograph()
    # Towards this corner lengths are seen too short by up to 5 %, along the radius up to 14 %.
    bent = replace(
        micrograph.calibration, distortion=Distortion(k1_per_px2=1.4e-6, centre_px=(210.0, 150.0))
    )
    t = np.linspace(0.0, 1.0, 120)[:, None]
    ideal = np.array((300.0, 205.0)) + t * np.array((98.0, 62.0))
    fold_px = seen(bent, np.array([(30.0, 250.0), (400.0, 250.0)]))
    across = np.array((-62.0 * scale[1], 98.0 * scale[0]))
    across = 1.25 * across / np.hypot(*across) / scale
    view = drawing(um_per_px=tuple(scale))
    # A line 2.5 um wide on the part, drawn as it is seen.
    outline = np.vstack((seen(bent, ideal + across), seen(bent, ideal - across)[::-1]))
    view.image -= 60.0 * polygon_coverage(outline, view.shape)
    micrograph = replace(view.micrograph(noise=1.0), calibration=bent)
    found = measure_centreline(micrograph, seen(bent, ideal)[::10], fold_px=tuple(fold_px.ravel()))
    steps = (ideal[-1] - ideal[0]) * scale
    true_um = float(np.hypot(*steps))
    assert found.length.value == pytest.approx(true_um, rel=0.012)
    assert found.angle_to_fold_deg == pytest.approx(
        math.degrees(math.atan2(steps[1], steps[0])), abs=0.7
    )
    assert found.distance_to_fold_um == pytest.approx((250 - 236) * 0.9, abs=1.0)
    plain = replace(micrograph, calibration=replace(bent, distortion=None))
    without = measure_centreline(plain, seen(bent, ideal)[::10], fold_px=tuple(fold_px.ravel()))
    assert without.length.value < 0.92 * true_um
    # The line runs along the radius: across it, lengths grow by less than along it.
    assert 1.02 < found.width_um / without.width_um < 1.08


def test_the_window_of_a_larger_image_gives_whole_image_points(drawing):
    whole = drawing().line(COURSE, depth=60.0).micrograph()
    part = replace(whole, pixels=whole.pixels[40:200, 60:330], origin_px=(60, 40))
    one, two = measure_centreline(whole, COURSE), measure_centreline(part, COURSE)
    np.testing.assert_allclose(one.centreline_px, two.centreline_px, atol=1e-3)


def test_a_line_on_nothing_is_kept_as_drawn_with_a_wider_uncertainty(drawing):
    micrograph = drawing().micrograph(noise=3.0)
    found = measure_centreline(micrograph, COURSE)
    assert found.length.value == pytest.approx(polyline_length(COURSE * 0.8), rel=0.15)
    seen = measure_centreline(drawing().line(COURSE, depth=60.0).micrograph(), COURSE)
    assert found.length.standard_uncertainty > 2 * seen.length.standard_uncertainty


def test_the_budget_names_its_parts_and_shares_the_scale(drawing):
    found = measure_centreline(drawing().line(COURSE).micrograph(), COURSE)
    parts = {c.name: c for c in found.length.components}
    assert set(parts) == {"scale", "end location", "tip visibility", "course of the centreline"}
    assert parts["scale"].shared == "scale:t"
    # The line runs nearly along x, whose relative uncertainty is 0.0004/0.8.
    assert parts["scale"].u == pytest.approx(found.length.value * 0.0005, rel=0.1)


def test_an_unknown_scale_gives_an_unknown_uncertainty(drawing):
    micrograph = drawing().line(COURSE).micrograph()
    bare = replace(micrograph, calibration=nominal_calibration((0.8, 0.8)))
    assert measure_centreline(bare, COURSE).length.components is None


@pytest.mark.parametrize(
    ("points", "words"),
    [
        (np.array([(120.0, 100.0)]), "at least two points"),
        (np.array([(120.0, 100.0), (120.2, 100.1)]), "one pixel"),
        (np.array([(120.0, 100.0), (520.0, 100.0)]), "leaves the image of 420 x 300"),
    ],
)
def test_lines_that_cannot_be_measured_say_why(drawing, points, words):
    with pytest.raises(MeasurementError, match=words):
        measure_centreline(drawing().micrograph(), points)
