"""Focus stacks and height maps of a dome with exactly known shape, seen from above."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.outcome import FloatArray
from micromeasure.reference.render import gaussian_blur, quantise, texture


@dataclass(frozen=True, slots=True, kw_only=True)
class CapScene:
    """A spherical cap on a flat flange, seen from above through a microscope.

    Attributes
    ----------
    size_px : tuple of two ints
        Width and height of a slice.
    um_per_px : tuple of two floats
    top_px : tuple of two floats
        Place of the cap's top, ``x y``.
    crown_radius_um, height_um : float
        Radius of the sphere and height of its top above the flange.
    tilt : tuple of two floats
        Slope of the flange along x and y.
    n_slices : int
    z_step_um : float
    first_z_um : float
        Height of the first slice's focal plane above the flange at the top's place.
    blur_px_per_um : float
        Growth of the blur with distance from focus.
    focus_blur_px : float
        Blur in focus.
    contrast : float
        Standard deviation of the texture before any blur, as a share of full scale.
    grain_px : float
        Grain of the texture.
    noise : float
        Standard deviation of the noise, as a share of full scale.
    bits : int
    """

    size_px: tuple[int, int] = (320, 240)
    um_per_px: tuple[float, float] = (5.0, 5.1)
    top_px: tuple[float, float] = (160.0, 120.0)
    crown_radius_um: float = 1500.0
    height_um: float = 100.0
    tilt: tuple[float, float] = (0.0, 0.0)
    n_slices: int = 15
    z_step_um: float = 10.0
    first_z_um: float = -20.0
    blur_px_per_um: float = 0.12
    focus_blur_px: float = 0.8
    contrast: float = 0.06
    grain_px: float = 1.0
    noise: float = 0.01
    bits: int = 8


def cap_heights_um(scene: CapScene) -> FloatArray:
    """Return the true height of every pixel above the flange's level at the top's place.

    The cap is tilted with its flange, so that the rim's plane stays the flange.
    """
    x, y = _places_um(scene)
    sx, sy = scene.tilt
    size = math.sqrt(1 + sx * sx + sy * sy)
    normal = np.array([-sx, -sy, 1.0]) / size
    centre = (scene.height_um - scene.crown_radius_um) * normal
    flange = sx * x + sy * y
    square = (x - centre[0]) ** 2 + (y - centre[1]) ** 2
    sphere = centre[2] + np.sqrt(np.maximum(scene.crown_radius_um**2 - square, 0.0))
    heights: FloatArray = np.maximum(flange, sphere)
    return heights


def focus_slices(scene: CapScene, rng: np.random.Generator) -> Iterator[NDArray[Any]]:
    """Yield the slices of a focus stack, lowest focal plane first.

    Parameters
    ----------
    scene : CapScene
    rng : numpy.random.Generator

    Yields
    ------
    ndarray of uint8 or uint16, shape (rows, cols)

    Notes
    -----
    Blur grows as the square root of the squares of focus blur and defocus. Each pixel takes its
    value from textures blurred in steps, between which it is interpolated linearly.
    """
    heights = cap_heights_um(scene)
    grains = 0.45 + scene.contrast * texture(heights.shape, scene.grain_px, rng)
    # Squares of blur are spaced evenly near focus, where they matter, and wider beyond.
    farthest = max(abs(scene.first_z_um), abs(scene.first_z_um + scene.z_step_um * scene.n_slices))
    widest = scene.blur_px_per_um * (farthest + float(np.ptp(heights))) + 1.0
    levels = scene.focus_blur_px + (widest - scene.focus_blur_px) * np.linspace(0, 1, 24) ** 2
    blurred = np.stack([gaussian_blur(grains, float(s)) for s in levels])
    for k in range(scene.n_slices):
        defocus = scene.blur_px_per_um * np.abs(heights - scene.first_z_um - k * scene.z_step_um)
        sigma = np.hypot(scene.focus_blur_px, defocus)
        place = np.clip(np.interp(sigma, levels, np.arange(len(levels))), 0, len(levels) - 1.001)
        low = place.astype(np.intp)
        share = place - low
        rows, cols = np.indices(heights.shape)
        light = blurred[low, rows, cols] * (1 - share) + blurred[low + 1, rows, cols] * share
        light += scene.noise * rng.standard_normal(light.shape)
        yield quantise(light, scene.bits)


def height_map_um(
    scene: CapScene, rng: np.random.Generator, noise_um: float
) -> NDArray[np.float32]:
    """Return a ready height map with noise, as another instrument would give it."""
    heights = cap_heights_um(scene) + noise_um * rng.standard_normal(scene.size_px[::-1])
    return heights.astype(np.float32)


def _places_um(scene: CapScene) -> tuple[FloatArray, FloatArray]:
    cols, rows = scene.size_px
    x = (np.arange(cols) - scene.top_px[0]) * scene.um_per_px[0]
    y = (np.arange(rows) - scene.top_px[1]) * scene.um_per_px[1]
    grid_x, grid_y = np.meshgrid(x, y)
    return grid_x, grid_y
