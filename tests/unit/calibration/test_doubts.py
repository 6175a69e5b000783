"""Images that could be numbered wrongly: they are numbered rightly, or a sentence says why not."""

import math

import cv2
import numpy as np
import pytest

from micromeasure.calibration.artefact import measure_artefact
from micromeasure.calibration.direction import find_direction, in_256_steps
from micromeasure.calibration.grid import GridImage
from micromeasure.calibration.rulings import measure_rulings
from micromeasure.errors import CalibrationError
from micromeasure.reference.micrometer import Grid, Rulings, View, render

SCALE = (0.412, 0.409)
ENDLESS = (900.0,) * 3


def rows_of(pitch_um, width_um, *, seed=1, **view):
    settings = {"size_px": (640, 460), "um_per_px": SCALE, "rotation_deg": 2.0, "blur_um": 0.5,
                "noise": 0.01, "centre_um": (1.3, 450.0)} | view  # fmt: skip
    rulings = Rulings(pitch_um=pitch_um, width_um=width_um, first=-60, last=60, lengths_um=ENDLESS)
    return render(rulings, View(**settings), np.random.default_rng(seed))


def pitch_um_of(image):
    """The pitch that the true scale gives to the measured gradient."""
    a, b = image.gradient_per_px
    return 1.0 / math.hypot(a / SCALE[0], b / SCALE[1])


def test_two_rulings_above_one_another_are_refused():
    grey = rows_of(8.0, 2.0)
    grey[230:] = rows_of(12.0, 3.0)[230:]
    with pytest.raises(CalibrationError, match=r"two rulings|regular ruling|not certain"):
        measure_artefact(grey, full_scale=255, name="a.tif")


def test_whole_lines_that_fit_no_number_are_refused():
    # Of the lines halfway between, two are left: which ones are missing?
    few = frozenset(k for k in range(-61, 62) if k % 2 and k not in {-9, 7})
    rulings = Rulings(
        pitch_um=6.0, width_um=1.6, first=-60, last=60, lengths_um=ENDLESS, missing=few
    )
    view = View(size_px=(640, 460), um_per_px=SCALE, rotation_deg=2.0, blur_um=0.5,
                centre_um=(1.3, 450.0))  # fmt: skip
    grey = render(rulings, view, np.random.default_rng(3))
    with pytest.raises(CalibrationError, match="not certain"):
        measure_rulings(grey, "a.tif")


@pytest.mark.parametrize("kind", ["dots", "squares", "crossed lines"])
def test_a_grid_measured_as_rulings_is_noticed_by_what_crosses_its_lines(kind):
    size = 2.4 if kind == "crossed lines" else 6.0
    view = View(size_px=(640, 460), um_per_px=SCALE, rotation_deg=3.0, blur_um=0.5)
    grey = render(Grid(kind=kind, pitch_um=12.0, size_um=size), view, np.random.default_rng(1))
    lean = find_direction(in_256_steps(rows_of(12.0, 3.0, rotation_deg=3.0)))
    with pytest.raises(CalibrationError, match=r"grid|not certain|no ruling"):
        measure_rulings(grey, "a.tif", lean)
    assert isinstance(measure_artefact(grey, full_scale=255, name="a.tif"), GridImage)


def test_a_fine_grid_in_a_large_image_is_no_ruling():
    # Halved again and again, its dots fall in step with the pixels and seem to run one way.
    view = View(size_px=(2000, 1500), um_per_px=(0.5, 0.5005), rotation_deg=2.0, blur_um=0.6)
    grid = Grid(kind="dots", pitch_um=10.0, size_um=5.0)
    grey = render(grid, view, np.random.default_rng(7))
    assert find_direction(in_256_steps(grey)).share_at_strongest < 0.02
    assert isinstance(measure_artefact(grey, full_scale=255, name="a.tif"), GridImage)


def test_scratches_that_turn_the_gradients_do_not_mislead():
    grey = rows_of(5.0, 2.0, contrast=0.4, noise=0.02).astype(np.float64)
    for start, stop in (((250, 0), (150, 459)), ((430, 20), (300, 440)), ((600, 0), (520, 300))):
        scratch = np.zeros(grey.shape, dtype=np.uint8)
        cv2.line(scratch, start, stop, 1, 5)
        grey = np.where(scratch > 0, 20.0, grey)
    image = measure_rulings(np.rint(grey).astype(np.uint8), "a.tif")
    assert pitch_um_of(image) == pytest.approx(5.0, rel=2e-4)


def test_bright_lines_in_a_part_of_the_frame_keep_their_scale():
    # The brightness of the lines is known only where they are.
    rulings = Rulings(pitch_um=12.6, width_um=4.3, first=0, last=12, lengths_um=(90.0,) * 3)
    for seed in range(3):
        view = View(size_px=(908, 668), um_per_px=SCALE, rotation_deg=3.95, blur_um=0.5,
                    light=(0.6, 0.3, 0.05, 0.0), centre_um=(112.0, -42.0))  # fmt: skip
        grey = render(rulings, view, np.random.default_rng(seed), bright=True)
        image = measure_rulings(grey, "a.tif")
        u = np.sqrt(image.covariance[0, 0]) / abs(image.gradient_per_px[0])
        assert u < 4e-5
        assert pitch_um_of(image) == pytest.approx(12.6, rel=4.5 * u)


def test_bright_lines_on_black_in_few_grey_levels():
    depth = 1.0 - rows_of(12.0, 3.0) / 178.5
    grey = np.rint(4.0 * depth - 0.3).clip(0, 3).astype(np.uint8)
    assert (grey == 0).mean() > 0.5
    assert pitch_um_of(measure_rulings(grey, "a.tif")) == pytest.approx(12.0, rel=5e-4)


@pytest.mark.parametrize("kind", [np.uint16, np.int32, np.float32, np.float64])
def test_256_steps_keep_the_order_of_the_values(kind):
    image = (np.linspace(20, 1000, 64 * 80).reshape(64, 80) ** 1.2).astype(kind)
    seen = in_256_steps(image)
    assert seen.dtype == np.uint8
    assert (np.diff(seen.ravel().astype(int)) >= 0).all()
    assert seen[0, 0] == 0
    assert seen[-1, -1] == 255
