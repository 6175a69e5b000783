"""Reference sets of film sections: straight and clean, as they come, tilted, and spoilt."""

import itertools
import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from micromeasure.calibration.file import SCHEMA, Calibration, Light
from micromeasure.reference.film import FilmSection, LayerTruth, render_film
from micromeasure.reference.trial import Conditions, Promise, Trial, TrialSet, Truth

_LAYER = "film"
_QUANTITY = "film_thickness"
_SHAPE = (300, 420)
# Film darker than, brighter than and between its neighbours.
_LEVELS = ((0.70, 0.25, 0.65), (0.25, 0.70, 0.30), (0.20, 0.50, 0.80))
_TILTED_DEG = 12.0


def _calibration(um_per_px: tuple[float, float], shape: tuple[int, int]) -> Calibration:
    rows, cols = shape
    return Calibration(
        schema=SCHEMA,
        id=f"reference-{um_per_px[0]:.6f}-{um_per_px[1]:.6f}",
        um_per_px=um_per_px,
        u_um_per_px=(0.0, 0.0),
        image_size_px=(cols, rows),
        light=Light(transfer="linear"),
    )


def _trials(n: int, conditions: Conditions, rng: np.random.Generator) -> Iterator[Trial]:
    kinds = (_ideal, _typical, _tilted)
    for number in range(n):
        yield kinds[number % len(kinds)](conditions, rng)


def _clean_section(conditions: Conditions, rng: np.random.Generator) -> FilmSection:
    pixel = conditions.um_per_px or float(rng.uniform(0.1, 0.6))
    scale = (pixel, pixel * float(rng.uniform(0.97, 1.03)))
    blur_px = conditions.blur_px or float(rng.uniform(0.7, 3.0))
    # A layer of less than four blur widths has no plateau left and is another trial's business.
    thickness_px = math.exp(rng.uniform(math.log(max(5.0, 4.0 * blur_px)), math.log(150.0)))
    levels = _LEVELS[int(rng.integers(len(_LEVELS)))]
    contrast = min(abs(b - a) for a, b in itertools.pairwise(levels))
    noise = conditions.noise or contrast / math.exp(rng.uniform(math.log(3.0), math.log(50.0)))
    return FilmSection(
        shape=_SHAPE,
        um_per_px=scale,
        thickness_um=(thickness_px * pixel,),
        levels=levels,
        direction_deg=float(rng.uniform(0.0, 180.0)),
        offset_um=float(rng.uniform(-30.0, 30.0)) * pixel,
        blur_um=blur_px * pixel,
        noise_sd=noise,
        bits=16,
    )


def _ideal(conditions: Conditions, rng: np.random.Generator) -> Trial:
    section = _clean_section(conditions, rng)
    film = render_film(section, rng)
    return Trial(
        condition="ideal",
        pixels=film.pixels,
        truths=(_truth(section, film.layers[0], "mean", bound=_bound_um(section)),),
        um_per_px=section.um_per_px,
        manifest={"section_tilt_deg": "0", "u_section_tilt_deg": "0"},
    )


def _typical(conditions: Conditions, rng: np.random.Generator) -> Trial:
    clean = _clean_section(conditions, rng)
    pixel = clean.um_per_px[0]
    contrast = abs(clean.levels[1] - clean.levels[0])
    section = replace(
        clean,
        radius_um=float(rng.choice([-1, 1])) * float(rng.uniform(1500.0, 6000.0)) * pixel,
        roughness_um=float(rng.uniform(0.1, 0.4)) * pixel,
        roughness_length_um=float(rng.uniform(4.0, 15.0)) * pixel,
        noise_sd=conditions.noise or contrast / float(rng.uniform(8.0, 40.0)),
        falloff=float(rng.uniform(0.0, 0.2)),
        slope=float(rng.uniform(0.0, 0.1)),
        slope_deg=float(rng.uniform(0.0, 360.0)),
        texture=0.02,
        dust=int(rng.integers(0, 6)),
        bits=int(rng.choice([8, 12])),
        oversample=2,
    )
    film = render_film(section, rng)
    return Trial(
        condition="typical",
        pixels=film.pixels,
        truths=(_truth(section, film.layers[0], "mean"),),
        um_per_px=section.um_per_px,
        manifest={"section_tilt_deg": "0", "u_section_tilt_deg": "0"},
    )


def _tilted(conditions: Conditions, rng: np.random.Generator) -> Trial:
    # The stated tilt is off by its stated uncertainty, as a stage reading would be.
    u_deg = 1.0
    section = replace(_clean_section(conditions, rng), tilt_deg=_TILTED_DEG)
    film = render_film(section, rng)
    read = _TILTED_DEG + u_deg * float(rng.standard_normal())
    return Trial(
        condition="tilted section",
        pixels=film.pixels,
        truths=(_truth(section, film.layers[0], "mean"),),
        um_per_px=section.um_per_px,
        manifest={"section_tilt_deg": f"{read:.4f}", "u_section_tilt_deg": f"{u_deg:g}"},
    )


def _truth(
    section: FilmSection, layer: LayerTruth, statistic: str, bound: float | None = None
) -> Truth:
    return Truth(
        quantity=_QUANTITY,
        feature=_LAYER,
        statistic=statistic,
        value=layer.mean_um,
        step=section.um_per_px[0],
        bound=bound,
    )


def _bound_um(section: FilmSection) -> float:
    """Cramér–Rao bound of the mean thickness of a straight film that crosses the image.

    One row of an edge of contrast A in white noise s and Gaussian blur σ cannot be located
    better than (s / A) sqrt(2 sqrt(π) σ) pixels; L rows and two edges follow by addition of
    variances. The pixel's own area widens the blur by 1/12 px².
    """
    pixel = section.um_per_px[0]
    noise = section.noise_sd or 0.0
    blur_px = math.sqrt((section.blur_um / pixel) ** 2 + 1.0 / 12.0)
    angle = math.radians(section.direction_deg)
    rows, cols = section.shape
    length_px = min(cols / max(abs(math.cos(angle)), 1e-9), rows / max(abs(math.sin(angle)), 1e-9))
    contrasts = [b - a for a, b in itertools.pairwise(section.levels)]
    per_row = 2.0 * math.sqrt(math.pi) * blur_px * sum((noise / c) ** 2 for c in contrasts)
    return pixel * math.sqrt(per_row / length_px)


SETS = (
    TrialSet(
        name="film",
        measure={"quantity": _QUANTITY, "layers": [_LAYER]},
        trials=_trials,
        calibration=_calibration,
        promises=(
            Promise(
                quantity=_QUANTITY, statistic="mean", condition="ideal", step_name="px",
                bias=0.02, p95=0.5, bound_ratio=1.3,
            ),
            Promise(
                quantity=_QUANTITY, statistic="mean", condition="typical", step_name="px",
                bias=0.1, p95=0.5,
            ),
            Promise(
                quantity=_QUANTITY, statistic="mean", condition="tilted section",
                step_name="px", bias=0.3, p95=3.0,
            ),
        ),
        short=120,
    ),
)  # fmt: skip
