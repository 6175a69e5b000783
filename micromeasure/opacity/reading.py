"""The transmittance and density of a film with everything that makes them uncertain."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from micromeasure.estimate import Component, Estimate
from micromeasure.opacity.doubts import doubts
from micromeasure.opacity.grain import Grain, grain_of
from micromeasure.opacity.levels import Levels, Split, levels_of, split_of, transmittance_cells
from micromeasure.opacity.lights import lamp_components, response_components, signal_components
from micromeasure.opacity.scene import Scene

FloatArray = NDArray[np.float64]

LN10 = math.log(10.0)
# Below this many standard uncertainties a signal is not told from darkness.
_DETECTED = 3.0
# Averaging sees below one step of the digits, but no camera keeps its dark level better than this.
_LEAST_STEPS = 0.25
# One-sided and two-sided 95 % quantiles of the normal distribution.
_ONE_SIDED = 1.645
_TWO_SIDED = 1.960
# Stray light is as likely anywhere up to its bound; the interval reaches to this share of it.
_STRAY_QUANTILE = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One film as measured.

    Attributes
    ----------
    name : str
    transmittance, density : Estimate
        The density is a lower limit where the film is not told from darkness.
    transmittance_sd, density_sd : Estimate or None
        Standard deviation over the film, camera noise taken out; None for a lower limit.
    n_px : int
    flags : tuple of str
    facts : mapping of str to float
    """

    name: str
    transmittance: Estimate
    density: Estimate
    transmittance_sd: Estimate | None
    density_sd: Estimate | None
    n_px: int
    flags: tuple[str, ...]
    facts: Mapping[str, float]


def read_film(scene: Scene, name: str, *, average: str = "transmittance") -> Reading:
    """Measure one film of a scene.

    Parameters
    ----------
    scene : Scene
    name : str
        Key in ``scene.films``.
    average : str
        ``transmittance``: density of the mean transmittance, as a densitometer of the film's
        size would read; ``density``: mean of the cells' densities.

    Returns
    -------
    Reading
        Uncertainties are None where the camera's response or the ratio of exposures is unknown,
        or light was clipped.
    """
    mask = scene.films[name]
    n_px = int(np.count_nonzero(mask)) * scene.box.cell_px**2
    levels, split = levels_of(scene, mask), split_of(scene, mask)
    grain = grain_of(scene, mask, scene.plan.channel)
    t = levels.transmittance if split is None else split.transmittance
    signal = (*signal_components(scene, name, levels, grain), *_split_component(split))
    step = scene.film.response.step(float(scene.film.cells[mask].mean(dtype=np.float64)))
    floor = _LEAST_STEPS * step * levels.by_film * levels.per_light
    u_signal = math.sqrt(math.fsum(c.u**2 for c in signal))
    bound = _stray_bound(scene, t)
    flags = doubts(scene, mask, levels, signal=t, u_signal=u_signal, stray=bound)
    known = not {"response-unknown", "saturated"} & set(flags) and not scene.exposure_unknown
    cells = transmittance_cells(scene, levels, mask)
    noise = grain.variance * levels.by_film**2 / scene.box.cell_px**2
    sd = _patchiness(cells, noise, grain)
    lamp = lamp_components(scene, levels, t)
    u_lamp = math.sqrt(math.fsum(c.u**2 for c in lamp))
    common = (
        *signal,
        *lamp,
        *_left_out(scene, name, levels, sd),
        *response_components(scene, levels, t),
    )
    reading = Reading(
        name=name,
        transmittance=Estimate(
            value=t, unit="1", components=(*common, *_stray_in_t(bound, u_lamp)) if known else None
        ),
        density=_limit(t, u_signal, floor),
        transmittance_sd=None,
        density_sd=None,
        n_px=n_px,
        flags=flags,
        facts={
            "lamp_ratio": levels.rho,
            "glare_share": levels.gamma,
            "noise_sd_px": math.sqrt(grain.variance),
            "photon_transfer": float(grain.by_photon_transfer),
        },
    )
    if t < max(_DETECTED * u_signal, floor) or t <= 0.0:
        return replace(reading, flags=(*flags, "lower-limit"))
    value = -math.log10(t) if average == "transmittance" else _mean_density(cells, t, noise)
    in_density = tuple(replace(c, u=-c.u / (t * LN10)) for c in common)
    return replace(
        reading,
        density=Estimate(
            value=value,
            unit="1",
            components=(*in_density, *_stray_in_density(bound, t, u_lamp)) if known else None,
        ),
        transmittance_sd=sd,
        density_sd=sd.scaled(1.0 / (t * LN10)),
    )


def _limit(t: float, u_signal: float, floor: float) -> Estimate:
    """Return the density below which the film's can be ruled out with 95 % confidence."""
    most = max(max(t, 0.0) + _ONE_SIDED * u_signal, floor)
    return Estimate(value=None, unit="1", components=None, low_limit=-math.log10(max(most, 1e-12)))


def _split_component(split: Split | None) -> tuple[Component, ...]:
    if split is None:
        return ()
    return (
        Component(
            name="dark level or glare",
            u=split.half_range / math.sqrt(3.0),
            source="no dark frame beside the opaque frame: rectangle between all and nothing",
        ),
    )


def _left_out(scene: Scene, name: str, levels: Levels, sd: Estimate) -> tuple[Component, ...]:
    """Return what leaving out dust, bubbles and folds does to the mean over the whole film.

    Notes
    -----
    The film beneath n spots that take up a share f of the area is unknown by sd/sqrt(n) in its
    mean; and what still shines out of the spots' rims shows when these are made one cell wider.
    """
    import cv2

    out = scene.areas[name] & scene.excluded
    if not out.any():
        return ()
    spots = cv2.connectedComponents(out.astype(np.uint8), connectivity=8)[0] - 1
    beneath = float(np.mean(out[scene.areas[name]])) * (sd.value or 0.0) / math.sqrt(spots)
    wider = np.asarray(cv2.dilate(out.astype(np.uint8), np.ones((3, 3), np.uint8)), dtype=bool)
    kept = scene.films[name] & ~wider
    if not kept.any():
        kept = scene.films[name]
    change = float(
        transmittance_cells(scene, levels, kept).mean()
        - transmittance_cells(scene, levels, scene.films[name]).mean()
    )
    return (
        Component(
            name="left out",
            u=math.hypot(beneath, change),
            kind="A",
            source=f"{spots} spots of dust, bubbles or folds left out",
        ),
    )


def _stray_bound(scene: Scene, t: float) -> float:
    """Return the greatest stray light and dark level, as transmittance, not corrected for."""
    if scene.opaque is not None:
        return 0.0
    plan = scene.plan
    bound = plan.glare_rel + (plan.dark_level_rel if scene.dark is None else 0.0)
    # Stray light is never more than all the light that arrived.
    return min(bound * max(0.0, 1.0 - t), t) if t > 0.0 else bound


def _one_sided(shift: float, u_other: float) -> float:
    """Return a standard uncertainty for a shift that only ever goes one way.

    Notes
    -----
    Squares would let an interval about the uncorrected value end before shift and drift
    together do. The result makes 1.96 u_total = 1.96 u_other + shift.
    """
    half = shift / _TWO_SIDED
    return math.sqrt(half * half + 2.0 * half * u_other)


def _stray_in_t(bound: float, u_lamp: float) -> tuple[Component, ...]:
    if bound <= 0.0:
        return ()
    return (
        Component(
            name="glare",
            u=-_one_sided(_STRAY_QUANTILE * bound, u_lamp),
            shared="glare",
            source="no opaque frame: one-sided, 95 % of the greatest stray light",
        ),
    )


def _stray_in_density(bound: float, t: float, u_lamp: float) -> tuple[Component, ...]:
    """Return what stray light within its bound may do to a density.

    Notes
    -----
    Stray light g, anywhere between 0 and its bound, hides a density that is greater by
    −log10(1 − g/T). Its 95 % quantile is made the half-width of the interval; to first order
    (g << T) this is the same as for the transmittance.
    """
    if bound <= 0.0:
        return ()
    hidden = -math.log10(1.0 - _STRAY_QUANTILE * bound / t)
    return (
        Component(
            name="glare",
            u=_one_sided(hidden, u_lamp / (t * LN10)),
            shared="glare",
            source="no opaque frame: density hidden by 95 % of the greatest stray light",
        ),
    )


def _mean_density(cells: FloatArray, t: float, noise: float) -> float:
    """Return the mean of the cells' densities; noise biases a logarithm and is allowed for."""
    # Cells that noise took to zero have no logarithm: they are kept at a hundredth of the mean.
    safe = np.maximum(cells, 0.01 * t)
    return float(-np.log10(safe).mean()) - noise / (2.0 * LN10 * t * t)


def _patchiness(cells: FloatArray, noise: float, grain: Grain) -> Estimate:
    """Return the standard deviation of the transmittance over cells, camera noise taken out."""
    total = float(cells.var(ddof=1))
    own = max(0.0, total - noise)
    u_variance = math.hypot(noise * grain.u_rel, noise * math.sqrt(2.0 / len(cells)))
    sd = math.sqrt(own)
    # Where the variance is not told from zero its square root has no derivative.
    u = u_variance / (2.0 * sd) if own > 2.0 * u_variance else math.sqrt(u_variance)
    return Estimate(
        value=sd,
        unit="1",
        components=(
            Component(
                name="camera noise", u=u, kind="A", source="variance taken out of the cells'"
            ),
        ),
    )
