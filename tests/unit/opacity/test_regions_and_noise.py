"""Film, bare area and defects in computed fields; camera noise from frames."""

import numpy as np
import pytest

from micromeasure.micrograph.light import Box, ceiling_of, cell_means, exposure_of, stack_of
from micromeasure.micrograph.response import response_of
from micromeasure.opacity.noise import (
    below_zero,
    photon_transfer_of,
    quantisation_u,
    second_difference_variance,
    tiles_in,
)
from micromeasure.opacity.regions import cells_of, defects, find_film, outline_px
from micromeasure.reference.render import texture
from micromeasure.reference.transmission import Camera, as_micrograph

ROWS, COLS = 60, 100
BOX = Box(col=0, row=0, cols=COLS, rows=ROWS, cell_px=4)


@pytest.fixture
def rng():
    return np.random.default_rng(7)


def field_of(film, bare, rng, strip=30, noise=0.004):
    values = np.full((ROWS, COLS), film)
    values[:, :strip] = bare
    return (values * (1.0 + noise * rng.standard_normal(values.shape))).astype(np.float32)


def test_film_and_bare_area_are_told_apart(rng):
    found = find_film(field_of(0.3, 1.0, rng), bare_level=1.0, tolerance=0.08)
    assert found.bare is not None
    assert found.bare[:, :27].all()
    assert found.film[:, 33:].all()
    # Two cells beside the border belong to neither.
    assert not (found.film | found.bare)[:, 29:31].any()


def test_a_bright_film_is_not_taken_for_bare_light(rng):
    found = find_film(field_of(0.2, 0.6, rng, strip=20), bare_level=1.0, tolerance=0.08)
    assert found.bare is None
    assert found.film[:, 25:].all()


def test_without_an_expected_level_the_brightest_part_is_bare(rng):
    found = find_film(field_of(0.2, 0.6, rng), bare_level=None, tolerance=0.08)
    assert found.bare is not None
    assert found.bare[10, 10]


def test_a_fold_belongs_to_neither(rng):
    values = field_of(0.3, 1.0, rng)
    values[:, 60:70] = 0.09
    found = find_film(values, bare_level=1.0, tolerance=0.08)
    assert not found.film[:, 59:71].any()
    assert found.film[:, 80].all()


def test_cells_lie_wholly_inside_a_rectangle():
    box = Box(col=8, row=4, cols=10, rows=6, cell_px=4)
    mask = cells_of((13, 4, 27, 11), box)
    assert np.argwhere(mask.any(axis=0)).ravel().tolist() == [2, 3, 4]
    assert np.argwhere(mask.any(axis=1)).ravel().tolist() == [0, 1]


def test_noise_alone_is_no_defect(rng):
    for _ in range(20):
        values = field_of(0.3, 0.3, rng, noise=0.02)
        assert not defects(values, np.ones((ROWS, COLS), dtype=bool)).any()


def test_specks_and_lines_are_defects_with_a_rim(rng):
    values = field_of(0.3, 0.3, rng)
    values[20, 40] *= 0.9
    values[30:50, 70] *= 0.95
    found = defects(values, np.ones((ROWS, COLS), dtype=bool))
    assert found[19:22, 39:42].all()
    assert found[30:50, 70].all()
    assert found.mean() < 0.03


def test_outlines_enclose_cells_in_pixels_of_the_image():
    mask = np.zeros((6, 10), dtype=bool)
    mask[1:3, 2:5] = True
    box = Box(col=100, row=40, cols=10, rows=6, cell_px=4)
    x, y = outline_px(mask, box).T
    assert 107 <= x.min() < 109.5
    assert 117 < x.max() <= 120
    assert 43 <= y.min() < 45.5
    assert 49 < y.max() <= 52


def test_cell_means_are_plain_means(rng):
    pixels = rng.integers(0, 4096, (40, 64)).astype(np.uint16)
    frame = as_micrograph(pixels, bits=12, name="x")
    box = Box(col=4, row=8, cols=12, rows=7, cell_px=4)
    means = cell_means(frame, box, response_of(frame))
    expected = pixels[8:36, 4:52].reshape(7, 4, 12, 4).mean(axis=(1, 3))
    np.testing.assert_allclose(means, expected, rtol=1e-6)


def test_colour_is_weighed_as_light(rng):
    pixels = rng.integers(0, 256, (16, 24, 3)).astype(np.uint8)
    frame = as_micrograph(pixels, bits=8, name="x", transfer=2.0)
    box = Box(col=0, row=0, cols=3, rows=2, cell_px=8)
    linear = (pixels / 255.0) ** 2
    expected = (linear @ [0.2126, 0.7152, 0.0722]).reshape(2, 8, 3, 8).mean(axis=(1, 3))
    response = response_of(frame)
    np.testing.assert_allclose(cell_means(frame, box, response), expected, rtol=1e-5)
    green = linear[..., 1].reshape(2, 8, 3, 8).mean(axis=(1, 3))
    np.testing.assert_allclose(cell_means(frame, box, response, "green"), green, rtol=1e-5)


def test_second_differences_see_noise_and_no_slopes(rng):
    y, x = np.mgrid[:200, :300]
    slope = 5.0 + 0.3 * x - 0.2 * y + 0.01 * x * y / 100 + 1e-3 * x**2
    assert second_difference_variance(slope) < 1e-20
    noisy = slope + 2.0 * rng.standard_normal(slope.shape)
    assert second_difference_variance(noisy) == pytest.approx(4.0, rel=0.03)


def test_tiles_lie_inside_the_mask():
    mask = np.zeros((ROWS, COLS), dtype=bool)
    mask[16:48, 24:80] = True
    tiles = tiles_in(mask, BOX)
    assert len(tiles) == 28
    assert all(96 <= t.col <= 320 - 32 and 64 <= t.row <= 192 - 32 for t in tiles)


def test_photon_transfer_gives_the_gain_of_the_camera(make_desk):
    # 4095 steps for 15000 electrons: 0.273 steps an electron.
    desk = make_desk(shape=(240, 400), camera=Camera(prnu=0.03))
    box = Box(col=0, row=0, cols=100, rows=60, cell_px=4)
    given = {"transfer": None, "channel": "luminance"}
    light = stack_of([desk.frame(1.0), desk.frame(1.0, lamp=1.04)], box, **given)
    dark = stack_of([desk.frame(0.0, lamp=0.0) for _ in range(2)], box, **given)
    tiles = tiles_in(np.ones((60, 100), dtype=bool), box)
    relation = photon_transfer_of(light, dark, tiles, "luminance")
    assert relation.gain == pytest.approx(4095 / 15000, rel=0.03)
    assert relation.offset == pytest.approx((5 * 4095 / 15000) ** 2 + 1 / 12, rel=0.05)


@pytest.mark.parametrize("spread", [0.0, 0.2, 0.4, 0.7])
def test_rounding_of_a_mean_is_as_stated(rng, spread):
    errors = []
    for level in np.linspace(10.0, 11.0, 101)[:-1]:
        stored = np.rint(level + spread * rng.standard_normal(40_000))
        errors.append(stored.mean() - level)
    rms = float(np.sqrt(np.mean(np.square(errors))))
    assert rms == pytest.approx(quantisation_u(1.0, spread), rel=0.15, abs=0.004)


def test_a_dark_level_below_zero_is_found_from_what_is_left_of_its_noise(make_desk):
    desk = make_desk(shape=(240, 400), camera=Camera(black_share=0.0, dsnu_e=0.0))
    box = Box(col=0, row=0, cols=100, rows=60, cell_px=4)
    dark = stack_of([desk.frame(0.0, lamp=0.0)], box, transfer=None, channel="luminance")
    mean = float(dark.cells.mean())
    shift, u = below_zero(dark, box, "luminance")
    assert mean > 0.4
    assert abs(mean + shift) < 3 * u
    assert abs(mean + shift) < 0.1


def test_the_end_of_a_left_justified_range_is_seen(rng):
    values = np.minimum(rng.normal(3900, 120, (60, 80)), 4095).astype(np.uint16) << 4
    assert ceiling_of(as_micrograph(values, bits=16, name="x")) == 4095 << 4


def test_a_bright_frame_that_is_not_clipped_has_the_full_range(rng):
    values = rng.normal(3000, 40, (60, 80)).astype(np.uint16)
    assert ceiling_of(as_micrograph(values, bits=16, name="x")) == 65535


def test_no_exposure_is_unknown():
    frame = as_micrograph(np.zeros((8, 12), np.uint16), bits=12, name="x")
    assert exposure_of(frame) is None


def test_slopes_of_a_patchy_film_at_the_border_of_a_region_are_no_defects(rng):
    patches = texture((ROWS * 4, COLS * 4), 14.0, rng)
    cells = patches.reshape(ROWS, 4, COLS, 4).mean(axis=(1, 3))
    values = (0.16 * (1.0 + 0.03 * cells + 0.002 * rng.standard_normal(cells.shape))).astype(
        np.float32
    )
    mask = np.zeros((ROWS, COLS), dtype=bool)
    mask[6:50, 20:80] = True
    assert not defects(values, mask).any()


def test_a_narrow_region_keeps_its_cells(rng):
    mask = np.zeros((ROWS, COLS), dtype=bool)
    mask[:, 40:46] = True
    assert not defects(field_of(1.0, 1.0, rng), mask).any()


def test_a_film_hardly_denser_than_air_is_told_from_bare_light(rng):
    found = find_film(field_of(10.0**-0.02, 1.0, rng), bare_level=1.0, tolerance=0.08)
    assert found.bare is not None
    assert not (found.bare & found.film).any()
    assert found.film[:, 34:].all()


def test_cells_that_hold_light_of_film_and_bare_area_are_neither(rng):
    values = field_of(0.05, 1.0, rng)
    # A blurred edge three cells wide.
    values[:, 29], values[:, 30], values[:, 31] = 0.8, 0.5, 0.12
    found = find_film(values, bare_level=1.0, tolerance=0.08)
    assert not (found.film | found.bare)[:, 27:33].any()
    assert found.film[:, 36].all()
