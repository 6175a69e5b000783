import numpy as np
import pytest

from micromeasure.reference import render


def test_half_plane_coverage_agrees_with_the_exact_polygon() -> None:
    angle = np.deg2rad(33.0)
    normal = (np.cos(angle), np.sin(angle))
    x, y = render.pixel_grid((20, 31))
    distance = (x - 14.3) * normal[0] + (y - 9.1) * normal[1]
    along = np.array([-normal[1], normal[0]])
    foot, far = np.array([14.3, 9.1]), 200.0
    corners = np.array(
        [
            foot - far * along,
            foot + far * along,
            foot + far * along + far * np.array(normal),
            foot - far * along + far * np.array(normal),
        ]
    )
    expected = render.polygon_coverage(corners, (20, 31))
    np.testing.assert_allclose(render.half_plane_coverage(distance, normal), expected, atol=1e-9)


def test_polygon_coverage_sums_to_the_area_also_when_cut_by_the_border() -> None:
    triangle = np.array([[2.25, 1.5], [17.75, 4.0], [6.0, 12.5]])
    area = 0.5 * abs((17.75 - 2.25) * (12.5 - 1.5) - (6.0 - 2.25) * (4.0 - 1.5))
    assert render.polygon_coverage(triangle, (15, 22)).sum() == pytest.approx(area, abs=1e-9)
    square = np.array([[-5.0, -5.0], [3.0, -5.0], [3.0, 4.0], [-5.0, 4.0]])
    # From the image's border at -0.5 to 3 and 4.
    assert render.polygon_coverage(square, (9, 7)).sum() == pytest.approx(3.5 * 4.5, abs=1e-9)


def test_blurred_half_plane_agrees_with_oversampled_blur() -> None:
    angle, sigma, k = np.deg2rad(20.0), 1.1, 8
    normal = (np.cos(angle), np.sin(angle))
    x, y = render.pixel_grid((24, 30), k)
    fine = render.half_plane_coverage(((x - 13.7) * normal[0] + (y - 11.2) * normal[1]) * k, normal)
    expected = render.area_mean(render.gaussian_blur(fine, sigma * k), k)
    x, y = render.pixel_grid((24, 30))
    got = render.blurred_half_plane((x - 13.7) * normal[0] + (y - 11.2) * normal[1], normal, sigma)
    inner = (slice(8, -8), slice(8, -8))
    np.testing.assert_allclose(got[inner], expected[inner], atol=2e-4)


def test_disc_has_the_area_of_a_disc() -> None:
    assert render.disc_coverage((11.3, 9.8), 6.4, (20, 25)).sum() == pytest.approx(
        np.pi * 6.4**2, rel=1e-9
    )


def test_aperture_blur_keeps_the_mean_and_cuts_off_high_frequencies() -> None:
    x, _ = render.pixel_grid((32, 48))
    stripes = np.broadcast_to(1.0 + np.cos(2 * np.pi * x / 3.0), (32, 48))
    blurred = render.aperture_blur(np.asarray(stripes), cutoff_per_px=0.25)
    assert blurred[:, 12:-12].std() < 0.02
    assert blurred.mean() == pytest.approx(1.0, abs=0.01)


def test_exposure_has_the_noise_it_is_asked_for() -> None:
    rng = np.random.default_rng(1)
    digits = render.expose(
        np.full((200, 230), 0.5), rng, bits=16, full_well_e=10000.0, read_noise_e=20.0
    )
    expected = np.sqrt(5000.0 + 400.0) / 10000.0 * 65535.0
    assert digits.dtype == np.uint16
    assert digits.std() == pytest.approx(expected, rel=0.02)


def test_texture_and_walk_have_unit_variance() -> None:
    rng = np.random.default_rng(2)
    assert render.texture((300, 320), 2.0, rng).std() == pytest.approx(1.0, rel=0.05)
    assert render.smooth_walk(20000, 5.0, rng).std() == pytest.approx(1.0, rel=0.05)
