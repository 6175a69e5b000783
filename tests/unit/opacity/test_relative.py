"""Relative opacity, attenuation and contrast ratio."""

import dataclasses
import math

import numpy as np
import pytest

from micromeasure.errors import MeasurementError
from micromeasure.estimate import Component, Estimate
from micromeasure.micrograph.image import ImageRecord
from micromeasure.outcome import Measurement, Outcome
from micromeasure.quantities import derivations, quantities
from micromeasure.quantities.attenuation import attenuation_of, derive_attenuation
from micromeasure.quantities.contrast_ratio import (
    ContrastSettings,
    ReflectanceSettings,
    derive_contrast_ratio,
    measure_contrast_ratio,
    measure_reflectance,
)
from micromeasure.quantities.declare import Measured
from micromeasure.quantities.optical_density import DensitySettings
from micromeasure.quantities.relative_opacity import (
    RelativeOpacitySettings,
    derive_between_images,
    derive_relative_opacity,
    measure_relative_opacity,
)

SHAPE = (96, 160)
REGIONS = {"K": (0, 0, 51, 95), "open": (68, 0, 91, 95), "M": (108, 0, 159, 95)}


def pair_scene(k, m):
    scene = np.ones(SHAPE)
    scene[:, :60], scene[:, 100:] = 10.0**-k, 10.0**-m
    return scene


def estimate(value, u=0.01, unit="1", **more):
    return Estimate(value=value, unit=unit, components=(Component(name="noise", u=u, **more),))


def measured(quantity, revision, specimen, value, *, feature="film", settings=None, **extra):
    given = value if isinstance(value, Estimate) else estimate(value)
    row = Measurement(feature=feature, statistic="mean", estimate=given)
    return Measured(
        record=ImageRecord(
            image=f"{specimen}.tif", specimen=specimen, revision=revision, view="v", **extra
        ),
        quantity=quantity,
        settings=settings or DensitySettings(),
        outcome=Outcome(measurements=(row,)),
    )


def test_films_side_by_side_are_divided(desk):
    settings = RelativeOpacitySettings(regions=REGIONS, reference="K", glare_rel=0.0)
    outcome = measure_relative_opacity(
        desk.frame(pair_scene(0.5, 0.9), lamp=0.97), settings, desk.companions()
    )
    (row,) = [m for m in outcome.measurements if m.quantity is None]
    assert row.feature == "M"
    assert row.estimate.value == pytest.approx(1.8, rel=0.002)
    assert abs(row.estimate.value - 1.8) < 4 * row.estimate.standard_uncertainty
    beside = {m.feature for m in outcome.measurements if m.quantity == "optical_density"}
    assert beside == {"K", "M"}


def test_what_both_films_share_cancels(desk):
    # Without a bare area the lamp is unknown: alike films still compare far better than that.
    regions = {name: box for name, box in REGIONS.items() if name != "open"}
    settings = RelativeOpacitySettings(regions=regions, reference="K", glare_rel=0.0)
    outcome = measure_relative_opacity(
        desk.frame(pair_scene(0.8, 0.81)), settings, desk.companions()
    )
    relative = {
        (m.feature, m.quantity): m.estimate.standard_uncertainty / m.estimate.value
        for m in outcome.measurements
        if m.statistic in ("mean", "value")
    }
    assert relative["M", None] < 0.1 * relative["M", "optical_density"]


def test_a_film_beyond_the_camera_gives_a_lower_limit(desk):
    settings = RelativeOpacitySettings(regions=REGIONS, reference="K", glare_rel=0.0)
    outcome = measure_relative_opacity(
        desk.frame(pair_scene(0.5, 9.0)), settings, desk.companions()
    )
    row = outcome.measurements[0]
    assert row.estimate.value is None
    assert row.estimate.low_limit > 5.0
    assert "lower-limit" in row.flags


def test_a_reference_beyond_the_camera_is_refused(desk):
    settings = RelativeOpacitySettings(regions=REGIONS, reference="M", glare_rel=0.0)
    with pytest.raises(MeasurementError, match="reference film 'M' lets too little light through"):
        measure_relative_opacity(desk.frame(pair_scene(0.5, 9.0)), settings, desk.companions())


@pytest.mark.parametrize(
    ("given", "text"),
    [
        ({"regions": REGIONS, "reference": "L"}, "reference is 'L'; must be one of .*K, M"),
        ({"regions": {"K": REGIONS["K"]}, "reference": "K"}, "names one film"),
    ],
)
def test_settings_that_cannot_be_meant_are_refused(given, text):
    with pytest.raises(ValueError, match=text):
        RelativeOpacitySettings(**given)


def test_through_the_study_each_specimen_is_divided_by_the_reference_revision():
    items = [
        measured("optical_density", "K", "K1", 0.78),
        measured("optical_density", "K", "K2", 0.82),
        measured("optical_density", "M", "M1", 1.20),
        measured("optical_density", "M", "M1", 1.24),
    ]
    rows = {d.record.specimen: d.measurement for d in derive_relative_opacity(items)}
    assert rows["M1"].estimate.value == pytest.approx(1.22 / 0.80)
    assert rows["M1"].n == 2
    spread = [c for c in rows["M1"].estimate.components if c.name == "reference specimens"]
    # sd of 0.78 and 0.82 over root two is 0.02; relative to 0.80, times the ratio.
    assert abs(spread[0].u) == pytest.approx(0.02 / 0.80 * 1.22 / 0.80)
    assert spread[0].dof == 1


def test_the_reference_revision_may_be_named():
    settings = DensitySettings(reference="M")
    items = [
        measured("optical_density", "K", "K1", 0.8, settings=settings),
        measured("optical_density", "M", "M1", 1.0, settings=settings),
    ]
    rows = {d.record.specimen: d.measurement for d in derive_relative_opacity(items)}
    assert rows["K1"].estimate.value == pytest.approx(0.8)


def test_a_limit_stays_a_limit_through_the_study():
    limit = Estimate(value=None, unit="1", components=None, low_limit=3.2)
    items = [
        measured("optical_density", "K", "K1", 0.8),
        measured("optical_density", "M", "M1", limit),
    ]
    rows = {d.record.specimen: d.measurement for d in derive_relative_opacity(items)}
    assert rows["M1"].estimate.value is None
    assert rows["M1"].estimate.low_limit == pytest.approx(3.2 / (0.8 + 1.96 * 0.01), rel=1e-3)


def test_an_unknown_uncertainty_stays_unknown():
    unknown = Estimate(value=1.0, unit="1", components=None)
    items = [
        measured("optical_density", "K", "K1", 0.8),
        measured("optical_density", "M", "M1", unknown),
    ]
    rows = {d.record.specimen: d.measurement for d in derive_relative_opacity(items)}
    assert rows["M1"].estimate.components is None


def test_relative_opacity_without_regions_compares_images():
    row = Measurement(
        feature="film", statistic="mean", estimate=estimate(0.8), quantity="optical_density"
    )
    whole, beside = (
        RelativeOpacitySettings(),
        RelativeOpacitySettings(regions=REGIONS, reference="K"),
    )
    items = [
        dataclasses.replace(
            measured("relative_opacity", lot, f"{lot}1", 1.0, settings=settings),
            outcome=Outcome(measurements=(row,)),
        )
        for lot, settings in (("K", whole), ("M", whole), ("M", beside))
    ]
    assert [d.measurement.n for d in derive_between_images(items)] == [1, 1]


def test_attenuation_is_ln_10_density_over_thickness():
    found = attenuation_of(estimate(0.8, 0.008), estimate(25.0, 0.5, "um"))
    assert found.unit == "1/mm"
    assert found.value == pytest.approx(math.log(10) * 0.8 / 0.025)
    # 1 % of the density and 2 % of the thickness.
    assert found.standard_uncertainty / found.value == pytest.approx(math.hypot(0.01, 0.02))


def test_a_thicker_film_of_a_clearer_material_is_seen_as_such():
    items = [
        measured("optical_density", "K", "K1", 0.80),
        measured("optical_density", "M", "M1", 0.83),
        measured("film_thickness", "K", "K1", estimate(24.0, 0.2, "um"), feature="diaphragm"),
        measured("film_thickness", "M", "M1", estimate(26.1, 0.2, "um"), feature="diaphragm"),
    ]
    rows = {d.record.specimen: d.measurement.estimate.value for d in derive_attenuation(items)}
    assert rows["M1"] < rows["K1"]
    assert rows["K1"] == pytest.approx(76.75, abs=0.01)


def test_a_film_is_paired_with_the_layer_of_its_name():
    items = [
        measured("optical_density", "K", "K1", 0.8, feature="diaphragm"),
        measured("film_thickness", "K", "K1", estimate(24.0, 0.2, "um"), feature="diaphragm"),
        measured("film_thickness", "K", "K1", estimate(5.0, 0.2, "um"), feature="glue"),
        measured("optical_density", "M", "M1", 0.8),
    ]
    (only,) = derive_attenuation(items)
    assert only.measurement.estimate.value == pytest.approx(math.log(10) * 0.8 / 0.024)


def test_contrast_ratio_of_a_film_over_both_backings_in_one_image(desk):
    scene = np.full(SHAPE, 0.45)
    scene[:, 80:] = 0.27
    settings = ContrastSettings(
        regions={"white": (0, 0, 71, 95), "black": (88, 0, 159, 95)},
        lamp_drift_rel=0.05, glare_rel=0.0,
    )  # fmt: skip
    outcome = measure_contrast_ratio(desk.frame(scene, lamp=0.98), settings, desk.companions())
    (row,) = outcome.measurements
    # The lamp cancels: both backings are in one frame.
    assert row.estimate.value == pytest.approx(0.6, abs=0.001)
    assert row.estimate.standard_uncertainty < 0.001


def test_a_backing_that_is_missing_is_named():
    with pytest.raises(ValueError, match="regions has no 'black'"):
        ContrastSettings(regions={"white": (0, 0, 9, 9)})


def test_contrast_ratio_of_two_images_pairs_them_by_backing(desk):
    settings = ReflectanceSettings(
        lamp_drift_rel=0.001, glare_rel=0.0, tile_reflectance=0.9, u_tile_reflectance=0.01
    )
    frames = desk.companions()
    items = []
    for specimen, backing, reflectance in (
        ("K1", "black", 0.30), ("K1", "white", 0.40), ("M1", "white", 0.41),
    ):  # fmt: skip
        outcome = measure_reflectance(desk.frame(reflectance), settings, frames)
        items.append(
            Measured(
                record=ImageRecord(
                    image=f"{specimen}{backing}", specimen=specimen, extra={"backing": backing}
                ),
                quantity="reflectance",
                settings=settings,
                outcome=outcome,
            )
        )
    assert items[0].outcome.measurements[0].estimate.value == pytest.approx(0.27, abs=0.001)
    (row,) = derive_contrast_ratio(items)
    assert row.record.specimen == "K1"
    assert row.measurement.estimate.value == pytest.approx(0.75, abs=0.002)
    # The tile is common to both and leaves nothing behind: 1.1 % of 0.75 would be 0.008.
    assert row.measurement.estimate.standard_uncertainty < 0.002


def test_quantities_and_derivations_are_found_by_the_registry():
    assert {
        "optical_density", "transmittance", "relative_opacity", "reflectance", "contrast_ratio",
    } <= set(quantities())  # fmt: skip
    assert {"relative_opacity", "attenuation", "contrast_ratio"} <= set(derivations())
