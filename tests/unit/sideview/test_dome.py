"""Dome profiles in rendered side views."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from micromeasure.calibration.file import Calibration
from micromeasure.errors import MeasurementError
from micromeasure.flags import REGISTRY
from micromeasure.micrograph.image import ImageRecord
from micromeasure.outcome import Measurement, Outcome
from micromeasure.quantities.declare import Measured
from micromeasure.quantities.dome import DomeSettings, derive_travel, measure_dome
from micromeasure.reference.render import as_micrograph
from micromeasure.reference.side_view import (
    Dome,
    Leg,
    Scene,
    dome_truth,
    render_dome,
)

PIXEL = (2.5, 2.6)
TIPS = Dome(
    crown_radius_um=900.0, left_deg=28.0, right_deg=30.0, thickness_um=45.0,
    left=Leg(limb_um=160, foot_um=140, turn_deg=-45, inner_radius_um=30, tip_radius_um=6),
    right=Leg(limb_um=160, foot_um=140, turn_deg=-45, inner_radius_um=30),
)  # fmt: skip
HEELS = Dome(
    crown_radius_um=1400.0, left_deg=20.0, right_deg=20.0, thickness_um=45.0,
    left=Leg(limb_um=160, foot_um=140, turn_deg=48, inner_radius_um=40),
    right=Leg(limb_um=160, foot_um=140, turn_deg=48, inner_radius_um=40),
)  # fmt: skip
SCENE = Scene(size_px=(620, 340), um_per_px=PIXEL, apex_px=(310, 60), noise=0.006)


def seen(dome: Dome, scene: Scene, seed: int = 5, **record: object) -> Outcome:
    pixels = render_dome(dome, scene, np.random.default_rng(seed))
    return measure_dome(micrograph(pixels, scene, **record), DomeSettings(), {})


def micrograph(pixels: np.ndarray, scene: Scene, **record: object):
    calibration = Calibration(
        schema=1, id="bench", um_per_px=scene.um_per_px, u_um_per_px=(0.001, 0.001)
    )
    return as_micrograph(
        pixels, um_per_px=scene.um_per_px, bits=scene.bits, calibration=calibration,
        record=ImageRecord(image="side.tif", **record),
    )  # fmt: skip


def row(outcome: Outcome, quantity: str | None = None, feature: str = "crown") -> Measurement:
    return next(m for m in outcome.measurements if (m.quantity, m.feature) == (quantity, feature))


@cache
def plain(
    name: str, *, support: bool = False, reflected: bool = False, tilt: float = 1.0
) -> Outcome:
    dome = {"tips": TIPS, "heels": HEELS}[name]
    return seen(dome, replace(SCENE, support=support, reflected=reflected, tilt_deg=tilt))


@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("tips", {}),
        ("tips", {"support": True}),
        ("tips", {"reflected": True, "tilt": -3.0}),
        ("heels", {}),
        ("heels", {"support": True, "tilt": 2.0}),
        ("heels", {"reflected": True}),
    ],
)
def test_height_radius_and_thickness_of_a_dome_on_its_feet(name: str, options: dict) -> None:
    outcome = plain(name, **options)
    truth = dome_truth({"tips": TIPS, "heels": HEELS}[name])
    pixel = float(np.sqrt(np.prod(PIXEL)))

    assert row(outcome).estimate.value == pytest.approx(truth.dome_height_um, abs=0.2 * pixel)
    radius = row(outcome, "crown_radius").estimate.value
    assert radius == pytest.approx(truth.crown_radius_um, rel=0.005)
    chord = row(outcome, "base_chord", "all").estimate
    assert abs(chord.value - truth.base_chord_um) < 3 * chord.standard_uncertainty + 0.3 * pixel
    for feature in ("crown", "left limb", "right limb"):
        thickness = row(outcome, "sheet_thickness", feature).estimate.value
        assert thickness == pytest.approx(45.0, abs=0.08 * pixel)


def test_the_contact_is_told_by_kind() -> None:
    assert plain("tips").facts["base"] == "tip, tip"
    assert plain("heels").facts["base"] == "heel, heel"
    assert plain("heels", support=True).facts["base"] == "support"


def test_intervals_hold_the_truth_about_as_often_as_they_say() -> None:
    truth = dome_truth(TIPS).dome_height_um
    pulls = []
    for seed in range(16):
        shift = np.random.default_rng(seed).uniform(0, 1, 2)
        apex = (310 + shift[0], 60 + shift[1])
        estimate = row(seen(TIPS, replace(SCENE, apex_px=apex, noise=0.02), seed)).estimate
        own = [c.u for c in estimate.components if c.name != "scale"]
        pulls.append((estimate.value - truth) / np.sqrt(np.sum(np.square(own))))
    assert np.mean(np.abs(pulls) < 2) > 0.75
    assert np.std(pulls) > 0.2, "an uncertainty far too wide says nothing"


def test_twice_the_pixel_size_is_twice_the_height() -> None:
    scene = replace(SCENE, noise=0.0)
    pixels = render_dome(TIPS, scene, np.random.default_rng(1))
    once = measure_dome(micrograph(pixels, scene), DomeSettings(), {})
    doubled = replace(scene, um_per_px=(2 * PIXEL[0], 2 * PIXEL[1]))
    twice = measure_dome(micrograph(pixels, doubled), DomeSettings(), {})
    assert row(twice).estimate.value == pytest.approx(2 * row(once).estimate.value, rel=1e-6)


def test_mirrored_image_mirrors_the_asymmetry() -> None:
    pixels = render_dome(TIPS, SCENE, np.random.default_rng(1))
    one = measure_dome(micrograph(pixels, SCENE), DomeSettings(), {})
    other = measure_dome(micrograph(pixels[:, ::-1].copy(), SCENE), DomeSettings(), {})
    a, b = (row(o, "dome_asymmetry").estimate for o in (one, other))
    assert a.value == pytest.approx(dome_truth(TIPS).dome_asymmetry_um, abs=1.0)
    assert abs(a.value) > 1.5
    assert a.value == pytest.approx(-b.value, abs=1.0)


def test_more_noise_widens_the_uncertainty() -> None:
    quiet, loud = (seen(HEELS, replace(SCENE, noise=noise)) for noise in (0.002, 0.03))

    def fit(outcome: Outcome) -> float:
        return next(c.u for c in row(outcome).estimate.components if c.name == "crown fit")

    assert fit(loud) > 3 * fit(quiet)


def test_unknown_scale_uncertainty_leaves_the_height_without_one() -> None:
    pixels = render_dome(TIPS, SCENE, np.random.default_rng(1))
    image = as_micrograph(
        pixels, um_per_px=PIXEL, calibration=Calibration(schema=1, id="", um_per_px=PIXEL)
    )
    assert row(measure_dome(image, DomeSettings(), {})).estimate.standard_uncertainty is None


def test_region_and_window_give_marks_in_whole_image_coordinates() -> None:
    pixels = render_dome(TIPS, SCENE, np.random.default_rng(1))
    wide = np.full((440, 800), pixels[0, 0], dtype=pixels.dtype)
    wide[70:410, 130:750] = pixels
    whole = measure_dome(micrograph(pixels, SCENE), DomeSettings(), {})
    part = measure_dome(micrograph(wide, SCENE, region=(130, 70, 749, 409)), DomeSettings(), {})
    assert row(part).estimate.value == pytest.approx(row(whole).estimate.value, abs=1e-6)
    crown = [next(m for m in o.marks if m.label == "crown").points_px[0] for o in (whole, part)]
    assert crown[1] - crown[0] == pytest.approx([130, 70], abs=1e-6)


def test_dust_and_highlights_do_not_move_the_height() -> None:
    truth = dome_truth(TIPS).dome_height_um
    for seed in range(3):
        pixels = render_dome(TIPS, SCENE, np.random.default_rng(seed), clutter=True)
        height = row(measure_dome(micrograph(pixels, SCENE), DomeSettings(), {})).estimate.value
        assert height == pytest.approx(truth, abs=0.3 * PIXEL[1])


def test_a_speck_on_the_crown_does_not_raise_it() -> None:
    pixels = render_dome(HEELS, replace(SCENE, tilt_deg=0), np.random.default_rng(3))
    pixels[48:62, 300:309] = 15
    height = row(measure_dome(micrograph(pixels, SCENE), DomeSettings(), {})).estimate.value
    assert height == pytest.approx(dome_truth(HEELS).dome_height_um, abs=0.3 * PIXEL[1])


def test_stated_crown_arc_is_kept() -> None:
    pixels = render_dome(HEELS, SCENE, np.random.default_rng(3))
    outcome = measure_dome(micrograph(pixels, SCENE), DomeSettings(crown_arc_deg=16.0), {})
    assert outcome.facts["crown_arc_deg"] == pytest.approx(16.0, abs=0.5)


def test_profile_is_given_in_the_frame_of_the_base_line() -> None:
    outcome = plain("heels")
    outer = next(t for t in outcome.traces if t.name == "outer surface").columns
    assert outer["height_um"].max() == pytest.approx(row(outcome).estimate.value, abs=1.0)
    assert {t.name for t in outcome.traces} == {"outer surface", "inner surface"}


def test_saturated_back_light_is_flagged() -> None:
    flags = row(seen(TIPS, replace(SCENE, bright=1.2))).flags
    assert "saturated" in flags
    assert set(flags) <= set(REGISTRY)


def test_sixteen_bits_agree_with_eight() -> None:
    eight, sixteen = (
        row(seen(TIPS, replace(SCENE, bits=bits, noise=0.002))).estimate.value for bits in (8, 16)
    )
    assert eight == pytest.approx(sixteen, abs=0.05 * PIXEL[0])


@pytest.mark.parametrize(
    ("pixels", "reason"),
    [
        (np.full((200, 300), 90, np.uint8), "one grey value"),
        (np.random.default_rng(0).integers(0, 255, (200, 300)).astype(np.uint8), "differs|outline"),
        (np.zeros((10, 40), np.uint8), "at least 16"),
    ],
)
def test_images_without_a_part_say_so(pixels: np.ndarray, reason: str) -> None:
    with pytest.raises(MeasurementError, match=reason):
        measure_dome(micrograph(pixels, SCENE), DomeSettings(), {})


def test_a_foot_that_hangs_above_the_support_is_named() -> None:
    pixels = render_dome(TIPS, replace(SCENE, support=True), np.random.default_rng(1))
    bottom = int(np.flatnonzero(pixels[:, 5] < 100)[0])
    # The right half of the support is cut away from under the right foot and put back lower.
    pixels[bottom - 60 : bottom + 3, 480:] = pixels[0, 0]
    with pytest.raises(MeasurementError, match="right foot"):
        measure_dome(micrograph(pixels, SCENE), DomeSettings(), {})


def measured(outcome: Outcome, **record: str) -> Measured:
    return Measured(
        record=ImageRecord(image="x.tif", **record), quantity="dome_height",
        settings=DomeSettings(), outcome=outcome,
    )  # fmt: skip


def test_travel_counts_the_shared_scale_once() -> None:
    flat = replace(HEELS, crown_radius_um=1700.0, left_deg=16.5, right_deg=16.5)
    free, pressed = seen(HEELS, SCENE), seen(flat, SCENE)
    rows = derive_travel(
        [
            measured(free, specimen="1", revision="K", state="free"),
            measured(pressed, specimen="1", revision="K", state="pressed"),
            measured(free, specimen="2", revision="K", state="free"),
        ]
    )
    assert len(rows) == 1, "a specimen without its pressed image has no travel"
    travel = rows[0].measurement.estimate
    true = dome_truth(HEELS).dome_height_um - dome_truth(flat).dome_height_um
    assert travel.value == pytest.approx(true, abs=0.4 * PIXEL[1])
    scale = [c for c in travel.components if c.shared == "scale:bench"]
    assert len(scale) == 1
    assert scale[0].u == pytest.approx(travel.value * 0.001 / PIXEL[1], rel=0.1)
    assert (rows[0].record.specimen, rows[0].record.state) == ("1", "")


def test_radial_distortion_of_the_calibration_is_undone() -> None:
    import cv2

    from micromeasure.calibration.file import Distortion

    straight = render_dome(HEELS, SCENE, np.random.default_rng(6)).astype(np.float32)
    rows, cols = straight.shape
    centre, k1 = (cols / 2, rows / 2), 6e-8
    x, y = np.meshgrid(np.arange(cols), np.arange(rows))
    r2 = (x - centre[0]) ** 2 + (y - centre[1]) ** 2
    # Each pixel of the seen image shows the ideal place (1 + k1 r²) times as far out.
    seen_image = cv2.remap(
        straight,
        (centre[0] + (x - centre[0]) * (1 + k1 * r2)).astype(np.float32),
        (centre[1] + (y - centre[1]) * (1 + k1 * r2)).astype(np.float32),
        cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    pixels = np.rint(seen_image).astype(np.uint8)
    truth = dome_truth(HEELS)
    corrected, plain_scale = (
        Calibration(schema=1, id="bench", um_per_px=PIXEL, u_um_per_px=(0.001, 0.001), distortion=d)
        for d in (Distortion(centre_px=centre, k1_per_px2=k1), None)
    )
    chords = [
        row(
            measure_dome(as_micrograph(pixels, um_per_px=PIXEL, calibration=c), DomeSettings(), {}),
            "base_chord", "all",
        ).estimate.value
        for c in (corrected, plain_scale)
    ]  # fmt: skip
    assert chords[0] == pytest.approx(truth.base_chord_um, abs=PIXEL[0] / 2)
    assert abs(chords[1] - truth.base_chord_um) > PIXEL[0]


def test_base_line_drawn_from_foot_to_foot_takes_the_place_of_the_found_one():
    pixels = render_dome(HEELS, SCENE, np.random.default_rng(5))
    image = micrograph(pixels, SCENE)
    found = measure_dome(image, DomeSettings(), {})
    feet = [m.points_px[0] for m in found.marks if m.label in ("left foot", "right foot")]
    drawn = np.array(feet) + np.array([0.0, 4.0])
    lower = measure_dome(image, DomeSettings(base_line=tuple(drawn.ravel())), {})
    # Four pixels down, nearly along y.
    gained = row(lower).estimate.value - row(found).estimate.value
    assert gained == pytest.approx(4 * PIXEL[1], abs=0.05)
    assert row(lower).estimate.standard_uncertainty > row(found).estimate.standard_uncertainty
    swapped = measure_dome(image, DomeSettings(base_line=tuple(drawn[::-1].ravel())), {})
    assert row(swapped).estimate.value == row(lower).estimate.value


def test_a_foot_out_of_the_image_is_named() -> None:
    pixels = render_dome(TIPS, replace(SCENE, apex_px=(420, 60)), np.random.default_rng(1))
    with pytest.raises(MeasurementError, match="right foot: not found; the part runs out"):
        measure_dome(micrograph(pixels, SCENE), DomeSettings(), {})


def test_light_that_falls_to_half_across_the_image_is_taken_out() -> None:
    pixels = render_dome(TIPS, SCENE, np.random.default_rng(1))
    light = np.linspace(0.5, 1.2, pixels.shape[1])
    uneven = np.clip(pixels * light, 0, 255).astype(np.uint8)
    height = row(measure_dome(micrograph(uneven, SCENE), DomeSettings(), {})).estimate.value
    assert height == pytest.approx(dome_truth(TIPS).dome_height_um, abs=0.2 * PIXEL[1])


@pytest.mark.parametrize("name", ["tips", "heels"])
def test_the_chord_is_found_though_a_support_hides_the_contacts(name: str) -> None:
    dome = {"tips": TIPS, "heels": HEELS}[name]
    chord = row(seen(dome, replace(SCENE, support=True)), "base_chord", "all").estimate
    error = chord.value - dome_truth(dome).base_chord_um
    assert abs(error) < 0.5 * PIXEL[0]
    assert abs(error) < 4 * chord.standard_uncertainty < 2.0 * PIXEL[0]


def test_a_part_cut_off_beside_its_support_is_refused_by_name() -> None:
    scene = replace(SCENE, support=True, apex_px=(248, 60))
    with pytest.raises(MeasurementError, match=r"left foot: .*runs out of the image"):
        seen(TIPS, scene)


def test_a_burr_at_a_contact_is_flagged() -> None:
    scene = SCENE
    pixels = render_dome(TIPS, scene, np.random.default_rng(5)).copy()
    clean = measure_dome(micrograph(pixels, scene), DomeSettings(), {})
    foot = next(m.points_px[0] for m in clean.marks if m.label == "left foot")
    x, y = np.rint(foot).astype(int)
    pixels[y - 2 : y + 4, x - 2 : x + 2] = pixels.min()
    burred = measure_dome(micrograph(pixels, scene), DomeSettings(), {})
    assert "contact-irregular" not in row(clean).flags
    assert "contact-irregular" in row(burred).flags


def test_quantities_of_one_image_share_its_outline() -> None:
    image = micrograph(render_dome(TIPS, SCENE, np.random.default_rng(5)), SCENE)
    first = measure_dome(image, DomeSettings(), {})
    kept = dict(image.shared)
    again = measure_dome(image, DomeSettings(), {})
    narrow = measure_dome(image, DomeSettings(crown_arc_deg=20), {})
    assert row(first).estimate == row(again).estimate
    assert all(image.shared[key] is value for key, value in kept.items())
    assert row(narrow, "crown_radius").estimate != row(first, "crown_radius").estimate
    assert replace(image).shared == {}
