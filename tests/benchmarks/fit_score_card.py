"""Fit the score card of candidate crack indications to rendered views.

    python tests/benchmarks/fit_score_card.py --out micromeasure/cracks/score_card.json

Views come from three renderers that share no code: `fold`, `relief`, `mixed`. Every line found in
one becomes an example: true if at least 0.7 of it lies on a rendered crack, false if less than 0.3
does, left out in between. Curves and tables are fitted to these by penalised likelihood. Then the
score is stretched and shifted as a whole, so that it is right for the candidates that are reported:
of lines that overlap only the best is, whose score is too high on average. `--check` fits without
one renderer and says how well the others foretell it. Verification uses other seeds, and a fourth
renderer that is never used here: see `cracks.py`.
"""

import argparse
import json
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from cracks import UM_PER_PX, make_view, micrograph_of

from micromeasure.cracks import finding
from micromeasure.cracks.finding import all_lines, find_candidates
from micromeasure.cracks.matching import match
from micromeasure.cracks.patch import cut_strip
from micromeasure.cracks.scoring import FEATURES, card_from, hat_basis

RENDERERS = ("fold", "relief", "mixed")
SHARES = {"fold": 0.3, "relief": 0.25, "mixed": 0.45}
CNR = (2.0, 10.0)
QUANTILES = (0.005, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 0.995)
PAIR_QUANTILES = (0.03, 0.3, 0.7, 0.97)
# Pairs whose joint effect the sum of curves misses most (score test on half of the views).
PAIRS = (
    ("tilt", "fineness"),
    ("length", "turning"),
    ("relative_contrast", "surround"),
    ("aspect", "scratchlike"),
    ("response", "depth_variation"),
)
RIDGE, BEND, PAIR_RIDGE = 0.3, 3.0, 2.0
LEAST_SCORE = 0.02


def patch_of(view):
    return cut_strip(
        micrograph_of(view), view.fold_px, band_um=view.conditions.band_px * UM_PER_PX[0]
    )


def truth_of(view):
    return [(c.centreline_px, c.branches_px) for c in view.cracks]


def examples_of(place: tuple[str, int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Return features and shares on cracks of the lines in one view: renderer, seed, number."""
    view = make_view(*place, CNR)
    patch = patch_of(view)
    lines, features = all_lines(patch, min_length_um=16.0, max_width_um=10.0)
    found = match([patch.image_points(line.points) for line in lines], truth_of(view))
    return features, np.array(found.shares)


def places_of(args: argparse.Namespace, renderer: str, numbers: range) -> list[tuple]:
    return [(renderer, args.seed + RENDERERS.index(renderer), number) for number in numbers]


def count_of(args: argparse.Namespace, renderer: str) -> int:
    return round(args.views * SHARES[renderer])


def collect(args: argparse.Namespace) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Return features and truth of the clear examples of each renderer."""
    found = {}
    for renderer in RENDERERS:
        places = places_of(args, renderer, range(count_of(args, renderer)))
        with ProcessPoolExecutor(args.jobs, initializer=cv2.setNumThreads, initargs=(1,)) as pool:
            rows, labels = zip(*pool.map(examples_of, places, chunksize=4), strict=True)
        features, shares = np.vstack(rows), np.concatenate(labels)
        clear = (shares < 0.3) | (shares >= 0.7)
        found[renderer] = (features[clear], (shares[clear] >= 0.7).astype(float))
    return found


def knots_at(column: np.ndarray, quantiles: tuple[float, ...]) -> np.ndarray:
    knots = np.unique(np.round(np.quantile(column, quantiles), 4))
    return knots if len(knots) > 1 else knots + np.array([0.0, 1.0])


def blocks_of(features: np.ndarray) -> list[tuple[tuple, np.ndarray, np.ndarray]]:
    """Return for each curve and table its knots, its columns of the design and its penalty."""
    blocks = []
    for column in features.T:
        knots = knots_at(column, QUANTILES)
        n = len(knots)
        second = np.diff(np.eye(n), n=2, axis=0) if n > 2 else np.zeros((1, n))
        penalty = RIDGE * np.eye(n) + BEND * second.T @ second
        blocks.append(((knots,), hat_basis(column, knots), penalty))
    for pair in PAIRS:
        columns = [features[:, FEATURES.index(name)] for name in pair]
        knots = [knots_at(column, PAIR_QUANTILES) for column in columns]
        rows, cols = (hat_basis(c, k) for c, k in zip(columns, knots, strict=True))
        design = (rows[:, :, None] * cols[:, None, :]).reshape(len(features), -1)
        blocks.append((tuple(knots), design, PAIR_RIDGE * np.eye(design.shape[1])))
    return blocks


def fit_card(features: np.ndarray, true: np.ndarray) -> dict:
    """Fit by penalised likelihood: Newton steps, small and smooth curves preferred."""
    blocks = blocks_of(features)
    design = np.hstack([np.ones((len(true), 1)), *(block[1] for block in blocks)])
    penalty = np.zeros((design.shape[1],) * 2)
    at, places = 1, []
    for _, columns, block in blocks:
        places.append(slice(at, at + columns.shape[1]))
        penalty[places[-1], places[-1]] = block
        at += columns.shape[1]
    weights = np.zeros(design.shape[1])
    for _ in range(30):
        p = 1 / (1 + np.exp(-np.clip(design @ weights, -30, 30)))
        gradient = design.T @ (true - p) - penalty @ weights
        hessian = (design * (p * (1 - p))[:, None]).T @ design + penalty
        step = np.linalg.solve(hessian + 1e-9 * np.eye(len(weights)), gradient)
        weights = weights + step
        if np.abs(step).max() < 1e-6:
            break
    heights = [weights[place] for place in places]
    knots = [[k.tolist() for k in block[0]] for block in blocks]
    n = len(FEATURES)
    return {
        "intercept": float(weights[0]),
        "curves": {
            name: {"knots": k[0], "heights": h.tolist()}
            for name, k, h in zip(FEATURES, knots[:n], heights[:n], strict=True)
        },
        "pairs": [
            {
                "features": list(pair), "knots": k,
                "heights": h.reshape(len(k[0]), len(k[1])).tolist(),
            }
            for pair, k, h in zip(PAIRS, knots[n:], heights[n:], strict=True)
        ],
    }  # fmt: skip


def reported(args: argparse.Namespace, card: dict, renderers) -> tuple[np.ndarray, np.ndarray]:
    """Return scores (log odds) and truth of the candidates that the search reports with a card."""
    places = []
    for renderer in renderers:
        # Views after those that the curves are fitted to.
        first = count_of(args, renderer)
        places += places_of(args, renderer, range(first, first + args.calibration_views))
    with ProcessPoolExecutor(args.jobs, initializer=use_card, initargs=(card,)) as pool:
        found = list(pool.map(reported_in, places, chunksize=4))
    scores = np.concatenate([part[0] for part in found])
    return np.log(scores / (1 - scores + 1e-9)), np.concatenate([part[1] for part in found])


def use_card(card: dict) -> None:
    cv2.setNumThreads(1)
    made = card_from(card)
    finding.score_card = lambda: made


def reported_in(place: tuple[str, int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Return scores and truth of the candidates that the search reports in one view."""
    view = make_view(*place, CNR)
    patch = patch_of(view)
    items = find_candidates(patch, min_length_um=16.0, max_width_um=10.0, threshold=LEAST_SCORE)
    lines = [patch.image_points(item.line.points) for item in items]
    owners = np.array(match(lines, truth_of(view)).crack_of)
    return np.array([item.score for item in items]), (owners >= 0).astype(float)


def stretched(card: dict, odds: np.ndarray, true: np.ndarray) -> dict:
    """Return a card whose total is stretched and shifted to fit the reported candidates."""
    design = np.column_stack((np.ones_like(odds), odds))
    weights = np.array((0.0, 1.0))
    for _ in range(30):
        p = 1 / (1 + np.exp(-np.clip(design @ weights, -30, 30)))
        hessian = (design * (p * (1 - p))[:, None]).T @ design
        weights = weights + np.linalg.solve(hessian, design.T @ (true - p))
    shift, factor = weights

    def times(values: list) -> list:
        return [times(v) if isinstance(v, list) else round(v * factor, 4) for v in values]

    return {
        "intercept": round(card["intercept"] * factor + shift, 4),
        "curves": {k: c | {"heights": times(c["heights"])} for k, c in card["curves"].items()},
        "pairs": [pair | {"heights": times(pair["heights"])} for pair in card["pairs"]],
    }


def check(args: argparse.Namespace, examples: dict) -> None:
    """Print how often candidates were cracks, by score, with a card fitted to the others alone."""
    for left_out in RENDERERS:
        parts = [examples[name] for name in RENDERERS if name != left_out]
        others = [name for name in RENDERERS if name != left_out]
        card = fit_card(np.vstack([p[0] for p in parts]), np.concatenate([p[1] for p in parts]))
        card["provenance"] = "check"
        card = stretched(card, *reported(args, card, others)) | {"provenance": "check"}
        odds, true = reported(args, card, [left_out])
        scores = 1 / (1 + np.exp(-odds))
        line = [left_out]
        for low, high in ((0.02, 0.1), (0.1, 0.3), (0.3, 0.5), (0.5, 0.7), (0.7, 0.9), (0.9, 1.01)):
            inside = (scores >= low) & (scores < high)
            if inside.any():
                line.append(f"{low}-{high}: {true[inside].mean():.2f} of {inside.sum()}")
        sys.stdout.write("; ".join(line) + "\n")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--views", type=int, default=733)
    parser.add_argument("--calibration-views", type=int, default=60, help="of each renderer")
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--check", action="store_true", help="leave each renderer out once")
    parser.add_argument("--jobs", type=int, default=os.cpu_count())
    args = parser.parse_args()
    examples = collect(args)
    features = np.vstack([examples[name][0] for name in RENDERERS])
    true = np.concatenate([examples[name][1] for name in RENDERERS])
    card = fit_card(features, true) | {"provenance": ""}
    card = stretched(card, *reported(args, card, RENDERERS))
    card["provenance"] = (
        f"fitted to {len(true)} lines, {int(true.sum())} of them cracks, in {args.views} rendered "
        f"views by fit_score_card.py --views {args.views} --calibration-views "
        f"{args.calibration_views} --seed {args.seed}; numpy {np.__version__}, OpenCV "
        f"{cv2.__version__}"
    )
    args.out.write_text(json.dumps(card, indent=1) + "\n", encoding="utf-8")
    sys.stdout.write(card["provenance"] + "\n")
    if args.check:
        check(args, examples)


if __name__ == "__main__":
    main()
