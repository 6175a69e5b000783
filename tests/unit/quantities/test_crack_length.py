from dataclasses import replace

import numpy as np
import pytest

from micromeasure.calibration.file import Calibration
from micromeasure.errors import MeasurementError
from micromeasure.fields import parse
from micromeasure.flags import REGISTRY
from micromeasure.micrograph.image import Header, ImageRecord, Micrograph
from micromeasure.quantities import quantities
from micromeasure.quantities.crack_length import CrackSettings, measure_crack_length, window
from micromeasure.reference.fold_view import CrackPlan, FoldConditions, render_fold_view

UM_PER_PX = (0.78, 0.8)
CRACK = CrackPlan(length_px=120.0, width_px=2.5, cnr=8.0, angle_to_fold_deg=12.0, offset_px=40.0)
CLEAN = FoldConditions(
    size_px=(640, 420), band_px=150.0, lay_scratches=0, stray_scratches=0, pits=0, stain=0.0,
    texture=0.015, fold_dark=0.12,
)  # fmt: skip


def view_of(*cracks, seed=5, **conditions):
    return render_fold_view(
        np.random.default_rng(seed), replace(CLEAN, cracks=cracks, **conditions)
    )


def micrograph_of(view, **record):
    rows, cols = view.pixels.shape
    return Micrograph(
        pixels=view.pixels,
        calibration=Calibration(
            schema=1, id="t", um_per_px=UM_PER_PX, u_um_per_px=(0.0004, 0.0004)
        ),
        record=ImageRecord(image="fold.tif", **record),
        header=Header(
            format="TIFF", width_px=cols, height_px=rows, channels=1,
            dtype=view.pixels.dtype.name, bits=view.conditions.bits,
        ),
    )  # fmt: skip


def measure(view, settings=None, **record):
    record = {"fold": view.fold_px, **record}
    settings = settings or CrackSettings(band_um=110.0)
    return measure_crack_length(micrograph_of(view, **record), settings, {})


def test_a_clear_crack_is_found_measured_and_summed_up():
    view = view_of(CRACK)
    outcome = measure(view)
    (found,) = outcome.indications
    true_um = view.cracks[0].length_um(UM_PER_PX)
    low, high = found.length.interval_95
    assert found.length.value == pytest.approx(true_um, rel=0.06)
    assert low < true_um < high
    assert found.score > 0.5
    assert found.fold == "fold"
    values = {m.quantity: m.estimate.value for m in outcome.measurements}
    assert values == {
        "candidate_count": 1.0,
        "candidate_length_total": pytest.approx(found.length.value),
        "candidate_length_max": pytest.approx(found.length.value),
    }
    assert outcome.caption.startswith("1 candidate crack indication")


def test_without_a_crack_there_is_none_and_the_caption_says_it_may_be_missed():
    outcome = measure(view_of())
    assert outcome.indications == ()
    assert [m.estimate.value for m in outcome.measurements] == [0.0, 0.0, 0.0]
    assert "may have been missed" in outcome.caption


def test_the_folds_own_dark_line_is_no_indication():
    assert measure(view_of(fold_dark=0.3, fold_dark_px=2.5, fold_wander_px=0.3)).indications == ()


def test_the_edge_of_the_part_and_a_long_shadow_are_no_indications():
    view = view_of(part_edge=True, shadow=0.4, seed=8)
    assert measure(view, CrackSettings(band_um=150.0)).indications == ()


def test_scratches_along_the_lay_across_the_band_are_no_indications():
    lengths = []
    for seed in range(6, 11):
        view = view_of(lay_scratches=3, scratch_depth=0.12, seed=seed, streak_px=80.0, texture=0.03)
        lengths += [item.length.value for item in measure(view).indications]
    # Fifteen scratches across a band of 220 um: a short stretch of one may look like a crack.
    assert len(lengths) <= 1
    assert all(length < 60 for length in lengths)


def test_nothing_outside_the_band_is_reported():
    view = view_of(CRACK)
    assert measure(view, CrackSettings(band_um=12.0)).indications == ()
    outcome = measure(view, CrackSettings(band_um=35.0))
    (x0, y0, x1, y1) = view.fold_px
    along = np.array(((x1 - x0) * UM_PER_PX[0], (y1 - y0) * UM_PER_PX[1]))
    along /= np.hypot(*along)
    for item in outcome.indications:
        across = (item.centreline_px - (x0, y0)) * UM_PER_PX @ np.array((-along[1], along[0]))
        assert np.abs(across).max() < 36.0


def test_short_ones_are_left_out():
    view = view_of(CRACK)
    assert len(measure(view).indications) == 1
    assert measure(view, CrackSettings(band_um=110.0, min_length_um=150.0)).indications == ()


def test_turning_and_mirroring_the_image_changes_little():
    view = view_of(CRACK)
    one = measure(view)
    cols = view.pixels.shape[1]
    x0, y0, x1, y1 = view.fold_px
    mirrored = replace(
        view, pixels=np.ascontiguousarray(view.pixels[:, ::-1]),
        fold_px=(cols - 1 - x0, y0, cols - 1 - x1, y1),
    )  # fmt: skip
    two = measure(mirrored)
    first, second = one.indications[0].length.value, two.indications[0].length.value
    assert second == pytest.approx(first, rel=0.02)


def test_stored_type_and_colour_change_little():
    view = view_of(CRACK)
    true = measure(view).indications[0].length.value
    real = replace(view, pixels=(view.pixels / np.float32(255)).astype(np.float32))
    wide = replace(view, pixels=view.pixels.astype(np.uint16) * 200)
    colour = replace(view, pixels=np.repeat(view.pixels[:, :, None], 3, axis=2))
    for other in (real, wide):
        assert measure(other).indications[0].length.value == pytest.approx(true, rel=0.02)
    grey = micrograph_of(view, fold=view.fold_px)
    found = measure_crack_length(
        replace(grey, pixels=colour.pixels), CrackSettings(band_um=110.0), {}
    )
    assert found.indications[0].length.value == pytest.approx(true, rel=0.01)


def test_two_named_folds_have_their_own_rows():
    view = view_of(CRACK)
    x0, y0, x1, y1 = view.fold_px
    folds = {"inner": view.fold_px, "outer": (x0, y0 + 130.0, x1, y1 + 130.0)}
    outcome = measure(view, CrackSettings(band_um=60.0, folds=folds), fold=None)
    features = [m.feature for m in outcome.measurements]
    assert features == ["inner"] * 3 + ["outer"] * 3
    assert {item.fold for item in outcome.indications} == {"inner"}


def test_the_fold_is_found_from_its_shading_and_that_is_flagged():
    view = view_of(CRACK, glare=0.0, fold_dark=0.3, fold_dark_px=10.0)
    outcome = measure(view, fold=None)
    found = np.array(outcome.facts["folds"]["fold"]).reshape(2, 2)
    ends = np.array(view.fold_px).reshape(2, 2)
    along = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
    off = (found - ends[0]) @ np.array((-along[1], along[0]))
    assert np.abs(off).max() < 6.0
    assert all("fold-found" in m.flags for m in outcome.measurements)
    assert len(outcome.indications) == 1


def test_no_fold_given_and_none_to_be_seen_is_a_failure_that_says_what_to_do():
    view = view_of(glare=0.0, fold_dark=0.0, texture=0.02, streak_px=2.0)
    with pytest.raises(MeasurementError, match="give it in the manifest's column 'fold'"):
        measure(view, fold=None)


def test_a_band_outside_the_image_is_a_failure():
    with pytest.raises(MeasurementError, match="lies outside the image"):
        measure(view_of(), CrackSettings(band_um=30.0), fold=(10.0, 900.0, 600.0, 900.0))


def test_doubts_are_flagged_with_known_words():
    view = view_of(CRACK)
    outcome = measure(view, CrackSettings(band_um=400.0))
    assert "band-cut" in outcome.measurements[0].flags
    bright = replace(view, pixels=np.minimum(view.pixels.astype(int) * 3, 255).astype(np.uint8))
    assert "saturated" in measure(bright).measurements[0].flags
    for flags in (outcome.measurements[0].flags, measure(bright).measurements[0].flags):
        assert set(flags) <= set(REGISTRY)


def test_the_window_holds_all_that_is_needed():
    view = view_of(CRACK, fold_angle_deg=1.0)
    whole = micrograph_of(view, fold=(200.0, 205.0, 430.0, 209.0))
    settings = CrackSettings(band_um=60.0)
    box = window(whole.record, settings, whole.header, whole.calibration)
    x0, y0, x1, y1 = (round(v) for v in box)
    assert (x1 - x0) * (y1 - y0) < 0.6 * view.pixels.size
    part = replace(whole, pixels=whole.pixels[y0 : y1 + 1, x0 : x1 + 1], origin_px=(x0, y0))
    one = measure_crack_length(whole, settings, {})
    two = measure_crack_length(part, settings, {})
    assert len(one.indications) == len(two.indications) > 0
    np.testing.assert_allclose(
        one.indications[0].centreline_px, two.indications[0].centreline_px, atol=1e-3
    )


def test_without_a_given_fold_the_whole_image_is_needed():
    whole = micrograph_of(view_of())
    assert window(whole.record, CrackSettings(), whole.header, whole.calibration) is None


def test_settings_say_what_is_wrong():
    problems = []
    given = {"fold": [1, 1, 9, 9], "folds": {"a": [1, 1, 9, 9]}}
    assert parse(CrackSettings, given, where="study.toml", problems=problems) is None
    assert problems == ["study.toml: both 'fold' and 'folds' are given; keep one of them."]
    problems.clear()
    parse(CrackSettings, {"folds": {"a": [1, 1, 1, 1]}}, where="study.toml", problems=problems)
    assert "two different points" in problems[0]


def test_the_quantity_is_registered():
    quantity = quantities()["crack_length"]
    assert quantity.settings is CrackSettings
    assert "confirmed_count" in quantity.accompanied_by
