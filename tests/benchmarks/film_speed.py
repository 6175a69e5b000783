"""Time and memory of one film thickness in a 12-megapixel image, beside decoding it alone.

Run as a script, for example::

    python tests/benchmarks/film_speed.py --repeats 7
"""

import argparse
import hashlib
import statistics
import tempfile
import time
import tracemalloc
from pathlib import Path

import cv2
import numpy as np
import tifffile

from micromeasure.micrograph.image import Micrograph
from micromeasure.quantities.film_thickness import FilmThicknessSettings, measure_thickness
from micromeasure.reference.film import FilmSection, render_film
from micromeasure.reference.render import as_micrograph

SCALE = (0.2, 0.2)


def large_film() -> np.ndarray:
    """Return a 3000 x 4000 image of a film, 16 bits."""
    section = FilmSection(
        shape=(3000, 4000),
        um_per_px=SCALE,
        thickness_um=(24.0,),
        levels=(0.25, 0.65, 0.3),
        direction_deg=12.0,
        radius_um=6000.0,
        blur_um=0.35,
        falloff=0.2,
        dust=30,
        bits=16,
    )
    return render_film(section, np.random.default_rng(7)).pixels


def decode(path: Path) -> np.ndarray:
    """Read a file, take its digest and decode it."""
    data = path.read_bytes()
    hashlib.sha256(data).hexdigest()
    return tifffile.imread(path)


def measure(micrograph: Micrograph) -> float:
    """Measure and return the mean thickness."""
    outcome = measure_thickness(micrograph, FilmThicknessSettings(layers=("film",)), {})
    return float(outcome.measurements[0].estimate.value or 0.0)


def main() -> None:
    """Parse the command line and run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=7)
    parser.add_argument("--threads", type=int, default=1)
    arguments = parser.parse_args()
    cv2.setNumThreads(arguments.threads)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "film.tif"
        tifffile.imwrite(path, large_film(), compression="deflate")
        decoding, measuring, cpu = [], [], []
        value = 0.0
        for _ in range(arguments.repeats):
            start = time.perf_counter()
            pixels = decode(path)
            decoding.append(time.perf_counter() - start)
            micrograph = as_micrograph(pixels, um_per_px=SCALE)
            start, start_cpu = time.perf_counter(), time.process_time()
            value = measure(micrograph)
            measuring.append(time.perf_counter() - start)
            cpu.append(time.process_time() - start_cpu)
        tracemalloc.start()
        measure(micrograph)
        peak = tracemalloc.get_traced_memory()[1]
    a, b = statistics.median(decoding), statistics.median(measuring)
    print(f"mean thickness {value:.4f} um (true 24)")
    print(
        f"reading, hashing, decoding: {1e3 * a:.0f} ms; measuring: {1e3 * b:.0f} ms "
        f"({1e3 * statistics.median(cpu):.0f} ms of processor); sum / decoding {(a + b) / a:.2f}"
    )
    print(f"memory of measuring beyond the image: {peak / pixels.nbytes:.2f} x its array")


if __name__ == "__main__":
    main()
