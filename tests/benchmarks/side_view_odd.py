"""Side views as they come in practice: how often each trouble is measured, refused or wrong.

    python tests/benchmarks/side_view_odd.py --images 30 --seed 31
    python tests/benchmarks/side_view_odd.py --only burr dust

Each kind of trouble is drawn into scenes like those of `side_view.py`. A gross error is one above
a pixel (a degree for the angle) and above five of its own standard uncertainties; it is silent
if no flag stands beside it.
"""

import argparse
import os
from collections import Counter
from collections.abc import Callable
from dataclasses import replace

os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import numpy as np
from side_view import random_dome, random_scene, truths

from micromeasure.errors import MeasurementError
from micromeasure.quantities.dome import DomeSettings, measure_dome
from micromeasure.quantities.fold import FoldSettings, measure_fold
from micromeasure.reference.render import as_micrograph
from micromeasure.reference.side_view import Dome, Scene, dome_truth, scene_coverage

Rng = np.random.Generator
Cover = np.ndarray


def contour_points(cover: Cover) -> np.ndarray:
    """Return pixels along the outline of the part."""
    found, _ = cv2.findContours(
        (cover > 0.5).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )
    return max(found, key=len)[:, 0, :]


def with_spots(cover: Cover, places: np.ndarray, radii: np.ndarray, blur: float) -> Cover:
    """Add opaque discs."""
    y, x = np.mgrid[: cover.shape[0], : cover.shape[1]]
    for (cx, cy), radius in zip(places, radii, strict=True):
        near = np.hypot(x - cx, y - cy) - radius
        cover = np.maximum(cover, np.clip(0.5 - near / (2.5 * blur), 0, 1))
    return cover


def burr(cover: Cover, scene: Scene, rng: Rng) -> Cover:
    """A sharp lip of a pixel or two beside the lowest place of one foot."""
    points = contour_points(cover)
    half = points[points[:, 0] < cover.shape[1] / 2]
    lowest = half[np.argmax(half[:, 1])] + rng.uniform(-3, 3, 2)
    return with_spots(cover, lowest[None], rng.uniform(1.0, 2.5, 1), scene.blur_px)


def dust(cover: Cover, scene: Scene, rng: Rng) -> Cover:
    """Specks that touch the outline."""
    points = contour_points(cover)
    count = rng.integers(2, 6)
    places = points[rng.integers(0, len(points), count)] + rng.uniform(-3, 3, (count, 2))
    return with_spots(cover, places, rng.uniform(1.5, 7.0, count), scene.blur_px)


def highlights(cover: Cover, scene: Scene, rng: Rng) -> Cover:
    """Glints inside the silhouette, some close to its edge."""
    rows, cols = np.nonzero(cover > 0.9)
    y, x = np.mgrid[: cover.shape[0], : cover.shape[1]]
    for k in rng.integers(0, len(rows), 12):
        radius = rng.uniform(1.0, 4.0)
        glint = np.exp(-(((x - cols[k]) / radius) ** 2 + ((y - rows[k]) / radius) ** 2))
        cover = cover * (1 - rng.uniform(0.3, 1.0) * glint)
    return cover


def plain(cover: Cover, scene: Scene, rng: Rng) -> Cover:
    return cover


def bright_support(cover: Cover, scene: Scene, rng: Rng) -> Cover:
    """A support that is lighter or darker than the part by some of the contrast."""
    part = scene_coverage(PRESENT["dome"], replace(scene, support=False))
    return part + (cover - part) * rng.uniform(0.75, 0.95)


PRESENT: dict[str, Dome] = {}
Draw = Callable[[Cover, Scene, Rng], Cover]
KINDS: dict[str, tuple[Draw, Callable[[Scene, Rng], Scene]]] = {
    "none": (plain, lambda s, r: s),
    "burr": (burr, lambda s, r: replace(s, support=False)),
    "dust": (dust, lambda s, r: s),
    "highlights": (highlights, lambda s, r: replace(s, reflected=False)),
    "cut by the side": (
        plain,
        lambda s, r: replace(
            s, apex_px=(s.apex_px[0] + r.choice([-1, 1]) * r.uniform(75, 140), s.apex_px[1])
        ),
    ),
    "support like part": (
        bright_support, lambda s, r: replace(s, reflected=False, support=True),
    ),
    "resin section": (
        plain,
        lambda s, r: replace(
            s, reflected=True, support=False, dark=0.3, bright=0.65, texture=0.05, noise=0.015
        ),
    ),
    "uneven light": (plain, lambda s, r: replace(s, uneven=0.7)),
    "long pixels": (
        plain, lambda s, r: replace(s, um_per_px=(s.um_per_px[0], 1.35 * s.um_per_px[1])),
    ),
    "turned by 5 deg": (plain, lambda s, r: replace(s, tilt_deg=r.choice([-5.0, 5.0]))),
}  # fmt: skip


def photograph(cover: Cover, scene: Scene, rng: Rng) -> np.ndarray:
    """Light the scene from one side, add grain and noise and quantise."""
    rows, cols = cover.shape
    x = np.linspace(-0.5, 0.5, cols)
    metal, around = (scene.bright, scene.dark) if scene.reflected else (scene.dark, scene.bright)
    light = (around + (metal - around) * cover) * (1 + scene.uneven * x * rng.choice([-1, 1]))
    grain = cv2.GaussianBlur(rng.standard_normal((rows, cols)), (0, 0), 1.3)
    light = light * (1 + scene.texture * grain / grain.std())
    light = light + scene.noise * rng.standard_normal((rows, cols))
    top = (1 << scene.bits) - 1
    kind = np.uint8 if scene.bits == 8 else np.uint16
    return np.clip(np.rint(0.75 * light * top), 0, top).astype(kind)


def run(name: str, count: int, rng: Rng, show: str) -> None:
    draw, change = KINDS[name]
    inside: dict[str, list[bool]] = {}
    errors: dict[str, list[float]] = {}
    gross, silent = Counter(), Counter()
    refused: Counter[str] = Counter()
    for k in range(count):
        dome = PRESENT["dome"] = random_dome(rng, hard=False)
        scene = change(random_scene(rng, dome, hard=False), rng)
        cover = draw(scene_coverage(dome, scene), scene, rng)
        pixels = photograph(cover, scene, rng)
        micrograph = as_micrograph(pixels, um_per_px=scene.um_per_px, bits=scene.bits)
        truth, pixel = truths(dome_truth(dome)), float(np.sqrt(np.prod(scene.um_per_px)))
        for quantity, measure, settings in (
            ("dome_height", measure_dome, DomeSettings()),
            ("fold_angle", measure_fold, FoldSettings()),
        ):
            try:
                outcome = measure(micrograph, settings, {})
            except MeasurementError as error:
                refused[f"{quantity}: {str(error).split(';')[0][:70]}"] += 1
                continue
            for m in outcome.measurements:
                key = m.quantity or quantity
                true = truth.get((key, m.feature))
                if true is None or m.statistic not in {"value", "mean"}:
                    continue
                unit = {"crown_radius": true / 100, "fold_angle": 1.0}.get(key, pixel)
                error = (m.estimate.value - true) / unit
                low, high = m.estimate.interval_95
                inside.setdefault(key, []).append(low <= true <= high)
                errors.setdefault(key, []).append(abs(error))
                if abs(error) > max(1.0, 5 * m.estimate.standard_uncertainty / unit):
                    gross[key] += 1
                    silent[key] += not m.flags
                    if show:
                        print(f"  {k}: {key} {m.feature} error {error:.2f} flags {m.flags}")
                        cv2.imwrite(f"{show}/{name}-{k}.png", (pixels >> (scene.bits - 8)))
    print(f"{name}: {count} images")
    for reason, n in refused.most_common():
        print(f"  refused {n}: {reason}")
    for key, values in errors.items():
        print(
            f"  {key:16s} n {len(values):4d}  median {np.median(values):7.4f}  p95 "
            f"{np.percentile(values, 95):8.4f}  within {100 * np.mean(inside[key]):5.1f} %  gross "
            f"{gross[key]}, silent {silent[key]}"
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--images", type=int, default=30)
    parser.add_argument("--seed", type=int, default=31)
    parser.add_argument("--only", nargs="*", default=list(KINDS), choices=list(KINDS))
    parser.add_argument("--save", default="", help="folder for images with gross errors")
    chosen = parser.parse_args()
    cv2.setNumThreads(1)
    for kind in chosen.only:
        run(kind, chosen.images, np.random.default_rng(chosen.seed), chosen.save)
