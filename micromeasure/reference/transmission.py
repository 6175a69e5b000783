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


@dataclass(frozen=True, slots=True, kw_only=True)
class LightImage:
    """One image of the sample study with its row of the manifest and its truth.

    Attributes
    ----------
    name : str
    pixels : ndarray of uint16
        12 bits.
    view : str
        Empty for a companion frame, which has no row in the manifest.
    specimen, revision : str
    backing : str
        ``black`` or ``white`` in reflected light.
    density, reflectance : float or None
        True mean over the film without its dust.
    """

    name: str
    pixels: NDArray[Any]
    view: str = ""
    specimen: str = ""
    revision: str = ""
    backing: str = ""
    density: float | None = None
    reflectance: float | None = None


SAMPLE_SHAPE = (400, 540)
SAMPLE_BITS = 12
# Film of lot M is about 9 % thicker than that of lot K; its density is only 4 % greater, so its
# material lets more light through, not less.
SAMPLE_DENSITY: Mapping[str, float] = {"K": 0.80, "M": 0.83}
SAMPLE_PAIR_REGIONS: Mapping[str, tuple[int, int, int, int]] = {
    "K": (20, 25, 225, 375),
    "open": (255, 25, 295, 375),
    "M": (325, 25, 520, 375),
}
SAMPLE_REFLECTANCE: Mapping[tuple[str, str], float] = {
    ("K", "black"): 0.352,
    ("K", "white"): 0.441,
    ("M", "black"): 0.318,
    ("M", "white"): 0.422,
}


def sample_images(seed: int = 20260211) -> list[LightImage]:
    """Render the transmitted and reflected frames of the sample study.

    Open light, dark and opaque frames; films of lots K and M, three specimens each, beside a
    bare strip; one frame with both films side by side; a white tile, and one specimen of each
    lot over a black and over a white backing.

    Parameters
    ----------
    seed : int
        The same seed gives the same images.
    """
    rng = np.random.default_rng(seed)
    bench = _sample_bench(glare=0.012)
    strip = _bare_strip(rng)
    images = [
        LightImage(name="open_light.tif", pixels=bench.frame(1.0, rng)),
        LightImage(name="dark.tif", pixels=bench.frame(0.0, rng, lamp=0.0)),
        LightImage(name="opaque.tif", pixels=bench.frame(strip, rng)),
    ]
    for lot, density in SAMPLE_DENSITY.items():
        for number in (1, 2, 3):
            film = patchy_film(SAMPLE_SHAPE, density + rng.normal(0.0, 0.003), rng, sd_rel=0.015)
            dusty = with_dust(film, rng, specks=int(rng.integers(3, 9)), scratches=1)
            strip = _bare_strip(rng)
            scene = strip + (1.0 - strip) * dusty
            lamp = 1.0 + float(rng.uniform(-0.03, 0.03))
            images.append(
                LightImage(
                    name=f"transmitted_{lot}{number}.tif",
                    pixels=bench.frame(scene, rng, lamp=lamp),
                    view="film-transmitted",
                    specimen=f"{lot}{number}",
                    revision=lot,
                    density=float(-np.log10(film[strip < 1e-6].mean())),
                )
            )
    images.append(_sample_pair(bench, rng))
    images.extend(_sample_reflected(rng))
    return images


def _sample_bench(glare: float) -> Bench:
    # Thirty-two exposures summed in the camera: less noise, and files that stay small.
    camera = Camera(full_well_e=320_000.0, read_noise_e=20.0, prnu=0.002, dsnu_e=4.0)
    return Bench(shape=SAMPLE_SHAPE, camera=camera, glare=glare, pattern_seed=5)


def _bare_strip(rng: np.random.Generator) -> FloatArray:
    """Return a bare strip at the left: 1 in it, 0 on the film, its edge not quite upright."""
    rows, _ = SAMPLE_SHAPE
    top, bottom = rng.uniform(90.0, 115.0, size=2)
    corners = np.array([[-9.0, -9.0], [top, -9.0], [bottom, rows + 9.0], [-9.0, rows + 9.0]])
    return polygon_coverage(corners, SAMPLE_SHAPE)


def _sample_pair(bench: Bench, rng: np.random.Generator) -> LightImage:
    films = {
        lot: patchy_film(SAMPLE_SHAPE, density, rng, sd_rel=0.01)
        for lot, density in SAMPLE_DENSITY.items()
    }
    x = np.arange(SAMPLE_SHAPE[1])
    scene = np.where(x < 240, films["K"], np.where(x > 310, films["M"], 1.0))
    return LightImage(
        name="pair_K_M.tif",
        pixels=bench.frame(scene, rng),
        view="film-pair",
        specimen="pair",
        revision="M",
    )


def _sample_reflected(rng: np.random.Generator) -> list[LightImage]:
    bench = _sample_bench(glare=0.0)
    images = [LightImage(name="white_tile.tif", pixels=bench.frame(1.0, rng))]
    for (lot, backing), reflectance in SAMPLE_REFLECTANCE.items():
        film = reflectance * (1.0 + 0.01 * texture(SAMPLE_SHAPE, 10.0, rng))
        images.append(
            LightImage(
                name=f"reflected_{lot}1_{backing}.tif",
                pixels=bench.frame(film, rng),
                view="film-reflected",
                specimen=f"{lot}1",
                revision=lot,
                backing=backing,
                reflectance=float(film.mean()),
            )
        )
    return images
