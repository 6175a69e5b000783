"""Accuracy of opacity over many rendered frames: error, scatter, coverage, flags; and speed.

Run as a script, for example::

    python tests/benchmarks/opacity.py --n 1000 --seed 11
    python tests/benchmarks/opacity.py --case "8 bit sRGB" --n 200
    python tests/benchmarks/opacity.py --speed
"""

import argparse
import math
import statistics
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from micromeasure.calibration.file import SCHEMA, Calibration, Light
from micromeasure.calibration.response import Step, fit_response
from micromeasure.errors import MeasurementError
from micromeasure.estimate import Estimate
from micromeasure.micrograph.reading import read_micrograph
from micromeasure.micrograph.response import srgb_encode
from micromeasure.outcome import Outcome
from micromeasure.quantities.optical_density import DensitySettings, measure_optical_density
from micromeasure.quantities.relative_opacity import (
    RelativeOpacitySettings,
    measure_relative_opacity,
)
from micromeasure.reference.transmission import (
    Bench,
    Camera,
    as_micrograph,
    patchy_film,
    with_dust,
)

SHAPE = (240, 320)
STRIP_PX = 80
CLEAN = DensitySettings(lamp_drift_rel=0.0, glare_rel=0.0)
PLAIN = DensitySettings()
STEADY = DensitySettings(lamp_drift_rel=0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One state of the bench.

    Attributes
    ----------
    densities : tuple of two floats
    target : float or None
        What 95 % of the errors should be below.
    drift : tuple of two floats
        Range of the lamp's relative drift between frames, either way.
    opaque : str
        ``none``, ``whole`` (no bare area in it, lamp as in the open light) or ``bare``.
    bare : bool
        Whether a bare strip is in view beside the film.
    open_exposures : tuple of float
        Exposure of the open light relative to the film's, one drawn.
    """

    name: str
    densities: tuple[float, float]
    target: float | None
    settings: DensitySettings = PLAIN
    camera: Camera = field(default_factory=Camera)
    transfer: float | str = "linear"
    glare: tuple[float, float] = (0.0, 0.0)
    drift: tuple[float, float] = (0.0, 0.0)
    opaque: str = "none"
    dark: bool = True
    bare: bool = False
    open_exposures: tuple[float, ...] = (1.0,)
    open_frames: int = 1
    patches: float = 0.0
    specks: int = 0
    fill: tuple[float, float] = (0.6, 0.9)
    tablet: bool = False


def tone(share: Any) -> Any:
    """A camera's tone curve with shoulder and toe, as no formula of ours has it."""
    v = np.asarray(share) ** 0.6
    return 0.04 * v + 0.96 * 1.35 * v / (v + 0.35)


CAMERA_8 = Camera(bits=8, black_share=0.0, encode=srgb_encode)
CAMERA_TONE = Camera(bits=8, black_share=0.0, encode=tone)
DIRTY: dict[str, Any] = {"glare": (0.005, 0.03), "drift": (0.02, 0.05)}
LOW, HIGH = (0.05, 1.5), (1.5, 2.5)
CASES = (
    Case(name="clean", densities=LOW, target=0.001, settings=CLEAN),
    Case(name="clean", densities=HIGH, target=0.01, settings=CLEAN),
    Case(name="clean, bare strip", densities=LOW, target=0.001, settings=CLEAN, bare=True),
    Case(name="clean, nothing declared", densities=LOW, target=0.001),
    Case(
        name="glare, drift, exposures; opaque, dark, bare", densities=LOW, target=0.005,
        opaque="bare", bare=True, open_exposures=(0.4, 0.5, 1.0), **DIRTY,
    ),
    Case(
        name="glare, drift, exposures; opaque, dark, bare", densities=HIGH, target=0.02,
        opaque="bare", bare=True, open_exposures=(0.4, 0.5, 1.0), **DIRTY,
    ),
    Case(
        name="the same, opaque frame without bare area", densities=LOW, target=0.005,
        opaque="whole", bare=True, open_exposures=(0.4, 0.5, 1.0), **DIRTY,
    ),
    Case(
        name="the same, opaque frame but no dark frame", densities=LOW, target=0.005,
        opaque="bare", dark=False, bare=True, **DIRTY,
    ),
    Case(name="glare and drift, no opaque frame", densities=LOW, target=None, bare=True, **DIRTY),
    Case(name="glare and drift, no opaque frame", densities=HIGH, target=None, bare=True, **DIRTY),
    Case(
        name="drift, no bare area", densities=LOW, target=None, opaque="bare", **DIRTY
    ),
    Case(name="glare and drift, neither", densities=LOW, target=None, **DIRTY),
    Case(
        name="8 bit sRGB", densities=LOW, target=0.01, settings=CLEAN, camera=CAMERA_8,
        transfer="srgb",
    ),
    Case(
        name="8 bit, response from step tablet", densities=LOW, target=0.01, settings=CLEAN,
        camera=CAMERA_TONE, transfer="measured", tablet=True,
    ),
    Case(
        name="patchy and dusty", densities=LOW, target=None, settings=CLEAN, patches=0.03,
        specks=10,
    ),
)  # fmt: skip


@dataclass(slots=True, kw_only=True)
class Tally:
    """What became of the images of one case."""

    errors: list[float] = field(default_factory=list)
    u: list[float] = field(default_factory=list)
    held: list[bool] = field(default_factory=list)
    over_bound: list[float] = field(default_factory=list)
    sd_errors: list[float] = field(default_factory=list)
    flags: Counter[str] = field(default_factory=Counter)
    failures: Counter[str] = field(default_factory=Counter)

    def add(self, estimate: Estimate, truth: float, flags: tuple[str, ...], bound: float) -> None:
        """Count one image."""
        self.flags.update(flags)
        low, high = estimate.interval_95
        if estimate.value is None:
            self.held.append(low is not None and low <= truth)
            return
        self.errors.append(estimate.value - truth)
        self.over_bound.append((estimate.value - truth) / bound)
        if estimate.standard_uncertainty is not None and low is not None and high is not None:
            self.u.append(estimate.standard_uncertainty)
            self.held.append(low <= truth <= high)


def drawn(rng: np.random.Generator, limits: tuple[float, float]) -> float:
    """Return a number between two limits."""
    return float(rng.uniform(*limits))


def lamp_of(case: Case, rng: np.random.Generator) -> float:
    """Return a lamp that has drifted up or down."""
    return 1.0 + float(rng.choice([-1.0, 1.0])) * drawn(rng, case.drift)


def calibration_of(case: Case, bench: Bench, rng: np.random.Generator) -> Calibration:
    """Return a calibration; with a response from 21 steps of 0.15 if the case asks for one."""
    if not case.tablet:
        light = Light(transfer=case.transfer)
        return Calibration(schema=SCHEMA, id="bench", um_per_px=(0.5, 0.52), light=light)
    steps = []
    small = replace(bench, shape=(64, 96), falloff=0.0, slope=0.0, glare=0.0)
    for density in (0.0, *(0.05 + 0.15 * i for i in range(21))):
        certified = density + (0.003 * float(rng.standard_normal()) if density else 0.0)
        digits = small.frame(10.0**-density, rng)
        values, counts = np.unique(digits, return_counts=True)
        steps.append(
            Step(density=certified, values=values.astype(float), counts=counts.astype(float))
        )
    dark = float(small.frame(0.0, rng, lamp=0.0).mean())
    fit = fit_response(steps, dark_value=dark, u_density=0.003, full_scale=255.0)
    light = Light(transfer="measured", response=fit.response)
    return Calibration(schema=SCHEMA, id="bench", um_per_px=(0.5, 0.52), light=light)


def measured(case: Case, rng: np.random.Generator, number: int) -> Iterator[Any]:
    """Render one set of frames and measure it; yield outcome, truth, film and bench."""
    camera = case.camera
    bench = Bench(
        shape=SHAPE, camera=camera, fill=drawn(rng, case.fill), glare=drawn(rng, case.glare),
        falloff=drawn(rng, (0.0, 0.3)), slope=drawn(rng, (0.0, 0.1)),
        slope_deg=drawn(rng, (0.0, 360.0)), blur_px=drawn(rng, (0.7, 2.0)),
        pattern_seed=int(rng.integers(1 << 30)),
    )  # fmt: skip
    calibration = calibration_of(case, bench, rng)

    def frame(name: str, scene: Any, lamp: float, exposure: float = 1.0) -> Any:
        digits = bench.frame(scene, rng, lamp=lamp, exposure=exposure)
        return as_micrograph(
            digits, bits=camera.bits, name=f"{name}{number}", exposure_s=0.02 * exposure,
            calibration=calibration,
        )  # fmt: skip

    density = drawn(rng, case.densities)
    film = patchy_film(SHAPE, density, rng, sd_rel=case.patches)
    scene = with_dust(film, rng, specks=case.specks, scratches=1) if case.specks else film.copy()
    stop = np.zeros(SHAPE)
    if case.bare:
        scene[:, :STRIP_PX] = 1.0
    if case.opaque == "bare":
        stop[:, :STRIP_PX] = 1.0
    exposure = float(rng.choice(case.open_exposures))
    frames = {
        "open_light": tuple(frame(f"open{i}-", 1.0, 1.0, exposure) for i in range(case.open_frames))
    }
    if case.dark:
        frames["dark"] = (frame("dark", 0.0, 0.0),)
    if case.opaque != "none":
        lamp = lamp_of(case, rng) if case.opaque == "bare" else 1.0
        frames["opaque"] = (frame("opaque", stop, lamp),)
    seen = frame("film", scene, lamp_of(case, rng))
    whole = film[:, STRIP_PX + 4 :] if case.bare else film
    outcome = measure_optical_density(seen, case.settings, frames)
    yield outcome, whole, bench, exposure


def bound_of(case: Case, bench: Bench, film: Any, exposure: float) -> float:
    """Cramér-Rao bound of the density from film and open-light frame alone.

    Each pixel's light is unknown, so the noise of both frames counts; shot noise, read noise,
    digits; the information of all pixels adds up.
    """
    camera = bench.camera
    rows, cols = film.shape
    light = bench.open_light()[:, -cols:][:rows] * bench.fill * camera.full_well_e
    stray = bench.glare * light.mean()
    digit = camera.full_well_e / ((1 << camera.bits) - 1)
    floor = camera.read_noise_e**2 + digit**2 / 12.0
    own, opened = light * film, light * exposure
    variance = (own + stray + floor) / own**2
    variance += (opened + stray * exposure + floor) / opened**2 / case.open_frames
    return math.sqrt(1.0 / float(np.sum(1.0 / variance))) / math.log(10.0)


def run_case(case: Case, n: int, rng: np.random.Generator) -> Tally:
    """Measure n renderings of one case."""
    tally = Tally()
    for number in range(n):
        try:
            for outcome, film, bench, exposure in measured(case, rng, number):
                row = outcome.measurements[0]
                truth = -math.log10(float(film.mean()))
                bound = bound_of(case, bench, film, exposure)
                tally.add(row.estimate, truth, row.flags, bound)
                if case.patches and len(outcome.measurements) > 1:
                    sd = float(np.std(-np.log10(film)))
                    tally.sd_errors.append(outcome.measurements[1].estimate.value / sd - 1.0)
        except MeasurementError as error:
            tally.failures[str(error)] += 1
    return tally


def print_tally(case: Case, tally: Tally) -> None:
    """Print one line of the table."""
    errors = np.array(tally.errors or [math.nan])
    p95 = float(np.quantile(np.abs(errors), 0.95))
    verdict = "" if case.target is None else ("ok" if p95 <= case.target else "MISSED")
    bound = math.sqrt(float(np.mean(np.square(tally.over_bound or [math.nan]))))
    print(
        f"{case.name:<46} D {case.densities[0]:.2f}-{case.densities[1]:.2f}  n {len(errors):5d}  "
        f"bias {errors.mean():+.1e}  sd {errors.std():.1e}  p95 {p95:.1e} {verdict:<6} "
        f"u {statistics.median(tally.u or [math.nan]):.1e}  "
        f"held {100 * float(np.mean(tally.held or [math.nan])):5.1f} %  "
        f"x bound {bound:6.2f}  flags {dict(tally.flags)} failures {dict(tally.failures)}"
        + (
            f" sd over film {100 * float(np.mean(tally.sd_errors)):+.1f} "
            f"± {100 * float(np.std(tally.sd_errors)):.1f} %"
            if tally.sd_errors
            else ""
        ),
        flush=True,
    )


def run_pairs(n: int, rng: np.random.Generator) -> None:
    """Two films in one frame: their ratio."""
    regions = {"K": (8, 8, 135, 231), "open": (148, 8, 175, 231), "M": (188, 8, 311, 231)}
    settings = RelativeOpacitySettings(regions=regions, reference="K", lamp_drift_rel=0.0)
    tally = Tally()
    for number in range(n):
        bench = Bench(
            shape=SHAPE, glare=drawn(rng, (0.0, 0.03)), pattern_seed=int(rng.integers(1 << 30))
        )
        k, m = drawn(rng, (0.3, 1.5)), drawn(rng, (0.3, 1.5))
        scene = np.empty(SHAPE)
        scene[:, :142], scene[:, 142:182], scene[:, 182:] = 10.0**-k, 1.0, 10.0**-m
        stop = np.zeros(SHAPE)
        stop[:, 142:182] = 1.0
        given = {"open_light": 1.0, "opaque": stop}
        frames = {
            name: (as_micrograph(bench.frame(what, rng), bits=12, name=f"{name}{number}"),)
            for name, what in given.items()
        }
        frames["dark"] = (
            as_micrograph(bench.frame(0.0, rng, lamp=0.0), bits=12, name=f"dark{number}"),
        )
        lamp = 1.0 + drawn(rng, (-0.05, 0.05))
        seen = as_micrograph(bench.frame(scene, rng, lamp=lamp), bits=12, name=f"pair{number}")
        row = measure_relative_opacity(seen, settings, frames).measurements[0]
        tally.add(row.estimate, m / k, row.flags, m / k)
    relative = np.abs(tally.over_bound)
    print(
        f"ratio of two films in one frame: n {n}, p95 {100 * np.quantile(relative, 0.95):.3f} % "
        f"(target 0.5 %), held {100 * np.mean(tally.held):.1f} %, flags {dict(tally.flags)}"
    )


def one(bench: Bench, film: Any, rng: np.random.Generator, **given: float) -> Outcome:
    """Measure one film with open light and dark frame."""
    exposure = given.get("exposure", 1.0)
    frames = {
        "open_light": (
            as_micrograph(bench.frame(1.0, rng, exposure=exposure), bits=12, name="open"),
        ),
        "dark": (as_micrograph(bench.frame(0.0, rng, lamp=0.0), bits=12, name="dark"),),
    }
    seen = bench.frame(film, rng, exposure=given.get("film_exposure", exposure))
    return measure_optical_density(as_micrograph(seen, bits=12, name="film"), CLEAN, frames)


def run_flags(n: int, rng: np.random.Generator) -> None:
    """Frames that are clipped, too dark or opaque: each must be flagged, sound ones never."""
    kinds: dict[str, tuple[str, Callable[[], Outcome]]] = {
        "open light clipped": (
            "saturated",
            lambda: one(
                Bench(shape=SHAPE, fill=drawn(rng, (1.02, 1.6)), falloff=0.2), 10.0**-0.5, rng
            ),
        ),
        "film clipped": (
            "saturated",
            lambda: one(
                Bench(shape=SHAPE, fill=0.8), 10.0**-0.3, rng, film_exposure=drawn(rng, (2.8, 8.0))
            ),
        ),
        "open light at 0.2 to 1.5 % of the range": (
            "underexposed",
            lambda: one(Bench(shape=SHAPE, fill=drawn(rng, (0.002, 0.015))), 10.0**-0.5, rng),
        ),
        "film beyond detection, D 5 to 7": (
            "lower-limit",
            lambda: one(Bench(shape=SHAPE), 10.0 ** -drawn(rng, (5.0, 7.0)), rng),
        ),
        "sound, D 0.05 to 2.5": (
            "",
            lambda: one(
                Bench(shape=SHAPE, fill=drawn(rng, (0.3, 0.92))), 10.0 ** -drawn(rng, LOW), rng
            ),
        ),
    }
    for name, (due, make) in kinds.items():
        flagged = sum(
            bool(
                set(make().measurements[0].flags)
                & ({due} if due else {"saturated", "underexposed"})
            )
            for _ in range(n)
        )
        print(f"{name}: flagged {due or 'saturated or underexposed'} {flagged} of {n}")


def run_speed() -> None:
    """A 12-megapixel deflate TIFF: measuring against reading and decoding."""
    import tifffile

    rng = np.random.default_rng(3)
    shape = (3000, 4000)
    bench = Bench(shape=shape, falloff=0.2)
    film = patchy_film(shape, 0.8, rng)
    film[:, :800] = 1.0
    calibration = Calibration(
        schema=SCHEMA, id="bench", um_per_px=(0.5, 0.52), light=Light(transfer="linear")
    )

    def median(call: Callable[[], Any]) -> float:
        times = []
        for _ in range(7):
            start = time.perf_counter()
            call()
            times.append(time.perf_counter() - start)
        return statistics.median(times)

    with tempfile.TemporaryDirectory() as folder:
        paths = {}
        scenes: dict[str, tuple[Any, float]] = {
            "film": (film, 1.0), "open": (1.0, 1.0), "dark": (0.0, 0.0)
        }  # fmt: skip
        for name, (scene, lamp) in scenes.items():
            paths[name] = Path(folder) / f"{name}.tif"
            tifffile.imwrite(paths[name], bench.frame(scene, rng, lamp=lamp), compression="deflate")

        def read(name: str) -> Any:
            return read_micrograph(paths[name], calibration=calibration)

        frames = {"open_light": (read("open"),), "dark": (read("dark"),)}
        measure_optical_density(read("film"), PLAIN, frames)
        decode = median(lambda: tifffile.imread(paths["film"]))
        reading = median(lambda: read("film"))
        both = median(lambda: measure_optical_density(read("film"), PLAIN, frames))
    print(
        f"12 MP deflate TIFF: decode alone {decode:.3f} s, read with digest {reading:.3f} s, "
        f"read and measure {both:.3f} s: {both / decode:.2f} x decoding, "
        f"{both / reading:.2f} x reading"
    )


def main() -> None:
    """Run what the command line asks for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--n", type=int, default=300, help="renderings of each case")
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--case", help="only cases whose name holds this")
    parser.add_argument("--speed", action="store_true", help="only the speed")
    args = parser.parse_args()
    cv2.setNumThreads(1)
    if args.speed:
        run_speed()
        return
    rng = np.random.default_rng(args.seed)
    for case in CASES:
        if args.case is None or args.case in case.name:
            print_tally(case, run_case(case, args.n, rng))
    if args.case is None:
        run_pairs(args.n, rng)
        run_flags(args.n, rng)
        run_speed()


if __name__ == "__main__":
    main()
