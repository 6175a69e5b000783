import numpy as np
import pytest

from micromeasure.calibration.grid import measure_grid
from micromeasure.calibration.scale import Artefact, solve_scale
from micromeasure.errors import CalibrationError
from micromeasure.reference.micrometer import Grid, View, render

SCALE = (0.412, 0.409)
SIZES = {"dots": 6.0, "squares": 6.0, "crossed lines": 2.2}


def picture(kind, *, seed=1, bright=False, dust=0, missing=frozenset(), square=0.0, **view):
    settings = {"size_px": (640, 460), "um_per_px": SCALE, "rotation_deg": 3.0, "blur_um": 0.5,
                "noise": 0.01} | view  # fmt: skip
    grid = Grid(kind=kind, pitch_um=12.0, size_um=SIZES[kind], missing=missing,
                out_of_square_deg=square)  # fmt: skip
    return render(grid, View(**settings), np.random.default_rng(seed), bright=bright, dust=dust)


def scale_of(image):
    return solve_scale([image], ["g.tif"], Artefact(pitch_um=12.0, u_pitch_um=0.0))


def check_scale(image, sigmas=4.5):
    scale = scale_of(image)
    for estimate, true in zip(scale.um_per_px, SCALE, strict=True):
        assert estimate.standard_uncertainty < 1e-4 * true
        assert abs(estimate.value - true) < sigmas * estimate.standard_uncertainty
    return scale


@pytest.mark.parametrize("kind", list(SIZES))
@pytest.mark.parametrize("rotation_deg", [0.0, 3.0, -21.0])
def test_both_scales_from_one_grid(kind, rotation_deg):
    image = measure_grid(picture(kind, rotation_deg=rotation_deg), "g.tif")
    assert not image.is_distorted
    scale = check_scale(image)
    assert abs(scale.squareness_deg) < 5 * scale.u_squareness_deg


@pytest.mark.parametrize("kind", list(SIZES))
def test_bright_on_dark_under_uneven_light(kind):
    check_scale(measure_grid(picture(kind, bright=True, light=(0.7, 0.4, 0.1, -0.1)), "g.tif"))


def test_missing_dots_and_dust():
    missing = frozenset({(0, 0), (2, 1), (-3, 2)})
    image = measure_grid(picture("dots", missing=missing, dust=4), "g.tif")
    check_scale(image)
    assert len({tuple(n) for n in image.numbers.tolist()}) == len(image.numbers)


def test_distortion_is_found_and_its_scale_holds_at_the_centre():
    image = measure_grid(picture("dots", k1_per_px2=1.5e-7), "g.tif")
    assert image.is_distorted
    assert image.k1_per_px2 == pytest.approx(1.5e-7, abs=5 * image.u_k1_per_px2)
    scale = check_scale(image)
    assert scale.distortion.corner_scale_change == pytest.approx(3 * 1.5e-7 * 155_000, rel=0.1)
    assert scale.flags == ()


def test_the_centre_of_distortion_is_measured_where_it_can_be():
    grey = picture("dots", k1_per_px2=8e-8, distortion_centre_px=(250.0, 270.0))
    image = measure_grid(grey, "g.tif")
    assert image.distortion_centre_px == pytest.approx((250.0, 270.0), abs=8.0)
    check_scale(image)


def test_squareness_is_told():
    scale = scale_of(measure_grid(picture("dots", rotation_deg=0.0, square=0.2), "g.tif"))
    assert abs(scale.squareness_deg) == pytest.approx(0.2, abs=0.01)


@pytest.mark.parametrize("what", ["noise", "scattered dots", "one row"])
def test_no_grid_is_one_clear_sentence(what):
    rng = np.random.default_rng(2)
    if what == "noise":
        grey = rng.integers(80, 120, (300, 420)).astype(np.uint8)
    elif what == "one row":
        grey = picture("dots", rotation_deg=0.0)[:40]
        grey = np.vstack([np.full((100, 640), grey.max(), np.uint8), grey])
    else:
        y, x = np.mgrid[0:300, 0:420]
        grey = np.full((300, 420), 200.0)
        for _ in range(60):
            cx, cy = rng.uniform(10, 410), rng.uniform(10, 290)
            grey[np.hypot(x - cx, y - cy) < 5] = 50
        grey = grey.astype(np.uint8)
    with pytest.raises(CalibrationError) as caught:
        measure_grid(grey, "g.tif")
    assert len(caught.value.problems) == 1
    assert caught.value.problems[0].startswith("g.tif: ")
