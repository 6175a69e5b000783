"""Fold angle and inner radius in rendered side views."""

from dataclasses import replace

import numpy as np
import pytest

from micromeasure.estimate import Estimate
from micromeasure.quantities.fold import FoldSettings, measure_fold
from micromeasure.reference.render import as_micrograph
from micromeasure.reference.side_view import Dome, Leg, Scene, render_dome

PIXEL = (1.5, 1.6)
LEG = Leg(limb_um=130, foot_um=120, turn_deg=-50, inner_radius_um=25)
DOME = Dome(
    crown_radius_um=500.0, left_deg=28.0, right_deg=28.0, thickness_um=30.0,
    left=replace(LEG, turn_deg=-62), right=LEG,
)  # fmt: skip
SCENE = Scene(size_px=(620, 340), um_per_px=PIXEL, apex_px=(310, 60), noise=0.005, tilt_deg=1.0)


def seen(dome: Dome, scene: Scene = SCENE):
    pixels = render_dome(dome, scene, np.random.default_rng(4))
    return measure_fold(as_micrograph(pixels, um_per_px=PIXEL, bits=scene.bits), FoldSettings(), {})


def value(outcome, quantity: str | None, foot: str) -> Estimate:
    return next(
        m.estimate for m in outcome.measurements if (m.quantity, m.feature) == (quantity, foot)
    )


@pytest.mark.parametrize("scene", [SCENE, replace(SCENE, reflected=True, tilt_deg=-3)])
def test_angle_and_radius_of_each_foot(scene: Scene) -> None:
    outcome = seen(DOME, scene)
    for foot, leg in (("left foot", DOME.left), ("right foot", DOME.right)):
        angle, radius = value(outcome, None, foot), value(outcome, "fold_radius", foot)
        assert angle.value == pytest.approx(180 + leg.turn_deg, abs=0.2)
        assert abs(angle.value - 180 - leg.turn_deg) < 4 * angle.standard_uncertainty
        assert radius.value == pytest.approx(25, abs=4 * radius.standard_uncertainty)
        assert radius.standard_uncertainty < 3


def test_feet_turned_up_are_measured_on_a_support_too() -> None:
    up = replace(LEG, turn_deg=60)
    dome = replace(DOME, left=up, right=up)
    outcome = seen(dome, replace(SCENE, support=True, tilt_deg=0.5))
    for foot in ("left foot", "right foot"):
        assert value(outcome, None, foot).value == pytest.approx(120, abs=0.3)


def test_a_foot_without_a_fold_is_a_failure_and_the_other_is_measured() -> None:
    straight = Leg(limb_um=250, foot_um=1, turn_deg=-0.1, inner_radius_um=25)
    outcome = seen(replace(DOME, left=straight), replace(SCENE, tilt_deg=0))
    assert [f.feature for f in outcome.failures] == ["left foot"]
    assert "left foot" in outcome.failures[0].reason
    assert value(outcome, None, "right foot").value == pytest.approx(130, abs=0.3)


def test_different_scales_in_x_and_y_turn_the_angle_as_geometry_says() -> None:
    pixels = render_dome(DOME, replace(SCENE, tilt_deg=0), np.random.default_rng(4))
    wrong = measure_fold(as_micrograph(pixels, um_per_px=(1.5, 1.5)), FoldSettings(), {})
    right = measure_fold(as_micrograph(pixels, um_per_px=PIXEL), FoldSettings(), {})
    # Directions of limb and foot, 28° and 78° below the horizontal, each with its slope scaled.
    squeezed = [np.degrees(np.arctan(np.tan(np.radians(a)) * 1.5 / 1.6)) for a in (28, 78)]
    change = (squeezed[1] - squeezed[0]) - 50
    difference = value(wrong, None, "right foot").value - value(right, None, "right foot").value
    assert difference == pytest.approx(-change, abs=0.1)


def test_a_fold_hidden_on_one_surface_is_flagged_or_refused_by_foot() -> None:
    scene = replace(SCENE, tilt_deg=0)
    pixels = render_dome(DOME, scene, np.random.default_rng(4)).astype(int)
    whole = measure_fold(
        as_micrograph(pixels.astype(np.uint8), um_per_px=PIXEL), FoldSettings(), {}
    )
    fold = next(m for m in whole.marks if m.label.startswith("right foot"))
    x, y = fold.points_px[len(fold.points_px) // 2]
    grid_y, grid_x = np.mgrid[: pixels.shape[0], : pixels.shape[1]]
    speck = np.hypot(grid_x - x, grid_y - y) < 14
    spoilt = np.where(speck, pixels.min(), pixels).astype(np.uint8)
    outcome = measure_fold(as_micrograph(spoilt, um_per_px=PIXEL), FoldSettings(), {})
    angles = [m for m in outcome.measurements if m.quantity is None and m.feature == "right foot"]
    reasons = [f.reason for f in outcome.failures if f.feature == "right foot"]
    assert "one-surface" not in whole.measurements[0].flags
    assert (
        reasons
        or "one-surface" in angles[0].flags
        or (angles[0].estimate.value == pytest.approx(130, abs=1.0))
    )
