"""Verification of calibrations: a rendered stage micrometer of known scale, and what it gives."""

import datetime as dt
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from micromeasure.calibration.making import Request, make_calibration
from micromeasure.calibration.scale import Artefact
from micromeasure.calibration.writing import Labels
from micromeasure.errors import CalibrationError
from micromeasure.estimate import Component, Estimate
from micromeasure.reference.micrometer import Rulings, View, render
from micromeasure.reference.trial import Conditions, Promise, Trial, Truth
from micromeasure.reference.verify import Verdict, judge
from micromeasure.tables.reading import Result

NAME = "calibration"
SHORT = 12
_SIZE_PX = (800, 640)
_PITCH_UM = 10.0
_LONG_UM = 4000.0
_CONDITION = "stage micrometer, both axes"
_MADE = dt.date(2026, 2, 11)
PROMISES = (
    Promise(
        quantity="um_per_px", statistic="value", condition=_CONDITION, step_name="ppm",
        bias=20.0, p95=60.0,
    ),
)  # fmt: skip


def verify_calibrations(
    n: int, *, conditions: Conditions, rng: np.random.Generator
) -> list[Verdict]:
    """Calibrate from n pairs of rendered images, one ruled along each axis, and judge the scales.

    Parameters
    ----------
    n : int
    conditions : Conditions
        Pixel size is taken as given; blur and noise likewise.
    rng : numpy.random.Generator

    Returns
    -------
    list of Verdict
        The scale in x and y, errors in parts per million. The pitch is exact and its
        uncertainty zero, so that the interval has to come from the images alone.
    """
    trials: dict[str, Trial] = {}
    results: list[Result] = []
    for number in range(n):
        name = f"{number:05d}"
        scale = _scale(conditions, rng)
        trials[name] = _trial(scale)
        with tempfile.TemporaryDirectory(prefix="micromeasure-verify-") as folder:
            results.extend(_calibrated(name, Path(folder), _views(scale, conditions, rng), rng))
    return judge(PROMISES, trials, results)


def _scale(conditions: Conditions, rng: np.random.Generator) -> tuple[float, float]:
    # At least 50 rulings of 10 um across the frame, as a calibration should have.
    pixel = conditions.um_per_px or float(rng.uniform(0.7, 1.3))
    return pixel, pixel * float(rng.uniform(0.98, 1.02))


def _trial(scale: tuple[float, float]) -> Trial:
    truths = tuple(
        Truth(quantity="um_per_px", feature=axis, statistic="value", value=s, step=1e-6 * s)
        for axis, s in zip("xy", scale, strict=True)
    )
    empty = np.empty((0, 0), np.uint8)
    return Trial(condition=_CONDITION, pixels=empty, truths=truths, um_per_px=scale)


def _views(
    scale: tuple[float, float], conditions: Conditions, rng: np.random.Generator
) -> Iterator[View]:
    blur_px = conditions.blur_px or float(rng.uniform(0.8, 1.6))
    for turn_deg in (0.0, 90.0):
        yield View(
            size_px=_SIZE_PX,
            um_per_px=scale,
            rotation_deg=turn_deg + float(rng.uniform(-3.0, 3.0)),
            centre_um=(float(rng.uniform(990.0, 1010.0)), 60.0),
            blur_um=blur_px * scale[0],
            light=(0.75, float(rng.uniform(0.0, 0.25)), 0.03, -0.02),
            noise=conditions.noise or float(rng.uniform(0.005, 0.03)),
        )


def _calibrated(
    name: str, folder: Path, views: Iterator[View], rng: np.random.Generator
) -> Iterator[Result]:
    import tifffile

    # Rulings all across the frame in either direction.
    artefact = Rulings(pitch_um=_PITCH_UM, width_um=2.5, last=200, lengths_um=(_LONG_UM,) * 3)
    images = []
    for axis, view in zip("xy", views, strict=True):
        images.append(folder / f"{axis}.tif")
        tifffile.imwrite(images[-1], render(artefact, view, rng))
    request = Request(
        images=tuple(images),
        artefact=Artefact(pitch_um=_PITCH_UM, u_pitch_um=0.0),
        labels=Labels(id=name, objective="reference", made=_MADE, valid_until=_MADE),
    )
    try:
        calibration = make_calibration(request, folder / "made.toml").calibration
    except CalibrationError:
        return  # counted as a failure: the number is missing
    for axis, value, u in zip(
        "xy", calibration.um_per_px, calibration.u_um_per_px or (0.0, 0.0), strict=True
    ):
        estimate = Estimate(
            value=value, unit="um/px", components=(Component(name="calibration", u=u),)
        )
        yield Result(
            image=name, quantity="um_per_px", feature=axis, statistic="value", estimate=estimate
        )
