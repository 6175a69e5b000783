"""Accuracy of film thickness over many rendered images: bias, scatter, coverage, failures.

Run as a script, for example::

    python tests/benchmarks/film_thickness.py --n 2000 --condition ideal --seed 11
"""

import argparse
import math
from collections import Counter
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.draw import polygon

from micromeasure.calibration.file import SCHEMA, Calibration
from micromeasure.errors import MeasurementError
from micromeasure.micrograph.image import ImageRecord
from micromeasure.quantities.film_thickness import FilmThicknessSettings, measure_thickness
from micromeasure.reference.film import Delamination, FilmSection, render_film
from micromeasure.reference.render import as_micrograph, uneven_light

LEVELS = ((0.70, 0.25, 0.65), (0.25, 0.70, 0.30), (0.20, 0.50, 0.80), (0.75, 0.55, 0.2))
SHAPE = (600, 820)


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """An image with its truth; lengths in um, `px` is the length of a pixel across the film."""

    pixels: NDArray[Any]
    um_per_px: tuple[float, float]
    truth_um: tuple[float, ...]
    px: float
    bound_px_root_length: float | None
    label: str
    must_fail: bool = False
    tilt: tuple[float, float] = (0.0, 0.0)


def across_px(direction_deg: float, um_per_px: tuple[float, float]) -> float:
    """Return micrometres per pixel along the normal of a film."""
    a = math.radians(direction_deg)
    nx, ny = -math.sin(a), math.cos(a)
    return 1.0 / math.hypot(nx / um_per_px[0], ny / um_per_px[1])


def bound(section: FilmSection, px: float) -> float:
    """Return the Cramér-Rao bound of the thickness of one row, px: all parameters unknown."""
    from scipy.special import ndtr

    sigma = math.hypot(section.blur_um / px, 1.0 / math.sqrt(12.0))
    thickness = section.thickness_um[0] / px
    a0, a1 = np.diff(section.levels)
    d = np.arange(-60.0 * sigma, thickness + 60.0 * sigma, 0.25)
    z0, z1 = d / sigma, (d - thickness) / sigma
    g0, g1 = (np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi) / sigma for z in (z0, z1))
    jacobian = np.stack(
        [-a0 * g0, -a1 * g1, np.ones_like(d), ndtr(z0), ndtr(z1), -a0 * g0 * z0 - a1 * g1 * z1]
    )
    covariance = np.linalg.inv(jacobian @ jacobian.T * 0.25) * (section.noise_sd or 0.0) ** 2
    return math.sqrt(covariance[0, 0] + covariance[1, 1] - 2 * covariance[0, 1])


def clean(rng: np.random.Generator) -> FilmSection:
    """Return a straight film in even light with white noise."""
    pixel = float(rng.uniform(0.1, 0.6))
    scale = (pixel, pixel * float(rng.uniform(0.9, 1.1)))
    levels = LEVELS[int(rng.integers(len(LEVELS)))]
    contrast = float(np.min(np.abs(np.diff(levels))))
    return FilmSection(
        shape=SHAPE,
        um_per_px=scale,
        thickness_um=(math.exp(rng.uniform(math.log(5.0), math.log(400.0))) * pixel,),
        levels=levels,
        direction_deg=float(rng.uniform(0.0, 180.0)),
        offset_um=float(rng.uniform(-20.0, 20.0)) * pixel,
        blur_um=float(rng.uniform(0.7, 3.0)) * pixel,
        noise_sd=contrast / math.exp(rng.uniform(math.log(3.0), math.log(50.0))),
        bits=16,
    )


def ideal(rng: np.random.Generator) -> Case:
    """Return a straight film with ideal edges."""
    section = clean(rng)
    px = across_px(section.direction_deg, section.um_per_px)
    return from_section(section, rng, bound_px=bound(section, px))


def typical(rng: np.random.Generator) -> Case:
    """Return a film as microscopes show it: bent, rough, uneven light, texture, dust."""
    section = clean(rng)
    pixel = section.um_per_px[0]
    contrast = float(np.min(np.abs(np.diff(section.levels))))
    thickness = math.exp(rng.uniform(math.log(8.0), math.log(160.0))) * pixel
    radius = float(rng.choice([-1, 1])) * math.exp(rng.uniform(math.log(1500), math.log(2e4)))
    return from_section(
        replace(
            section,
            shape=(400, 560),
            thickness_um=(thickness,),
            radius_um=radius * pixel,
            wedge=float(rng.normal(0.0, 0.0003)),
            roughness_um=float(rng.uniform(0.05, 0.6)) * pixel,
            roughness_length_um=float(rng.uniform(4.0, 30.0)) * pixel,
            noise_sd=contrast / float(rng.uniform(6.0, 40.0)),
            falloff=float(rng.uniform(0.0, 0.2)),
            slope=float(rng.uniform(0.0, 0.15)),
            slope_deg=float(rng.uniform(0.0, 360.0)),
            texture=float(rng.uniform(0.0, 0.03)),
            grain_px=float(rng.uniform(0.8, 3.0)),
            dust=int(rng.integers(0, 12)),
            scratches=int(rng.random() < 0.15),
            bits=int(rng.choice([8, 12])),
            oversample=2,
        ),
        rng,
    )


def hard(rng: np.random.Generator) -> Case:
    """Return a film that is hardly measurable, or not at all."""
    section = replace(clean(rng), oversample=2, dust=int(rng.integers(5, 40)))
    pixel = section.um_per_px[0]
    kind = int(rng.integers(6))
    gap = Delamination(
        start=float(rng.uniform(-0.8, 0.0)),
        end=float(rng.uniform(0.1, 0.8)),
        gap_um=float(rng.uniform(2.0, 30.0)) * pixel,
        level=float(rng.choice([0.02, 0.95])),
    )
    changes: list[dict[str, Any]] = [
        {"delamination": gap},
        {"scratches": int(rng.integers(2, 6))},
        {"texture": 0.1, "grain_px": float(rng.uniform(1.5, 5.0))},
        {"falloff": 0.6, "slope": 0.4},
        {"offset_um": float(rng.choice([-1, 1])) * 0.35 * SHAPE[0] * pixel},
        {"radius_um": 700.0 * pixel},
    ]
    case = from_section(replace(section, **changes[kind]), rng)
    return replace(case, label=f"hard {kind}")


def wrong_count(rng: np.random.Generator) -> Case:
    """Return a stack with more or fewer layers than the study asks for (one)."""
    section = clean(rng)
    pixel = section.um_per_px[0]
    if rng.random() < 0.3:
        section = replace(section, levels=(0.5, 0.5, 0.5), noise_sd=0.03, texture=0.02)
    elif rng.random() < 0.5:
        section = replace(section, levels=(0.3, 0.3, 0.7), noise_sd=0.03, texture=0.02)
    else:
        thickness = tuple(float(rng.uniform(15, 80)) * pixel for _ in range(2))
        section = replace(section, thickness_um=thickness, levels=(0.2, 0.6, 0.3, 0.7))
    return replace(from_section(section, rng), must_fail=True)


def other_renderer(rng: np.random.Generator) -> Case:
    """Return a film drawn another way: filled polygons, eightfold sampling, round aperture."""
    k, (rows, cols) = 4, (300, 420)
    pixel = float(rng.uniform(0.1, 0.6))
    thickness = math.exp(rng.uniform(math.log(6.0), math.log(100.0)))
    angle = float(rng.uniform(0.0, math.pi))
    t = np.linspace(-1.2 * cols, 1.2 * cols, 900)
    bend = float(rng.uniform(-1.5e-4, 1.5e-4))
    middle = np.column_stack([t, bend * t * t])
    normal = np.column_stack([-2 * bend * t, np.ones_like(t)])
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    turn = np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
    centre = np.array([0.5 * cols, 0.5 * rows]) + rng.uniform(-20, 20, 2)
    upper, lower = (
        ((middle + side * 0.5 * thickness * normal) @ turn + centre) for side in (-1, 1)
    )
    film = np.concatenate([upper, lower[::-1]])
    normals = normal @ turn
    beyond = np.concatenate([lower, (lower + 3000 * normals)[::-1]])
    levels = LEVELS[int(rng.integers(len(LEVELS)))]
    fine = np.full((rows * k, cols * k), levels[0], dtype=np.float32)
    for outline, level in ((beyond, levels[2]), (film, levels[1])):
        # Points inside, not cells touched: cv2.fillPoly would make every outline half a cell fat.
        at = (outline + 0.5) * k - 0.5
        fine[polygon(at[:, 1], at[:, 0], fine.shape)] = level
    blur = float(rng.uniform(0.8, 2.5))
    fine = disc_pair_blur(fine, blur * k) if rng.random() < 0.5 else airy(fine, blur * k)
    scene = cv2.resize(fine, (cols, rows), interpolation=cv2.INTER_AREA).astype(np.float64)
    scene *= uneven_light(
        (rows, cols), falloff=float(rng.uniform(0, 0.25)), slope=float(rng.uniform(0, 0.1))
    )
    contrast = float(np.min(np.abs(np.diff(levels))))
    scene += contrast / float(rng.uniform(8, 50)) * rng.standard_normal(scene.shape)
    pixels = np.clip(np.rint(scene * 4095), 0, 4095).astype(np.uint16)
    return Case(
        pixels=pixels,
        um_per_px=(pixel, pixel),
        truth_um=(thickness * pixel,),
        px=pixel,
        bound_px_root_length=None,
        label=f"T {thickness:.1f} px, blur {blur:.2f} px, {math.degrees(angle):.0f} deg, {levels}",
    )


def disc_pair_blur(image: NDArray[Any], radius: float) -> NDArray[Any]:
    """Blur with a uniform disc (defocus), smoothed a little."""
    size = 2 * math.ceil(radius) + 1
    y, x = np.mgrid[:size, :size] - size // 2
    disc = np.clip(radius + 0.5 - np.hypot(x, y), 0.0, 1.0)
    blurred = cv2.filter2D(image, cv2.CV_32F, disc / disc.sum())
    return np.asarray(cv2.GaussianBlur(blurred, (0, 0), 0.4 * radius))


def airy(image: NDArray[Any], sigma: float) -> NDArray[Any]:
    """Blur with the diffraction pattern of a round aperture of about this standard width."""
    from scipy.special import j1

    half = math.ceil(9.0 * sigma)
    y, x = np.mgrid[-half : half + 1, -half : half + 1]
    # First zero at 2.9 sigma: the Gaussian nearest to the pattern's core.
    v = np.maximum(np.hypot(x, y), 1e-6) * 3.8317 / (2.9 * sigma)
    kernel = (2.0 * j1(v) / v) ** 2
    return np.asarray(cv2.filter2D(image, cv2.CV_32F, (kernel / kernel.sum()).astype(np.float32)))


def from_section(
    section: FilmSection, rng: np.random.Generator, bound_px: float | None = None
) -> Case:
    """Render a section of the package's own reference."""
    film = render_film(section, rng)
    px = across_px(section.direction_deg, section.um_per_px)
    return Case(
        pixels=film.pixels,
        um_per_px=section.um_per_px,
        truth_um=tuple(layer.mean_um for layer in film.layers),
        px=px,
        bound_px_root_length=bound_px,
        label=(
            f"T {section.thickness_um[0] / px:.1f} px, blur {section.blur_um / px:.2f} px, "
            f"{section.direction_deg:.0f} deg, {section.levels}, noise {section.noise_sd:.4f}"
        ),
    )


CONDITIONS = {
    "ideal": ideal,
    "typical": typical,
    "other-renderer": other_renderer,
    "hard": hard,
    "wrong-count": wrong_count,
}


@dataclass(slots=True)
class Tally:
    """Errors, stated uncertainties and bounds in px; reasons of failure."""

    error: list[float]
    u: list[float]
    bound: list[float]
    failures: Counter[str]


def measure(case: Case, tally: Tally, *, show: float) -> None:
    """Measure one case and note what came out."""
    calibration = Calibration(
        schema=SCHEMA, id="rendered", um_per_px=case.um_per_px, u_um_per_px=(0.0, 0.0)
    )
    record = ImageRecord(image="rendered.tif", section_tilt_deg=0.0, u_section_tilt_deg=0.0)
    bits = 8 if case.pixels.dtype == np.uint8 else (16 if case.pixels.max() > 4095 else 12)
    micrograph = as_micrograph(
        case.pixels, um_per_px=case.um_per_px, bits=bits, calibration=calibration, record=record
    )
    try:
        outcome = measure_thickness(micrograph, FilmThicknessSettings(layers=("film",)), {})
    except MeasurementError as failure:
        tally.failures[" ".join(str(failure).split()[:4])] += 1
        if show > 0 and not case.must_fail:
            print(f"  failed: {case.label}: {failure}")
        return
    estimate = outcome.measurements[0].estimate
    error = (estimate.value - case.truth_um[0]) / case.px
    u = estimate.standard_uncertainty / case.px
    if abs(error) > show * u or case.must_fail:
        print(
            f"  {case.label}: error {error:.3f} px, u {u:.4f} px, "
            f"{outcome.measurements[0].flags}, used {outcome.facts['film']['share_used']:.2f}, "
            f"inflation {outcome.facts['film']['inflation_by_correlation']:.2f}"
        )
    tally.error.append(error)
    tally.u.append(u)
    if case.bound_px_root_length is not None:
        length_px = outcome.facts["film"]["length_um"] / across_px(
            outcome.facts["film"]["direction_deg"] + 90.0, case.um_per_px
        )
        tally.bound.append(case.bound_px_root_length / math.sqrt(length_px))


def report(name: str, tally: Tally, n: int) -> None:
    """Print one block of figures."""
    failed = sum(tally.failures.values())
    print(f"{name}: {n} images, {failed} failed ({100 * failed / n:.2f} %)")
    for reason, count in tally.failures.most_common():
        print(f"    {count:5d}  {reason} ...")
    if not tally.error:
        return
    error, u = np.array(tally.error), np.array(tally.u)
    print(
        f"    bias {error.mean():+.4f} ± {error.std() / math.sqrt(error.size):.4f} px, "
        f"median {np.median(error):+.4f} px, "
        f"p95 {np.quantile(np.abs(error), 0.95):.4f} px"
    )
    print(
        f"    95 % interval holds the truth in {100 * np.mean(np.abs(error) <= 1.96 * u):.1f} %, "
        f"error / u: rms {np.sqrt(np.mean((error / u) ** 2)):.2f}, "
        f"> 5 u in {100 * np.mean(np.abs(error) > 5 * u):.2f} %"
    )
    if tally.bound:
        ratio = error / np.array(tally.bound)
        print(
            f"    error / bound: rms {np.sqrt(np.mean(ratio**2)):.2f}, "
            f"robust {np.median(np.abs(ratio)) / 0.6745:.2f}"
        )


def main() -> None:
    """Parse the command line and run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--n", type=int, default=2000, help="images a condition")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--condition", choices=[*CONDITIONS, "all"], default="all")
    parser.add_argument("--show", type=float, default=5.0, help="print cases beyond so many u")
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    names = list(CONDITIONS) if arguments.condition == "all" else [arguments.condition]
    for name in names:
        rng = np.random.default_rng([arguments.seed, list(CONDITIONS).index(name)])
        tally = Tally(error=[], u=[], bound=[], failures=Counter())
        for _ in range(arguments.n):
            measure(CONDITIONS[name](rng), tally, show=arguments.show)
        report(name, tally, arguments.n)


if __name__ == "__main__":
    main()
