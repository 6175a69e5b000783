"""Fit the score card of candidate crack indications to rendered fold views.

    python tests/benchmarks/fit_score_card.py --views 3000 --out score_card.json

Each view is rendered with its own conditions; every line found in it becomes one example: true if
at least 0.7 of it lies on a rendered crack, false if less than 0.3 does, left out in between.
Validation uses other seeds: see `cracks.py`.
"""

import argparse
import json
import sys
from pathlib import Path

import numpy as np

from micromeasure.calibration.file import nominal_calibration
from micromeasure.cracks.finding import all_lines
from micromeasure.cracks.matching import match
from micromeasure.cracks.patch import cut_strip
from micromeasure.cracks.scoring import FEATURES
from micromeasure.micrograph.image import Header, ImageRecord, Micrograph
from micromeasure.reference.fold_view import FoldView, draw_conditions, render_fold_view

UM_PER_PX = 0.8
QUANTILES = (0.005, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 0.995)


def micrograph_of(view, um_per_px=(UM_PER_PX, UM_PER_PX)) -> Micrograph:
    rows, cols = view.pixels.shape
    header = Header(
        format="TIFF", width_px=cols, height_px=rows, channels=1,
        dtype=view.pixels.dtype.name, bits=view.conditions.bits,
    )  # fmt: skip
    return Micrograph(
        pixels=view.pixels,
        calibration=nominal_calibration(um_per_px),
        record=ImageRecord(image="view.tif"),
        header=header,
    )


def examples_of(view: FoldView) -> tuple[np.ndarray, np.ndarray]:
    patch = cut_strip(
        micrograph_of(view), view.fold_px, band_um=view.conditions.band_px * UM_PER_PX
    )
    lines, features = all_lines(patch, min_length_um=16.0, max_width_um=12.0)
    truth = [(c.centreline_px, c.branches_px) for c in view.cracks]
    found = match([patch.image_points(line.points) for line in lines], truth)
    return features, np.array(found.shares)


def hat_basis(values: np.ndarray, knots: np.ndarray) -> np.ndarray:
    """Return the piecewise linear basis of one feature, a column per knot."""
    return np.column_stack([np.interp(values, knots, row) for row in np.eye(len(knots))])


def fit_card(features: np.ndarray, true: np.ndarray, *, ridge: float, bend: float) -> dict:
    """Fit by penalised likelihood: Newton steps, small and smooth curves preferred."""
    knots = []
    for column in features.T:
        quantiles = np.unique(np.round(np.quantile(column, QUANTILES), 4))
        knots.append(quantiles if len(quantiles) > 1 else quantiles + np.array([0.0, 1.0]))
    bases = [hat_basis(column, k) for column, k in zip(features.T, knots, strict=True)]
    design = np.hstack([np.ones((len(true), 1)), *bases])
    penalty = np.zeros((design.shape[1],) * 2)
    at = 1
    for k in knots:
        n = len(k)
        second = np.diff(np.eye(n), n=2, axis=0) if n > 2 else np.zeros((1, n))
        penalty[at : at + n, at : at + n] = ridge * np.eye(n) + bend * second.T @ second
        at += n
    weights = np.zeros(design.shape[1])
    for _ in range(30):
        p = 1 / (1 + np.exp(-np.clip(design @ weights, -30, 30)))
        gradient = design.T @ (true - p) - penalty @ weights
        hessian = (design * (p * (1 - p))[:, None]).T @ design + penalty
        step = np.linalg.solve(hessian + 1e-9 * np.eye(len(weights)), gradient)
        weights = weights + step
        if np.abs(step).max() < 1e-6:
            break
    curves, at = {}, 1
    for name, k in zip(FEATURES, knots, strict=True):
        curves[name] = {
            "knots": [round(float(v), 4) for v in k],
            "heights": [round(float(v), 4) for v in weights[at : at + len(k)]],
        }
        at += len(k)
    return {"intercept": round(float(weights[0]), 4), "curves": curves}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--views", type=int, default=3000)
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--cache", type=Path, help="keep the examples here (npz)")
    args = parser.parse_args()
    import cv2

    cv2.setNumThreads(1)
    rows, labels = [], []
    for number in range(args.views):
        rng = np.random.default_rng([args.seed, number])
        conditions = draw_conditions(rng, cnr=(2.0, 10.0))
        features, shares = examples_of(render_fold_view(rng, conditions))
        rows.append(features)
        labels.append(shares)
    features, shares = np.vstack(rows), np.concatenate(labels)
    if args.cache:
        np.savez(args.cache, features=features, shares=shares)
    clear = (shares < 0.3) | (shares >= 0.7)
    features, true = features[clear], shares[clear] >= 0.7
    card = fit_card(features, true.astype(float), ridge=0.3, bend=3.0)
    card["provenance"] = (
        f"fitted to {len(true)} lines, {int(true.sum())} of them cracks, in {args.views} rendered "
        f"fold views (seed {args.seed})"
    )
    args.out.write_text(json.dumps(card, indent=1) + "\n", encoding="utf-8")
    sys.stdout.write(card["provenance"] + "\n")


if __name__ == "__main__":
    main()
