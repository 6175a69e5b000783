"""Flags of a transmittance: clipped, dark, mismatched or drowned in stray light."""

import numpy as np
from numpy.typing import NDArray

from micromeasure.micrograph.image import Micrograph
from micromeasure.micrograph.light import Box, ceiling_of, pixels_in
from micromeasure.opacity.levels import Levels
from micromeasure.opacity.scene import Scene

BoolArray = NDArray[np.bool_]

# Shares of clipped pixels, and of pixels without any light, that are still harmless.
_CLIPPED_SHARE = 0.001
_BLACK_SHARE = 0.01
# Signals with a greater relative standard uncertainty are called underexposed ...
_SIGNAL_U_REL = 0.05
# ... and so is an open light that uses less than this share of the camera's range.
_OPEN_SHARE = 0.02
# A film that adds less than this many steps of the digits to the dark level is lost in them.
_LEAST_STEPS = 2.0
# Stray light beyond this share of what was measured dominates it.
_STRAY_SHARE = 0.5


def doubts(
    scene: Scene,
    mask: BoolArray,
    levels: Levels,
    *,
    signal: float,
    u_signal: float,
    stray: float,
) -> tuple[str, ...]:
    """Return the flags of a film.

    Parameters
    ----------
    scene : Scene
    mask : ndarray of bool
        Cells of the film.
    levels : Levels
    signal, u_signal : float
        Transmittance and its standard uncertainty from noise, dark level and digits.
    stray : float
        Greatest stray light not corrected for, as transmittance.
    """
    flags = []
    if is_clipped(scene, mask):
        flags.append("saturated")
    if _is_dark(scene, mask, levels) or signal <= 0.0 or u_signal > _SIGNAL_U_REL * signal:
        flags.append("underexposed")
    if not scene.film.response.is_known:
        flags.append("response-unknown")
    if scene.exposure_mismatch:
        flags.append("exposure-mismatch")
    corrected = levels.gamma * levels.rho / max(levels.film, 1e-12)
    if max(corrected, stray / max(signal, 1e-12)) > _STRAY_SHARE:
        flags.append("glare-dominated")
    return tuple(flags)


def is_clipped(scene: Scene, mask: BoolArray) -> bool:
    """Return whether film, bare area or open light reach the end of the camera's range."""
    areas = (mask,) if scene.bare is None else (mask, scene.bare)
    stacks = (scene.film,) if scene.open_light is None else (scene.film, scene.open_light)
    for frame in (frame for stack in stacks for frame in stack.frames):
        pixels = pixels_in(frame, scene.box)
        ceiling = ceiling_of(frame)
        if pixels.max() < ceiling:
            continue
        hit = pixels >= ceiling
        if any(_share_in(hit, scene.box, area) > _CLIPPED_SHARE for area in areas):
            return True
    return False


def _share_in(hit: BoolArray, box: Box, mask: BoolArray) -> float:
    import cv2

    flat = hit if hit.ndim == 2 else hit.max(axis=2)
    cells = cv2.resize(flat.astype(np.float32), (box.cols, box.rows), interpolation=cv2.INTER_AREA)
    return float(cells[mask].mean(dtype=np.float64))


def _is_dark(scene: Scene, mask: BoolArray, levels: Levels) -> bool:
    """Return whether the film's noise is cut off at zero, or hardly any range is used."""
    level = float(scene.film.cells[mask].mean(dtype=np.float64))
    net = levels.film / levels.per_light
    if net < _LEAST_STEPS * scene.film.response.step(level):
        return True
    pixels = pixels_in(scene.film.frames[0], scene.box)
    if pixels.min() <= 0 and _share_in(pixels <= 0, scene.box, mask) > _BLACK_SHARE:
        return True
    if scene.open_light is None or scene.open_light.response.decode is not None:
        return False
    frame = scene.open_light.frames[0]
    if frame.pixels.dtype.kind == "f":
        return False
    return levels.light < _OPEN_SHARE * _range_of(frame)


def _range_of(frame: Micrograph) -> float:
    """Return the end of the camera's range, guessed from the values where the file is silent.

    Words of 16 bits that nothing says to hold fewer: the smallest common range that holds all.
    """
    if frame.header.bits != 16:
        return frame.full_scale
    greatest = int(frame.pixels.max())
    return next(float((1 << bits) - 1) for bits in (10, 12, 14, 16) if greatest < 1 << bits)
