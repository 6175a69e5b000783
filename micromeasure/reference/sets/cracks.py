"""Reference set of fold views: one clear crack each, or none."""

from collections.abc import Iterator

import numpy as np

from micromeasure.calibration.file import SCHEMA, Calibration
from micromeasure.reference.crack_paths import CrackPlan
from micromeasure.reference.fold_view import FoldConditions, render_fold_view
from micromeasure.reference.trial import Conditions, Promise, Trial, TrialSet, Truth

_SIZE_PX = (480, 360)
_BAND_PX = 110.0
_FOLD = "fold"


def _trials(n: int, conditions: Conditions, rng: np.random.Generator) -> Iterator[Trial]:
    for number in range(n):
        yield _trial(conditions, rng, cracked=number % 2 == 0)


def _trial(conditions: Conditions, rng: np.random.Generator, *, cracked: bool) -> Trial:
    pixel = conditions.um_per_px or 0.8
    scale = (pixel, pixel * 0.99)
    plan = CrackPlan(
        length_px=float(rng.uniform(60.0, 180.0)),
        width_px=float(rng.uniform(1.8, 3.0)),
        cnr=float(rng.uniform(5.0, 9.0)),
        angle_to_fold_deg=float(rng.normal(0.0, 15.0)),
        offset_px=float(rng.normal(0.0, 20.0)),
        jag_deg=float(rng.uniform(8.0, 20.0)),
    )
    view = render_fold_view(
        rng,
        FoldConditions(
            size_px=_SIZE_PX,
            band_px=0.6 * _BAND_PX,
            fold_angle_deg=float(rng.normal(0.0, 4.0)),
            lay_angle_deg=float(rng.uniform(60.0, 120.0)),
            texture=float(rng.uniform(0.01, 0.03)),
            blur_px=conditions.blur_px or float(rng.uniform(0.7, 1.3)),
            read_sd=conditions.noise or 0.003,
            cracks=(plan,) if cracked else (),
        ),
    )
    length = view.cracks[0].length_um(scale) if view.cracks else 0.0
    number = Truth(
        quantity="candidate_count", feature=_FOLD, statistic="value",
        value=float(len(view.cracks)), step=1.0,
    )  # fmt: skip
    longest = Truth(
        quantity="candidate_length_max", feature=_FOLD, statistic="value",
        value=length, step=max(length, 1.0) / 100.0,
    )  # fmt: skip
    return Trial(
        condition="one crack" if view.cracks else "no crack",
        pixels=view.pixels,
        truths=(longest,) if view.cracks else (number,),
        um_per_px=scale,
        manifest={"fold": " ".join(f"{v:.2f}" for v in view.fold_px)},
    )


def _calibration(um_per_px: tuple[float, float], shape: tuple[int, int]) -> Calibration:
    rows, cols = shape
    return Calibration(
        schema=SCHEMA,
        id="reference-folds",
        um_per_px=um_per_px,
        u_um_per_px=(0.0, 0.0),
        image_size_px=(cols, rows),
    )


SETS = (
    TrialSet(
        name="cracks",
        measure={"quantity": "crack_length", "band_um": 80.0, "min_length_um": 20.0},
        trials=_trials,
        calibration=_calibration,
        promises=(
            Promise(
                quantity="candidate_length_max", statistic="value", condition="one crack",
                step_name="%", bias=5.0, p95=30.0, coverage=0.8,
            ),
            Promise(
                quantity="candidate_count", statistic="value", condition="no crack",
                step_name="candidates", bias=0.2, p95=1.0, coverage=None,
            ),
        ),
        short=30,
    ),
)  # fmt: skip
