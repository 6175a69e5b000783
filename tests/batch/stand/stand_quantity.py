"""A quantity for testing the engine: quick, exact, and able to misbehave on request.

The manifest's column ``do`` says what a measurement does: nothing special, `fail`, `bug`,
`nan`, `exit`, `kill`, `hang`, or `kill-once` and `hang-once`, for which a file is left behind.
"""

import os
import signal
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from micromeasure.errors import MeasurementError
from micromeasure.estimate import Component, Estimate, mean_of
from micromeasure.micrograph.image import ImageRecord, Micrograph
from micromeasure.outcome import Failure, Indication, Mark, Measurement, Outcome, Trace
from micromeasure.quantities.declare import (
    Derivation,
    Derived,
    Frames,
    Measured,
    Quantity,
    Settings,
    declared,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelSettings(Settings):
    gain: float = declared("number", 1.0, above=0, help="factor on the level")
    dark: tuple[str, ...] = declared("frames", (), help="dark frames")
    busy_ms: float = declared("number", 0.0, low=0, help="time a measurement takes at least")
    crack: bool = declared("yes-no", False, help="whether to hand over an indication")


def _misbehave(micrograph: Micrograph) -> None:
    do = micrograph.record.extra.get("do", "")
    if do == "fail":
        message = "there is nothing here to measure"
        raise MeasurementError(message)
    if do == "bug":
        message = "index out of range"
        raise IndexError(message)
    if do == "exit":
        os._exit(3)
    if do == "kill":
        os.kill(os.getpid(), signal.SIGKILL)
    if do == "hang":
        time.sleep(600)
    if do in {"kill-once", "hang-once"}:
        trace = Path(os.environ["STAND_FOLDER"]) / f"{micrograph.record.image}.tried"
        if not trace.exists():
            trace.touch()
            if do == "hang-once":
                time.sleep(600)
            os.kill(os.getpid(), signal.SIGKILL)


def measure_level(micrograph: Micrograph, settings: LevelSettings, frames: Frames) -> Outcome:
    start = time.perf_counter()
    _misbehave(micrograph)
    grey = micrograph.grey().astype(np.float64)
    dark = sum(float(m.grey().mean()) for m in frames.get("dark", ()))
    level = settings.gain * (grey.mean() - dark)
    if micrograph.record.extra.get("do") == "nan":
        level = np.nan
    noise = Component(
        name="noise", u=float(grey.std()) / grey.size**0.5, dof=grey.size - 1, kind="A"
    )
    scale = Component(name="scale", u=level * 1e-3, shared=f"scale:{micrograph.calibration.id}")
    rows, cols = grey.shape
    x, y = np.arange(cols, dtype=np.float64), np.full(cols, rows / 2)
    line = np.column_stack([x, y])
    while (time.perf_counter() - start) * 1000 < settings.busy_ms:
        np.sqrt(grey).sum()
    return Outcome(
        measurements=(
            Measurement(
                feature="plate",
                statistic="mean",
                estimate=Estimate(value=level, unit="um", components=(noise, scale)),
                n=grey.size,
            ),
            Measurement(
                feature="plate",
                statistic="max",
                estimate=Estimate(value=None, unit="um", low_limit=float(grey.max())),
                flags=("lower-limit",),
            ),
        ),
        failures=(Failure(reason="too narrow", feature="rim"),) if cols < 10 else (),
        traces=(Trace(name="row level", columns={"x_px": x, "level_um": grey[rows // 2]}),),
        marks=(Mark(role="mid-line", points_px=line, label="plate"),),
        indications=(
            Indication(
                fold="left",
                length=Estimate(value=12.5, unit="um", components=(noise,)),
                width_um=1.5,
                angle_to_fold_deg=80.0,
                distance_to_fold_um=3.0,
                contrast=0.2,
                score=0.9,
                centreline_px=line[:4],
            ),
        )
        if settings.crack
        else (),
        caption=f"level {level:.2f}",
        facts={"sum": grey.sum(), "row": grey[0, :3]},
    )


def derive_spread(measured: list[Measured]) -> list[Derived]:
    # Only what is needed is kept: a study may have a hundred thousand images.
    by_specimen: dict[str, tuple[ImageRecord, list[Estimate]]] = {}
    for one in measured:
        found = by_specimen.setdefault(one.record.specimen, (one.record, []))[1]
        found += [m.estimate for m in one.outcome.measurements if m.statistic == "mean"]
    return [
        Derived(
            record=ImageRecord(
                image="", specimen=specimen, revision=first.revision, calibration=first.calibration
            ),
            measurement=Measurement(
                feature="plate", statistic="value", estimate=mean_of(estimates), n=len(estimates)
            ),
        )
        for specimen, (first, estimates) in by_specimen.items()
        if estimates
    ]


QUANTITIES = (
    Quantity(
        name="stand_level",
        title="level of the test stand",
        unit="um",
        settings=LevelSettings,
        measure=measure_level,
        method=os.environ.get("STAND_METHOD", "stand level 1"),
    ),
)
DERIVATIONS = (
    Derivation(
        name="stand_mean_level",
        title="mean level of a specimen",
        unit="um",
        needs=("stand_level",),
        derive=derive_spread,
        method="stand mean 1",
    ),
)


def register() -> None:
    """Make the test quantity the only one of this process."""
    import micromeasure.quantities as registry

    this = sys.modules[__name__]
    registry._modules = lambda: (this,)  # type: ignore[assignment]
    registry.quantities.cache_clear()
    registry.derivations.cache_clear()
