"""Whole outlines: size, and deviation after laying one over the other."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage

from micromeasure.calibration.file import Calibration
from micromeasure.micrograph.image import ImageRecord
from micromeasure.quantities.declare import Measured
from micromeasure.quantities.outline import OutlineSettings, derive_deviation, measure_outline
from micromeasure.reference.render import as_micrograph
from micromeasure.reference.side_view import Dome, Leg, Scene, render_dome
from micromeasure.run.plain import outcome_from_text, outcome_text
from micromeasure.sideview.register import curve_through, lay_over, size_of

PIXEL = (2.5, 2.6)
LEG = Leg(limb_um=160, foot_um=140, turn_deg=-45, inner_radius_um=30)
DOME = Dome(
    crown_radius_um=900.0, left_deg=28.0, right_deg=30.0, thickness_um=45.0, left=LEG, right=LEG
)
SCENE = Scene(size_px=(620, 340), um_per_px=PIXEL, apex_px=(310, 60), noise=0.006)
CALIBRATION = Calibration(schema=1, id="bench", um_per_px=PIXEL, u_um_per_px=(0.001, 0.001))


def image(dome: Dome, seed: int, **record: str):
    rng = np.random.default_rng(seed)
    scene = replace(
        SCENE,
        tilt_deg=rng.uniform(-2, 2),
        apex_px=(310 + rng.uniform(-8, 8), 60 + rng.uniform(0, 8)),
    )
    return as_micrograph(
        render_dome(dome, scene, rng), um_per_px=PIXEL, calibration=CALIBRATION,
        record=ImageRecord(image=f"{seed}.tif", **record),
    )  # fmt: skip


def study(*domes: tuple[Dome, str, str]) -> list[Measured]:
    found = []
    for seed, (dome, revision, specimen) in enumerate(domes):
        micrograph = image(dome, seed, revision=revision, specimen=specimen, view="side")
        outcome = measure_outline(micrograph, OutlineSettings(), {})
        # Through the ledger and back, as derivations get it.
        kept = outcome_from_text(outcome_text(outcome))
        found.append(
            Measured(
                record=micrograph.record, quantity="outline_deviation",
                settings=OutlineSettings(), outcome=kept,
            )
        )  # fmt: skip
    return found


def statistics(rows, revision: str, specimen: str) -> dict[str, float]:
    return {
        r.measurement.statistic: r.measurement.estimate.value
        for r in rows
        if (r.record.revision, r.record.specimen) == (revision, specimen)
    }


def test_size_of_a_dome_agrees_with_its_geometry() -> None:
    points, _ = DOME.outline_um()
    true = size_of(points)
    rows = measure_outline(image(DOME, 1), OutlineSettings(), {}).measurements
    for row in rows:
        expected = {
            "outline_area": true.area_um2, "outline_perimeter": true.perimeter_um,
            "feret_max": true.feret_max_um, "feret_min": true.feret_min_um,
        }[row.quantity]  # fmt: skip
        assert row.estimate.value == pytest.approx(expected, rel=0.008)
        assert abs(row.estimate.value - expected) < 3 * row.estimate.standard_uncertainty


def test_identical_parts_deviate_by_noise_alone() -> None:
    rows = derive_deviation(study((DOME, "K", "1"), (DOME, "K", "2"), (DOME, "M", "1")))
    assert statistics(rows, "M", "1")["rms"] < 0.05 * PIXEL[0]
    assert statistics(rows, "K", "1")["rms"] < 0.05 * PIXEL[0]


def test_a_changed_crown_is_found_with_its_size_and_drawn_larger() -> None:
    # One leg 13 um longer moves its foot by as much.
    other = replace(DOME, right=replace(LEG, foot_um=153))
    rows = derive_deviation(study((DOME, "K", "1"), (DOME, "K", "2"), (other, "M", "1")))
    found = statistics(rows, "M", "1")
    assert found["max"] == pytest.approx(13, abs=2.5)
    drawing = next(r.drawing for r in rows if r.record.revision == "M" and r.drawing)
    assert "times larger" in drawing.caption
    assert len(drawing.lines) == 2


def test_one_part_of_the_reference_revision_has_nothing_to_be_compared_with() -> None:
    rows = derive_deviation(study((DOME, "K", "1"), (DOME, "M", "1")))
    assert {r.record.revision for r in rows} == {"M"}


def test_a_reference_image_is_compared_with_directly() -> None:
    outcome = measure_outline(
        image(DOME, 1), OutlineSettings(), {"reference_image": (image(DOME, 2),)}
    )
    rms = next(m for m in outcome.measurements if m.statistic == "rms")
    assert rms.estimate.value < 0.05 * PIXEL[0]
    assert any("deviation x" in mark.label for mark in outcome.marks)
    assert outcome.traces[0].name == "deviation"


@pytest.mark.parametrize("turn", [0.0, 40.0, 180.0])
def test_registration_undoes_a_turn_and_a_shift(turn: float) -> None:
    points, _ = DOME.outline_um()
    points = points[::4]
    a = np.radians(turn)
    rotation = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    laid = lay_over(
        curve_through(points @ rotation.T + [50.0, -20.0]), curve_through(points), any_turn=True
    )
    assert np.nanmax(np.abs(laid.deviation_um)) < 0.5
    assert (laid.turn_deg + turn + 180) % 360 - 180 == pytest.approx(0, abs=0.05)


def test_registration_never_scales() -> None:
    angle = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    ellipse = np.column_stack([300 * np.cos(angle), 200 * np.sin(angle)])
    laid = lay_over(curve_through(1.01 * ellipse), curve_through(ellipse))
    assert np.nanmax(laid.deviation_um) == pytest.approx(3.0, abs=0.1)
    assert np.nanmin(laid.deviation_um) == pytest.approx(2.0, abs=0.1)


def test_area_and_diameters_of_an_ellipse_are_those_of_its_formula() -> None:
    half_long, half_short, fine = 90.3, 52.6, 6
    y, x = (np.mgrid[: 150 * fine, : 230 * fine] + 0.5) / fine - 0.5
    inside = ((x - 114.2) / half_long) ** 2 + ((y - 74.7) / half_short) ** 2 < 1
    cover = inside.reshape(150, fine, 230, fine).mean(axis=(1, 3))
    blurred = ndimage.gaussian_filter(cover, 1.4)
    noise = 0.004 * np.random.default_rng(2).standard_normal(cover.shape)
    pixels = np.rint(65535 * (0.8 - 0.7 * blurred + noise)).astype(np.uint16)
    outcome = measure_outline(as_micrograph(pixels, um_per_px=(2.0, 2.1)), OutlineSettings(), {})
    found = {m.quantity: m.estimate for m in outcome.measurements}
    area = math.pi * half_long * half_short * 2.0 * 2.1
    # Without what blur draws in, some 30 um2 would be missing.
    assert found["outline_area"].value == pytest.approx(area, abs=10)
    assert found["feret_max"].value == pytest.approx(2 * half_long * 2.0, abs=0.5)
    assert found["feret_min"].value == pytest.approx(2 * half_short * 2.1, abs=0.5)
