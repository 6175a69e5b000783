"""Camera noise in one film, and what rounding to digits leaves of it."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.micrograph.light import Box, Stack
from micromeasure.opacity.noise import (
    dark_variance,
    mean_pixels,
    photon_transfer_of,
    second_difference_variance,
    tiles_in,
    trimmed_mean,
)
from micromeasure.opacity.scene import Scene

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Second differences see structure finer than three pixels as noise; if they give this much more
# than the photon-transfer relation, the film has such structure.
_FINE_STRUCTURE = 1.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Grain:
    """Noise of the pixels in one region.

    Attributes
    ----------
    variance : float
        Variance of one pixel's (film − dark)/(open − dark), from all frames in it.
    from_open : float
        The part of it that stems from the open-light frames, common to all images of a run.
    u_rel : float
        Relative standard uncertainty of `variance`.
    film_spread, light_spread : float
        Standard deviation of the pixels of one frame of film and of open light over the region,
        in the unit of the linear values: it decides whether rounding averages out.
    by_photon_transfer : bool
        Whether `variance` follows the photon-transfer relation.
    """

    variance: float
    from_open: float
    u_rel: float
    film_spread: float
    light_spread: float
    by_photon_transfer: bool


def grain_of(scene: Scene, mask: BoolArray, channel: str) -> Grain:
    """Estimate the camera noise in a region of a scene.

    Notes
    -----
    The noise is that of the quotient's own second differences, in which the sensor's fixed
    pattern has cancelled. With two open-light frames the photon-transfer relation is known as
    well and is used where the film's own structure would be taken for noise.
    """
    tiles = tiles_in(mask, scene.box)
    film_pixels = [mean_pixels(scene.film, tile, channel) for tile in tiles]
    light_pixels = [_light_pixels(scene, tile, channel) for tile in tiles]
    dark_pixels = [_dark_pixels(scene, tile, channel) for tile in tiles]
    raw = [
        _quotient(f - d, n - d)
        for f, n, d in zip(film_pixels, light_pixels, dark_pixels, strict=True)
    ]
    measured = trimmed_mean([second_difference_variance(image) for image in raw])
    level = float(np.mean([image.mean() for image in raw]))
    signal = float(
        np.mean([(n - d).mean() for n, d in zip(light_pixels, dark_pixels, strict=True)])
    )
    samples = sum(image.size for image in raw)
    frames = 0 if scene.open_light is None else len(scene.open_light.frames)
    ptc = (
        None
        if scene.open_light is None
        else photon_transfer_of(scene.open_light, scene.dark, tiles, channel)
    )
    if ptc is None:
        # Shot noise alone: the open light's share of a quotient is A²/N against A/N.
        from_open = measured * max(level, 0.0) / (max(level, 0.0) + frames) if frames else 0.0
        predicted = math.inf
    else:
        from_open = level**2 * ptc.variance(signal) / frames / signal**2
        dark = ptc.offset / len(scene.dark.frames) if scene.dark is not None else 0.0
        film = ptc.variance(level * signal) + (1.0 - level) ** 2 * dark
        predicted = film / signal**2 + from_open
    structured = measured > _FINE_STRUCTURE * predicted
    return Grain(
        variance=predicted if structured else measured,
        from_open=min(from_open, measured),
        u_rel=math.sqrt(4.0 / max(samples, 4)) + (0.02 if structured else 0.005),
        film_spread=_spread(scene.film, film_pixels, scene.film.cells[mask]),
        light_spread=_spread(
            scene.open_light or scene.film, light_pixels, scene.illumination[mask]
        ),
        by_photon_transfer=structured,
    )


def _quotient(film: FloatArray, light: FloatArray) -> FloatArray:
    # In hardly any light single pixels of the divisor may be zero.
    quotient: FloatArray = film / np.maximum(light, max(0.1 * float(light.mean()), 1e-12))
    return quotient


def stack_variance(stack: Stack, mask: BoolArray, box: Box, channel: str) -> float:
    """Return the variance of a pixel's noise in the mean of a stack, in a region."""
    if len(stack.frames) > 1:
        return dark_variance(stack, tiles_in(mask, box), channel) / len(stack.frames)
    return dark_variance(stack, tiles_in(mask, box), channel)


def _light_pixels(scene: Scene, tile: Box, channel: str) -> FloatArray:
    if scene.open_light is not None:
        return mean_pixels(scene.open_light, tile, channel)
    cells = scene.illumination[
        (tile.row - scene.box.row) // tile.cell_px :, (tile.col - scene.box.col) // tile.cell_px :
    ][: tile.rows, : tile.cols]
    plain = np.repeat(np.repeat(cells, tile.cell_px, axis=0), tile.cell_px, axis=1)
    # One level for the whole tile: steps between cells would look like noise.
    return float(plain.mean()) + _dark_pixels(scene, tile, channel)


def _dark_pixels(scene: Scene, tile: Box, channel: str) -> FloatArray:
    if scene.dark is None:
        return np.zeros((tile.height_px, tile.width_px))
    return mean_pixels(scene.dark, tile, channel)


def _spread(stack: Stack, tiles: Sequence[FloatArray], cells: NDArray[np.float32]) -> float:
    """Return the standard deviation of one frame's pixels, within tiles and across the region."""
    within = float(np.mean([tile.var() for tile in tiles])) * len(stack.frames)
    return math.sqrt(within + float(cells.var(dtype=np.float64)))
