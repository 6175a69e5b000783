"""The light levels a transmittance is made of, and how it depends on each of them.

Model of one frame, pixel by pixel, after the camera's response is undone: dark level
+ exposure x lamp x (light through the film + stray light). With A = (film − dark)/(open − dark),
rho = exposure and lamp of the film frame over those of the open light, and gamma = stray light
over all light of the open frame,

    T = (A/rho − gamma) / (1 − gamma).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.opacity.scene import Scene, exposure_ratio

Float32Array = NDArray[np.float32]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """Mean levels at one film, each as a share of the open light at the same place.

    Attributes
    ----------
    film : float
        A in the model.
    rho : float
        From the bare area where there is one, otherwise from the exposure times.
    opaque : float
        Opaque frame at the film; 0 without one.
    q : float
        Exposure and lamp of the opaque frame over those of the open light.
    per_light, per_light_bare, per_light_opaque : float
        Mean of 1/(open − dark) at the film, at the bare area and at that of the opaque frame;
        the latter two are 0 where there is no such area.
    light : float
        Mean of open − dark at the film, in the unit of the linear values.
    """

    film: float
    rho: float
    opaque: float
    q: float
    per_light: float
    per_light_bare: float
    per_light_opaque: float
    light: float

    @property
    def gamma(self) -> float:
        """Stray light as a share of all light of the open frame."""
        return self.opaque / self.q

    @property
    def transmittance(self) -> float:
        """The transmittance of the film."""
        return (self.film / self.rho - self.gamma) / (1.0 - self.gamma)

    @property
    def by_film(self) -> float:
        """Derivative of the transmittance by `film`."""
        return 1.0 / (self.rho * (1.0 - self.gamma))

    @property
    def by_rho(self) -> float:
        """Derivative of the transmittance by `rho`."""
        return -self.film / (self.rho**2 * (1.0 - self.gamma))

    @property
    def by_gamma(self) -> float:
        """Derivative of the transmittance by `gamma`."""
        return (self.transmittance - 1.0) / (1.0 - self.gamma)

    @property
    def by_dark(self) -> float:
        """Derivative of the transmittance by a dark level that is the same everywhere."""
        film = (self.film - 1.0) * self.per_light
        rho = (self.rho - 1.0) * self.per_light_bare
        gamma = 0.0
        if self.opaque:
            q = (self.q - 1.0) * self.per_light_opaque
            gamma = ((self.opaque - 1.0) * self.per_light - self.gamma * q) / self.q
        return self.by_film * film + self.by_rho * rho + self.by_gamma * gamma


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """What an opaque frame without a dark frame leaves open: how much of it is dark level.

    Attributes
    ----------
    transmittance : float
        Midway between all of it and none of it being dark level.
    half_range : float
        Half of the difference between the two.
    """

    transmittance: float
    half_range: float


def levels_of(scene: Scene, mask: BoolArray, dark_level: float = 0.0) -> Levels:
    """Return the levels at a film.

    Parameters
    ----------
    scene : Scene
    mask : ndarray of bool
        Cells of the film.
    dark_level : float
        A dark level on top of the scene's, the same everywhere.
    """
    dark = scene.base + np.float32(dark_level)
    light = scene.illumination - np.float32(dark_level)
    rho, per_light_bare = scene.exposure_ratio, 0.0
    if scene.bare is not None:
        rho = _share(scene.film.cells, dark, light, scene.bare)
        per_light_bare = _per_light(light, scene.bare)
    opaque, q, per_light_opaque = 0.0, 1.0, 0.0
    if scene.opaque is not None:
        stack = scene.opaque.stack
        opaque = _share(stack.cells, dark, light, mask & scene.opaque.covered)
        q = exposure_ratio(stack, scene.open_light or scene.film)
        if scene.opaque.bare is not None:
            q = _share(stack.cells, dark, light, scene.opaque.bare)
            per_light_opaque = _per_light(light, scene.opaque.bare)
    return Levels(
        film=_share(scene.film.cells, dark, light, mask),
        rho=rho,
        opaque=opaque,
        q=q,
        per_light=_per_light(light, mask),
        per_light_bare=per_light_bare,
        per_light_opaque=per_light_opaque,
        light=float(light[mask].mean(dtype=np.float64)),
    )


def split_of(scene: Scene, mask: BoolArray) -> Split | None:
    """Return what is left open where an opaque frame stands in for the dark frame, else None."""
    if scene.opaque is None or scene.dark is not None:
        return None
    covered = scene.opaque.stack.cells[mask & scene.opaque.covered]
    # The dark level cannot be above the darkest part of the opaque frame.
    most = max(0.0, float(np.percentile(covered, 5)))
    ends = [levels_of(scene, mask, level).transmittance for level in (0.0, most)]
    return Split(transmittance=sum(ends) / 2.0, half_range=abs(ends[1] - ends[0]) / 2.0)


def transmittance_cells(scene: Scene, levels: Levels, mask: BoolArray) -> NDArray[np.float64]:
    """Return the transmittance of each cell of a film, shape (n,)."""
    raw = scene.raw[mask].astype(np.float64)
    stray = scene.stray[mask] if isinstance(scene.stray, np.ndarray) else 0.0
    gamma = stray / levels.q
    cells: NDArray[np.float64] = (raw / levels.rho - gamma) / (1.0 - gamma)
    return cells


def _share(
    cells: Float32Array, dark: Float32Array | np.float32, light: Float32Array, mask: BoolArray
) -> float:
    base = dark[mask] if isinstance(dark, np.ndarray) and dark.ndim else dark
    share = (cells[mask] - base) / light[mask]
    return float(share.mean(dtype=np.float64)) if share.size else math.nan


def _per_light(light: Float32Array, mask: BoolArray) -> float:
    return float(np.mean(1.0 / light[mask], dtype=np.float64))
