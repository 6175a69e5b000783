import math
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from micromeasure.calibration.file import SCHEMA, Calibration, Light
from micromeasure.calibration.geometry import Distortion
from micromeasure.errors import MeasurementError
from micromeasure.flags import REGISTRY
from micromeasure.micrograph.image import ImageRecord, Micrograph
from micromeasure.outcome import Outcome
from micromeasure.quantities.film_thickness import FilmThicknessSettings, measure_thickness
from micromeasure.reference.film import Delamination, FilmSection, render_film
from micromeasure.reference.render import as_micrograph

SCALE = (0.5, 0.46)
TILT = ImageRecord(image="film.tif", section_tilt_deg=0.0, u_section_tilt_deg=0.0)
ONE = FilmThicknessSettings(layers=("film",))


def section(**changes: Any) -> FilmSection:
    base = FilmSection(
        shape=(240, 330), um_per_px=SCALE, thickness_um=(14.0,), levels=(0.3, 0.7, 0.25),
        direction_deg=25.0, blur_um=0.6, noise_sd=0.01, bits=12,
    )  # fmt: skip
    return replace(base, **changes)


def render(film_section: FilmSection, seed: int = 1, **changes: Any) -> Micrograph:
    film = render_film(film_section, np.random.default_rng(seed))
    scale = film_section.um_per_px
    calibration = Calibration(
        schema=SCHEMA, id="rendered", um_per_px=scale, u_um_per_px=(0.0, 0.0), **changes
    )
    return as_micrograph(
        film.pixels, um_per_px=scale, bits=film_section.bits, calibration=calibration, record=TILT
    )


def number(outcome: Outcome, statistic: str = "mean", feature: str = "film") -> tuple[float, float]:
    found = next(
        m for m in outcome.measurements if (m.feature, m.statistic) == (feature, statistic)
    )
    assert found.estimate.value is not None
    return found.estimate.value, found.estimate.standard_uncertainty or math.nan


@settings(max_examples=12, deadline=None)
@given(direction=st.floats(0.0, 180.0), thickness=st.floats(4.0, 30.0), seed=st.integers(0, 99))
def test_any_direction_under_unequal_scales(direction: float, thickness: float, seed: int) -> None:
    film = section(direction_deg=direction, thickness_um=(thickness,))
    value, u = number(measure_thickness(render(film, seed), ONE, {}))
    assert abs(value - thickness) < 5.0 * u
    assert u < 0.02


@settings(max_examples=8, deadline=None)
@given(direction=st.floats(3.0, 87.0), seed=st.integers(0, 99))
def test_turning_and_mirroring_the_image_change_nothing(direction: float, seed: int) -> None:
    image = render(section(direction_deg=direction), seed)
    value, u = number(measure_thickness(image, ONE, {}))
    swapped = replace(image.calibration, um_per_px=SCALE[::-1])
    turned = replace(image, pixels=np.ascontiguousarray(image.pixels.T), calibration=swapped)
    mirrored = replace(image, pixels=np.ascontiguousarray(image.pixels[:, ::-1]))
    for other in (turned, mirrored):
        assert number(measure_thickness(other, ONE, {}))[0] == pytest.approx(value, abs=0.5 * u)


def test_twice_the_pixel_size_is_twice_the_thickness() -> None:
    image = render(section())
    doubled = replace(image.calibration, um_per_px=(2 * SCALE[0], 2 * SCALE[1]))
    value, u = number(measure_thickness(image, ONE, {}))
    value2, u2 = number(measure_thickness(replace(image, calibration=doubled), ONE, {}))
    assert value2 == pytest.approx(2 * value, rel=1e-9)
    assert u2 == pytest.approx(2 * u, rel=1e-9)


def test_noise_widens_the_uncertainty() -> None:
    u = [number(measure_thickness(render(section(noise_sd=s)), ONE, {}))[1] for s in (0.005, 0.05)]
    assert u[1] == pytest.approx(10.0 * u[0], rel=0.3)


def test_layers_are_named_from_top_to_bottom() -> None:
    stack = section(
        thickness_um=(8.0, 20.0), levels=(0.2, 0.7, 0.35, 0.8), direction_deg=5.0, noise_sd=0.005
    )
    layers = FilmThicknessSettings(layers=("coating", "base"))
    outcome = measure_thickness(render(stack), layers, {})
    for name, true in (("coating", 8.0), ("base", 20.0)):
        value, u = number(outcome, feature=name)
        assert abs(value - true) < 5.0 * u
    assert {t.name for t in outcome.traces} == {"coating", "base"}


def test_tilt_shortens_by_its_cosine_and_adds_its_uncertainty() -> None:
    image = render(section(tilt_deg=12.0))
    record = replace(TILT, section_tilt_deg=12.0, u_section_tilt_deg=1.0)
    outcome = measure_thickness(replace(image, record=record), ONE, {})
    value, u = number(outcome)
    assert value == pytest.approx(14.0, abs=0.03)
    # d(cos)/cos = tan(12 deg) x 1 deg
    assert u == pytest.approx(14.0 * math.tan(math.radians(12)) * math.radians(1), rel=0.05)
    untold = measure_thickness(replace(image, record=ImageRecord(image="film.tif")), ONE, {})
    assert number(untold)[0] == pytest.approx(14.0 / math.cos(math.radians(12)), abs=0.03)
    assert "section tilt" not in {c.name for c in untold.measurements[0].estimate.components}


def test_the_optics_edge_offset_is_taken_off_a_dark_film() -> None:
    dark = section(levels=(0.8, 0.3, 0.75), edge_offset_um=0.2)
    plain = number(measure_thickness(render(dark), ONE, {}))[0]
    assert plain == pytest.approx(14.4, abs=0.03)
    told = render(dark, edge_offset_um=0.2, u_edge_offset_um=0.05)
    value, u = number(measure_thickness(told, ONE, {}))
    assert value == pytest.approx(14.0, abs=0.03)
    assert u == pytest.approx(0.1, rel=0.05)
    bright = render(section(edge_offset_um=0.2), edge_offset_um=0.2, u_edge_offset_um=0.05)
    assert number(measure_thickness(bright, ONE, {}))[0] == pytest.approx(14.0, abs=0.03)


def test_an_unknown_scale_uncertainty_makes_an_unknown_uncertainty() -> None:
    image = render(section())
    unknown = replace(image.calibration, u_um_per_px=None)
    outcome = measure_thickness(replace(image, calibration=unknown), ONE, {})
    assert all(m.estimate.standard_uncertainty is None for m in outcome.measurements)


def test_dust_and_a_gap_are_left_out() -> None:
    gap = Delamination(start=-0.5, end=0.0, gap_um=6.0, level=0.95)
    spoilt = section(shape=(360, 480), direction_deg=8.0, delamination=gap, dust=12, oversample=2)
    outcome = measure_thickness(render(spoilt, 4), ONE, {})
    value, u = number(outcome)
    assert abs(value - 14.0) < max(5.0 * u, 0.05)
    assert 0.5 < outcome.facts["film"]["share_used"] < 0.9
    assert any(mark.role == "excluded" for mark in outcome.marks)


def test_a_region_keeps_its_place_in_the_whole_image() -> None:
    image = render(section())
    whole = measure_thickness(image, ONE, {})
    region = FilmThicknessSettings(layers=("film",), region=(60.0, 20.0, 300.0, 220.0))
    part = measure_thickness(image, region, {})
    assert number(part)[0] == pytest.approx(number(whole)[0], abs=0.05)
    ends = part.traces[0].columns
    assert ends["x_px"].min() >= 60.0
    direct = np.interp(
        ends["x_px"], whole.traces[0].columns["x_px"], whole.traces[0].columns["y_px"]
    )
    assert np.max(np.abs(direct - ends["y_px"])) < 0.5


def test_a_very_long_film_is_measured_on_every_second_profile() -> None:
    long = section(shape=(110, 2800), direction_deg=0.4, thickness_um=(14.0,))
    outcome = measure_thickness(render(long), ONE, {})
    value, u = number(outcome)
    assert abs(value - 14.0) < 5.0 * u
    assert outcome.measurements[0].n == pytest.approx(1400, abs=10)
    assert outcome.facts["film"]["length_um"] == pytest.approx(2800 * SCALE[0], rel=0.01)


def test_colour_and_eight_bits() -> None:
    grey = render(section(bits=8))
    colour = replace(grey, pixels=np.repeat(grey.pixels[:, :, None], 3, axis=2))
    value, u = number(measure_thickness(grey, ONE, {}))
    assert number(measure_thickness(colour, ONE, {}))[0] == pytest.approx(value, abs=0.2 * u)


def test_the_half_way_level_is_that_of_light() -> None:
    linear = render(section(noise_sd=0.002, bits=16, levels=(0.9, 0.05, 0.9), blur_um=1.2))
    encoded = np.rint(65535.0 * (linear.pixels / 65535.0) ** (1 / 2.2)).astype(np.uint16)
    told = replace(linear.calibration, light=Light(transfer=2.2))
    gamma = replace(linear, pixels=encoded, calibration=told)
    assert number(measure_thickness(gamma, ONE, {}))[0] == pytest.approx(14.0, abs=0.02)
    assert number(measure_thickness(replace(linear, pixels=encoded), ONE, {}))[0] < 13.5


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"levels": (0.5, 0.5, 0.5)}, "No direction prevails"),
        ({"levels": (0.3, 0.3, 0.7)}, "Found 1 edge along"),
        ({"thickness_um": (14.0, 14.0), "levels": (0.2, 0.7, 0.2, 0.7)}, "Found 3 edges"),
    ],
)
def test_what_is_no_film_is_a_failure(changes: dict[str, Any], sentence: str) -> None:
    with pytest.raises(MeasurementError, match=sentence):
        measure_thickness(render(section(**changes)), ONE, {})


def test_flags_are_set_and_known() -> None:
    light = Light(numerical_aperture=0.45, wavelength_nm=550)
    blurred = render(section(blur_um=2.5, thickness_um=(30.0,)), light=light)
    thin = render(section(thickness_um=(1.4,), noise_sd=0.003))
    bright = render(section(levels=(0.3, 1.2, 0.25)))
    for image, flag in (
        (blurred, "out-of-focus"),
        (thin, "resolution-limited"),
        (bright, "saturated"),
    ):
        flags = measure_thickness(image, ONE, {}).measurements[0].flags
        assert flag in flags
        assert set(flags) <= set(REGISTRY)


def test_distortion_in_the_calibration_is_taken_out() -> None:
    straight = render(section(shape=(400, 520), offset_um=60.0, thickness_um=(40.0,)))
    rows, cols = straight.pixels.shape
    bent = Distortion(k1_per_px2=4e-7, centre_px=((cols - 1) / 2, (rows - 1) / 2))
    x, y = np.meshgrid(np.arange(cols, dtype=float), np.arange(rows, dtype=float))
    ideal = bent.undistorted(np.stack([x, y], axis=-1)).astype(np.float32)
    source = straight.pixels.astype(np.float32)
    seen = cv2.remap(source, ideal, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    image = replace(straight, pixels=np.rint(seen).astype(np.uint16))
    corrected = replace(image.calibration, distortion=bent, image_size_px=(cols, rows))
    value, _ = number(measure_thickness(replace(image, calibration=corrected), ONE, {}))
    plain, _ = number(measure_thickness(image, ONE, {}))
    assert value == pytest.approx(40.0, abs=0.05)
    assert plain < 40.0 - 0.2
