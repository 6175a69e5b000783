"""A film frame brought together with its companion frames: who is film, bare, dark and glare."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.errors import MeasurementError
from micromeasure.micrograph.image import Micrograph
from micromeasure.micrograph.light import Box, Stack, StackCache, stack_of
from micromeasure.opacity.noise import below_zero
from micromeasure.opacity.regions import Rectangle, cells_of, defects, find_film

Float32Array = NDArray[np.float32]
FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

OPEN = "open"
# An opaque frame lets less than this share of the light through where it is opaque.
_OPAQUE_BELOW = 0.3
# Fewer cells than this make no region: its noise could not be judged.
_LEAST_CELLS = 9
_LARGE_PX = 6_000_000
# A bare area may differ from the expected level by the drift of the lamp and this much.
_BARE_MARGIN = 0.03

_companions = StackCache()


@dataclass(frozen=True, slots=True, kw_only=True)
class LightPlan:
    """What the user says about the light path; see `micromeasure.quantities.optical_density`."""

    regions: Mapping[str, Rectangle] | None = None
    region: Rectangle | None = None
    transfer: float | str | None = None
    channel: str = "luminance"
    mask_defects: bool = True
    lamp_drift_rel: float = 0.05
    glare_rel: float = 0.03
    dark_level_rel: float = 0.03
    exposure_s: float | None = None
    open_light_exposure_s: float | None = None
    opaque_exposure_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Companions:
    """Frames taken beside the film frame; each may be missing (an empty tuple)."""

    open_light: tuple[Micrograph, ...] = ()
    dark: tuple[Micrograph, ...] = ()
    opaque: tuple[Micrograph, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Opaque:
    """Stray light as seen where an opaque stop takes the film's place.

    Attributes
    ----------
    stack : Stack
    covered : ndarray of bool
        Cells behind the stop.
    bare : ndarray of bool or None
        Cells the stop left bare: they tell the lamp's state in this frame.
    stray : ndarray of float32
        Opaque frame over open light, smoothed; carried on where the stop does not cover.
    """

    stack: Stack
    covered: BoolArray
    bare: BoolArray | None
    stray: Float32Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """Everything on cells, ready for the model.

    Attributes
    ----------
    box : Box
    film : Stack
    open_light : Stack or None
    dark : Stack or None
    opaque : Opaque or None
    illumination : ndarray of float32
        Open light without dark; from the bare area of the film frame where there is no
        open-light frame.
    base : ndarray of float32 or float
        Dark level; 0 where it is unknown.
    u_dark : float
        Standard uncertainty of `base` where noise below zero was cut off.
    u_flat_rel : float
        Relative standard uncertainty of `illumination` where it is extrapolated from a bare area.
    exposure_ratio : float
        Exposure of the film frame over that of the open light; 1 where unknown.
    exposure_mismatch : bool
        Exposures differ, or only one of them is known.
    exposure_unknown : bool
        Only one of them is known, and no bare area shows the other.
    areas : mapping of str to ndarray of bool
        Cells of each film, defects included.
    films : mapping of str to ndarray of bool
        Cells of each film, defects taken out.
    bare : ndarray of bool or None
    excluded : ndarray of bool
        Defects.
    """

    box: Box
    film: Stack
    open_light: Stack | None
    dark: Stack | None
    opaque: Opaque | None
    illumination: Float32Array
    base: Float32Array | float
    u_dark: float
    u_flat_rel: float
    exposure_ratio: float
    exposure_mismatch: bool
    exposure_unknown: bool
    areas: Mapping[str, BoolArray]
    films: Mapping[str, BoolArray]
    bare: BoolArray | None
    excluded: BoolArray
    plan: LightPlan

    @property
    def raw(self) -> Float32Array:
        """Film over open light, both without dark."""
        return (self.film.cells - self.base) / self.illumination

    @property
    def stray(self) -> Float32Array | float:
        """Opaque frame over open light, noise smoothed away; 0 without an opaque frame."""
        return 0.0 if self.opaque is None else self.opaque.stray


def make_scene(film: Micrograph, companions: Companions, plan: LightPlan) -> Scene:
    """Bring a film frame together with its companions.

    Raises
    ------
    MeasurementError
        If frames do not fit, a region is empty, or neither open light nor bare area is there.
    """
    box = _box_of(film, plan.region)
    film_stack = stack_of(
        [film], box, transfer=plan.transfer, channel=plan.channel, exposure_s=plan.exposure_s
    )
    light = _stack(companions.open_light, box, plan, plan.open_light_exposure_s)
    dark = _stack(companions.dark, box, plan, None)
    base, u_dark = _base(dark, box, plan.channel)
    ratio, mismatch = _exposures(film_stack, light)
    # With one exposure known and the other not, any level may be that of bare light.
    guessed = mismatch and None in (film_stack.exposure_s, light and light.exposure_s)
    if light is None:
        seen = film_stack.cells - base
        seen /= max(float(np.percentile(seen, 99.5)), 1e-9)
        films, bare = _films_and_bare(seen, box, plan, bare_level=None, image=film.record.image)
        if bare is None:
            message = (
                f"{film.record.image}: there is neither an open-light frame nor a bare area in the "
                f"image; name open_light, or a bare rectangle in regions as '{OPEN}'."
            )
            raise MeasurementError(message)
        illumination, u_flat = _from_bare(film_stack.cells - base, bare, films)
    else:
        illumination, u_flat = light.cells - base, 0.0
        _check_light(illumination, companions.open_light[0])
        films, bare = _films_and_bare(
            (film_stack.cells - base) / illumination,
            box,
            plan,
            bare_level=None if guessed else ratio,
            image=film.record.image,
        )
    opaque = _opaque(
        companions.opaque,
        box,
        plan,
        base=base,
        illumination=illumination,
        light=light or film_stack,
    )
    _check_covered(opaque, films, companions)
    seen = (film_stack.cells - base) / illumination
    seen_ratio = None if bare is None or light is None else float(np.median(seen[bare]))
    if opaque is not None:
        seen -= opaque.stray
    kept, excluded = _without_defects(seen, films, bare, plan)
    return Scene(
        box=box,
        film=film_stack,
        open_light=light,
        dark=dark,
        opaque=opaque,
        illumination=illumination,
        base=base,
        u_dark=u_dark,
        u_flat_rel=u_flat,
        exposure_ratio=ratio,
        exposure_mismatch=mismatch or _is_off(seen_ratio, ratio, plan),
        exposure_unknown=guessed and bare is None,
        areas=films,
        films={name: mask for name, mask in kept.items() if name != OPEN},
        bare=kept.get(OPEN),
        excluded=excluded,
        plan=plan,
    )


def _box_of(film: Micrograph, region: Rectangle | None) -> Box:
    rows, cols = film.pixels.shape[:2]
    col, row = film.origin_px
    cell = 8 if rows * cols > _LARGE_PX else 4
    if region is not None:
        x0, y0 = max(col, round(region[0])), max(row, round(region[1]))
        x1 = min(col + cols - 1, round(region[2]))
        y1 = min(row + rows - 1, round(region[3]))
        col, row, cols, rows = x0, y0, x1 - x0 + 1, y1 - y0 + 1
    if cols < 4 * cell or rows < 4 * cell:
        message = (
            f"{film.record.image}: the part to be measured is {max(0, cols)} x {max(0, rows)} px "
            f"inside the image; must be at least {4 * cell} x {4 * cell}. Correct the region."
        )
        raise MeasurementError(message)
    return Box(col=col, row=row, cols=cols // cell, rows=rows // cell, cell_px=cell)


def _stack(
    frames: Sequence[Micrograph], box: Box, plan: LightPlan, exposure_s: float | None
) -> Stack | None:
    if not frames:
        return None
    return _companions.stack(
        frames, box, transfer=plan.transfer, channel=plan.channel, exposure_s=exposure_s
    )


def _is_off(seen: float | None, expected: float, plan: LightPlan) -> bool:
    """Return whether a bare area is farther from the expected level than any lamp drifts."""
    return seen is not None and abs(seen / expected - 1.0) > _tolerance(plan)


def _tolerance(plan: LightPlan) -> float:
    return max(0.08, plan.lamp_drift_rel + _BARE_MARGIN)


def _base(dark: Stack | None, box: Box, channel: str) -> tuple[Float32Array | float, float]:
    if dark is None:
        return 0.0, 0.0
    shift, u_shift = below_zero(dark, box, channel)
    return dark.cells + np.float32(shift), u_shift


def exposure_ratio(frame: Stack, light: Stack) -> float:
    """Return the exposure of a frame over that of the open light, 1 where either is unknown."""
    if frame.exposure_s is None or light.exposure_s is None:
        return 1.0
    return frame.exposure_s / light.exposure_s


def _exposures(film: Stack, light: Stack | None) -> tuple[float, bool]:
    if light is None or film.exposure_s == light.exposure_s:
        return 1.0, False
    if film.exposure_s is None or light.exposure_s is None:
        return 1.0, True
    ratio = exposure_ratio(film, light)
    return ratio, abs(ratio - 1.0) > 1e-3


def _check_light(illumination: Float32Array, frame: Micrograph) -> None:
    if float(np.percentile(illumination, 1)) <= 0.0:
        message = (
            f"{frame.record.image}: the open light is not brighter than the dark frame; "
            "name the frames the right way round, or take them again."
        )
        raise MeasurementError(message)
    np.maximum(illumination, 1e-6 * float(illumination.max()), out=illumination)


def _films_and_bare(
    ratio: Float32Array,
    box: Box,
    plan: LightPlan,
    *,
    bare_level: float | None,
    image: str,
) -> tuple[dict[str, BoolArray], BoolArray | None]:
    tolerance = _tolerance(plan)
    if plan.regions:
        named = {name: cells_of(rect, box) for name, rect in plan.regions.items()}
        for name, mask in named.items():
            if np.count_nonzero(mask) < _LEAST_CELLS:
                message = (
                    f"{image}: region '{name}' has less than {_LEAST_CELLS} cells of "
                    f"{box.cell_px} x {box.cell_px} px inside the measured part; make it larger."
                )
                raise MeasurementError(message)
        bare = named.pop(OPEN, None)
        if bare is None and bare_level is None:
            found = find_film(ratio, bare_level=None, tolerance=tolerance)
            taken = np.logical_or.reduce(list(named.values()))
            bare = None if found.bare is None else found.bare & ~taken
            bare = None if bare is None or np.count_nonzero(bare) < _LEAST_CELLS else bare
        return named, bare
    found = find_film(ratio, bare_level=bare_level, tolerance=tolerance)
    if np.count_nonzero(found.film) < _LEAST_CELLS:
        message = f"{image}: no film area was found; name the film and the bare area in regions."
        raise MeasurementError(message)
    return {"film": found.film}, found.bare


def _from_bare(
    light: Float32Array, bare: BoolArray, films: Mapping[str, BoolArray]
) -> tuple[Float32Array, float]:
    """Carry the light of a bare area over to the films by a plane.

    Returns
    -------
    ndarray, float
        The plane, and its relative standard uncertainty at the films: from the residuals about
        it, and half of what it differs there from the plain mean, because nothing tells
        whether the slope goes on.
    """
    rows, cols = np.nonzero(bare)
    values = light[bare].astype(np.float64)
    x = (cols - cols.mean()) / light.shape[1]
    y = (rows - rows.mean()) / light.shape[0]
    design = np.column_stack([np.ones_like(x), x, y])
    coefficients, *_ = np.linalg.lstsq(design, values, rcond=None)
    # Along a narrow strip the slope across it is made of noise; keep what is significant.
    residual = values - design @ coefficients
    spread = float(residual.std()) * np.sqrt(np.diag(np.linalg.pinv(design.T @ design)))
    coefficients[1:][np.abs(coefficients[1:]) < 4.0 * spread[1:]] = 0.0
    grid_y, grid_x = np.mgrid[: light.shape[0], : light.shape[1]]
    plane = (
        coefficients[0]
        + coefficients[1] * (grid_x - cols.mean()) / light.shape[1]
        + coefficients[2] * (grid_y - rows.mean()) / light.shape[0]
    )
    mean = float(values.mean())
    apart = max(abs(float(plane[mask].mean()) / mean - 1.0) for mask in films.values())
    smooth = float(np.std(_block_means(residual, rows, cols))) / mean
    plane = np.maximum(plane, 0.05 * mean).astype(np.float32)
    return plane, float(np.hypot(0.5 * apart, smooth))


def _block_means(values: FloatArray, rows: NDArray[np.intp], cols: NDArray[np.intp]) -> FloatArray:
    block = (rows // 8) * 100_000 + cols // 8
    _, index = np.unique(block, return_inverse=True)
    means: FloatArray = np.bincount(index, weights=values) / np.bincount(index)
    return means


def _opaque(
    frames: Sequence[Micrograph],
    box: Box,
    plan: LightPlan,
    *,
    base: Float32Array | float,
    illumination: Float32Array,
    light: Stack,
) -> Opaque | None:
    stack = _stack(frames, box, plan, plan.opaque_exposure_s)
    if stack is None:
        return None
    import cv2

    share = (stack.cells - base) / illumination
    ratio = share / exposure_ratio(stack, light)
    bright = float(np.percentile(ratio, 99.5))
    covered = ratio < _OPAQUE_BELOW * max(bright, 1e-9)
    if bright < _OPAQUE_BELOW or np.count_nonzero(~covered) < _LEAST_CELLS:
        covered = np.ones_like(covered)
        return Opaque(stack=stack, covered=covered, bare=None, stray=_smooth(share, covered))
    kernel = np.ones((5, 5), np.uint8)
    inner = [
        np.asarray(cv2.erode(m.astype(np.uint8), kernel, borderValue=1), dtype=bool)
        for m in (covered, ratio > 0.8 * bright)
    ]
    bare = inner[1] if np.count_nonzero(inner[1]) >= _LEAST_CELLS else None
    return Opaque(stack=stack, covered=inner[0], bare=bare, stray=_smooth(share, inner[0]))


def _smooth(share: Float32Array, covered: BoolArray) -> Float32Array:
    """Smooth a slowly changing field, known in parts, over windows of 15 x 15 cells."""
    import cv2

    weight = cv2.blur(covered.astype(np.float32), (15, 15))
    known = cv2.blur(np.where(covered, share, 0.0).astype(np.float32), (15, 15))
    mean = float(share[covered].mean(dtype=np.float64)) if covered.any() else 0.0
    return np.where(weight > 0.05, known / np.maximum(weight, 0.05), mean).astype(np.float32)


def _check_covered(
    opaque: Opaque | None, films: Mapping[str, BoolArray], companions: Companions
) -> None:
    if opaque is None:
        return
    for name, mask in films.items():
        if np.count_nonzero(mask & opaque.covered) < 0.5 * np.count_nonzero(mask):
            message = (
                f"{companions.opaque[0].record.image}: light passes the opaque frame where film "
                f"'{name}' lies; the stop must cover the film. Take the frame again."
            )
            raise MeasurementError(message)


def _without_defects(
    ratio: Float32Array,
    films: Mapping[str, BoolArray],
    bare: BoolArray | None,
    plan: LightPlan,
) -> tuple[dict[str, BoolArray], BoolArray]:
    masks = dict(films) if bare is None else {**films, OPEN: bare}
    excluded = np.zeros(ratio.shape, dtype=bool)
    if not plan.mask_defects:
        return masks, excluded
    kept = {}
    for name, mask in masks.items():
        bad = defects(ratio, mask)
        excluded |= bad
        kept[name] = mask & ~bad
        if np.count_nonzero(kept[name]) < _LEAST_CELLS:
            message = (
                f"region '{name}' is wholly taken up by dust, bubbles or folds; choose another "
                "region, or set mask_defects = false."
            )
            raise MeasurementError(message)
    return kept, excluded
