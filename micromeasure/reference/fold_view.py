"""Rendered views onto a fold of sheet metal, with the truth about every crack in them.

The order of making follows a real image: a surface with its lay, scratches, pits and stains; the
light on the bend with glare, the fold's own dark line and shadows; the cracks, drawn from their
continuous paths; the blur of the optics, growing away from the plane of focus; shot and read
noise; whole camera values.
"""

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.reference import metal_surface as metal
from micromeasure.reference.crack_paths import CrackPlan, crack_strokes, jagged_path
from micromeasure.reference.metal_surface import FloatArray, Image

Segment = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueCrack:
    """What is known of a rendered crack.

    Attributes
    ----------
    centreline_px : ndarray, shape (n, 2)
        Main path end to end, ``x y``; gaps of a broken crack are bridged straight.
    branches_px : tuple of ndarray
    width_px : float
        Median full width before blur.
    cnr : float
        Darkening at full coverage over the local spread of surface and noise together.
    broken, bright_edged : bool
    """

    centreline_px: FloatArray
    branches_px: tuple[FloatArray, ...]
    width_px: float
    cnr: float
    broken: bool = False
    bright_edged: bool = False

    def length_um(self, um_per_px: tuple[float, float]) -> float:
        """Return the length of the main path, um."""
        steps = np.diff(self.centreline_px, axis=0) * np.asarray(um_per_px)
        return float(np.hypot(steps[:, 0], steps[:, 1]).sum())


@dataclass(frozen=True, slots=True, kw_only=True)
class FoldConditions:
    """How a fold view is rendered; lengths in pixels, intensities as shares of full scale.

    Attributes
    ----------
    size_px : tuple of two ints
        Width and height.
    fold_angle_deg, fold_offset_px : float
        Direction of the fold line from x towards y, and its distance from the image's middle.
    band_px : float
        Half width of the band in which cracks are placed.
    lay_angle_deg, streak_px, grain_px, texture : float
        Texture: direction, correlation lengths, relative spread.
    skew : float
        Above 0: dark streaks are deeper than bright ones.
    lay_scratches, stray_scratches, scratch_depth : float
    pits, pit_px : float
    stain, oxide : float
        Relative darkening by stains and mottling by oxide; 0 for none.
    level, glare, glare_px, fold_dark, fold_dark_px, fold_wander_px : float
        Light on the bend: mean level, height and half width of the glare, depth and half width of
        the fold's own dark line, how far it strays from straight.
    shadow : float
        Depth of a long soft shadow; 0 for none.
    part_edge : bool
        Whether the edge of the part runs through the image.
    blur_px, blur_growth_px : float
        Standard deviation of the blur in focus, and what is added at the image's far side.
    full_well_e, read_sd : float
        Electrons at full scale (shot noise); read noise as a share of full scale.
    bits : int
    """

    size_px: tuple[int, int] = (900, 600)
    fold_angle_deg: float = 3.0
    fold_offset_px: float = 0.0
    band_px: float = 200.0
    lay_angle_deg: float = 85.0
    streak_px: float = 40.0
    grain_px: float = 1.5
    texture: float = 0.03
    skew: float = 0.3
    lay_scratches: float = 4
    stray_scratches: float = 2
    scratch_depth: float = 0.10
    pits: float = 5
    pit_px: float = 5.0
    stain: float = 0.05
    oxide: float = 0.0
    level: float = 0.45
    glare: float = 0.15
    glare_px: float = 90.0
    fold_dark: float = 0.08
    fold_dark_px: float = 6.0
    fold_wander_px: float = 1.0
    shadow: float = 0.0
    part_edge: bool = False
    blur_px: float = 1.0
    blur_growth_px: float = 0.5
    full_well_e: float = 9000.0
    read_sd: float = 0.003
    bits: int = 8
    cracks: tuple[CrackPlan, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FoldView:
    """A rendered image and the truth about it.

    Attributes
    ----------
    pixels : ndarray of uint8 or uint16, shape (rows, cols)
    fold_px : tuple of four floats
        True fold line, ``x0 y0 x1 y1``.
    cracks : tuple of TrueCrack
    conditions : FoldConditions
    """

    pixels: NDArray[Any]
    fold_px: Segment
    cracks: tuple[TrueCrack, ...] = ()
    conditions: FoldConditions = field(default_factory=FoldConditions)


def draw_conditions(
    rng: np.random.Generator,
    *,
    size_px: tuple[int, int] = (900, 600),
    cracks: int | None = None,
    cnr: tuple[float, float] = (3.0, 8.0),
) -> FoldConditions:
    """Draw conditions over the whole range that a bench meets, cracks included.

    Parameters
    ----------
    rng : numpy.random.Generator
    size_px : tuple of two ints
        Width and height.
    cracks : int or None
        Number of cracks; None draws 0 to 3.
    cnr : tuple of two floats
        Range of contrast to noise.
    """
    flip = rng.random
    count = int(rng.choice([0, 1, 1, 2, 3])) if cracks is None else cracks
    brushed = flip() < 0.7
    grain = float(rng.uniform(0.6, 3.0))
    band = min(size_px) * float(rng.uniform(0.28, 0.42))
    return FoldConditions(
        size_px=size_px,
        fold_angle_deg=float(rng.choice([0.0, 90.0]) + rng.normal(0, 8)),
        fold_offset_px=float(rng.normal(0, 0.04 * min(size_px))),
        band_px=band,
        lay_angle_deg=float(rng.uniform(0, 180)),
        streak_px=float(np.exp(rng.uniform(np.log(8), np.log(120)))) if brushed else grain * 1.3,
        grain_px=grain,
        texture=float(np.exp(rng.uniform(np.log(0.006), np.log(0.08)))),
        skew=float(rng.uniform(-0.3, 0.6)),
        lay_scratches=int(rng.poisson(4)) if brushed else 0,
        stray_scratches=int(rng.poisson(1.5)),
        scratch_depth=float(np.exp(rng.uniform(np.log(0.03), np.log(0.25)))),
        pits=int(rng.poisson(6)),
        pit_px=float(rng.uniform(2.5, 9.0)),
        stain=float(rng.uniform(0.02, 0.25)) if flip() < 0.4 else 0.0,
        oxide=float(rng.uniform(0.02, 0.12)) if flip() < 0.3 else 0.0,
        level=float(rng.uniform(0.25, 0.6)),
        glare=float(rng.uniform(0.0, 0.5)),
        glare_px=float(rng.uniform(0.05, 0.3)) * min(size_px),
        fold_dark=float(rng.uniform(0.02, 0.3)) if flip() < 0.6 else 0.0,
        fold_dark_px=float(np.exp(rng.uniform(np.log(1.5), np.log(15)))),
        fold_wander_px=float(rng.uniform(0.0, 3.0)),
        shadow=float(rng.uniform(0.1, 0.5)) if flip() < 0.3 else 0.0,
        part_edge=bool(flip() < 0.25),
        blur_px=float(rng.uniform(0.6, 1.4)),
        blur_growth_px=float(rng.exponential(0.6)),
        full_well_e=float(np.exp(rng.uniform(np.log(2500), np.log(25000)))),
        read_sd=float(rng.uniform(0.001, 0.006)),
        bits=int(rng.choice([8, 8, 12])),
        cracks=tuple(_draw_plan(rng, band, cnr) for _ in range(count)),
    )


def _draw_plan(rng: np.random.Generator, band_px: float, cnr: tuple[float, float]) -> CrackPlan:
    along_fold = rng.random() < 0.6
    return CrackPlan(
        length_px=float(np.exp(rng.uniform(np.log(15), np.log(300)))),
        width_px=float(1.5 + rng.exponential(1.2)),
        cnr=float(np.exp(rng.uniform(*np.log(cnr)))),
        angle_to_fold_deg=float(rng.normal(0, 15) if along_fold else rng.uniform(-90, 90)),
        offset_px=float(np.clip(rng.normal(0, 0.35), -0.8, 0.8)) * band_px,
        jag_deg=float(np.exp(rng.uniform(np.log(0.7), np.log(35)))),
        step_px=float(rng.uniform(3, 10)),
        branches=int(rng.choice([0, 0, 0, 1, 2])),
        broken=bool(rng.random() < 0.2),
        bright_edged=bool(rng.random() < 0.2),
    )


def render_fold_view(rng: np.random.Generator, conditions: FoldConditions) -> FoldView:
    """Render one view onto a fold.

    Returns
    -------
    FoldView
        With the cracks as drawn; a crack whose contrast could not be reached, because its place
        is too dark, has the contrast it got.
    """
    c = conditions
    shape = (c.size_px[1], c.size_px[0])
    fold, along, across = _fold_axes(c)
    surface = _surface(rng, shape, c)
    light, base = _light(rng, c, along, across)
    scene = surface * light
    if c.part_edge:
        scene = _cut_part(rng, scene, across, c)
    focus = _focus_weights(rng, across, c)
    clean = _blurred(scene, focus, c)
    shot = np.sqrt(np.maximum(clean, 0.0) / c.full_well_e + c.read_sd**2)

    spread = _local_spread(clean, shot)
    cracks, dark, bright = _draw_cracks(rng, c, fold, (clean, spread))
    image = clean - _blurred(scene * dark, focus, c) + _blurred(base * bright, focus, c)
    noisy = image + rng.standard_normal(shape, dtype=np.float32) * shot
    top = (1 << c.bits) - 1
    values = np.clip(np.round(noisy * top), 0, top)
    pixels = values.astype(np.uint8) if c.bits <= 8 else values.astype(np.uint16)
    return FoldView(pixels=pixels, fold_px=fold, cracks=tuple(cracks), conditions=c)


def _fold_axes(c: FoldConditions) -> tuple[Segment, Image, Image]:
    width, height = c.size_px
    angle = math.radians(c.fold_angle_deg)
    ux, uy = math.cos(angle), math.sin(angle)
    mx = (width - 1) / 2 - uy * c.fold_offset_px
    my = (height - 1) / 2 + ux * c.fold_offset_px
    x = np.arange(width, dtype=np.float32)[None, :] - np.float32(mx)
    y = np.arange(height, dtype=np.float32)[:, None] - np.float32(my)
    along = (x * ux + y * uy).astype(np.float32)
    across = (-x * uy + y * ux).astype(np.float32)
    # The line is cut where it leaves the image.
    reach = []
    for sign in (-1.0, 1.0):
        limits = [
            ((width - 1 if sign * ux > 0 else 0) - mx) / (sign * ux)
            if abs(ux) > 1e-9
            else math.inf,
            ((height - 1 if sign * uy > 0 else 0) - my) / (sign * uy)
            if abs(uy) > 1e-9
            else math.inf,
        ]
        reach.append(sign * min(limits))
    fold = (mx + reach[0] * ux, my + reach[0] * uy, mx + reach[1] * ux, my + reach[1] * uy)
    return fold, along, across


def _surface(rng: np.random.Generator, shape: tuple[int, int], c: FoldConditions) -> Image:
    """Return the relative reflectance of the surface, about 1."""
    texture = metal.lay_texture(
        rng, shape, angle_deg=c.lay_angle_deg, streak_px=c.streak_px, grain_px=c.grain_px
    )
    fine = metal.lay_texture(rng, shape, angle_deg=0, streak_px=1.0, grain_px=0.8)
    texture = 0.9 * texture + 0.4 * fine
    texture = texture - np.float32(c.skew) * (texture**2 - 1) * 0.3
    surface = 1 + np.float32(c.texture) * texture
    diagonal = math.hypot(*shape)
    dark, bright = [], []
    for number in range(int(c.lay_scratches + c.stray_scratches)):
        stray = number >= c.lay_scratches
        angle = rng.uniform(0, 180) if stray else rng.normal(c.lay_angle_deg, 2.0)
        length = diagonal * (1.5 if rng.random() < 0.5 else rng.uniform(0.08, 0.6))
        stroke = metal.scratch(
            rng, shape, angle_deg=float(angle), length_px=float(length),
            width_px=float(rng.uniform(0.5, 2.5)), strength=float(rng.uniform(0.3, 1.0)),
        )  # fmt: skip
        kind = rng.random()
        if kind < 0.7:
            dark.append(stroke)
        if kind > 0.5:
            # A ploughed-up ridge beside the groove, or a bright scratch alone.
            bright.append(replace(stroke, points_px=stroke.points_px + rng.normal(0, 1.2, 2)))
    spots = [
        metal.pit(
            rng, shape, size_px=c.pit_px * float(rng.lognormal(0, 0.3)),
            strength=float(rng.uniform(0.3, 1.0)),
        )
        for _ in range(int(c.pits))
    ]  # fmt: skip
    depth = np.float32(c.scratch_depth)
    surface = surface * (1 - depth * metal.draw_coverage(shape, dark))
    surface = surface * (1 + depth * metal.draw_coverage(shape, bright))
    surface = surface * (1 - np.float32(0.5) * metal.draw_coverage(shape, spots))
    if c.stain > 0:
        field_ = metal.patches(rng, shape, size_px=150, share=0.15, soft=rng.uniform(0.1, 1.0))
        rim = field_ * (1 - field_) * 4
        surface = surface * (1 - np.float32(c.stain) * (0.7 * field_ + 0.5 * rim))
    if c.oxide > 0:
        size = float(rng.uniform(8, 40))
        surface = surface * (
            1 - np.float32(c.oxide) * metal.patches(rng, shape, size_px=size, share=0.4, soft=0.8)
        )
    return surface.astype(np.float32)


def _light(
    rng: np.random.Generator, c: FoldConditions, along: Image, across: Image
) -> tuple[Image, Image]:
    """Return the light with everything that follows the bend, and its smooth part."""
    v = across / np.float32(c.glare_px)
    base = c.level * (1 + c.glare * (np.exp(-0.5 * (v - 0.3) ** 2) - 0.3))
    base = base * (1 + rng.normal(0, 0.1) * along / c.size_px[0])
    light = base
    if c.fold_dark > 0:
        phase, waves = rng.uniform(0, 2 * np.pi), rng.uniform(0.3, 2.0)
        wander = c.fold_wander_px * np.sin(2 * np.pi * waves * along / c.size_px[0] + phase)
        line = np.exp(-0.5 * ((across - wander) / c.fold_dark_px) ** 2)
        light = light * (1 - c.fold_dark * line)
    if c.shadow > 0:
        middle, half = rng.normal(0, 0.7) * c.band_px, rng.uniform(4, 60)
        soft = rng.uniform(1.0, 15.0)
        tilt = math.tan(math.radians(rng.normal(0, 8)))
        d = across - middle - tilt * along
        cast = 1 / (1 + np.exp(np.clip((np.abs(d) - half) / soft, -30, 30)))
        light = light * (1 - c.shadow * cast)
    return light.astype(np.float32), base.astype(np.float32)


def _cut_part(rng: np.random.Generator, scene: Image, across: Image, c: FoldConditions) -> Image:
    """Let the part end along a nearly straight edge at one side; a dark or bright ground behind."""
    beyond = rng.choice([-1.0, 1.0]) * across - rng.uniform(0.5, 1.1) * c.band_px
    share = np.clip(beyond + 0.5, 0.0, 1.0)
    ground = float(rng.choice([0.03, 0.1, 0.8]))
    burr = 0.15 * np.exp(-0.5 * ((beyond + 3) / 2) ** 2) * rng.choice([-1.0, 0.0, 1.0])
    return np.asarray(scene * (1 + burr) * (1 - share) + ground * share, dtype=np.float32)


def _focus_weights(rng: np.random.Generator, across: Image, c: FoldConditions) -> Image:
    """Return how far each pixel is out of focus, from 0 to 1: the bend falls away from focus."""
    plane = rng.normal(0, 0.3) * c.band_px
    reach = max(c.size_px) / 2
    return np.asarray(np.minimum(((across - plane) / reach) ** 2, 1.0), dtype=np.float32)


def _blurred(image: Image, weights: Image, c: FoldConditions) -> Image:
    import cv2

    sharp = np.asarray(cv2.GaussianBlur(image, (0, 0), c.blur_px), dtype=np.float32)
    if c.blur_growth_px < 0.05:
        return sharp
    soft = cv2.GaussianBlur(image, (0, 0), c.blur_px + c.blur_growth_px)
    return np.asarray(sharp + weights * (soft - sharp), dtype=np.float32)


def _local_spread(clean: Image, shot: Image) -> Image:
    """Return the local standard deviation of surface and noise together."""
    import cv2

    rough = clean - cv2.GaussianBlur(clean, (0, 0), 6.0)
    spread = np.sqrt(cv2.GaussianBlur(rough * rough, (0, 0), 25.0) + shot * shot)
    return np.asarray(spread, dtype=np.float32)


def _draw_cracks(
    rng: np.random.Generator,
    c: FoldConditions,
    fold: Segment,
    ground: tuple[Image, Image],
) -> tuple[list[TrueCrack], Image, Image]:
    """Draw the planned cracks on a ground of given level and spread.

    Returns their truth, darkening and brightening.
    """
    clean, spread = ground
    rows, cols = clean.shape
    truths: list[TrueCrack] = []
    dark = np.zeros(clean.shape, np.float32)
    bright = np.zeros(clean.shape, np.float32)
    for plan in c.cracks:
        path = _place_path(rng, c, (fold, plan), truths)
        if path is None:
            continue
        x, y = np.clip(np.round(path[len(path) // 2]).astype(int), 0, (cols - 1, rows - 1))
        level = max(float(clean[y, x]), 1e-3)
        depth = min(plan.cnr * float(spread[y, x]) / level, 0.9)
        strokes, branches = crack_strokes(rng, path, plan)
        dark = np.maximum(dark, np.float32(depth) * metal.draw_coverage(clean.shape, strokes))
        if plan.bright_edged:
            shift = rng.normal(0, 1, 2)
            shift *= plan.width_px / np.hypot(*shift)
            rims = [
                replace(s, points_px=s.points_px + shift, widths_px=s.widths_px * 0.8)
                for s in strokes
            ]
            rim = metal.draw_coverage(clean.shape, rims) * (1 - np.minimum(dark / depth, 1))
            bright = np.maximum(bright, np.float32(0.6 * depth) * rim)
        truths.append(
            TrueCrack(
                centreline_px=path, branches_px=tuple(branches), width_px=plan.width_px,
                cnr=depth * level / float(spread[y, x]), broken=plan.broken,
                bright_edged=plan.bright_edged,
            )
        )  # fmt: skip
    return truths, dark, bright


def _place_path(
    rng: np.random.Generator,
    c: FoldConditions,
    wanted: tuple[Segment, CrackPlan],
    others: list[TrueCrack],
) -> FloatArray | None:
    """Return a path inside image and band, clear of the other cracks; None if none is found."""
    (x0, y0, x1, y1), plan = wanted
    reach = math.hypot(x1 - x0, y1 - y0)
    ux, uy = (x1 - x0) / reach, (y1 - y0) / reach
    for _ in range(40):
        shape = jagged_path(rng, plan, math.degrees(math.atan2(uy, ux)))
        t = rng.uniform(0.05, 0.95) * reach
        middle = np.array((x0 + t * ux - plan.offset_px * uy, y0 + t * uy + plan.offset_px * ux))
        path = shape + middle
        off = np.abs(-(path[:, 0] - x0) * uy + (path[:, 1] - y0) * ux)
        inside = np.all((path > 12) & (path < np.array(c.size_px) - 13)) and off.max() < (
            c.band_px - 4
        )
        if inside and all(_clearance(path, other.centreline_px) > 45 for other in others):
            return np.asarray(path)
    return None


def _clearance(first: FloatArray, second: FloatArray) -> float:
    gaps = first[:, None, :] - second[None, :, :]
    return float(np.sqrt((gaps**2).sum(axis=2)).min())
