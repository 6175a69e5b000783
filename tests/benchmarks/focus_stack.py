"""Errors of domes in rendered focus stacks, in parts of the z step.

python tests/benchmarks/focus_stack.py --stacks 60 --seed 3
python tests/benchmarks/focus_stack.py --speed
"""

import argparse
import os
import tempfile
import time
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import numpy as np
import tifffile

from micromeasure.calibration.file import Calibration
from micromeasure.errors import MeasurementError
from micromeasure.micrograph.image import ImageRecord
from micromeasure.micrograph.reading import read_micrograph
from micromeasure.quantities.dome import DomeSettings, measure_dome
from micromeasure.reference.focus_stack import CapScene, focus_slices
from micromeasure.reference.render import as_micrograph


def random_scene(rng: np.random.Generator) -> CapScene:
    """Return a cap with a texture of contrast-to-noise 5 or more in focus."""
    height = rng.uniform(60, 140)
    radius = rng.uniform(1200, 2600)
    rim = np.sqrt(2 * radius * height)
    scale = 2 * rim / 220
    step = rng.uniform(6, 12)
    return CapScene(
        um_per_px=(scale, 1.02 * scale),
        top_px=(160 + rng.uniform(-8, 8), 120 + rng.uniform(-4, 4)),
        crown_radius_um=radius,
        height_um=height,
        tilt=(rng.uniform(-0.03, 0.03), rng.uniform(-0.03, 0.03)),
        z_step_um=step,
        first_z_um=-3 * step - rng.uniform(0, 1) * step,
        n_slices=int(np.ceil(height / step)) + 8,
        blur_px_per_um=rng.uniform(0.06, 0.15),
        contrast=rng.uniform(0.08, 0.15),
        noise=rng.uniform(0.004, 0.01),
    )


def speed() -> None:
    """Print processor time and memory of a 40-slice 4-megapixel stack against its decoding."""
    scene = CapScene(
        size_px=(2300, 1740), um_per_px=(0.7, 0.71), top_px=(1150.0, 870.0), z_step_um=4.0,
        first_z_um=-20.0, n_slices=40,
    )  # fmt: skip
    calibration = Calibration(schema=1, id="bench", um_per_px=(0.7, 0.71), u_um_per_px=(0.0, 0.0))
    record = ImageRecord(image="cap.tif", extra={"z_step_um": "4", "u_z_step_um": "0.001"})
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "cap.tif"
        with tifffile.TiffWriter(path) as file:
            for pixels in focus_slices(scene, np.random.default_rng(0)):
                file.write(pixels, compression="deflate")
        rounds = []
        for _ in range(5):
            start = time.process_time()
            with tifffile.TiffFile(path) as file:
                for page in file.pages:
                    page.asarray(maxworkers=1)
            decoded = time.process_time()
            measure_dome(
                read_micrograph(path, record=record, calibration=calibration), DomeSettings(), {}
            )
            rounds.append((decoded - start, time.process_time() - decoded))
        decode, measure = np.median(rounds, axis=0)
    print(f"decoding {decode:.2f} s, opening, decoding and measuring {measure:.2f} s, "
          f"{measure / decode:.1f} x")  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stacks", type=int, default=60)
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--speed", action="store_true")
    args = parser.parse_args()
    cv2.setNumThreads(1)
    if args.speed:
        speed()
        return
    rng = np.random.default_rng(args.seed)
    errors, radii, inside, failed = [], [], [], 0
    for _ in range(args.stacks):
        scene = random_scene(rng)
        slices = list(focus_slices(scene, rng))
        micrograph = as_micrograph(
            slices[0],
            um_per_px=scene.um_per_px,
            record=ImageRecord(
                image="s.tif", extra={"z_step_um": str(scene.z_step_um), "u_z_step_um": "1e-6"}
            ),
        )
        try:
            outcome = measure_dome(
                replace(micrograph, slices=lambda s=slices: iter(s)), DomeSettings(), {}
            )
        except MeasurementError as error:
            print(error)
            failed += 1
            continue
        height, radius = (m.estimate for m in outcome.measurements)
        errors.append((height.value - scene.height_um) / scene.z_step_um)
        low, high = height.interval_95
        inside.append(low <= scene.height_um <= high)
        radii.append(100 * (radius.value / scene.crown_radius_um - 1))
    e, r = np.array(errors), np.array(radii)
    print(f"{args.stacks} stacks, seed {args.seed}, {failed} not measured")
    print(
        f"height: bias {np.median(e):.4f} step, 95th percentile {np.percentile(np.abs(e), 95):.4f} "
        f"step, within 95 % interval {100 * np.mean(inside):.0f} %"
    )
    print(
        f"radius: bias {np.median(r):.3f} %, 95th percentile {np.percentile(np.abs(r), 95):.3f} %"
    )


if __name__ == "__main__":
    main()
