"""How well the length of found cracks is measured in rendered fold views.

    python tests/benchmarks/crack_lengths.py --views 300 --seed 320 --renderer fold

For cracks of contrast-to-noise 3 to 8 and 1.5 pixels width and more that are found at the default
threshold: quartiles of the length's error, share of gross errors, how often the 95 % interval
holds the truth, also apart for narrow and wide intervals. `cracks.py` says how many are found.
"""

import argparse
import sys
from itertools import pairwise
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from cracks import CALIBRATION, UM_PER_PX, make_view, search

from micromeasure.cracks.matching import match
from micromeasure.quantities.crack_length import CrackSettings


def errors_of(view) -> list[tuple[float, float, float, float]]:
    """Return true length and, as shares of it, error and half width of each found crack."""
    items = search(view, CrackSettings().threshold)
    truth = [(crack.centreline_px, crack.branches_px) for crack in view.cracks]
    best_of = match([item.centreline_px for item in items], truth).best_of
    rows = []
    for crack, best in zip(view.cracks, best_of, strict=True):
        if best < 0 or crack.cnr < 0.95 * 3.0 or crack.width_px < 1.45:
            continue
        true_um = crack.length_um(UM_PER_PX)
        length = items[best].length
        low, high = length.interval_95
        rows.append(
            (crack.length_um((1.0, 1.0)), length.value / true_um - 1, (high - low) / 2 / true_um,
             low <= true_um <= high)
        )  # fmt: skip
    return rows


def main() -> None:
    import cv2

    cv2.setNumThreads(1)
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--views", type=int, default=300)
    parser.add_argument("--seed", type=int, default=320)
    parser.add_argument("--renderer", choices=("fold", "relief", "mixed", "plate"), default="fold")
    args = parser.parse_args()
    found = []
    for number in range(args.views):
        view = make_view(args.renderer, args.seed, number, (3.0, 8.0))
        if view.cracks:
            found += errors_of(view)
    px, error, half, held = np.array(found, dtype=float).T
    q1, q2, q3 = 100 * np.quantile(error, (0.25, 0.5, 0.75))
    lines = [
        f"{args.renderer}, seed {args.seed}, calibration {CALIBRATION.id}: {len(px)} found cracks",
        f"error %: quartiles {q1:.1f} {q2:.1f} {q3:.1f}, interquartile range {q3 - q1:.1f}",
        f"shorter by over 8 %: {np.mean(error < -0.08):.3f}, longer: {np.mean(error > 0.08):.3f}",
        f"95 % intervals that hold the truth: {held.mean():.3f}; half widths %, quartiles "
        + " ".join(f"{100 * q:.0f}" for q in np.quantile(half, (0.25, 0.5, 0.75))),
    ]
    for low, high in pairwise((0.0, 0.1, 0.2, 0.4, 0.8, 99.0)):
        own = (half >= low) & (half < high)
        if own.any():
            lines.append(
                f"  half width {low:.0%} to {high:.0%}: {held[own].mean():.2f} of {own.sum()}"
            )
    for low, high in pairwise((0, 30, 60, 120, 1000)):
        own = (px >= low) & (px < high)
        if own.any():
            q1, q2, q3 = 100 * np.quantile(error[own], (0.25, 0.5, 0.75))
            lines.append(
                f"  {low} to {high} px: {own.sum()}, error % {q1:.1f} {q2:.1f} {q3:.1f}, "
                f"held {held[own].mean():.2f}"
            )
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
