"""Errors of side-view quantities over many rendered images, against what the results state.

    python tests/benchmarks/side_view.py --images 1000 --seed 7
    python tests/benchmarks/side_view.py --images 300 --kind hard --other-renderer
    python tests/benchmarks/side_view.py --travel --images 200
    python tests/benchmarks/side_view.py --speed

Each image has its own dome, feet, tilt, blur, noise, light and kind of illumination. The table
gives per quantity the median error (bias), the 95th percentile of its size, the robust scatter,
the share of 95 % intervals that hold the truth, and how many images could not be measured.
"""

import argparse
import os
import time
from dataclasses import replace
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import numpy as np

from micromeasure.errors import MeasurementError
from micromeasure.micrograph.image import ImageRecord
from micromeasure.outcome import Outcome  # noqa: TC001
from micromeasure.quantities.declare import Measured
from micromeasure.quantities.dome import DomeSettings, derive_travel, measure_dome
from micromeasure.quantities.fold import FoldSettings, measure_fold
from micromeasure.quantities.outline import OutlineSettings, measure_outline
from micromeasure.reference.render import as_micrograph
from micromeasure.reference.side_view import (
    Dome,
    DomeTruth,
    Leg,
    Scene,
    dome_truth,
    render_dome,
)

SIZE_PX = (1200, 700)


def random_dome(rng: np.random.Generator, *, hard: bool) -> Dome:
    """Return a dome whose feet stand on tips or heels, both sides of one kind."""
    pixel = 2.0
    thickness = rng.uniform(9, 26) * pixel
    heel = rng.random() < 0.5
    half = rng.uniform(12, 32)
    crown = rng.uniform(380, 480) * pixel / np.sin(np.radians(half)) * (0.7 if heel else 1.0)

    def leg() -> Leg:
        turn = rng.uniform(half + 12, half + 50) if heel else -rng.uniform(30, 80 - 0.5 * half)
        return Leg(
            limb_um=rng.uniform(3, 6) * thickness,
            foot_um=rng.uniform(3, 5) * thickness,
            turn_deg=turn,
            inner_radius_um=rng.uniform(0.5, 2.0) * thickness,
            tip_radius_um=rng.uniform(0, 0.5) * thickness * (rng.random() < 0.7),
        )

    right = leg()
    skew = rng.uniform(0.95, 1.05) if hard else 1.0
    left = replace(leg(), turn_deg=right.turn_deg * rng.uniform(0.95, 1.05)) if hard else right
    return Dome(
        crown_radius_um=crown, left_deg=half * skew, right_deg=half, thickness_um=thickness,
        left=left, right=right,
    )  # fmt: skip


def random_scene(rng: np.random.Generator, dome: Dome, *, hard: bool) -> Scene:
    """Return a scene that holds the dome whole, with room above it."""
    points, _ = dome.outline_um()
    width, height = np.ptp(points, axis=0)
    scale = max(width / (0.9 * SIZE_PX[0]), height / (0.6 * SIZE_PX[1]))
    um_per_px = (scale, scale * rng.uniform(0.97, 1.03))
    reflected = rng.random() < 0.4
    return Scene(
        size_px=SIZE_PX,
        um_per_px=um_per_px,
        apex_px=(600 + rng.uniform(-20, 20), rng.uniform(80, 140)),
        tilt_deg=rng.uniform(-4, 4) if hard else rng.uniform(-1, 1),
        support=not reflected and rng.random() < 0.5,
        blur_px=rng.uniform(0.8, 2.5 if hard else 1.6),
        reflected=reflected,
        uneven=rng.uniform(0.0, 0.4 if hard else 0.15),
        texture=rng.uniform(0.0, 0.06) if hard else 0.0,
        noise=rng.uniform(0.003, 0.03) if hard else rng.uniform(0.003, 0.01),
        bits=int(rng.choice([8, 12, 16])),
    )


def truths(truth: DomeTruth) -> dict[tuple[str, str], float]:
    """Return true values by quantity and feature."""
    values = {
        ("dome_height", "crown"): truth.dome_height_um,
        ("crown_radius", "crown"): truth.crown_radius_um,
        ("base_chord", "all"): truth.base_chord_um,
        ("dome_asymmetry", "crown"): truth.dome_asymmetry_um,
    }
    for feature in ("crown", "left limb", "right limb"):
        values["sheet_thickness", feature] = truth.thickness_um
    for foot, angle, radius in zip(
        ("left foot", "right foot"), truth.fold_angle_deg, truth.fold_radius_um, strict=True
    ):
        values["fold_angle", foot] = angle
        values["fold_radius", foot] = radius
    return values


def measured(pixels: np.ndarray, scene: Scene) -> tuple[list[Any], list[str]]:
    """Return (quantity, feature, estimate) of an image, and reasons of failures."""
    micrograph = as_micrograph(pixels, um_per_px=scene.um_per_px, bits=scene.bits)
    rows, reasons = [], []
    for name, function, settings in (
        ("dome_height", measure_dome, DomeSettings()),
        ("fold_angle", measure_fold, FoldSettings()),
    ):
        try:
            outcome: Outcome = function(micrograph, settings, {})
        except MeasurementError as error:
            reasons.append(f"{name}: {error}")
            continue
        reasons += [f"{name}: {failure.reason}" for failure in outcome.failures]
        rows += [
            (m.quantity or name, m.feature, m.estimate)
            for m in outcome.measurements
            if m.statistic in {"value", "mean"}
        ]
    return rows, reasons


def signed_distance(corners: np.ndarray, shape: tuple[int, int], reach: int) -> np.ndarray:
    """Return the distance of pixels from a polygon, above 0 inside, far off beyond a reach."""
    from scipy.spatial import cKDTree

    fixed = np.rint(corners * 256).astype(np.int32)
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [fixed], 1, shift=8)
    near = np.full(shape, 1e3, np.float32)
    band = cv2.dilate(mask, np.ones((2 * reach + 1,) * 2)) - cv2.erode(
        mask, np.ones((2 * reach + 1,) * 2)
    )
    rows, cols = np.nonzero(band)
    legs = np.diff(corners, axis=0, append=corners[:1])
    count = np.maximum(1, np.ceil(np.hypot(*legs.T) / 0.25).astype(int))
    owner = np.repeat(np.arange(len(corners)), count)
    share = (np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)) / count[owner]
    dense = corners[owner] + share[:, None] * legs[owner]
    places = np.column_stack([cols, rows]).astype(float)
    distance, nearest = cKDTree(dense).query(places)
    near[rows, cols] = distance
    signed = np.where(mask == 1, near, -near)
    # A filled polygon takes in the pixels its border runs through: next to it the side is told
    # from the leg's direction.
    rest, leg = places - dense[nearest], legs[owner[nearest]]
    side = (rest[:, 0] * leg[:, 1] - rest[:, 1] * leg[:, 0]) / np.hypot(*leg.T)
    inside = mask[rows, cols] == 1
    sign = np.sign(np.median(side[inside & (distance > 1.5)]))
    close = distance < 1.0
    signed[rows[close], cols[close]] = sign * side[close]
    return signed


def other_pixels(dome: Dome, scene: Scene, rng: np.random.Generator) -> np.ndarray:
    """Draw the scene by another method: distance to the outline through an error function.

    Each pixel's value is that of a straight edge at its distance, averaged over 3 x 3 points of
    the pixel; the blur of a corner is that of a round aperture's disc on top.
    """
    from scipy.special import ndtr

    from micromeasure.reference.side_view import _lowest_chord, _to_px

    fine = 3
    points, _ = dome.outline_um()
    shape = (scene.size_px[1] * fine, scene.size_px[0] * fine)
    signed = signed_distance(_to_px(points, scene, fine), shape, int(6 * scene.blur_px * fine) + 2)
    cover = ndtr(signed / (scene.blur_px * fine)).astype(np.float32)
    if scene.support:
        left, right = (_to_px(p[None], scene, fine)[0] for p in _lowest_chord(points))
        along = (right - left) / np.hypot(*(right - left))
        y, x = np.mgrid[: shape[0], : shape[1]]
        depth = (y - left[1]) * along[0] - (x - left[0]) * along[1]
        cover = 1 - (1 - cover) * (1 - ndtr(depth / (scene.blur_px * fine)))
    cover = cv2.resize(cover.astype(np.float32), scene.size_px, interpolation=cv2.INTER_AREA)
    metal, around = (scene.bright, scene.dark) if scene.reflected else (scene.dark, scene.bright)
    x = np.linspace(-1, 1, scene.size_px[0])
    light = (around + (metal - around) * cover) * (1 + 0.5 * scene.uneven * x)
    light = light + scene.noise * rng.standard_normal(light.shape)
    top = (1 << scene.bits) - 1
    kind = np.uint8 if scene.bits == 8 else np.uint16
    return np.clip(np.rint(light * top), 0, top).astype(kind)


def run(args: argparse.Namespace) -> None:
    rng = np.random.default_rng(args.seed)
    hard = args.kind == "hard"
    errors: dict[str, list[tuple[float, float, float]]] = {}
    failed: dict[str, int] = {}
    for k in range(args.images):
        dome = random_dome(rng, hard=hard)
        scene = random_scene(rng, dome, hard=hard)
        if args.other_renderer:
            pixels = other_pixels(dome, scene, rng)
        else:
            pixels = render_dome(dome, scene, rng, clutter=hard and rng.random() < 0.5)
        truth = truths(dome_truth(dome))
        rows, reasons = measured(pixels, scene)
        pixel = float(np.sqrt(np.prod(scene.um_per_px)))
        found = set()
        for quantity, feature, estimate in rows:
            if (quantity, feature) not in truth:
                continue
            found.add((quantity, feature))
            true = truth[quantity, feature]
            u = estimate.standard_uncertainty
            low, high = estimate.interval_95
            unit = {"crown_radius": true / 100, "fold_angle": 1.0}.get(quantity, pixel)
            error = (estimate.value - true) / unit
            errors.setdefault(quantity, []).append((error, u / unit, float(low <= true <= high)))
            if args.show and (abs(error) > args.show or not low <= true <= high):
                print(
                    f"{k}: {quantity} {feature} error {error:.3f} u {u / unit:.3f} "
                    f"support {scene.support} reflected {scene.reflected} blur {scene.blur_px:.2f} "
                    f"turn {dome.right.turn_deg:.0f} tip {dome.right.tip_radius_um / pixel:.1f} px"
                )
        for quantity, _ in set(truth) - found:
            failed[quantity] = failed.get(quantity, 0) + 1
        if args.show and reasons:
            print(k, reasons)
        if args.save and (reasons or any(abs(e[-1][0]) > 1 for e in errors.values())):
            cv2.imwrite(f"{args.save}/{k}.png", (pixels >> (scene.bits - 8)).astype(np.uint8))
    print(f"{args.images} images, {args.kind}, seed {args.seed}")
    print(
        "quantity           unit   n     bias     p95      scatter  mean u   within 95 %  missing"
    )
    for quantity, rows in errors.items():
        e, u, inside = np.array(rows).T
        scatter = 1.4826 * np.median(np.abs(e - np.median(e)))
        unit = {"crown_radius": "%", "fold_angle": "deg"}.get(quantity, "px")
        print(
            f"{quantity:18s} {unit:4s} {len(e):5d} {np.median(e):8.4f} "
            f"{np.percentile(np.abs(e), 95):8.4f} {scatter:8.4f} {np.median(u):8.4f} "
            f"{100 * inside.mean():8.1f} % {failed.get(quantity, 0):8d}"
        )


def flattened(dome: Dome, rng: np.random.Generator) -> Dome:
    """Return the dome as pressed: its crown bent to a larger radius, the arc's length kept."""
    factor = rng.uniform(1.1, 1.8)
    return replace(
        dome,
        crown_radius_um=dome.crown_radius_um * factor,
        left_deg=dome.left_deg / factor,
        right_deg=dome.right_deg / factor,
    )


def travel(args: argparse.Namespace) -> None:
    """Print errors of `dome_travel` over pairs of images, free and pressed."""
    rng = np.random.default_rng(args.seed)
    hard = args.kind == "hard"
    errors, inside, failed = [], [], 0
    for k in range(args.images):
        free = random_dome(rng, hard=hard)
        states = {"free": free, "pressed": flattened(free, rng)}
        # The flatter dome is the wider one: both have the scale at which it fits.
        first = random_scene(rng, states["pressed"], hard=hard)
        measured_ones, heights = [], {}
        for state, dome in states.items():
            scene = replace(
                first, tilt_deg=rng.uniform(-4, 4) if hard else rng.uniform(-1, 1),
                apex_px=(600 + rng.uniform(-20, 20), rng.uniform(80, 140)),
            )  # fmt: skip
            pixels = render_dome(dome, scene, rng, clutter=hard and rng.random() < 0.5)
            record = ImageRecord(image=f"{k}-{state}.tif", specimen=str(k), state=state)
            micrograph = as_micrograph(
                pixels, um_per_px=scene.um_per_px, bits=scene.bits, record=record
            )
            heights[state] = dome_truth(dome).dome_height_um
            settings = DomeSettings()
            try:
                outcome = measure_dome(micrograph, settings, {})
            except MeasurementError:
                continue
            measured_ones.append(
                Measured(record=record, quantity="dome_height", settings=settings, outcome=outcome)
            )
        rows = derive_travel(measured_ones)
        if not rows:
            failed += 1
            continue
        estimate = rows[0].measurement.estimate
        true = heights["free"] - heights["pressed"]
        low, high = estimate.interval_95
        errors.append((estimate.value - true) / float(np.sqrt(np.prod(first.um_per_px))))
        inside.append(low <= true <= high)
    e = np.array(errors)
    print(f"{args.images} pairs, {args.kind}, seed {args.seed}, {failed} not measured")
    print(
        f"dome_travel px: bias {np.median(e):.4f}, 95th percentile "
        f"{np.percentile(np.abs(e), 95):.4f}, scatter {1.4826 * np.median(np.abs(e)):.4f}, "
        f"within 95 % interval {100 * np.mean(inside):.1f} %"
    )


def speed() -> None:
    """Print processor time of measuring against that of reading a 12-megapixel silhouette."""
    import tempfile
    from pathlib import Path

    import tifffile

    from micromeasure.calibration.file import Calibration
    from micromeasure.micrograph.reading import read_micrograph

    cv2.setNumThreads(1)
    calibration = Calibration(schema=1, id="bench", um_per_px=(0.8, 0.8), u_um_per_px=(0.0, 0.0))
    measures = {
        "dome_height": lambda m: measure_dome(m, DomeSettings(), {}),
        "fold_angle": lambda m: measure_fold(m, FoldSettings(), {}),
        "outline": lambda m: measure_outline(m, OutlineSettings(), {}),
    }
    with tempfile.TemporaryDirectory() as folder:
        for contact, turn in (("tips", -45.0), ("heels", 60.0)):
            for bits in (8, 16):
                scene = Scene(
                    size_px=(4000, 3000), um_per_px=(0.8, 0.8), apex_px=(2000, 800), bits=bits
                )
                path = Path(folder) / f"{contact}-{bits}.tif"
                dome = Dome(left=Leg(turn_deg=turn), right=Leg(turn_deg=turn))
                pixels = render_dome(dome, scene, np.random.default_rng(1))
                tifffile.imwrite(path, pixels, compression="deflate")
                rounds = []
                for _ in range(9):
                    times = [time.process_time()]
                    micrograph = read_micrograph(path, calibration=calibration)
                    times.append(time.process_time())
                    for measure in measures.values():
                        measure(micrograph)
                        times.append(time.process_time())
                    rounds.append(np.diff(times))
                ms = 1000 * np.median(rounds, axis=0)
                total = np.cumsum(ms)[1:] / ms[0]
                print(
                    f"{contact}, {bits} bits: read {ms[0]:.0f} ms; "
                    + ", ".join(
                        f"+ {name} {part:.0f} ms ({share:.1f} x)"
                        for name, part, share in zip(measures, ms[1:], total, strict=True)
                    )
                )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--images", type=int, default=200)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--kind", choices=("plain", "hard"), default="plain")
    parser.add_argument("--other-renderer", action="store_true")
    parser.add_argument("--show", type=float, default=0.0, help="list errors above this")
    parser.add_argument("--save", default="", help="folder for images with large errors")
    parser.add_argument("--travel", action="store_true", help="pairs of images, free and pressed")
    parser.add_argument("--speed", action="store_true")
    chosen = parser.parse_args()
    if chosen.speed:
        speed()
    elif chosen.travel:
        travel(chosen)
    else:
        run(chosen)
