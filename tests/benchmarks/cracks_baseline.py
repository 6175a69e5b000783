"""The search for crack indications beside general ridge filters of a library.

    python tests/benchmarks/cracks_baseline.py --views 60 --seed 91

On the same rendered fold views, scikit-image's ridge filters are followed by hysteresis,
connected components and a least extent; a component's score is its mean response, over the spread
of the response in the band, times the root of its extent. For each method: average precision over
cracks of contrast-to-noise 3 and more, and the share found at 0.2 false candidates per image. The
filters get the best of three levels of hysteresis, chosen on these very views.
"""

import argparse
import json
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from cracks import MIN_LENGTH_PX, RENDERERS, UM_PER_PX, average_precision, make_view, micrograph_of

from micromeasure.cracks.background import remove_background
from micromeasure.cracks.finding import find_candidates
from micromeasure.cracks.matching import match
from micromeasure.cracks.patch import cut_strip

LEVELS = (3.0, 4.5, 7.0)


def ours(patch):
    found = find_candidates(
        patch, min_length_um=MIN_LENGTH_PX * patch.um_per_px, max_width_um=10.0, threshold=0.01
    )
    return [(item.score, item.line.points) for item in found]


def by_filter(name, patch, level):
    """Return components of a ridge filter's response as scored point sets."""
    from skimage import filters, measure

    flat = remove_background(patch)
    if (name, id(patch)) not in CACHE:
        CACHE.clear()
        made = getattr(filters, name)(flat, sigmas=(1.0, 2.0, 3.0), black_ridges=True)
        CACHE[(name, id(patch))] = np.where(patch.valid > 0, made, 0.0)
    response = CACHE[(name, id(patch))]
    rows, cols = np.indices(response.shape)
    band = patch.in_band(np.column_stack((cols.ravel(), rows.ravel())).astype(float))
    spread = np.quantile(response.ravel()[band], 0.9) / 1.645
    mask = filters.apply_hysteresis_threshold(response, 0.6 * level * spread, level * spread)
    mask &= band.reshape(mask.shape)
    found = []
    for part in measure.regionprops(measure.label(mask, connectivity=2)):
        points = part.coords[:, ::-1].astype(float)
        extent = np.hypot(*np.ptp(points, axis=0))
        if extent < MIN_LENGTH_PX or len(points) < 0.5 * MIN_LENGTH_PX:
            continue
        values = response[part.coords[:, 0], part.coords[:, 1]]
        # Points in the order of the longer side, so that they can be read as a line.
        order = np.argsort(points[:, int(np.argmax(np.ptp(points, axis=0)))], kind="stable")
        found.append((float(values.mean() / spread * np.sqrt(extent)), points[order]))
    return found


CACHE: dict = {}


def main() -> None:
    import cv2

    cv2.setNumThreads(1)
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--views", type=int, default=60)
    parser.add_argument("--seed", type=int, default=91)
    parser.add_argument("--renderer", choices=RENDERERS, default="fold")
    parser.add_argument("--filters", nargs="*", default=["sato", "meijering", "frangi"])
    args = parser.parse_args()
    methods = {"this package": ours}
    for name in args.filters:
        for level in LEVELS:
            methods[f"{name} {level}"] = lambda p, n=name, v=level: by_filter(n, p, v)
    ranked = {name: ([], []) for name in methods}
    spent = dict.fromkeys(methods, 0.0)
    n_cracks = 0
    for number in range(args.views):
        view = make_view(args.renderer, args.seed, number, (3.0, 8.0))
        patch = cut_strip(
            micrograph_of(view), view.fold_px, band_um=view.conditions.band_px * UM_PER_PX[0]
        )
        truth = [(c.centreline_px, c.branches_px) for c in view.cracks]
        good = [c.length_um((1.0, 1.0)) >= MIN_LENGTH_PX and c.cnr >= 2.85 for c in view.cracks]
        n_cracks += sum(good)
        for name, method in methods.items():
            start = time.process_time()
            found = sorted(method(patch), key=lambda item: -item[0])
            spent[name] += time.process_time() - start
            owners = match([patch.image_points(points) for _, points in found], truth).crack_of
            taken = set()
            for (score, _), owner in zip(found, owners, strict=True):
                if owner >= 0 and not good[owner]:
                    continue
                ranked[name][0].append(score)
                ranked[name][1].append(1.0 if owner >= 0 and owner not in taken else 0.0)
                taken.add(owner)
    result = {"views": args.views, "cracks": n_cracks}
    for name, (scores, true) in ranked.items():
        scores_, true_ = np.array(scores), np.array(true)
        order = np.argsort(-scores_, kind="stable")
        false = np.cumsum(1 - true_[order])
        allowed = false <= 0.2 * args.views
        result[name] = {
            "average precision": round(average_precision(scores_, true_, n_cracks), 3),
            "found at 0.2 false per image": round(float(true_[order][allowed].sum() / n_cracks), 3),
            "processor s per view": round(spent[name] / args.views, 2),
        }
    sys.stdout.write(json.dumps(result, indent=1) + "\n")


if __name__ == "__main__":
    main()
