"""How well crack indications are found and measured in rendered fold views.

    python tests/benchmarks/cracks.py --views 2000 --seed 77

Prints, for cracks of contrast-to-noise 3 and more and 1.5 pixels width and more: probability of
detection against length, false candidates per image, average precision, length errors, coverage
of the stated intervals and the calibration of the score. `--renderer relief` uses a second
renderer that shares nothing with the first; `cracks_baseline.py` compares with ridge filters.
"""

import argparse
import json
import sys
import time
from itertools import pairwise
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from micromeasure.calibration.file import Calibration
from micromeasure.compare.detectability import detectability_from_hits
from micromeasure.cracks import finding
from micromeasure.cracks.finding import find_candidates
from micromeasure.cracks.indication import indication_from
from micromeasure.cracks.matching import match
from micromeasure.cracks.patch import cut_strip
from micromeasure.cracks.scoring import card_from
from micromeasure.micrograph.image import Header, ImageRecord, Micrograph
from micromeasure.quantities.crack_length import CrackSettings
from micromeasure.reference.fold_view import draw_conditions, render_fold_view

UM_PER_PX = (0.8, 0.8)
MIN_LENGTH_PX = 20.0
CALIBRATION = Calibration(schema=1, id="bench", um_per_px=UM_PER_PX, u_um_per_px=(0.0008, 0.0008))


def micrograph_of(view) -> Micrograph:
    rows, cols = view.pixels.shape
    header = Header(
        format="TIFF", width_px=cols, height_px=rows, channels=1,
        dtype=view.pixels.dtype.name, bits=view.conditions.bits,
    )  # fmt: skip
    return Micrograph(
        pixels=view.pixels, calibration=CALIBRATION, record=ImageRecord(image="view"),
        header=header,
    )  # fmt: skip


def make_view(renderer: str, seed: int, number: int, cnr: tuple[float, float]):
    rng = np.random.default_rng([seed, number])
    if renderer == "relief":
        from relief_view import render_relief_view

        return render_relief_view(rng, cnr=cnr)
    return render_fold_view(rng, draw_conditions(rng, cnr=cnr))


def search(view, threshold: float):
    """Return candidates as (score, length px, u px, centreline, interval)."""
    patch = cut_strip(
        micrograph_of(view), view.fold_px, band_um=view.conditions.band_px * UM_PER_PX[0]
    )
    found = find_candidates(
        patch, min_length_um=MIN_LENGTH_PX * UM_PER_PX[0], max_width_um=10.0, threshold=threshold
    )
    return [
        indication_from(
            item.line, patch, CALIBRATION, fold="fold", fold_px=view.fold_px, score=item.score,
            branches=item.branches,
        )
        for item in found
    ]  # fmt: skip


def average_precision(scores: np.ndarray, true: np.ndarray, n_cracks: int) -> float:
    """Return the area under precision over recall; repeated finds of a crack are no gain."""
    order = np.argsort(-scores, kind="stable")
    hits = np.cumsum(true[order])
    precision = hits / np.arange(1, len(order) + 1)
    return float(precision[true[order] > 0].sum() / max(n_cracks, 1))


def run(args: argparse.Namespace) -> dict:
    threshold = CrackSettings().threshold if args.threshold is None else args.threshold
    lengths, hits, errors, covered, false_counts, spent = [], [], [], [], [], []
    scores, firsts, trues, n_cracks = [], [], [], 0
    for number in range(args.views):
        view = make_view(args.renderer, args.seed, number, (args.cnr, args.cnr_high))
        start = time.perf_counter()
        items = search(view, 0.02)
        spent.append(time.perf_counter() - start)
        usable = [c.cnr >= 0.95 * args.cnr and c.width_px >= 1.45 for c in view.cracks]
        truth = [(c.centreline_px, c.branches_px) for c in view.cracks]
        lines = [item.centreline_px for item in items]
        whole = match(lines, truth)
        shown = [k for k, item in enumerate(items) if item.score >= threshold]
        matched = match([lines[k] for k in shown], truth)
        false_counts.append(sum(owner < 0 for owner in matched.crack_of))
        taken = set()
        for k, owner in enumerate(whole.crack_of):
            if owner >= 0 and not usable[owner]:
                continue
            scores.append(items[k].score)
            trues.append(owner >= 0)
            firsts.append(owner >= 0 and owner not in taken)
            taken.add(owner)
        for crack, good, best in zip(view.cracks, usable, matched.best_of, strict=True):
            if not good:
                continue
            length = crack.length_um((1.0, 1.0))
            lengths.append(length)
            hits.append(best >= 0)
            n_cracks += length >= MIN_LENGTH_PX
            if best >= 0:
                item = items[shown[best]]
                low, high = item.length.interval_95
                true_um = crack.length_um(UM_PER_PX)
                errors.append((length, item.length.value / true_um - 1))
                covered.append(low <= true_um <= high)
    if args.scores:
        np.savez(args.scores, scores=scores, trues=trues)
    return summary(
        np.array(lengths), np.array(hits, dtype=float), np.array(errors), np.array(covered),
        np.array(false_counts), (np.array(scores), np.array(firsts), np.array(trues), n_cracks),
        np.array(spent),
    )  # fmt: skip


def summary(lengths, hits, errors, covered, false_counts, ranked, spent) -> dict:
    scores, firsts, trues, n_cracks = ranked
    pod = detectability_from_hits(lengths, hits)
    long = lengths >= MIN_LENGTH_PX
    q1, q2, q3 = np.quantile(errors[:, 1], (0.25, 0.5, 0.75)) * 100
    bins = np.array([0.02, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0])
    calibration = {}
    for low, high in pairwise(bins):
        inside = (scores >= low) & (scores < high + (high == 1.0))
        if inside.sum():
            key = f"{low:.2f}-{high:.2f}"
            share, mean = trues[inside].mean(), scores[inside].mean()
            calibration[key] = f"{share:.2f} true of {inside.sum()}, mean score {mean:.2f}"
    rates = {}
    for low, high in ((20, 30), (30, 40), (40, 50), (50, 70), (70, 100), (100, 1000)):
        inside = (lengths >= low) & (lengths < high)
        rates[f"{low}-{high} px"] = f"{hits[inside].mean():.3f} of {inside.sum()}"
    return {
        "views": len(false_counts),
        "cracks": len(lengths),
        "POD curve": f"{pod.curve.link}, {pod.curve.scale}",
        "a50 px": round(pod.a50_um, 1),
        "a90 px": round(pod.a90_um, 1),
        "a90/95 px": pod.a90_95_um and round(pod.a90_95_um, 1),
        "hit rate by length": rates,
        "hit rate above minimum length": round(float(hits[long].mean()), 4),
        "false candidates per image": round(float(false_counts.mean()), 3),
        "average precision": round(average_precision(scores, firsts.astype(float), n_cracks), 4),
        "length error %, quartiles": [round(float(q), 2) for q in (q1, q2, q3)],
        "length IQR %": round(float(q3 - q1), 2),
        "coverage of 95 % intervals": round(float(covered.mean()), 4),
        "score calibration": calibration,
        "median s per view": round(float(np.median(spent)), 3),
    }


def main() -> None:
    import cv2

    cv2.setNumThreads(1)
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--views", type=int, default=500)
    parser.add_argument("--seed", type=int, default=77)
    parser.add_argument("--renderer", choices=("fold", "relief"), default="fold")
    parser.add_argument("--cnr", type=float, default=3.0)
    parser.add_argument("--cnr-high", type=float, default=8.0)
    parser.add_argument("--threshold", type=float)
    parser.add_argument("--scores", type=Path, help="keep scores and truth here (npz)")
    parser.add_argument("--card", type=Path, help="another score card")
    args = parser.parse_args()
    if args.card:
        card = card_from(json.loads(args.card.read_text(encoding="utf-8")))
        finding.score_card = lambda: card
    sys.stdout.write(json.dumps(run(args), indent=1) + "\n")


if __name__ == "__main__":
    main()
