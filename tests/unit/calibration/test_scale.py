import math

import numpy as np
import pytest

from micromeasure.calibration.rulings import measure_rulings
from micromeasure.calibration.scale import Artefact, solve_scale
from micromeasure.errors import CalibrationError

SCALE = (0.412, 0.409)
NAMES = ["x.tif", "y.tif", "z.tif"]


@pytest.fixture
def images(ruled):
    return [measure_rulings(ruled(rotation_deg=r, seed=s), "a") for r, s in ((2.0, 1), (93.0, 2))]


@pytest.mark.parametrize("turns", [(2.0, 93.0), (-40.0, 80.0), (0.0, 45.0), (8.0, 82.0)])
def test_two_directions_give_both_scales(ruled, turns):
    images = [measure_rulings(ruled(rotation_deg=r, seed=i), "a") for i, r in enumerate(turns)]
    scale = solve_scale(images, NAMES[:2], Artefact(pitch_um=8.0, u_pitch_um=0.0))
    for estimate, true in zip(scale.um_per_px, SCALE, strict=True):
        assert abs(estimate.value - true) < 4.5 * estimate.standard_uncertainty
        assert estimate.standard_uncertainty < 4e-4 * true
    for found, true in zip(scale.rotation_deg, turns, strict=True):
        assert (found - true + 90) % 180 - 90 == pytest.approx(0, abs=0.1)


def test_the_pitch_is_common_and_does_not_shrink_with_more_images(ruled, images):
    artefact = Artefact(pitch_um=8.0, u_pitch_um=0.008)
    more = [measure_rulings(ruled(rotation_deg=1.0, seed=s), "a") for s in (5, 6, 7)]
    few = solve_scale(images, NAMES[:2], artefact).um_per_px[0]
    many = solve_scale(images + more, [*NAMES[:2], "c", "d", "e"], artefact).um_per_px[0]
    pitch = [{c.name: c.u for c in e.components}["reference pitch"] for e in (few, many)]
    assert pitch[0] == pytest.approx(few.value * 1e-3)
    assert pitch[1] == pytest.approx(pitch[0], rel=1e-4)
    assert many.standard_uncertainty > 0.9 * pitch[0]


def test_doubling_the_pitch_doubles_the_scale(images):
    one, two = (
        solve_scale(images, NAMES[:2], Artefact(pitch_um=p, u_pitch_um=0.0)) for p in (8.0, 16.0)
    )
    assert two.um_per_px[0].value == pytest.approx(2 * one.um_per_px[0].value, rel=1e-12)


def test_the_budget_names_every_part(images):
    artefact = Artefact(
        pitch_um=8.0, u_pitch_um=0.004, temperature_c=24.0, u_temperature_k=0.5,
        expansion_per_k=8e-6,
    )  # fmt: skip
    estimate = solve_scale(images, NAMES[:2], artefact).um_per_px[0]
    parts = {c.name: c.u / estimate.value for c in estimate.components}
    assert list(parts) == [
        "reference pitch", "fit", "rotation", "residual non-linearity", "temperature",
    ]  # fmt: skip
    assert parts["reference pitch"] == pytest.approx(5e-4)
    assert parts["temperature"] == pytest.approx(4e-6)
    assert parts["rotation"] > 0
    cold = solve_scale(images, NAMES[:2], Artefact(pitch_um=8.0, u_pitch_um=0.004)).um_per_px[0]
    assert estimate.value / cold.value - 1 == pytest.approx(4 * 8e-6, rel=1e-6)


def test_an_unknown_pitch_uncertainty_is_never_zero(images):
    scale = solve_scale(images, NAMES[:2], Artefact(pitch_um=8.0))
    assert scale.um_per_px[0].standard_uncertainty is None
    assert scale.fit_u_um_per_px[0] > 0


def test_uncorrected_distortion_is_flagged_and_counted(ruled):
    images = [
        measure_rulings(ruled(rotation_deg=r, k1_per_px2=8e-7, seed=i), "a")
        for i, r in enumerate((1.0, 91.0))
    ]
    scale = solve_scale(images, NAMES[:2], Artefact(pitch_um=8.0, u_pitch_um=0.0))
    assert scale.flags == ("distorted",)
    parts = {c.name: c.u for c in scale.um_per_px[0].components}
    assert parts["residual non-linearity"] > 1e-3 * SCALE[0]
    assert scale.nonlinearity == pytest.approx(3 * 8e-7 * (210**2 + 150**2), rel=0.1)


def test_images_that_disagree_widen_the_uncertainty(ruled, images):
    other = measure_rulings(ruled(rotation_deg=1.0, um_per_px=(0.4123, 0.409)), "a")
    artefact = Artefact(pitch_um=8.0, u_pitch_um=0.0)
    agreed = solve_scale(images, NAMES[:2], artefact).um_per_px[0]
    torn = solve_scale([*images, other], NAMES, artefact).um_per_px[0]
    assert torn.standard_uncertainty > 2 * agreed.standard_uncertainty


def test_one_axis_alone_is_refused(ruled, images):
    artefact = Artefact(pitch_um=8.0, u_pitch_um=0.0)
    with pytest.raises(CalibrationError, match=r"x\.tif is ruled along x, so the scale in y"):
        solve_scale(images[:1], NAMES[:1], artefact)
    again = measure_rulings(ruled(rotation_deg=-1.0), "a")
    with pytest.raises(CalibrationError, match="both ruled along x"):
        solve_scale([images[0], again], NAMES[:2], artefact)


def test_images_of_two_sizes_are_refused(ruled, images):
    other = measure_rulings(ruled(rotation_deg=92.0, size_px=(400, 300)), "a")
    with pytest.raises(CalibrationError, match="differ in size"):
        solve_scale([images[0], other], NAMES[:2], artefact := Artefact(pitch_um=8.0))
    assert artefact.pitch_now_um == 8.0


@pytest.mark.parametrize("pitch", [0.0, -10.0, math.nan, math.inf])
def test_a_pitch_that_is_none_is_refused(pitch):
    with pytest.raises(CalibrationError, match="must be above 0"):
        Artefact(pitch_um=pitch)


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"u_pitch_um": -0.1}, "at least 0"),
        ({"u_pitch_um": 12.0}, "below the pitch"),
        ({"temperature_c": 22.0}, "belong together"),
    ],
)
def test_other_wrong_words_about_the_artefact(wrong, says):
    with pytest.raises(CalibrationError, match=says):
        Artefact(pitch_um=10.0, **wrong)


def test_stated_intervals_hold_the_truth(ruled):
    # 24 pairs, both axes: 48 intervals of 95 %; fewer than 40 hits would be one in 2,000.
    hits = 0
    for seed in range(24):
        rng = np.random.default_rng(seed)
        turns = rng.uniform(-8, 8), 90 + rng.uniform(-8, 8)
        pair = [
            measure_rulings(
                ruled(rotation_deg=r, seed=100 * seed + i, noise=rng.uniform(0.02, 0.1),
                      size_px=(300, 220)), "a")
            for i, r in enumerate(turns)
        ]  # fmt: skip
        scale = solve_scale(pair, NAMES[:2], Artefact(pitch_um=8.0, u_pitch_um=0.0))
        for estimate, true in zip(scale.um_per_px, SCALE, strict=True):
            low, high = estimate.interval_95
            hits += low <= true <= high
    assert hits >= 40
