"""Film cross-sections of exactly known thickness, rendered as a microscope would show them.

Geometry is continuous and in micrometres: a stack of layers along a straight line or a circular
arc, with roughness, wedge and defects. In the coordinates (along, across) of that line or arc
the edges are plain functions of the length along the film, so the true local thickness is
their difference: exact also for a curved film.
"""

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.reference import render

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Delamination:
    """A gap that opens between the last layer and what lies below it.

    Attributes
    ----------
    start, end : float
        Ends along the film as shares of the image's half diagonal, -1 to 1.
    gap_um : float
        Greatest width of the gap.
    level : float
        Its brightness.
    """

    start: float
    end: float
    gap_um: float
    level: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmSection:
    """One cross-section and how it is photographed.

    Attributes
    ----------
    shape : tuple of two ints
        Rows and columns.
    um_per_px : tuple of two floats
        In x and y.
    thickness_um : tuple of float
        True mean thickness of each layer, N values.
    levels : tuple of float
        Brightness as a share of full scale: neighbour, N layers, neighbour.
    direction_deg : float
        Direction of the film, from the x axis towards y, in micrometre space.
    offset_um : float
        Distance of the stack's middle from the image centre, across the film.
    radius_um : float or None
        Radius of the arc the film follows; negative bends the other way; None is straight.
    wedge : float
        Thickness gained per length along the film.
    roughness_um, roughness_length_um : float
        Standard deviation and correlation length of each edge, independent between edges.
    tilt_deg : float
        Angle of the film to the section's normal: it shows thicker by 1 / cos.
    edge_offset_um : float
        Shift of every edge towards its bright side, as some optics show it.
    blur_um : float
        Standard deviation of a Gaussian blur.
    cutoff_per_um : float or None
        Blur of an ideal aperture with this cut-off frequency, instead of or besides the Gaussian.
    falloff, slope, slope_deg : float
        Uneven light, see `render.uneven_light`.
    texture, grain_px : float
        Relative standard deviation and grain of the material's own texture.
    dust, scratches : int
        Number of specks and of scratches.
    delamination : Delamination or None
    noise_sd : float or None
        White noise as a share of full scale; None for the shot and read noise of a camera.
    full_well_e, read_noise_e : float
        Camera, see `render.expose`.
    bits : int
    oversample : int
        Sub-pixels per pixel and direction; 1 uses the closed form for straight edges.
    """

    shape: tuple[int, int]
    um_per_px: tuple[float, float]
    thickness_um: tuple[float, ...]
    levels: tuple[float, ...]
    direction_deg: float = 0.0
    offset_um: float = 0.0
    radius_um: float | None = None
    wedge: float = 0.0
    roughness_um: float = 0.0
    roughness_length_um: float = 5.0
    tilt_deg: float = 0.0
    edge_offset_um: float = 0.0
    blur_um: float = 0.4
    cutoff_per_um: float | None = None
    falloff: float = 0.0
    slope: float = 0.0
    slope_deg: float = 0.0
    texture: float = 0.0
    grain_px: float = 1.5
    dust: int = 0
    scratches: int = 0
    delamination: Delamination | None = None
    noise_sd: float | None = None
    full_well_e: float = 20000.0
    read_noise_e: float = 8.0
    bits: int = 12
    oversample: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerTruth:
    """What is true of one layer over the length that lies in the image."""

    mean_um: float
    sd_um: float
    min_um: float
    max_um: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RenderedFilm:
    """Pixels and truth."""

    pixels: NDArray[Any]
    layers: tuple[LayerTruth, ...]
    section: FilmSection


@dataclass(frozen=True, slots=True, kw_only=True)
class _Edges:
    """Edges as functions of the length along the film: apparent (drawn) and true."""

    along_um: FloatArray
    drawn_um: FloatArray  # (n_edges, n)
    true_thickness_um: FloatArray  # (n_layers, n)


def render_film(section: FilmSection, rng: np.random.Generator) -> RenderedFilm:
    """Render a film section.

    Parameters
    ----------
    section : FilmSection
    rng : numpy.random.Generator
        Source of roughness, texture, dust, scratches and noise.

    Returns
    -------
    RenderedFilm
    """
    edges = _draw_edges(section, rng)
    scene = _scene(section, edges)
    if section.texture > 0.0:
        scene = scene * (1.0 + section.texture * render.texture(scene.shape, section.grain_px, rng))
    scene = _with_defects(scene, section, rng)
    light = render.uneven_light(
        section.shape,
        falloff=section.falloff,
        slope=section.slope,
        slope_deg=section.slope_deg,
        centre=(0.5 + 0.2 * rng.uniform(-1, 1), 0.5 + 0.2 * rng.uniform(-1, 1)),
    )
    return RenderedFilm(
        pixels=_photograph(scene * light, section, rng),
        layers=_truth(section, edges),
        section=section,
    )


def _draw_edges(section: FilmSection, rng: np.random.Generator) -> _Edges:
    step = 0.25 * min(section.um_per_px)
    reach = 0.55 * math.hypot(
        section.shape[1] * section.um_per_px[0], section.shape[0] * section.um_per_px[1]
    )
    along = np.arange(-reach, reach + step, step)
    n_edges = len(section.thickness_um) + 1
    stretch = 1.0 / math.cos(math.radians(section.tilt_deg))
    middle = 0.5 * stretch * sum(section.thickness_um)
    base = stretch * np.concatenate([[0.0], np.cumsum(section.thickness_um)]) - middle
    rough = np.zeros((n_edges, along.size))
    if section.roughness_um > 0.0:
        # A kernel of this standard deviation gives the correlation length asked for (1/e of
        # the autocorrelation at twice the kernel's standard deviation).
        length = 0.5 * section.roughness_length_um / step
        rough = np.stack([render.smooth_walk(along.size, length, rng) for _ in range(n_edges)])
        rough *= section.roughness_um
    growth = stretch * section.wedge * along * (base / max(2.0 * middle, 1e-12))[:, None]
    apparent = base[:, None] + rough + growth + section.offset_um
    towards_bright = np.sign(np.diff(section.levels))[:, None]
    return _Edges(
        along_um=along,
        drawn_um=apparent + section.edge_offset_um * towards_bright,
        true_thickness_um=np.diff(apparent, axis=0) / stretch,
    )


def _film_coordinates(
    section: FilmSection, oversample: int
) -> tuple[FloatArray, FloatArray, tuple[FloatArray, FloatArray]]:
    """Return along, across (um) of every sub-pixel and the projected sides of a sub-pixel."""
    x, y = render.pixel_grid(section.shape, oversample)
    sx, sy = section.um_per_px
    x_um = (x - 0.5 * (section.shape[1] - 1)) * sx
    y_um = (y - 0.5 * (section.shape[0] - 1)) * sy
    c, s = (
        math.cos(math.radians(section.direction_deg)),
        math.sin(math.radians(section.direction_deg)),
    )
    along, across = x_um * c + y_um * s, -x_um * s + y_um * c
    turn = np.zeros_like(along)
    if section.radius_um is not None:
        radius = section.radius_um
        turn = np.arctan(along / (radius - across))
        across = radius - math.copysign(1.0, radius) * np.hypot(along, radius - across)
        along = radius * turn
    nx, ny = -s * np.cos(turn) - c * np.sin(turn), c * np.cos(turn) - s * np.sin(turn)
    return along, across, (nx * sx / oversample, ny * sy / oversample)


def _scene(section: FilmSection, edges: _Edges) -> FloatArray:
    """Return reflectance on the final pixels, blur included."""
    k = section.oversample
    along, across, sides = _film_coordinates(section, k)
    blur = section.blur_um if k == 1 else 0.0
    levels = list(section.levels)
    curves = list(edges.drawn_um)
    if section.delamination is not None:
        gap = _gap(section, edges.along_um)
        curves.append(curves[-1] + gap)
        levels.insert(-1, section.delamination.level)
    scene = np.full(along.shape, levels[0])
    straight = section.roughness_um == 0.0 and section.wedge == 0.0
    for i, curve in enumerate(curves):
        flat = straight and i < len(edges.drawn_um)
        at = curve[0] if flat else np.interp(along, edges.along_um, curve)
        scene += (levels[i + 1] - levels[i]) * _beyond(across - at, sides, blur)
    if k > 1:
        scene = _blurred(scene, section)
        scene = render.area_mean(scene, k)
    return scene


def _beyond(distance: FloatArray, sides: tuple[FloatArray, FloatArray], blur: float) -> FloatArray:
    """Return `render.blurred_half_plane`, worked out only where it is neither 0 nor 1."""
    near = np.abs(distance) < 8.0 * blur + float(
        np.max(np.abs(sides[0])) + np.max(np.abs(sides[1]))
    )
    share = (distance > 0.0).astype(np.float64)
    at = tuple(np.broadcast_to(side, distance.shape)[near] for side in sides)
    share[near] = render.blurred_half_plane(distance[near], (at[0], at[1]), blur)
    return share


def _blurred(scene: FloatArray, section: FilmSection) -> FloatArray:
    sx, sy = (u / section.oversample for u in section.um_per_px)
    if section.cutoff_per_um is not None:
        # The kernel is round in micrometres; with sides this close it is round in pixels too.
        scene = render.aperture_blur(scene, section.cutoff_per_um * 0.5 * (sx + sy))
    return render.gaussian_blur(scene, (section.blur_um / sx, section.blur_um / sy))


def _gap(section: FilmSection, along: FloatArray) -> FloatArray:
    gap = section.delamination
    if gap is None:
        return np.zeros_like(along)
    half = 0.5 * math.hypot(
        section.shape[1] * section.um_per_px[0], section.shape[0] * section.um_per_px[1]
    )
    t = np.clip((along / half - gap.start) / (gap.end - gap.start), 0.0, 1.0)
    return np.asarray(gap.gap_um * np.sin(math.pi * t))


def _with_defects(scene: FloatArray, section: FilmSection, rng: np.random.Generator) -> FloatArray:
    rows, cols = scene.shape
    blur = section.blur_um / section.um_per_px[0]
    for _ in range(section.dust):
        centre = (rng.uniform(0, cols), rng.uniform(0, rows))
        speck = _patch(centre, rng.uniform(2.0, 9.0), blur, scene.shape)
        if speck is not None:
            window, cover = speck
            scene[window] += (rng.choice([0.02, 0.95]) - scene[window]) * cover
    for _ in range(section.scratches):
        cover = _scratch(scene.shape, blur, rng)
        scene = scene + (rng.choice([0.1, 0.9]) - scene) * cover
    return scene


def _patch(
    centre: tuple[float, float], radius: float, blur: float, shape: tuple[int, ...]
) -> tuple[tuple[slice, slice], FloatArray] | None:
    reach = math.ceil(radius + 5.0 * blur + 2.0)
    x0, y0 = max(int(centre[0]) - reach, 0), max(int(centre[1]) - reach, 0)
    x1, y1 = min(int(centre[0]) + reach, shape[1]), min(int(centre[1]) + reach, shape[0])
    if x1 - x0 < 2 or y1 - y0 < 2:
        return None
    disc = render.disc_coverage((centre[0] - x0, centre[1] - y0), radius, (y1 - y0, x1 - x0))
    return (slice(y0, y1), slice(x0, x1)), render.gaussian_blur(disc, blur)


def _scratch(shape: tuple[int, ...], blur: float, rng: np.random.Generator) -> FloatArray:
    angle, width = rng.uniform(0.0, math.pi), rng.uniform(1.0, 3.0)
    normal = (-math.sin(angle), math.cos(angle))
    x, y = render.pixel_grid((shape[0], shape[1]))
    foot = rng.uniform(0.2, 0.8) * shape[1], rng.uniform(0.2, 0.8) * shape[0]
    distance = (x - foot[0]) * normal[0] + (y - foot[1]) * normal[1]
    upper = render.blurred_half_plane(distance + 0.5 * width, normal, blur)
    return upper - render.blurred_half_plane(distance - 0.5 * width, normal, blur)


def _photograph(light: FloatArray, section: FilmSection, rng: np.random.Generator) -> NDArray[Any]:
    if section.noise_sd is not None:
        noisy = light + section.noise_sd * rng.standard_normal(light.shape)
        return render.quantise(noisy, section.bits)
    return render.expose(
        light,
        rng,
        bits=section.bits,
        full_well_e=section.full_well_e,
        read_noise_e=section.read_noise_e,
    )


def _truth(section: FilmSection, edges: _Edges) -> tuple[LayerTruth, ...]:
    thickness = edges.true_thickness_um
    result = []
    for k in range(thickness.shape[0]):
        middle = 0.5 * (edges.drawn_um[k] + edges.drawn_um[k + 1])
        local = thickness[k][_in_image(section, edges.along_um, middle)]
        result.append(
            LayerTruth(
                mean_um=float(local.mean()),
                sd_um=float(local.std()),
                min_um=float(local.min()),
                max_um=float(local.max()),
            )
        )
    return tuple(result)


def _in_image(section: FilmSection, along: FloatArray, across: FloatArray) -> NDArray[np.bool_]:
    """Return which points of a curve in film coordinates lie inside the image."""
    s, v = along, across
    if section.radius_um is not None:
        radius = section.radius_um
        turn = along / radius
        s, v = (radius - across) * np.sin(turn), radius - (radius - across) * np.cos(turn)
    a = math.radians(section.direction_deg)
    x_um, y_um = s * math.cos(a) - v * math.sin(a), s * math.sin(a) + v * math.cos(a)
    half_x = 0.5 * section.shape[1] * section.um_per_px[0]
    half_y = 0.5 * section.shape[0] * section.um_per_px[1]
    return np.asarray((np.abs(x_um) <= half_x) & (np.abs(y_um) <= half_y))


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmImage:
    """One image of the sample study with its row of the manifest and its truth."""

    name: str
    pixels: NDArray[Any]
    specimen: str
    revision: str
    position: str
    layers: tuple[LayerTruth, ...] = field(default=())
    section_tilt_deg: float = 0.0
    u_section_tilt_deg: float = 0.5


SAMPLE_UM_PER_PX = (0.34512, 0.34508)
SAMPLE_SHAPE = (768, 1024)
SAMPLE_VIEW = "film-section"


def sample_images(seed: int = 20260211) -> list[FilmImage]:
    """Render the film sections of the sample study.

    Lots K and M of the diaphragm film, three specimens each at two positions; the film of lot M
    is about 2 um thicker. One image is so far out of focus and so dark that no film can be
    measured in it.

    Parameters
    ----------
    seed : int
        The same seed gives the same images, byte for byte on one numpy version.

    Returns
    -------
    list of FilmImage
    """
    rng = np.random.default_rng(seed)
    images = []
    for lot, mean_um in (("K", 24.0), ("M", 26.1)):
        for number in (1, 2, 3):
            specimen_um = mean_um + rng.normal(0.0, 0.12)
            for position in (1, 2):
                section = _sample_section(specimen_um + rng.normal(0.0, 0.08), rng)
                film = render_film(section, rng)
                images.append(
                    FilmImage(
                        name=f"film_{lot}{number}_{position}.tif",
                        pixels=film.pixels,
                        specimen=f"{lot}{number}",
                        revision=lot,
                        position=str(position),
                        layers=film.layers,
                    )
                )
    spoilt = FilmSection(
        shape=SAMPLE_SHAPE, um_per_px=SAMPLE_UM_PER_PX, thickness_um=(26.0,),
        levels=(0.045, 0.04, 0.046), blur_um=25.0, oversample=2, bits=8, noise_sd=0.006,
    )  # fmt: skip
    images.append(
        FilmImage(
            name="film_M3_3.tif",
            pixels=render_film(spoilt, rng).pixels,
            specimen="M3",
            revision="M",
            position="3",
        )
    )
    return images


def _sample_section(thickness_um: float, rng: np.random.Generator) -> FilmSection:
    return FilmSection(
        shape=SAMPLE_SHAPE,
        um_per_px=SAMPLE_UM_PER_PX,
        thickness_um=(thickness_um,),
        levels=(0.30, 0.68, 0.22),
        direction_deg=float(rng.uniform(-18.0, 18.0)),
        offset_um=float(rng.uniform(-20.0, 20.0)),
        radius_um=float(rng.choice([-1.0, 1.0]) * rng.uniform(1500.0, 6000.0)),
        roughness_um=0.12,
        roughness_length_um=6.0,
        blur_um=0.45,
        falloff=0.15,
        slope=0.08,
        slope_deg=float(rng.uniform(0.0, 360.0)),
        texture=0.008,
        full_well_e=120_000.0,
        dust=int(rng.integers(3, 9)),
        bits=8,
        oversample=2,
    )
