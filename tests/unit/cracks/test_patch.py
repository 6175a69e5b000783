import numpy as np
import pytest

from micromeasure.cracks.patch import cut_around, cut_strip, strip_window, working_um

FOLD = (30.0, 140.0, 380.0, 170.0)


def test_points_go_to_the_patch_and_back(drawing):
    micrograph = drawing(um_per_px=(0.7, 1.1)).micrograph()
    patch = cut_strip(micrograph, FOLD, band_um=60.0)
    points = np.array([(100.3, 150.2), (250.0, 160.0), (377.5, 99.0)])
    np.testing.assert_allclose(patch.image_points(patch.patch_points(points)), points, atol=1e-9)


def test_the_patch_keeps_micrometres_with_unequal_pixels(drawing):
    scale = np.array((0.7, 1.1))
    patch = cut_strip(drawing(um_per_px=tuple(scale)).micrograph(), FOLD, band_um=60.0)
    points = np.array([(100.0, 150.0), (200.0, 90.0)])
    inside = patch.patch_points(points)
    true_um = np.hypot(*((points[1] - points[0]) * scale))
    assert np.hypot(*(inside[1] - inside[0])) * patch.um_per_px == pytest.approx(true_um)


def test_the_fold_lies_on_its_row_and_ends_on_its_columns(drawing):
    patch = cut_strip(drawing(um_per_px=(0.7, 1.1)).micrograph(), FOLD, band_um=60.0)
    (u0, v0), (u1, v1) = patch.patch_points(np.array(FOLD).reshape(2, 2))
    assert (v0, v1) == pytest.approx((patch.fold_row, patch.fold_row))
    assert (u0, u1) == pytest.approx(patch.fold_columns)


def test_the_band_is_measured_in_micrometres_across_the_fold(drawing):
    patch = cut_strip(drawing(um_per_px=(0.7, 1.1)).micrograph(), FOLD, band_um=60.0)
    middle = np.mean(patch.fold_columns)
    inner = np.array([(middle, patch.fold_row + 59.0 / patch.um_per_px)])
    outer = np.array([(middle, patch.fold_row + 61.0 / patch.um_per_px)])
    assert patch.in_band(inner).all()
    assert not patch.in_band(outer).any()
    beyond = np.array([(patch.fold_columns[1] + 3, patch.fold_row)])
    assert not patch.in_band(beyond).any()


def test_an_upright_fold_needs_no_interpolation(drawing):
    micrograph = drawing().micrograph()
    patch = cut_strip(micrograph, (40.5, 150.0, 380.0, 150.0), band_um=64.0)
    x, y = patch.image_points(np.array([[10.0, 5.0]]))[0]
    assert (x, y) == (round(x), round(y))
    row, col = round(y), round(x)
    np.testing.assert_array_equal(
        patch.values[5:40, 10:90], micrograph.pixels[row : row + 35, col : col + 80]
    )


def test_a_region_and_the_image_limit_what_is_valid(drawing):
    micrograph = drawing().micrograph()
    patch = cut_strip(
        micrograph, (40.0, 150.0, 380.0, 150.0), band_um=64.0, region=(100, 0, 200, 299)
    )
    inside = patch.patch_points(np.array([(150.0, 150.0), (90.0, 150.0), (210.0, 150.0)]))
    assert patch.in_band(inside).tolist() == [True, False, False]


def test_a_window_gives_the_same_patch_as_the_whole_image(drawing):
    whole = drawing().micrograph()
    fold = (60.0, 140.0, 300.0, 150.0)
    x0, y0, x1, y1 = (round(v) for v in strip_window(fold, 40.0, (0.8, 0.8), 0.8))
    x0, y0 = max(x0, 0), max(y0, 0)
    from dataclasses import replace

    part = replace(whole, pixels=whole.pixels[y0 : y1 + 1, x0 : x1 + 1], origin_px=(x0, y0))
    one, two = cut_strip(whole, fold, band_um=40.0), cut_strip(part, fold, band_um=40.0)
    np.testing.assert_array_equal(one.values[one.valid > 0], two.values[one.valid > 0])
    np.testing.assert_allclose(one.to_image, two.to_image)


def test_oversampled_images_are_worked_on_more_coarsely():
    assert working_um((0.1, 0.1), None) == pytest.approx(0.1)
    assert working_um((0.1, 0.1), 0.9) == pytest.approx(0.3)
    assert working_um((0.25, 0.25), 0.9) == pytest.approx(0.25)


def test_the_surroundings_of_a_line_are_upright(drawing):
    patch = cut_around(drawing().micrograph(), np.array([(100.0, 80.0), (160.0, 120.0)]))
    assert patch.to_image[0, 1] == 0
    assert patch.to_image[1, 0] == 0
    assert np.isnan(patch.fold_row)
