"""Uncertainty components of a transmittance: noise, frames that repeat, lamp, response."""

import math

import numpy as np
from numpy.typing import NDArray

from micromeasure.estimate import Component
from micromeasure.micrograph.light import Stack
from micromeasure.opacity.grain import Grain, grain_of, stack_variance
from micromeasure.opacity.levels import Levels
from micromeasure.opacity.noise import quantisation_u
from micromeasure.opacity.scene import Scene

BoolArray = NDArray[np.bool_]
Components = tuple[Component, ...]

LN10 = math.log(10.0)
# Squares of cells whose means are compared to see whether the light's pattern has changed.
_BLOCK_CELLS = 8
# A spread of block means counts only beyond what noise does in one case of some hundreds.
_SIGNIFICANT = 3.0
# Errors of a measured response at levels this close, in density, are taken as one.
_RESPONSE_REACH = 0.2


def signal_components(scene: Scene, name: str, levels: Levels, grain: Grain) -> Components:
    """Return what noise, dark level and digits do to the transmittance of a film."""
    mask = scene.films[name]
    n_px = int(np.count_nonzero(mask)) * scene.box.cell_px**2
    own = max(0.0, grain.variance - grain.from_open)
    found = [
        Component(
            name="camera noise",
            u=levels.by_film * math.sqrt(own / n_px),
            kind="A",
            source=f"noise of {n_px} pixels",
        ),
        Component(
            name="open-light noise",
            u=levels.by_film * math.sqrt(grain.from_open / n_px),
            # The same pixels in every image of a run, but others for each film of one image.
            shared=_key(f"open-light noise:{name}", scene.open_light),
            kind="A",
            source="noise of the open-light frames at the film",
        ),
        Component(
            name="digits of film",
            u=levels.by_film
            * levels.per_light
            * quantisation_u(_step(scene.film, mask), grain.film_spread),
            source="rounding of film values",
        ),
        Component(
            name="digits of open light",
            u=levels.by_rho
            * levels.rho
            * levels.per_light
            * _rounding(scene.open_light, mask, grain.light_spread),
            shared=_key("open-light digits", scene.open_light),
            source="rounding of open-light values",
        ),
    ]
    found += _dark_components(scene, mask, levels)
    found += _opaque_components(scene, name, levels)
    return tuple(c for c in found if c.u)


def _dark_components(scene: Scene, mask: BoolArray, levels: Levels) -> list[Component]:
    dark = scene.dark
    if dark is None:
        return []
    noise = stack_variance(dark, mask, scene.box, scene.plan.channel)
    level = float(dark.cells[mask].mean(dtype=np.float64))
    rounding = quantisation_u(dark.response.step(level), math.sqrt(noise * len(dark.frames)))
    found = [
        Component(
            name="digits of dark",
            u=levels.by_dark * math.hypot(rounding, scene.u_dark),
            shared=_key("dark digits", dark),
            source="rounding of dark values, and noise cut off below zero",
        )
    ]
    if len(dark.levels) > 1:
        spread = _repeatability(dark, noise, scene.box.width_px * scene.box.height_px)
        found.append(
            Component(
                name="dark repeatability",
                u=levels.by_dark * spread,
                dof=len(dark.levels) - 1,
                shared=_key("dark", dark),
                kind="A",
                source=f"spread of {len(dark.levels)} dark frames",
            )
        )
    return found


def _opaque_components(scene: Scene, name: str, levels: Levels) -> list[Component]:
    if scene.opaque is None:
        return []
    stack, mask = scene.opaque.stack, scene.films[name] & scene.opaque.covered
    n_px = max(1, int(np.count_nonzero(mask))) * scene.box.cell_px**2
    noise = stack_variance(stack, mask, scene.box, scene.plan.channel)
    step = _step(stack, mask)
    by_level = levels.by_gamma / levels.q * levels.per_light
    return [
        Component(
            name="opaque-frame noise",
            u=by_level * math.sqrt(noise / n_px),
            shared=_key(f"opaque noise:{name}", stack),
            kind="A",
            source=f"noise of {n_px} pixels of the opaque frames",
        ),
        Component(
            name="digits of opaque frame",
            u=by_level * quantisation_u(step, math.sqrt(noise * len(stack.frames))),
            shared=_key("opaque digits", stack),
            source="rounding",
        ),
    ]


def _repeatability(stack: Stack, noise: float, n_px: int) -> float:
    """Return the standard uncertainty of a stack's mean level, its pixel noise taken out."""
    spread = float(np.var(stack.levels, ddof=1)) / len(stack.levels)
    return math.sqrt(max(0.0, spread - noise / n_px))


def lamp_components(scene: Scene, levels: Levels, t: float) -> Components:
    """Return what the lamp and the evenness of its light do to a transmittance."""
    found = _bare_components(scene, levels) if scene.bare is not None else _drift(scene, levels)
    if scene.u_flat_rel:
        found.append(
            Component(
                name="uneven light",
                u=t * scene.u_flat_rel,
                source="no open-light frame: light at the film carried over from the bare area",
            )
        )
    opaque = scene.opaque
    if opaque is not None and opaque.bare is None and scene.plan.lamp_drift_rel:
        found.append(
            Component(
                name="lamp in opaque frame",
                u=levels.by_gamma * levels.gamma * scene.plan.lamp_drift_rel / math.sqrt(3.0),
                shared=_key("opaque lamp", opaque.stack),
                source="lamp_drift_rel, rectangle: the opaque frame shows no bare area",
            )
        )
    return tuple(c for c in found if c.u)


def _bare_components(scene: Scene, levels: Levels) -> list[Component]:
    bare = scene.bare
    if bare is None or scene.open_light is None:
        return []
    grain = grain_of(scene, bare, scene.plan.channel)
    n_px = int(np.count_nonzero(bare)) * scene.box.cell_px**2
    rounding = quantisation_u(_step(scene.film, bare), grain.film_spread) * levels.per_light_bare
    return [
        Component(
            name="bare area",
            u=levels.by_rho * math.sqrt(grain.variance / n_px + rounding**2),
            shared=_key("bare", scene.film),
            kind="A",
            source=f"noise of {n_px} pixels",
        ),
        Component(
            name="uneven light",
            u=levels.by_rho * _block_spread(scene, bare, grain),
            kind="A",
            source="spread over the bare area beyond its noise",
        ),
    ]


def _block_spread(scene: Scene, bare: BoolArray, grain: Grain) -> float:
    """Return how much the light's pattern differs between film frame and open light."""
    rows, cols = np.nonzero(bare)
    block = (rows // _BLOCK_CELLS) * 1_000_000 + cols // _BLOCK_CELLS
    _, index, count = np.unique(block, return_inverse=True, return_counts=True)
    full = count >= _BLOCK_CELLS**2 // 2
    if np.count_nonzero(full) < 4:
        return 0.0
    means = np.bincount(index, weights=scene.raw[bare].astype(np.float64)) / count
    expected = float(np.mean(grain.variance / (count[full] * scene.box.cell_px**2)))
    found = float(np.var(means[full], ddof=1))
    chance = expected * math.sqrt(2.0 / (np.count_nonzero(full) - 1))
    return math.sqrt(found - expected) if found > expected + _SIGNIFICANT * chance else 0.0


def _drift(scene: Scene, levels: Levels) -> list[Component]:
    """Return the lamp's drift where no bare area tells it: half of it common to all images."""
    light = scene.open_light
    # A brighter lamp brightens the stray light as well, which was subtracted as if it had not.
    whole = abs(levels.by_rho * levels.rho)
    half = whole * scene.plan.lamp_drift_rel / math.sqrt(6.0)
    source = "lamp_drift_rel, rectangle: no bare area in the image"
    found = [
        Component(name="lamp", u=half, shared=_key("lamp", scene.film), source=source),
        Component(
            name="lamp, open light", u=half, shared=_key("open-light lamp", light), source=source
        ),
    ]
    if light is not None and len(light.levels) > 1:
        level = float(np.mean(light.levels))
        noise = stack_variance(light, np.ones_like(scene.excluded), scene.box, scene.plan.channel)
        spread = _repeatability(light, noise, scene.box.width_px * scene.box.height_px)
        found.append(
            Component(
                name="open-light repeatability",
                u=whole * spread / level,
                dof=len(light.levels) - 1,
                shared=_key("open-light", light),
                kind="A",
                source=f"spread of {len(light.levels)} open-light frames",
            )
        )
    return found


def response_components(scene: Scene, levels: Levels, t: float) -> Components:
    """Return what a measured camera response leaves uncertain in a transmittance."""
    response = scene.film.response
    film = levels.film * levels.light
    top = levels.rho * levels.light
    calibration = scene.film.frames[0].calibration.id
    found = []
    for name, light in (("response at film", film), ("response at open light", top)):
        reach = round(math.log10(max(light, 1e-12)) / _RESPONSE_REACH)
        sign = 1.0 if light is film else -1.0
        found.append(
            Component(
                name=name,
                u=sign * t * LN10 * response.density_u(light),
                shared=f"response:{calibration}:{reach}",
                source=f"camera response {response.name}",
            )
        )
    return tuple(c for c in found if c.u)


def _rounding(stack: Stack | None, mask: BoolArray, spread: float) -> float:
    return 0.0 if stack is None else quantisation_u(_step(stack, mask), spread)


def _step(stack: Stack, mask: BoolArray) -> float:
    return stack.response.step(float(stack.cells[mask].mean(dtype=np.float64)))


def _key(cause: str, stack: Stack | None) -> str | None:
    if stack is None:
        return None
    return f"{cause}:{stack.frames[0].sha256[:16] or stack.frames[0].record.image}"
