"""Fit the score cards of candidate crack indications to rendered views.

    python tests/benchmarks/fit_score_cards.py --out micromeasure/cracks/score_cards.json

Views come from three renderers that share no code: `fold`, `relief`, `mixed`. Every line found in
one becomes an example for the first card: true if at least 0.7 of it lies on a rendered crack,
false if less than 0.3 does, left out in between. With that card lines are looked at a second time
in further views; each becomes an example for the second card, true if at least half of it
lies on a crack. Curves and tables are fitted by penalised likelihood. `--check` fits without one
renderer and says how well the others foretell it. Verification uses other seeds and renderers
that are never used here: see `cracks.py`.
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
from micromeasure.cracks.finding import all_lines, second_looks
from micromeasure.cracks.matching import match
from micromeasure.cracks.patch import cut_strip
from micromeasure.cracks.scoring import FEATURES, SECOND_FEATURES, cards_from, hat_basis

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
# Penalties of heights, of bends and of heights in tables.
FIRST_PENALTIES = (0.3, 3.0, 2.0)
# Examples of the second look are fewer, and its features already say most.
SECOND_PENALTIES = (1.0, 6.0, 4.0)
# A card of the same form that adds nothing, while the other one is fitted.
NOTHING = {
    "intercept": 0.0, "pairs": [],
    "curves": {name: {"knots": [0.0, 1.0], "heights": [0.0, 0.0]} for name in SECOND_FEATURES},
}  # fmt: skip


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


def blocks_of(
    features: np.ndarray, names: tuple[str, ...], pairs: tuple, penalties: tuple[float, ...]
) -> list[tuple[tuple, np.ndarray, np.ndarray]]:
    """Return for each curve and table its knots, its columns of the design and its penalty."""
    ridge, bend, pair_ridge = penalties
    blocks = []
    for column in features.T:
        knots = knots_at(column, QUANTILES)
        n = len(knots)
        second = np.diff(np.eye(n), n=2, axis=0) if n > 2 else np.zeros((1, n))
        penalty = ridge * np.eye(n) + bend * second.T @ second
        blocks.append(((knots,), hat_basis(column, knots), penalty))
    for pair in pairs:
        columns = [features[:, names.index(name)] for name in pair]
        knots = [knots_at(column, PAIR_QUANTILES) for column in columns]
        rows, cols = (hat_basis(c, k) for c, k in zip(columns, knots, strict=True))
        design = (rows[:, :, None] * cols[:, None, :]).reshape(len(features), -1)
        blocks.append((tuple(knots), design, pair_ridge * np.eye(design.shape[1])))
    return blocks


def fit_card(
    features: np.ndarray,
    true: np.ndarray,
    names: tuple[str, ...] = FEATURES,
    pairs: tuple = PAIRS,
    penalties: tuple[float, ...] = FIRST_PENALTIES,
) -> dict:
    """Fit by penalised likelihood: Newton steps, small and smooth curves preferred."""
    blocks = blocks_of(features, names, pairs, penalties)
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
    heights = [weights[place].round(4) for place in places]
    knots = [[k.tolist() for k in block[0]] for block in blocks]
    n = len(names)
    return {
        "intercept": round(float(weights[0]), 4),
        "curves": {
            name: {"knots": k[0], "heights": h.tolist()}
            for name, k, h in zip(names, knots[:n], heights[:n], strict=True)
        },
        "pairs": [
            {
                "features": list(pair), "knots": k,
                "heights": h.reshape(len(k[0]), len(k[1])).tolist(),
            }
            for pair, k, h in zip(pairs, knots[n:], heights[n:], strict=True)
        ],
    }  # fmt: skip


def looked_at_again(args: argparse.Namespace, first: dict, renderers) -> tuple:
    """Return features and truth of all second looks with a first card."""
    places = []
    for renderer in renderers:
        # Views after those that the first card is fitted to.
        start = count_of(args, renderer)
        number = round(args.second_views * SHARES[renderer])
        places += places_of(args, renderer, range(start, start + number))
    cards = {"first": first, "second": NOTHING, "provenance": ""}
    with ProcessPoolExecutor(args.jobs, initializer=use_cards, initargs=(cards,)) as pool:
        rows, trues = zip(*pool.map(second_looks_in, places, chunksize=4), strict=True)
    return np.vstack(rows), np.concatenate(trues)


def use_cards(cards: dict) -> None:
    cv2.setNumThreads(1)
    made = cards_from(cards)
    finding.score_cards = lambda: made


def second_looks_in(place: tuple[str, int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Return features and truth of the lines that get a second look in one view."""
    view = make_view(*place, CNR)
    patch = patch_of(view)
    items, rows = second_looks(patch, min_length_um=16.0, max_width_um=10.0)
    lines = [patch.image_points(item.line.points) for item in items]
    owners = np.array(match(lines, truth_of(view)).crack_of)
    return rows, (owners >= 0).astype(float)


def fit_cards(args: argparse.Namespace, examples: dict, renderers) -> tuple[dict, str]:
    """Return both cards, fitted to some of the renderers, and what they were fitted to."""
    features = np.vstack([examples[name][0] for name in renderers])
    true = np.concatenate([examples[name][1] for name in renderers])
    first = fit_card(features, true)
    rows, trues = looked_at_again(args, first, renderers)
    second = fit_card(rows, trues, SECOND_FEATURES, (), SECOND_PENALTIES)
    counts = (
        f"{len(true)} lines, {int(true.sum())} of them cracks, in {args.views} rendered views; "
        f"second looks at {len(trues)} lines, {int(trues.sum())} of them cracks, in "
        f"{args.second_views} further views"
    )
    return {"first": first, "second": second, "provenance": ""}, counts


def check(args: argparse.Namespace, examples: dict) -> None:
    """Print how often candidates were cracks, by score, with cards fitted to the others alone."""
    for left_out in RENDERERS:
        cards, _ = fit_cards(args, examples, [name for name in RENDERERS if name != left_out])
        rows, true = looked_at_again(args, cards["first"], [left_out])
        scores = cards_from(cards).second.score(rows)
        line = [left_out]
        for low, high in ((0.02, 0.1), (0.1, 0.3), (0.3, 0.5), (0.5, 0.7), (0.7, 0.9), (0.9, 1.01)):
            inside = (scores >= low) & (scores < high)
            if inside.any():
                line.append(f"{low}-{high}: {true[inside].mean():.2f} of {inside.sum()}")
        sys.stdout.write("; ".join(line) + "\n")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--views", type=int, default=1000, help="of all renderers, first card")
    parser.add_argument("--second-views", type=int, default=1000, help="further ones, second card")
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--check", action="store_true", help="leave each renderer out once")
    parser.add_argument("--jobs", type=int, default=os.cpu_count())
    args = parser.parse_args()
    examples = collect(args)
    cards, counts = fit_cards(args, examples, RENDERERS)
    cards["provenance"] = (
        f"fitted to {counts}; fit_score_cards.py --views {args.views} --second-views "
        f"{args.second_views} --seed {args.seed}; numpy {np.__version__}, OpenCV {cv2.__version__}"
    )
    args.out.write_text(json.dumps(cards, indent=1) + "\n", encoding="utf-8")
    sys.stdout.write(cards["provenance"] + "\n")
    if args.check:
        check(args, examples)


if __name__ == "__main__":
    main()
