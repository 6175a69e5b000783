"""Optical density as a whole: truth, invariances, flags, limits."""

import dataclasses
import math

import numpy as np
import pytest

from micromeasure.errors import MeasurementError
from micromeasure.quantities.optical_density import (
    DensitySettings,
    measure_optical_density,
    measure_transmittance,
)
from micromeasure.reference.transmission import Camera, patchy_film, with_dust

SHAPE = (96, 160)
CLEAN = DensitySettings(lamp_drift_rel=0.0, glare_rel=0.0)


def mean_of(outcome, feature="film"):
    return next(m for m in outcome.measurements if m.feature == feature and m.statistic == "mean")


def names(estimate):
    return {component.name for component in estimate.components}


@pytest.mark.parametrize("density", [0.05, 0.8, 1.5, 2.5])
def test_a_clean_film_is_right_within_its_own_uncertainty(desk, density):
    row = mean_of(measure_optical_density(desk.frame(10.0**-density), CLEAN, desk.companions()))
    u = row.estimate.standard_uncertainty
    assert abs(row.estimate.value - density) < 4 * u
    assert u < (0.0005 if density <= 1.5 else 0.005)
    assert row.flags == ()
    assert row.n == SHAPE[0] * SHAPE[1]


def test_stated_intervals_hold_the_truth_as_often_as_they_say(make_desk, beside_strip):
    held, errors = 0, []
    for seed in range(120):
        desk = make_desk(seed=seed, glare=0.02, pattern_seed=seed)
        frames = desk.companions(exposure=0.5, opaque=beside_strip(0.0))
        film = desk.frame(beside_strip(10.0**-1.2), lamp=1.04 if seed % 2 else 0.97)
        low, high = mean_of(
            measure_optical_density(film, DensitySettings(), frames)
        ).estimate.interval_95
        held += low <= 1.2 <= high
        errors.append((low + high) / 2 - 1.2)
    # 95 % of 120 with three standard deviations of chance to either side.
    assert 107 <= held <= 120
    assert np.quantile(np.abs(errors), 0.95) < 0.002
    assert abs(np.mean(errors)) < 3.5 * np.std(errors) / math.sqrt(120)


def test_without_lamp_and_glare_declared_the_interval_widens_but_the_value_stays(desk):
    film, frames = desk.frame(10.0**-0.8), desk.companions()
    declared = mean_of(measure_optical_density(film, CLEAN, frames)).estimate
    silent = mean_of(measure_optical_density(film, DensitySettings(), frames)).estimate
    assert silent.value == declared.value
    assert silent.standard_uncertainty > 20 * declared.standard_uncertainty
    assert {"glare", "lamp", "lamp, open light"} <= names(silent)


@pytest.mark.parametrize("density", [0.3, 1.2, 2.2])
def test_uncorrected_glare_and_drift_stay_inside_the_interval(density, make_desk):
    desk = make_desk(glare=0.025)
    film = desk.frame(10.0**-density, lamp=0.96)
    row = mean_of(measure_optical_density(film, DensitySettings(), desk.companions()))
    low, high = row.estimate.interval_95
    assert low < density < high


def test_the_bare_strip_shows_the_lamp_and_an_unknown_exposure(desk, beside_strip):
    film = desk.frame(beside_strip(10.0**-0.8), lamp=0.95, known=False)
    frames = desk.companions(exposure=0.5)
    outcome = measure_optical_density(
        film,
        dataclasses.replace(CLEAN, regions={"film": (60, 0, 159, 95), "open": (0, 0, 39, 95)}),
        frames,
    )
    row = mean_of(outcome)
    assert outcome.facts["films"]["film"]["lamp_ratio"] == pytest.approx(1.9, abs=0.002)
    assert row.estimate.value == pytest.approx(0.8, abs=0.001)
    assert row.flags == ("exposure-mismatch",)


def test_exposure_times_are_used_where_they_differ(desk):
    film, frames = desk.frame(10.0**-0.8), desk.companions(exposure=0.25)
    row = mean_of(measure_optical_density(film, CLEAN, frames))
    assert row.estimate.value == pytest.approx(0.8, abs=0.001)
    assert "exposure-mismatch" in row.flags


def test_exposure_from_the_manifest_beats_the_file(desk):
    film = desk.frame(10.0**-0.8, extra={"exposure_s": "0.02"})
    row = mean_of(measure_optical_density(film, CLEAN, desk.companions()))
    assert row.estimate.value == pytest.approx(0.8 + math.log10(2.0), abs=0.001)


def test_an_exposure_that_is_no_number_is_named(desk):
    film = desk.frame(10.0**-0.8, extra={"exposure_s": "auto"})
    with pytest.raises(MeasurementError, match="exposure_s in the manifest is 'auto'"):
        measure_optical_density(film, CLEAN, desk.companions())


def test_an_opaque_frame_alone_stands_in_for_the_dark_frame(make_desk):
    desk = make_desk(glare=0.03)
    frames = desk.companions(opaque=0.0, dark=False)
    row = mean_of(measure_optical_density(desk.frame(10.0**-1.5), CLEAN, frames))
    assert row.estimate.value == pytest.approx(1.5, abs=0.002)


def test_what_an_opaque_frame_alone_leaves_open_is_stated(make_desk, beside_strip):
    desk = make_desk(glare=0.03)
    frames = desk.companions(opaque=beside_strip(0.0), dark=False)
    film = desk.frame(beside_strip(10.0**-1.5), lamp=0.95)
    estimate = mean_of(measure_optical_density(film, CLEAN, frames)).estimate
    low, high = estimate.interval_95
    assert "dark level or glare" in names(estimate)
    assert low < 1.5 < high


def test_light_through_the_stop_is_refused(desk, beside_strip):
    frames = desk.companions(opaque=beside_strip(0.0, strip_px=130))
    with pytest.raises(MeasurementError, match="light passes the opaque frame"):
        measure_optical_density(desk.frame(10.0**-0.8), CLEAN, frames)


def test_frames_the_wrong_way_round_are_refused(desk):
    frames = desk.companions()
    swapped = {"open_light": frames["dark"], "dark": frames["open_light"]}
    with pytest.raises(MeasurementError, match="not brighter than the dark frame"):
        measure_optical_density(desk.frame(10.0**-0.8), CLEAN, swapped)


def test_frames_of_another_size_are_refused(desk, make_desk):
    small = make_desk(shape=(80, 160))
    with pytest.raises(MeasurementError, match="does not cover the part that is measured"):
        measure_optical_density(desk.frame(10.0**-0.8), CLEAN, small.companions())


def test_neither_open_light_nor_bare_area_is_refused(desk):
    with pytest.raises(MeasurementError, match="neither an open-light frame nor a bare area"):
        measure_optical_density(desk.frame(10.0**-0.8), CLEAN, {})


def test_a_bare_area_alone_will_do_under_even_light(make_desk, beside_strip):
    desk = make_desk(falloff=0.0, slope=0.0)
    frames = {"dark": (desk.frame(0.0, lamp=0.0),)}
    outcome = measure_optical_density(desk.frame(beside_strip(10.0**-0.8)), CLEAN, frames)
    assert mean_of(outcome).estimate.value == pytest.approx(0.8, abs=0.002)


def test_without_open_light_uneven_light_is_paid_for(make_desk, beside_strip):
    desk = make_desk(falloff=0.25, slope=0.1)
    frames = {"dark": (desk.frame(0.0, lamp=0.0),)}
    outcome = measure_optical_density(desk.frame(beside_strip(10.0**-0.8)), CLEAN, frames)
    estimate = mean_of(outcome).estimate
    low, high = estimate.interval_95
    assert low < 0.8 < high
    assert "uneven light" in names(estimate)


@pytest.mark.parametrize("flip", [np.fliplr, np.flipud, np.transpose])
def test_turning_the_picture_changes_nothing(desk, flip, beside_strip):
    film, frames = desk.frame(beside_strip(10.0**-0.8)), desk.companions()

    def turned(frame):
        return dataclasses.replace(frame, pixels=np.ascontiguousarray(flip(frame.pixels)))

    straight = mean_of(measure_optical_density(film, CLEAN, frames)).estimate
    other = mean_of(
        measure_optical_density(
            turned(film), CLEAN, {k: tuple(turned(f) for f in v) for k, v in frames.items()}
        )
    ).estimate
    assert other.value == pytest.approx(straight.value, abs=3e-5)


def test_a_window_of_a_large_image_gives_what_the_whole_image_gives(desk):
    film, frames = desk.frame(10.0**-0.8), desk.companions()
    region = (40, 24, 139, 83)
    settings = dataclasses.replace(CLEAN, region=region)
    whole = mean_of(measure_optical_density(film, settings, frames)).estimate
    window = dataclasses.replace(film, pixels=film.pixels[24:84, 40:140], origin_px=(40, 24))
    part = measure_optical_density(window, settings, frames)
    assert mean_of(part).estimate.value == whole.value
    outline = part.marks[0].points_px
    assert 40 <= np.nanmin(outline[:, 0]) < np.nanmax(outline[:, 0]) <= 140
    assert 24 <= np.nanmin(outline[:, 1]) < np.nanmax(outline[:, 1]) <= 84


def test_more_noise_widens_the_interval(make_desk):
    quiet, loud = (
        mean_of(
            measure_optical_density(desk.frame(10.0**-0.8), CLEAN, desk.companions())
        ).estimate.standard_uncertainty
        for desk in (make_desk(), make_desk(camera=Camera(full_well_e=2000.0, read_noise_e=15.0)))
    )
    assert loud > 2 * quiet


def test_regions_are_measured_under_their_names(desk):
    scene = np.ones(SHAPE)
    scene[:, :60], scene[:, 100:] = 10.0**-0.3, 10.0**-0.9
    regions = {"K": (0, 0, 51, 95), "open": (68, 0, 91, 95), "M": (108, 0, 159, 95)}
    outcome = measure_optical_density(
        desk.frame(scene, lamp=1.03), dataclasses.replace(CLEAN, regions=regions), desk.companions()
    )
    assert mean_of(outcome, "K").estimate.value == pytest.approx(0.3, abs=0.001)
    assert mean_of(outcome, "M").estimate.value == pytest.approx(0.9, abs=0.001)
    assert {mark.label for mark in outcome.marks if mark.role == "region"} == {"K", "M", "open"}


def test_a_region_outside_the_image_is_named(desk):
    settings = dataclasses.replace(CLEAN, regions={"K": (200, 0, 300, 90)})
    with pytest.raises(MeasurementError, match="region 'K' has less than"):
        measure_optical_density(desk.frame(0.5), settings, desk.companions())


def test_regions_without_a_film_are_refused():
    with pytest.raises(ValueError, match="names only 'open'"):
        DensitySettings(regions={"open": (0, 0, 9, 9)})


def test_patchiness_is_that_of_the_film_not_of_the_camera(make_desk):
    desk = make_desk(shape=(240, 320))
    film = patchy_film((240, 320), 0.8, desk.rng, sd_rel=0.03, grain_px=10.0)
    even = np.full((240, 320), 10.0**-0.8)
    frames = desk.companions()
    found = [
        measure_optical_density(desk.frame(scene), CLEAN, frames).measurements[1].estimate
        for scene in (film, even)
    ]
    assert found[0].value == pytest.approx(float(np.std(-np.log10(film))), rel=0.08)
    assert found[1].value < 0.1 * found[0].value


def test_mean_of_densities_and_density_of_the_mean_differ_as_jensen_says(make_desk):
    desk = make_desk(shape=(240, 320))
    film = patchy_film((240, 320), 1.2, desk.rng, sd_rel=0.08, grain_px=14.0)
    frames, seen = desk.companions(), desk.frame(film)
    settings = dataclasses.replace(CLEAN, mask_defects=False)
    by_light = mean_of(measure_optical_density(seen, settings, frames)).estimate.value
    by_density = mean_of(
        measure_optical_density(seen, dataclasses.replace(settings, average="density"), frames)
    ).estimate.value
    assert by_light == pytest.approx(-math.log10(film.mean()), abs=0.001)
    assert by_density == pytest.approx(float((-np.log10(film)).mean()), abs=0.001)
    assert by_density > by_light + 0.005


def test_dust_and_scratches_are_left_out_and_shown(make_desk):
    desk = make_desk(shape=(240, 320))
    film = np.full((240, 320), 10.0**-0.8)
    dusty = with_dust(film, desk.rng, specks=12, scratches=2)
    frames, seen = desk.companions(), desk.frame(dusty)
    masked = measure_optical_density(seen, CLEAN, frames)
    plain = measure_optical_density(seen, dataclasses.replace(CLEAN, mask_defects=False), frames)
    assert mean_of(masked).estimate.value == pytest.approx(0.8, abs=0.0003)
    assert mean_of(plain).estimate.value > 0.801
    assert any(mark.role == "excluded" for mark in masked.marks)
    assert "left out" in names(mean_of(masked).estimate)


def test_a_film_found_by_itself_is_the_film(desk, beside_strip):
    outcome = measure_optical_density(
        desk.frame(beside_strip(10.0**-0.4)), CLEAN, desk.companions()
    )
    assert outcome.facts["has_bare_area"]
    assert mean_of(outcome).estimate.value == pytest.approx(0.4, abs=0.0005)
    film = next(mark for mark in outcome.marks if mark.label == "film")
    assert np.nanmin(film.points_px[:, 0]) >= 48


def test_a_thin_film_filling_the_frame_is_no_bare_area(desk):
    outcome = measure_optical_density(desk.frame(10.0**-0.02), CLEAN, desk.companions())
    assert not outcome.facts["has_bare_area"]
    assert mean_of(outcome).estimate.value == pytest.approx(0.02, abs=0.0005)


def test_several_open_light_frames_are_averaged(desk):
    film = desk.frame(10.0**-0.3)
    one = mean_of(measure_optical_density(film, CLEAN, desk.companions())).estimate
    many = mean_of(measure_optical_density(film, CLEAN, desk.companions(opens=6))).estimate
    assert abs(many.value - 0.3) < 4 * many.standard_uncertainty
    assert many.standard_uncertainty < one.standard_uncertainty


@pytest.mark.parametrize(("fill", "due"), [(1.1, True), (0.92, False)])
def test_clipped_open_light_is_flagged_and_its_uncertainty_unknown(fill, due, make_desk):
    desk = make_desk(fill=fill)
    row = mean_of(measure_optical_density(desk.frame(10.0**-0.5), CLEAN, desk.companions()))
    assert ("saturated" in row.flags) == due
    assert (row.estimate.components is None) == due


@pytest.mark.parametrize("top", [4095, 3900])
def test_clipping_below_the_end_of_a_16_bit_word_is_seen(desk, top, make_desk):
    def clipped(frame):
        pixels = np.minimum(frame.pixels, top)
        return dataclasses.replace(
            frame, pixels=pixels, header=dataclasses.replace(frame.header, bits=16)
        )

    bright = make_desk(fill=1.02)
    frames = {k: tuple(clipped(f) for f in v) for k, v in bright.companions().items()}
    row = mean_of(measure_optical_density(clipped(bright.frame(0.3)), CLEAN, frames))
    assert "saturated" in row.flags


def test_hardly_any_light_is_underexposed(make_desk):
    desk = make_desk(fill=0.01)
    row = mean_of(measure_optical_density(desk.frame(10.0**-0.5), CLEAN, desk.companions()))
    assert "underexposed" in row.flags


def test_a_film_that_lets_nothing_through_is_a_lower_limit(desk):
    row = mean_of(measure_optical_density(desk.frame(0.0), CLEAN, desk.companions()))
    assert row.estimate.value is None
    assert 3.0 < row.estimate.low_limit < 5.0
    assert {"lower-limit", "underexposed"} <= set(row.flags)


def test_transmittance_of_the_same_film_is_a_number(desk):
    outcome = measure_transmittance(desk.frame(0.0), CLEAN, desk.companions())
    estimate = outcome.measurements[0].estimate
    assert abs(estimate.value) < 4 * estimate.standard_uncertainty


def test_a_response_nobody_stated_is_flagged_and_its_uncertainty_unknown(make_desk):
    desk = make_desk(transfer=None)
    row = mean_of(measure_optical_density(desk.frame(10.0**-0.5), CLEAN, desk.companions()))
    assert "response-unknown" in row.flags
    assert row.estimate.components is None
    stated = dataclasses.replace(CLEAN, transfer="linear")
    row = mean_of(measure_optical_density(desk.frame(10.0**-0.5), stated, desk.companions()))
    assert row.flags == ()


def test_glare_that_dominates_is_flagged(make_desk):
    desk = make_desk(glare=0.03)
    frames = desk.companions(opaque=0.0)
    row = mean_of(measure_optical_density(desk.frame(10.0**-2.2), CLEAN, frames))
    assert "glare-dominated" in row.flags
    assert row.estimate.value == pytest.approx(2.2, abs=0.02)


def test_an_exposure_known_on_one_side_only_leaves_the_uncertainty_unknown(desk):
    film = desk.frame(10.0**-0.8, known=False)
    row = mean_of(measure_optical_density(film, CLEAN, desk.companions()))
    assert row.flags == ("exposure-mismatch",)
    assert row.estimate.components is None


@pytest.mark.parametrize("exposure", [0.4, 2.5])
def test_a_bare_strip_makes_up_for_an_exposure_that_is_not_known(make_desk, beside_strip, exposure):
    desk = make_desk(fill=0.35)
    film = desk.frame(beside_strip(10.0**-0.8), known=False)
    outcome = measure_optical_density(film, CLEAN, desk.companions(exposure=exposure))
    row = mean_of(outcome)
    assert row.estimate.value == pytest.approx(0.8, abs=0.002)
    assert row.flags == ("exposure-mismatch",)
    assert row.estimate.components is not None


def test_a_bare_strip_brighter_than_the_open_light_betrays_another_exposure(desk, beside_strip):
    film = desk.frame(beside_strip(10.0**-0.8), known=False)
    frames = desk.companions(exposure=0.5)
    frames["open_light"] = tuple(
        dataclasses.replace(f, header=dataclasses.replace(f.header, exposure_s=None))
        for f in frames["open_light"]
    )
    row = mean_of(measure_optical_density(film, CLEAN, frames))
    assert row.estimate.value == pytest.approx(0.8, abs=0.002)
    assert row.flags == ("exposure-mismatch",)


def test_structure_as_fine_as_pixels_is_not_taken_for_noise(make_desk):
    desk = make_desk(blur_px=0.0)
    film = 10.0**-0.5 * (1.0 + 0.06 * desk.rng.standard_normal(SHAPE))
    seen = desk.frame(film)
    lone, pair = (
        measure_optical_density(seen, CLEAN, desk.companions(opens=opens)) for opens in (1, 2)
    )
    assert lone.facts["films"]["film"]["photon_transfer"] == 0.0
    assert pair.facts["films"]["film"]["photon_transfer"] == 1.0
    assert mean_of(pair).estimate.standard_uncertainty < 0.4 * (
        mean_of(lone).estimate.standard_uncertainty
    )
    assert mean_of(pair).estimate.value == pytest.approx(-math.log10(film.mean()), abs=0.0004)
    # Cells of 4 x 4 pixels keep a quarter of the structure's standard deviation.
    sd = pair.measurements[1].estimate.value
    assert sd == pytest.approx(0.06 / 4.0 / math.log(10.0), rel=0.1)


@pytest.mark.parametrize("lamp", [0.95, 1.05])
def test_glare_and_a_drifting_lamp_are_no_mismatch_of_exposures(make_desk, beside_strip, lamp):
    desk = make_desk(glare=0.03, fill=0.8)
    frames = desk.companions(opaque=beside_strip(0.0), dark=False)
    film = desk.frame(beside_strip(10.0**-0.5), lamp=lamp)
    assert mean_of(measure_optical_density(film, CLEAN, frames)).flags == ()
