"""What the search for crack indications costs beside reading and decoding a 12-megapixel image.

    python tests/benchmarks/cracks_speed.py

Prints processor time of reading and of the search with one fold band, their ratio, and the greatest
memory in multiples of the decoded array.
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


def main() -> None:
    import cv2

    cv2.setNumThreads(1)
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--um-per-px", type=float, default=0.5)
    parser.add_argument("--band-um", type=float, default=150.0)
    parser.add_argument("--bits", type=int, choices=(8, 12), default=8)
    parser.add_argument("--repeats", type=int, default=3)
    args = parser.parse_args()
    rng = np.random.default_rng(3)
    conditions = replace(
        draw_conditions(rng, size_px=(4000, 3000), cracks=3), fold_angle_deg=4.0, bits=args.bits
    )
    view = render_fold_view(rng, conditions)
    calibration = Calibration(
        schema=1, id="speed", um_per_px=(args.um_per_px,) * 2, u_um_per_px=(0.0005, 0.0005)
    )
    settings = CrackSettings(band_um=args.band_um)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "fold.tif"
        tifffile.imwrite(path, view.pixels, compression="deflate", predictor=2)
        record = ImageRecord(image="fold.tif", fold=view.fold_px)
        reading, searching = [], []
        for _ in range(args.repeats):
            start = time.process_time()
            micrograph = read_micrograph(path, record=record, calibration=calibration)
            reading.append(time.process_time() - start)
            start = time.process_time()
            outcome = measure_crack_length(micrograph, settings, {})
            searching.append(time.process_time() - start)
    # numpy and OpenCV both report to tracemalloc only what numpy allocates; OpenCV's results are
    # numpy arrays here.
    tracemalloc.start()
    measure_crack_length(micrograph, settings, {})
    peak = tracemalloc.get_traced_memory()[1]
    size = micrograph.pixels.nbytes
    read, search = np.median(reading), np.median(searching)
    sys.stdout.write(
        f"reading and decoding {read * 1000:.0f} ms, search {search * 1000:.0f} ms of processor "
        f"time, ratio {search / read:.1f}; {len(outcome.indications)} candidates\n"
        f"greatest memory with the array {(peak + size) / size:.1f} times the array of "
        f"{size / 1e6:.0f} MB\n"
    )


if __name__ == "__main__":
    main()
