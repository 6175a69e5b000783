import math

import numpy as np
import pytest

from micromeasure.calibration.artefact import measure_artefact
from micromeasure.calibration.rulings import RuledImage, _without_ends, measure_rulings
from micromeasure.errors import CalibrationError
from micromeasure.reference.micrometer import Grid, Rulings, View, render

SCALE = (0.412, 0.409)
PITCH = 8.0


def true_gradient(rotation_deg):
    turn = math.radians(rotation_deg)
    return np.array([math.cos(turn) * SCALE[0], math.sin(turn) * SCALE[1]]) / PITCH


def check_gradient(image, rotation_deg, sigmas=4.0):
    """Compare with the truth, in stated standard uncertainties; the sign of the axis is free."""
    off = np.array(image.gradient_per_px)
    true = true_gradient(rotation_deg)
    off = off * np.sign(off @ true) - true
    u = np.sqrt(np.diag(image.covariance))
    assert (np.abs(off) < sigmas * u).all()
    assert (u < 3e-4 * np.hypot(*true)).all()


@pytest.mark.parametrize(
    "rotation_deg", [0.0, 0.013, -3.7, 8.0, 30.0, 44.5, 60.0, 88.0, 90.0, 133.0]
)
def test_any_rotation(ruled, rotation_deg):
    image = measure_rulings(ruled(rotation_deg=rotation_deg), "a.tif")
    check_gradient(image, rotation_deg)
    assert np.array_equal(image.numbers, np.arange(image.numbers[-1] + 1))


def test_bright_lines(ruled):
    image = measure_rulings(ruled(bright=True, light=(0.7, 0.4, 0.1, -0.1)), "a.tif")
    assert not image.dark
    check_gradient(image, 2.0)


def test_uneven_light_dust_and_noise(ruled):
    grey = ruled(light=(0.7, 0.5, 0.1, -0.1), dust=5, noise=0.08)
    check_gradient(measure_rulings(grey, "a.tif"), 2.0)


@pytest.mark.parametrize("bits", [8, 12])
def test_stored_bits_make_no_difference(ruled, bits):
    check_gradient(measure_rulings(ruled(bits=bits), "a.tif"), 2.0)


def test_a_gap_counts_its_missing_lines(ruled):
    missing = frozenset({-6, 3, 4})
    rulings = Rulings(
        pitch_um=PITCH, width_um=2.0, first=-12, last=12, missing=missing,
        lengths_um=(900.0, 900.0, 900.0),
    )  # fmt: skip
    image = measure_rulings(ruled(rulings=rulings), "a.tif")
    expected = [n for n in range(25) if n - 12 not in missing]
    seen = image.numbers if len(image.numbers) == len(expected) else None
    # The outermost lines may be cut by the frame; the pattern of gaps must be there.
    gaps = np.diff(image.numbers)
    assert sorted(gaps[gaps > 1].tolist()) == [2, 3]
    assert seen is None or seen.tolist() == expected
    check_gradient(image, 2.0)


def test_ticks_of_three_lengths_with_numerals(ruled):
    rulings = Rulings(
        pitch_um=PITCH, width_um=1.8, first=-40, last=40, lengths_um=(35.0, 50.0, 65.0),
        numerals=True,
    )  # fmt: skip
    image = measure_rulings(ruled(rulings=rulings, centre_um=(1.3, 45.0)), "a.tif")
    assert len(image.numbers) >= 18
    check_gradient(image, 2.0)


def test_a_line_out_of_place_is_left_out(ruled):
    rulings = Rulings(
        pitch_um=PITCH, width_um=2.0, first=-40, last=40, errors_um={2: 0.9},
        lengths_um=(900.0, 900.0, 900.0),
    )  # fmt: skip
    image = measure_rulings(ruled(rulings=rulings), "a.tif")
    assert len(image.stray_numbers) == 1
    check_gradient(image, 2.0)


def test_errors_of_the_ruling_widen_the_uncertainty(ruled):
    rng = np.random.default_rng(4)
    errors = {k: float(rng.normal(0, 0.08)) for k in range(-40, 41)}
    rulings = Rulings(
        pitch_um=PITCH, width_um=2.0, first=-40, last=40, errors_um=errors,
        lengths_um=(900.0, 900.0, 900.0),
    )  # fmt: skip
    perfect = measure_rulings(ruled(), "a.tif")
    image = measure_rulings(ruled(rulings=rulings), "a.tif")
    assert image.covariance[0, 0] > 20 * perfect.covariance[0, 0]
    assert image.between_px == pytest.approx(0.08 / SCALE[0], rel=0.5)
    assert image.dof < 40


def test_noise_widens_the_uncertainty(ruled):
    quiet = measure_rulings(ruled(noise=0.005), "a.tif")
    loud = measure_rulings(ruled(noise=0.05), "a.tif")
    assert 5 < math.sqrt(loud.covariance[0, 0] / quiet.covariance[0, 0]) < 20


def test_transposing_swaps_the_axes(ruled):
    grey = ruled(rotation_deg=7.0)
    one = measure_rulings(grey, "a.tif")
    other = measure_rulings(np.ascontiguousarray(grey.T), "a.tif")
    a, b = one.gradient_per_px
    d, c = (abs(v) for v in other.gradient_per_px)
    assert (c, d) == pytest.approx((abs(a), abs(b)), rel=2e-4)


def test_lines_at_the_limit_of_a_fine_image(ruled):
    rulings = Rulings(
        pitch_um=2.2, width_um=0.7, first=-100, last=100, lengths_um=(900.0, 900.0, 900.0)
    )
    image = measure_rulings(ruled(rulings=rulings, blur_um=0.35), "a.tif")
    assert len(image.numbers) > 70
    off = abs(image.gradient_per_px[0]) * 2.2 / (SCALE[0] * math.cos(math.radians(2))) - 1
    assert abs(off) < 1e-4


def test_faint_lines_between_the_bold_ones_are_not_overlooked(ruled):
    # Ordinary lines of low contrast between every fifth: the fifths alone would pass.
    view = View(size_px=(420, 300), um_per_px=SCALE, blur_um=0.5, noise=0.0, rotation_deg=2.0,
                centre_um=(1.3, 450.0), contrast=0.8)  # fmt: skip
    bold = Rulings(pitch_um=15.0, width_um=2.0, first=-20, last=20, lengths_um=(900.0,) * 3)
    fine = Rulings(pitch_um=3.0, width_um=0.7, first=-100, last=100, lengths_um=(900.0,) * 3)
    rng = np.random.default_rng(0)
    both = render(bold, view, rng) * (0.9 + 0.1 * render(fine, view, rng) / 255.0)
    grey = both + rng.normal(0, 1.0, both.shape)
    with pytest.raises(CalibrationError, match="numbers are not certain"):
        measure_rulings(grey, "a.tif")


def test_lines_in_pairs_are_refused(ruled):
    errors = dict.fromkeys(range(-39, 40, 2), 0.35)
    rulings = Rulings(
        pitch_um=4.0, width_um=1.2, first=-60, last=60, errors_um=errors,
        lengths_um=(900.0, 900.0, 900.0),
    )  # fmt: skip
    with pytest.raises(CalibrationError, match="stand in pairs"):
        measure_rulings(ruled(rulings=rulings), "a.tif")


def test_distortion_is_noticed(ruled):
    image = measure_rulings(ruled(k1_per_px2=4e-7, rotation_deg=1.0), "a.tif")
    assert image.k1_per_px2 == pytest.approx(4e-7, abs=5 * image.u_k1_per_px2)
    assert image.k1_per_px2 > 10 * image.u_k1_per_px2


@pytest.mark.parametrize("what", ["noise", "one line", "three lines", "blank"])
def test_no_ruling_is_one_clear_sentence(ruled, what):
    count = {"one line": 1, "three lines": 3}.get(what)
    if count:
        rulings = Rulings(pitch_um=30.0, width_um=3.0, first=0, last=count - 1,
                          lengths_um=(900.0,) * 3)  # fmt: skip
        grey = ruled(rulings=rulings, centre_um=(20.0, 450.0))
    elif what == "noise":
        grey = np.random.default_rng(3).integers(80, 120, (300, 420)).astype(np.uint8)
    else:
        grey = np.full((300, 420), 90, dtype=np.uint8)
    with pytest.raises(CalibrationError) as caught:
        measure_artefact(grey, full_scale=255, name="a.tif")
    assert len(caught.value.problems) == 1
    assert caught.value.problems[0].startswith("a.tif: ")


def test_saturated_and_tiny_images_are_refused(ruled):
    with pytest.raises(CalibrationError, match="saturated"):
        measure_artefact(ruled(light=(1.1, 0, 0, 0)), full_scale=255, name="a.tif")
    with pytest.raises(CalibrationError, match="32 px"):
        measure_artefact(ruled()[:20], full_scale=255, name="a.tif")


@pytest.mark.parametrize("kind", ["dots", "squares", "crossed lines"])
def test_a_grid_taken_for_rulings_is_refused(kind):
    view = View(size_px=(420, 300), um_per_px=SCALE, rotation_deg=3.0)
    size = 2.0 if kind == "crossed lines" else 6.0
    grid = Grid(kind=kind, pitch_um=12.0, size_um=size)
    grey = render(grid, view, np.random.default_rng(1))
    with pytest.raises(CalibrationError, match="grid"):
        measure_artefact(grey, full_scale=255, name="a.tif", pattern="rulings")


def test_rulings_are_told_from_a_grid(ruled):
    assert isinstance(measure_artefact(ruled(), full_scale=255, name="a"), RuledImage)


def test_the_pieces_in_which_a_line_ends_are_left_out():
    there = np.zeros((4, 10), dtype=bool)
    there[0] = True  # runs through the image: no end in it
    there[1, 2:9] = True
    there[2, 4:7] = True  # too short to do without its ends
    there[3, [0, 1, 2, 3, 4, 6, 7, 8, 9]] = True  # dust over one piece
    inner = _without_ends(there)
    assert inner[0].all()
    assert np.flatnonzero(inner[1]).tolist() == [3, 4, 5, 6, 7]
    assert np.flatnonzero(inner[2]).tolist() == [4, 5, 6]
    assert np.flatnonzero(inner[3]).tolist() == [0, 1, 2, 3, 7, 8, 9]


def test_a_few_wide_lines_among_dust_keep_their_numbers():
    # Edges and specks of such an image can pass for a finer ruling in one stretch of it.
    lines = Rulings(pitch_um=35.8, width_um=13.9, first=-20, last=20, lengths_um=(115.0,) * 3)
    for seed in range(6):
        rng = np.random.default_rng(seed)
        view = View(
            size_px=(1052, 963), um_per_px=(0.348, 0.342), rotation_deg=3.06, blur_um=0.25,
            noise=0.03, contrast=0.53, centre_um=(10.0 + seed, 80.0),
            light=(0.58, 0.16, 0.03, 0.07),
        )  # fmt: skip
        image = measure_rulings(render(lines, view, rng, dust=6), "a.tif")
        pitch_px = 1 / np.hypot(*image.gradient_per_px)
        assert pitch_px == pytest.approx(35.8 / 0.348, rel=2e-3)


def test_upright_lines_close_together_are_seen_in_every_band():
    # Pixels then fall on the same samples in every row, and a window holds one more or one less.
    lines = Rulings(pitch_um=2.85, width_um=0.94, first=-200, last=200, lengths_um=(900.0,) * 3)
    view = View(size_px=(431, 320), um_per_px=(0.504, 0.496), rotation_deg=0.0, blur_um=0.6,
                centre_um=(1.0, 450.0))  # fmt: skip
    image = measure_rulings(render(lines, view, np.random.default_rng(2)), "a.tif")
    assert len(image.numbers) >= 72
    assert np.ptp(image.ends_px[..., 1], axis=1).min() > 280
