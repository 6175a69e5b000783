import zlib
from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from micromeasure.quantities.crack_length import CrackSettings
from micromeasure.reference.detectability_set import SetConditions, search_set
from micromeasure.reference.fold_samples import sample_images
from micromeasure.reference.fold_view import (
    CrackPlan,
    FoldConditions,
    draw_conditions,
    render_fold_view,
)
from micromeasure.reference.metal_surface import Stroke, draw_coverage, lay_texture

QUIET = FoldConditions(
    size_px=(320, 220), band_px=90.0, texture=0.004, lay_scratches=0, stray_scratches=0, pits=0,
    stain=0.0, fold_dark=0.0, glare=0.0, full_well_e=1e6, read_sd=0.0005, bits=12,
)  # fmt: skip
CRACK = CrackPlan(length_px=80.0, width_px=3.0, cnr=10.0, angle_to_fold_deg=20.0)


@pytest.mark.parametrize("angle_deg", [0.0, 33.0, 90.0])
@pytest.mark.parametrize("width", [0.6, 2.5])
def test_strokes_cover_exactly_their_area(angle_deg, width):
    a = np.deg2rad(angle_deg)
    points = np.array((60.2, 50.7)) + np.linspace(-30, 30, 60)[:, None] * (np.cos(a), np.sin(a))
    covered = draw_coverage((101, 121), [Stroke(points_px=points, widths_px=np.full(60, width))])
    assert covered.sum() == pytest.approx(60 * width, rel=1e-5)
    assert covered.max() <= 1.0


def test_a_stroke_that_leaves_the_image_is_cut():
    points = np.array([(-50.0, 10.0), (60.0, 10.0)])
    covered = draw_coverage((31, 41), [Stroke(points_px=points, widths_px=np.full(2, 2.0))])
    assert covered.sum() == pytest.approx(41 * 2.0)


def test_the_lay_runs_in_the_direction_asked_for():
    texture = lay_texture(
        np.random.default_rng(1), (200, 260), angle_deg=30.0, streak_px=25.0, grain_px=3.0
    )
    gy, gx = np.gradient(texture.astype(float))
    tensor = np.array([[np.mean(gx * gx), np.mean(gx * gy)], [np.mean(gx * gy), np.mean(gy * gy)]])
    _, vectors = np.linalg.eigh(tensor)
    x, y = vectors[:, 0]
    assert np.degrees(np.arctan2(y, x)) % 180 == pytest.approx(30.0, abs=3.0)
    assert texture.std() == pytest.approx(1.0, abs=0.01)


def test_the_same_seed_gives_the_same_view():
    drawn = draw_conditions(np.random.default_rng(4), size_px=(320, 220))
    one, two = (render_fold_view(np.random.default_rng(9), drawn) for _ in range(2))
    np.testing.assert_array_equal(one.pixels, two.pixels)


def test_the_fold_line_runs_from_border_to_border():
    view = render_fold_view(np.random.default_rng(2), replace(QUIET, fold_angle_deg=7.0))
    x0, y0, x1, y1 = view.fold_px
    assert np.degrees(np.arctan2(y1 - y0, x1 - x0)) == pytest.approx(7.0)
    assert (min(x0, x1), max(x0, x1)) == pytest.approx((0.0, 319.0))


def test_a_crack_darkens_its_place_by_what_its_truth_says():
    plan = replace(CRACK, jag_deg=0.0, width_px=8.0)
    bare = render_fold_view(np.random.default_rng(3), QUIET)
    view = render_fold_view(np.random.default_rng(3), replace(QUIET, cracks=(plan,)))
    (crack,) = view.cracks
    assert crack.length_um((0.5, 0.5)) == pytest.approx(40.0, rel=0.02)
    change = bare.pixels.astype(float) - view.pixels
    x, y = np.round(crack.centreline_px[len(crack.centreline_px) // 2]).astype(int)
    near = bare.pixels[y - 30 : y + 30, x - 30 : x + 30].astype(float)
    spread = np.std(near - gaussian_filter(near, 6.0))
    dark = change[y - 1 : y + 2, x - 1 : x + 2].mean()
    assert dark == pytest.approx(crack.cnr * spread, rel=0.35)
    far = np.hypot(*(np.argwhere(change > dark / 2)[:, ::-1] - (x, y)).T)
    assert far.max() < 60


def test_length_counts_unequal_pixels():
    view = render_fold_view(np.random.default_rng(3), replace(QUIET, cracks=(CRACK,)))
    (crack,) = view.cracks
    steps = np.diff(crack.centreline_px, axis=0) * (0.5, 0.9)
    assert crack.length_um((0.5, 0.9)) == pytest.approx(np.hypot(*steps.T).sum())


def test_a_set_is_searched_with_the_pixel_size_asked_for():
    wanted = SetConditions(
        um_per_px=(0.5, 0.5), blur_um=0.5, contrast_to_noise=8.0, width_um=1.5,
        length_um=(40.0, 60.0),
    )  # fmt: skip
    (view,) = search_set(wanted, CrackSettings(min_length_um=10.0), views=1, seed=6)
    assert all(38.0 < row["length_um"] < 62.0 for row in view.cracks)
    assert 0.02 < view.area_mm2 < 900 * 600 * 0.25e-6
    for row in view.cracks:
        assert (row["hit"] == 1) == (row["measured_length_um"] is not None)


def test_sample_views_are_small_and_lot_m_cracks_more():
    samples = sample_images()
    assert len(samples) == 12
    assert {(s.revision, s.position) for s in samples} == {
        ("K", "left"), ("K", "right"), ("M", "left"), ("M", "right"),
    }  # fmt: skip
    count = {lot: sum(len(s.view.cracks) for s in samples if s.revision == lot) for lot in "KM"}
    assert 0 < count["K"] < count["M"]
    size = sum(len(zlib.compress(s.view.pixels.tobytes())) for s in samples)
    assert size < 3_000_000
