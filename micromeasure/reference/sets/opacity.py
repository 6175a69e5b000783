"""Reference set of films in transmitted light: glare, a drifting lamp, another exposure time."""

import math
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.calibration.file import SCHEMA, Calibration, Light
from micromeasure.reference.transmission import Bench, Camera
from micromeasure.reference.trial import Conditions, Promise, Trial, TrialSet, Truth

_SHAPE = (200, 288)
_STRIP_PX = 72
_BORDER_PX = 12
_FILM = [_STRIP_PX + _BORDER_PX, 0, _SHAPE[1] - 1, _SHAPE[0] - 1]
_OPEN = [0, 0, _STRIP_PX - _BORDER_PX - 1, _SHAPE[0] - 1]
# Companion frames are common to all trials; many of each keep their noise out of the verdict.
_COMPANIONS = 12
_GLARE = 0.02


def _bench(conditions: Conditions) -> Bench:
    camera = Camera()
    if conditions.noise is not None:
        # The user's noise as a share of full scale, taken at full scale: shot noise.
        camera = Camera(full_well_e=1.0 / max(conditions.noise, 1e-4) ** 2)
    return Bench(
        shape=_SHAPE,
        camera=camera,
        fill=0.8,
        glare=_GLARE,
        blur_px=conditions.blur_px or 1.2,
        pattern_seed=7,
    )


def _frames(conditions: Conditions, rng: np.random.Generator) -> Mapping[str, NDArray[Any]]:
    bench = _bench(conditions)
    strip = _beside_strip(0.0)
    frames: dict[str, NDArray[Any]] = {}
    for i in range(_COMPANIONS):
        frames[f"open_{i}.tif"] = bench.frame(1.0, rng)
        frames[f"dark_{i}.tif"] = bench.frame(0.0, rng, lamp=0.0)
        frames[f"opaque_{i}.tif"] = bench.frame(strip, rng)
    return frames


def _beside_strip(transmittance: float) -> NDArray[np.float64]:
    film = np.full(_SHAPE, transmittance)
    film[:, :_STRIP_PX] = 1.0
    return film


def _trials(n: int, conditions: Conditions, rng: np.random.Generator) -> Iterator[Trial]:
    bench = _bench(conditions)
    for number in range(n):
        dense = number % 3 == 2
        density = float(rng.uniform(1.5, 2.5) if dense else rng.uniform(0.05, 1.5))
        lamp = 1.0 + float(rng.choice([-1.0, 1.0]) * rng.uniform(0.02, 0.05))
        film = _beside_strip(10.0**-density)
        yield Trial(
            condition="density 1.5 to 2.5" if dense else "density to 1.5",
            pixels=bench.frame(film, rng, lamp=lamp),
            truths=(
                Truth(
                    quantity="optical_density",
                    feature="film",
                    statistic="mean",
                    value=density,
                    step=1.0,
                    bound=_bound(bench, density, lamp),
                ),
            ),
            um_per_px=(conditions.um_per_px or 0.5, conditions.um_per_px or 0.52),
        )


def _bound(bench: Bench, density: float, lamp: float) -> float:
    """Cramér–Rao bound of the density, from shot and read noise in film and bare strip alone.

    The information of Poisson counts n with read noise r about a common factor is the sum of
    n0²/(n + r²); the film's transmittance and the lamp are two such factors.
    """
    camera, light = bench.camera, bench.open_light()
    scale = bench.fill * camera.full_well_e * lamp
    digit = camera.full_well_e / ((1 << camera.bits) - 1)
    floor = camera.read_noise_e**2 + digit**2 / 12.0

    def information(rectangle: list[int], share: float) -> float:
        x0, y0, x1, y1 = rectangle
        own = scale * share * light[y0 : y1 + 1, x0 : x1 + 1]
        return float(np.sum(own**2 / (own + scale * bench.glare * light.mean() + floor)))

    variance = 1.0 / information(_FILM, 10.0**-density) + 1.0 / information(_OPEN, 1.0)
    return math.sqrt(variance) / math.log(10.0)


def _calibration(um_per_px: tuple[float, float], shape: tuple[int, int]) -> Calibration:
    rows, cols = shape
    return Calibration(
        schema=SCHEMA,
        id="reference-light",
        um_per_px=um_per_px,
        u_um_per_px=(0.0, 0.0),
        image_size_px=(cols, rows),
        light=Light(transfer="linear"),
    )


SETS = (
    TrialSet(
        name="opacity",
        measure={
            "quantity": "optical_density",
            "open_light": [f"open_{i}.tif" for i in range(_COMPANIONS)],
            "dark": [f"dark_{i}.tif" for i in range(_COMPANIONS)],
            "opaque": [f"opaque_{i}.tif" for i in range(_COMPANIONS)],
            "regions": {"film": _FILM, "open": _OPEN},
        },
        trials=_trials,
        frames=_frames,
        calibration=_calibration,
        promises=(
            Promise(
                quantity="optical_density",
                statistic="mean",
                condition="density to 1.5",
                step_name="density",
                bias=0.0005,
                p95=0.001,
                bound_ratio=1.2,
            ),
            Promise(
                quantity="optical_density",
                statistic="mean",
                condition="density 1.5 to 2.5",
                step_name="density",
                bias=0.002,
                p95=0.01,
                bound_ratio=1.2,
            ),
        ),
        short=150,
    ),
)
