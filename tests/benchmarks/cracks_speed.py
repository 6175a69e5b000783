"""What the search for crack indications costs beside reading and decoding a 12-megapixel image.

    python tests/benchmarks/cracks_speed.py --seeds 3 11 14 16
    python tests/benchmarks/cracks_speed.py --seeds 3 --scratches 600

Prints, for each rendered image, processor time of reading and of the search with one fold band and
their ratio, and for the first the greatest memory in multiples of the decoded array. The cost goes
with the number of lines a surface shows: `--scratches` puts so many more on it.
"""

import argparse
import sys
import tempfile
import time
import tracemalloc
from dataclasses import replace
from pathlib import Path

import numpy as np
import tifffile

from micromeasure.calibration.file import Calibration
from micromeasure.micrograph.image import ImageRecord
from micromeasure.micrograph.reading import read_micrograph
from micromeasure.quantities.crack_length import CrackSettings, measure_crack_length
from micromeasure.reference.fold_view import draw_conditions, render_fold_view

# Added scratches are at least this deep, so that they show.
_SCRATCH_DEPTH = 0.15


def view_of(seed: int, bits: int, scratches: int = 0):
    """Render one image of 12 megapixels; half of the added scratches lie along the lay."""
    rng = np.random.default_rng(seed)
    conditions = draw_conditions(rng, size_px=(4000, 3000), cracks=3)
    angle = 4.0 if seed == 3 else conditions.fold_angle_deg
    conditions = replace(conditions, fold_angle_deg=angle, bits=bits)
    if scratches:
        conditions = replace(
            conditions, lay_scratches=conditions.lay_scratches + scratches // 2,
            stray_scratches=conditions.stray_scratches + scratches - scratches // 2,
            scratch_depth=max(conditions.scratch_depth, _SCRATCH_DEPTH),
        )  # fmt: skip
    return render_fold_view(rng, conditions)


def cost(path: Path, record: ImageRecord, calibration: Calibration, args: argparse.Namespace):
    """Return median times of reading and searching, the image and the outcome."""
    settings = CrackSettings(band_um=args.band_um)
    reading, searching = [], []
    for _ in range(args.repeats):
        start = time.process_time()
        micrograph = read_micrograph(path, record=record, calibration=calibration)
        reading.append(time.process_time() - start)
        start = time.process_time()
        outcome = measure_crack_length(micrograph, settings, {})
        searching.append(time.process_time() - start)
    return np.median(reading), np.median(searching), micrograph, outcome


def peak_memory(micrograph, settings: CrackSettings) -> float:
    """Return the greatest memory while searching, image included, in arrays of the image."""
    # OpenCV's results are numpy arrays here, so tracemalloc sees them.
    tracemalloc.start()
    measure_crack_length(micrograph, settings, {})
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    size = micrograph.pixels.nbytes
    return (peak + size) / size


def main() -> None:
    import cv2

    cv2.setNumThreads(1)
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--um-per-px", type=float, default=0.5)
    parser.add_argument("--band-um", type=float, default=150.0)
    parser.add_argument("--bits", type=int, choices=(8, 12), default=8)
    parser.add_argument("--scratches", type=int, default=0, help="more of them on every surface")
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--seeds", type=int, nargs="+", default=[3])
    args = parser.parse_args()
    calibration = Calibration(
        schema=1, id="speed", um_per_px=(args.um_per_px,) * 2, u_um_per_px=(0.0005, 0.0005)
    )
    ratios = []
    for seed in args.seeds:
        view = view_of(seed, args.bits, args.scratches)
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "fold.tif"
            tifffile.imwrite(path, view.pixels, compression="deflate", predictor=2)
            record = ImageRecord(image="fold.tif", fold=view.fold_px)
            read, search, micrograph, outcome = cost(path, record, calibration, args)
        ratios.append(search / read)
        sys.stdout.write(
            f"seed {seed}: reading and decoding {read * 1000:.0f} ms, search {search * 1000:.0f} ms"
            f" of processor time, ratio {ratios[-1]:.1f}; {len(outcome.indications)} candidates\n"
        )
        if seed == args.seeds[0]:
            memory = peak_memory(micrograph, CrackSettings(band_um=args.band_um))
            sys.stdout.write(f"greatest memory with the array {memory:.1f} times the array\n")
    sys.stdout.write(f"median ratio {np.median(ratios):.1f}\n")


if __name__ == "__main__":
    main()
