"""Domes in focus stacks and height maps of known shape."""

from dataclasses import replace

import numpy as np
import pytest

from micromeasure.calibration.file import Calibration
from micromeasure.errors import MeasurementError
from micromeasure.heightmap.focus import map_focus
from micromeasure.micrograph.image import ImageRecord
from micromeasure.quantities.dome import DomeSettings, measure_dome
from micromeasure.reference.focus_stack import (
    CapScene,
    cap_heights_um,
    focus_slices,
    height_map_um,
)
from micromeasure.reference.render import as_micrograph

SCENE = CapScene(contrast=0.1)
CALIBRATION = Calibration(
    schema=1, id="bench", um_per_px=SCENE.um_per_px, u_um_per_px=(0.001, 0.001)
)


def stack(scene: CapScene, seed: int = 1, **extra: str):
    slices = list(focus_slices(scene, np.random.default_rng(seed)))
    micrograph = as_micrograph(
        slices[len(slices) // 2], um_per_px=scene.um_per_px, calibration=CALIBRATION,
        record=ImageRecord(image="s.tif", extra={"z_step_um": str(scene.z_step_um), **extra}),
    )  # fmt: skip
    return replace(micrograph, slices=lambda: iter(slices))


def height_map(scene: CapScene, **extra: str):
    z = height_map_um(scene, np.random.default_rng(2), 1.0) / 2
    return as_micrograph(
        z, um_per_px=scene.um_per_px, bits=32, calibration=CALIBRATION,
        record=ImageRecord(image="z.tif", extra={"z_um_per_unit": "2"} | extra),
    )  # fmt: skip


def height_of(micrograph):
    outcome = measure_dome(micrograph, DomeSettings(), {})
    by_name = {m.quantity: m.estimate for m in outcome.measurements}
    return by_name[None], by_name["crown_radius"], outcome


@pytest.mark.parametrize("tilt", [(0.0, 0.0), (0.03, -0.02)])
def test_focus_stack_height_within_a_fraction_of_the_step(tilt: tuple[float, float]) -> None:
    scene = replace(SCENE, tilt=tilt)
    height, radius, outcome = height_of(stack(scene, u_z_step_um="0.02"))
    assert height.value == pytest.approx(scene.height_um, abs=0.1 * scene.z_step_um)
    assert radius.value == pytest.approx(scene.crown_radius_um, rel=0.02)
    assert height.standard_uncertainty < 0.1 * scene.z_step_um
    assert outcome.facts["source"] == "focus stack, 15 slices"


def test_heights_of_blocks_come_to_a_fraction_of_the_step() -> None:
    focus = map_focus(focus_slices(SCENE, np.random.default_rng(3)))
    z = focus.slice_number * SCENE.z_step_um + SCENE.first_z_um
    rows, cols, b = *z.shape, focus.block_px
    true = cap_heights_um(SCENE)[: rows * b, : cols * b].reshape(rows, b, cols, b).mean((1, 3))
    error = (z - true)[np.isfinite(z)] / SCENE.z_step_um
    assert np.percentile(np.abs(error), 90) < 0.2
    assert abs(np.median(error)) < 0.02


def test_a_blank_stack_has_no_heights() -> None:
    rng = np.random.default_rng(0)
    blank = [rng.integers(100, 104, (90, 120)).astype(np.uint8) for _ in range(9)]
    focus = map_focus(blank)
    assert np.isnan(focus.slice_number).mean() > 0.9


@pytest.mark.parametrize(
    ("slices", "reason"),
    [
        ([np.zeros((60, 80), np.uint8)] * 3, "3 slices; at least 5"),
        ([np.zeros((60, 80), np.uint8), np.zeros((61, 80), np.uint8)], "slice 2 is 80 x 61 px"),
        ([np.zeros((6, 80), np.uint8)] * 9, "at least 16 px"),
    ],
)
def test_stacks_that_are_none_say_so(slices: list, reason: str) -> None:
    with pytest.raises(MeasurementError, match=reason):
        map_focus(slices)


def test_eight_and_sixteen_bits_give_one_map() -> None:
    eight = [np.round(s) for s in focus_slices(SCENE, np.random.default_rng(3))]
    one = map_focus([s.astype(np.uint8) for s in eight])
    two = map_focus([s.astype(np.uint16) * 256 for s in eight])
    assert np.nanmax(np.abs(one.slice_number - two.slice_number)) < 1e-3


def test_slices_are_taken_one_by_one() -> None:
    alive = []

    def slices():
        for image in focus_slices(SCENE, np.random.default_rng(3)):
            alive.append(1)
            yield image
            assert len(alive) <= SCENE.n_slices

    assert map_focus(slices()).n_slices == SCENE.n_slices


def test_ready_height_map_and_its_scale() -> None:
    height, radius, _ = height_of(height_map(SCENE, u_z_um_per_unit="0.002"))
    assert height.value == pytest.approx(SCENE.height_um, abs=0.15)
    assert radius.value == pytest.approx(SCENE.crown_radius_um, rel=0.002)
    scale = next(c for c in height.components if c.name == "z scale")
    assert scale.u == pytest.approx(height.value * 0.001)


def test_unknown_z_scale_uncertainty_is_unknown() -> None:
    height, _, _ = height_of(height_map(SCENE))
    assert height.standard_uncertainty is None


@pytest.mark.parametrize("text", ["zero", "0", "nan"])
def test_a_z_scale_that_is_no_number_says_so(text: str) -> None:
    with pytest.raises(MeasurementError, match="z_um_per_unit"):
        measure_dome(height_map(SCENE, z_um_per_unit=text), DomeSettings(), {})


def test_a_hollow_is_no_dome() -> None:
    image = height_map(SCENE)
    with pytest.raises(MeasurementError, match="crown"):
        measure_dome(replace(image, pixels=-image.pixels), DomeSettings(), {})
