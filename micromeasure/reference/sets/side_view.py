"""Reference set of side views: sprung domes on their feet, free or on a support."""

import math
from collections.abc import Iterator

import numpy as np

from micromeasure.calibration.file import SCHEMA, Calibration
from micromeasure.reference.side_view import Dome, DomeTruth, Leg, Scene, dome_truth, render_dome
from micromeasure.reference.trial import Conditions, Promise, Trial, TrialSet, Truth

_SIZE_PX = (820, 400)


def _trials(n: int, conditions: Conditions, rng: np.random.Generator) -> Iterator[Trial]:
    for _ in range(n):
        pixel = conditions.um_per_px or float(rng.uniform(1.0, 4.0))
        dome = _dome(pixel, rng)
        scene = Scene(
            size_px=_SIZE_PX,
            um_per_px=(pixel, pixel * float(rng.uniform(0.97, 1.03))),
            apex_px=(410.0 + rng.uniform(-15.0, 15.0), rng.uniform(80.0, 120.0)),
            tilt_deg=float(rng.uniform(-2.0, 2.0)),
            support=bool(rng.random() < 0.5),
            blur_px=conditions.blur_px or float(rng.uniform(0.8, 2.0)),
            uneven=float(rng.uniform(0.0, 0.25)),
            noise=conditions.noise or float(rng.uniform(0.003, 0.012)),
            bits=int(rng.choice([8, 12])),
        )
        yield Trial(
            condition="back-lit",
            pixels=render_dome(dome, scene, rng),
            truths=_truths(dome_truth(dome), pixel),
            um_per_px=scene.um_per_px,
            manifest={"state": "free"},
        )


def _dome(pixel: float, rng: np.random.Generator) -> Dome:
    thickness = float(rng.uniform(9.0, 18.0)) * pixel
    half_deg = float(rng.uniform(14.0, 28.0))
    heel = bool(rng.random() < 0.5)
    reach = float(rng.uniform(150.0, 190.0)) if heel else float(rng.uniform(200.0, 240.0))
    turn = half_deg + float(rng.uniform(15.0, 40.0)) if heel else -float(rng.uniform(30.0, 60.0))
    leg = Leg(
        limb_um=float(rng.uniform(3.5, 5.5)) * thickness,
        foot_um=float(rng.uniform(3.0, 4.5)) * thickness,
        turn_deg=turn,
        inner_radius_um=float(rng.uniform(0.6, 1.6)) * thickness,
        tip_radius_um=0.3 * thickness,
    )
    return Dome(
        crown_radius_um=reach * pixel / math.sin(math.radians(half_deg)),
        left_deg=half_deg,
        right_deg=half_deg,
        thickness_um=thickness,
        left=leg,
        right=leg,
    )


def _truths(truth: DomeTruth, pixel: float) -> tuple[Truth, ...]:
    rows = (
        ("dome_height", "crown", "value", truth.dome_height_um, pixel),
        ("crown_radius", "crown", "value", truth.crown_radius_um, truth.crown_radius_um / 100.0),
        ("sheet_thickness", "crown", "mean", truth.thickness_um, pixel),
    )
    return tuple(
        Truth(quantity=quantity, feature=feature, statistic=statistic, value=value, step=step)
        for quantity, feature, statistic, value, step in rows
    )


def _calibration(um_per_px: tuple[float, float], shape: tuple[int, int]) -> Calibration:
    rows, cols = shape
    return Calibration(
        schema=SCHEMA,
        id=f"reference-{um_per_px[0]:.6f}-{um_per_px[1]:.6f}",
        um_per_px=um_per_px,
        u_um_per_px=(0.0, 0.0),
        image_size_px=(cols, rows),
    )


SETS = (
    TrialSet(
        name="side-view",
        measure={"quantity": "dome_height"},
        trials=_trials,
        calibration=_calibration,
        promises=(
            Promise(
                quantity="dome_height", statistic="value", condition="back-lit", step_name="px",
                bias=0.05, p95=0.3,
            ),
            Promise(
                quantity="crown_radius", statistic="value", condition="back-lit", step_name="%",
                bias=0.1, p95=0.5,
            ),
            Promise(
                quantity="sheet_thickness", statistic="mean", condition="back-lit",
                step_name="px", bias=0.1, p95=0.5,
            ),
        ),
        short=60,
    ),
)  # fmt: skip
