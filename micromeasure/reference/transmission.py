"""Rendered frames of films in transmitted and reflected light, from photons to stored digits.

The camera is a chain of physical steps (EMVA 1288 linear model): photons of an uneven lamp pass
the film, stray light is added, each pixel converts them with its own sensitivity, electrons
arrive one by one (Poisson law), the amplifier adds its noise, and digits are cut, then encoded.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.calibration.file import SCHEMA, Calibration, Light
from micromeasure.micrograph.image import Header, ImageRecord, Micrograph
from micromeasure.reference.render import (
    disc_coverage,
    gaussian_blur,
    polygon_coverage,
    texture,
    uneven_light,
)

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """A camera in physical units.

    Attributes
    ----------
    bits : int
        8 bits are stored in bytes, more in 16-bit words.
    full_well_e : float
        Electrons at the end of the range.
    read_noise_e : float
    black_share : float
        Dark level as a share of the range.
    prnu : float
        Relative standard deviation of the pixels' sensitivity.
    dsnu_e : float
        Standard deviation of the pixels' dark levels, electrons.
    encode : callable or None
        From linear share of the range to stored share; None for a linear camera.
    """

    bits: int = 12
    full_well_e: float = 15000.0
    read_noise_e: float = 5.0
    black_share: float = 0.016
    prnu: float = 0.008
    dsnu_e: float = 1.5
    encode: Callable[[FloatArray], FloatArray] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """A lamp, an objective and a camera that take frames of one another.

    Attributes
    ----------
    shape : tuple of two ints
    camera : Camera
    fill : float
        Open light at the brightest place as a share of the range, at exposure 1.
    glare : float
        Stray light everywhere as a share of the open light's mean.
    falloff, slope, slope_deg : float
        See `micromeasure.reference.render.uneven_light`.
    blur_px : float
        Gaussian blur of the objective.
    pattern_seed : int
        The sensor's fixed pattern: the same for all frames of a bench.
    """

    shape: tuple[int, int]
    camera: Camera = field(default_factory=Camera)
    fill: float = 0.85
    glare: float = 0.0
    falloff: float = 0.15
    slope: float = 0.05
    slope_deg: float = 20.0
    blur_px: float = 1.2
    pattern_seed: int = 1

    def open_light(self) -> FloatArray:
        """Return the light without specimen, stray light left out, 1 at the brightest place."""
        light = uneven_light(
            self.shape, falloff=self.falloff, slope=self.slope, slope_deg=self.slope_deg
        )
        brightest: FloatArray = light / light.max()
        return brightest

    def frame(
        self,
        transmittance: FloatArray | float,
        rng: np.random.Generator,
        *,
        lamp: float = 1.0,
        exposure: float = 1.0,
        glare: float | None = None,
    ) -> NDArray[Any]:
        """Return stored digits of one frame.

        Parameters
        ----------
        transmittance : ndarray or float
            1 for open light, 0 behind an opaque stop.
        rng : numpy.random.Generator
        lamp, exposure : float
            Both multiply all light; 0 makes a dark frame.
        glare : float or None
            Other stray light than the bench's.
        """
        camera, light = self.camera, self.open_light()
        passed = light * np.broadcast_to(np.asarray(transmittance, dtype=np.float64), self.shape)
        if np.ptp(passed) > 0:
            passed = gaussian_blur(passed, self.blur_px)
        stray = (self.glare if glare is None else glare) * light.mean()
        pattern = np.random.default_rng(self.pattern_seed)
        gain = 1.0 + camera.prnu * pattern.standard_normal(self.shape)
        offset = camera.dsnu_e * pattern.standard_normal(self.shape)
        scale = self.fill * camera.full_well_e * lamp * exposure
        electrons = rng.poisson(np.maximum(scale * gain * (passed + stray), 0.0))
        signal = electrons + offset + camera.read_noise_e * rng.standard_normal(self.shape)
        share = signal / camera.full_well_e + camera.black_share
        if camera.encode is not None:
            share = camera.encode(np.clip(share, 0.0, 1.0))
        top = (1 << camera.bits) - 1
        digits = np.clip(np.rint(share * top), 0, top)
        stored: NDArray[Any] = digits.astype(np.uint8 if camera.bits == 8 else np.uint16)
        return stored


def as_micrograph(
    digits: NDArray[Any],
    *,
    bits: int,
    name: str,
    transfer: float | str | None = "linear",
    exposure_s: float | None = None,
    calibration: Calibration | None = None,
    extra: Mapping[str, str] | None = None,
) -> Micrograph:
    """Return digits as a micrograph of pixels that are not square."""
    rows, cols = digits.shape[:2]
    return Micrograph(
        pixels=digits,
        calibration=calibration
        or Calibration(
            schema=SCHEMA, id="bench", um_per_px=(0.5, 0.52), light=Light(transfer=transfer)
        ),
        record=ImageRecord(image=name, extra=extra or {}),
        header=Header(
            format="TIFF",
            width_px=cols,
            height_px=rows,
            channels=1 if digits.ndim == 2 else 3,
            dtype=str(digits.dtype),
            bits=bits,
            exposure_s=exposure_s,
        ),
        sha256=name,
    )


def patchy_film(
    shape: tuple[int, int],
    density: float,
    rng: np.random.Generator,
    *,
    sd_rel: float = 0.0,
    grain_px: float = 12.0,
) -> FloatArray:
    """Return the transmittance of a film whose thickness varies.

    Parameters
    ----------
    shape : tuple of two ints
    density : float
        Mean density.
    rng : numpy.random.Generator
    sd_rel : float
        Standard deviation of the density, relative to it.
    grain_px : float
        Width of the patches.
    """
    if sd_rel <= 0.0:
        return np.full(shape, 10.0**-density)
    patches = texture(shape, grain_px, rng)
    return np.asarray(10.0 ** (-density * (1.0 + sd_rel * patches)), dtype=np.float64)


def with_dust(
    transmittance: FloatArray, rng: np.random.Generator, *, specks: int, scratches: int = 0
) -> FloatArray:
    """Return a film with opaque specks of dust and dark scratches on it."""
    rows, cols = transmittance.shape
    cover = np.zeros(transmittance.shape)
    for _ in range(specks):
        centre = (float(rng.uniform(0, cols)), float(rng.uniform(0, rows)))
        disc = disc_coverage(centre, float(rng.uniform(1.5, 5.0)), transmittance.shape)
        cover = np.maximum(cover, rng.uniform(0.3, 1.0) * disc)
    for _ in range(scratches):
        start = np.array([rng.uniform(0, cols), rng.uniform(0, rows)])
        along = rng.normal(size=2)
        along *= rng.uniform(0.1, 0.4) * cols / np.hypot(*along)
        across = np.array([-along[1], along[0]]) / np.hypot(*along) * rng.uniform(0.5, 1.2)
        corners = np.array([start, start + along, start + along + across, start + across])
        cover = np.maximum(cover, 0.6 * polygon_coverage(corners, transmittance.shape))
    return transmittance * (1.0 - cover)
