"""How well crack indications are found and measured in rendered fold views.

    python tests/benchmarks/cracks.py --views 2000 --seed 77

Prints, for cracks of contrast-to-noise 3 and more and 1.5 pixels width and more: probability of
detection against length, false candidates per image, average precision, length errors, coverage
of the stated intervals, the calibration of the score, and how much of the true course candidates
cover. Five renderers share no code: the score is fitted to views of `fold`, `relief` and `mixed`
(other seeds), never to those of `brushed` and of `plate`, which with `--photographs FOLDER` draws
wide long cracks on photographs of surfaces. `cracks_baseline.py` compares with ridge filters.
"""

import argparse
import json
import sys
import time
from itertools import pairwise
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

import brushed_view
import mixed_view
import plate_view
import relief_view

from micromeasure.calibration.file import Calibration
from micromeasure.compare.detectability import detectability_from_hits
from micromeasure.cracks import finding
from micromeasure.cracks.finding import distances, find_candidates
from micromeasure.cracks.indication import indication_from
from micromeasure.cracks.matching import COVERED_SHARE, densified, match
from micromeasure.cracks.patch import cut_strip
from micromeasure.cracks.scoring import cards_from
from micromeasure.errors import MicromeasureError
from micromeasure.micrograph.image import Header, ImageRecord, Micrograph
from micromeasure.quantities.crack_length import CrackSettings
from micromeasure.reference.fold_view import draw_conditions, render_fold_view

UM_PER_PX = (0.8, 0.8)
MIN_LENGTH_PX = 20.0
COVER_PX = 3.0
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


RENDERERS = ("fold", "relief", "mixed", "plate", "brushed", "brushed-straight")


def make_view(renderer: str, seed: int, number: int, cnr: tuple[float, float], photographs=None):
    """Return one view; `photographs` is a folder of grounds for the renderer `plate`."""
    rng = np.random.default_rng([seed, number])
    if renderer == "relief":
        return relief_view.render_relief_view(rng, cnr=cnr)
    if renderer == "mixed":
        return mixed_view.render_mixed_view(rng, cnr=cnr)
    if renderer.startswith("brushed"):
        course = "straight" if renderer.endswith("straight") else "wavy"
        return brushed_view.render_brushed_view(rng, cnr=cnr, course=course)
    if renderer == "plate":
        return plate_view.render_plate_view(rng, cnr=cnr, photographs=photographs)
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


def covered_length(candidates, cracks) -> tuple[int, int, int, int]:
    """Return pixels of true course that candidates cover, of it, of candidates on it, of them."""
    lines = [line for item in candidates for line in (item.centreline_px, *item.branches_px)]
    paths = [path for crack in cracks for path in (crack.centreline_px, *crack.branches_px)]
    found = np.vstack([np.zeros((0, 2)), *(densified(line) for line in lines)])
    true = np.vstack([np.zeros((0, 2)), *(densified(path) for path in paths)])
    if not len(found) or not len(true):
        return 0, len(true), 0, len(found)
    return (
        int((distances(true, found) < COVER_PX).sum()), len(true),
        int((distances(found, true) < COVER_PX).sum()), len(found),
    )  # fmt: skip


def judged(view, args: argparse.Namespace, threshold: float) -> dict:
    """Return what one view adds: cracks found and missed, candidates true and false."""
    start = time.process_time()
    items = search(view, 0.02)
    spent = time.process_time() - start
    usable = [c.cnr >= 0.95 * args.cnr and c.width_px >= 1.45 for c in view.cracks]
    lengths = [c.length_um((1.0, 1.0)) for c in view.cracks]
    truth = [(c.centreline_px, c.branches_px) for c in view.cracks]
    lines = [item.centreline_px for item in items]
    whole = match(lines, truth)
    shown = [k for k, item in enumerate(items) if item.score >= threshold]
    matched = match([lines[k] for k in shown], truth)
    ranked, taken = [], set()
    for item, owner in zip(items, whole.crack_of, strict=True):
        if owner >= 0 and not (usable[owner] and lengths[owner] >= MIN_LENGTH_PX):
            continue
        ranked.append((item.score, owner >= 0 and owner not in taken, owner >= 0))
        taken.add(owner)
    cracks, errors = [], []
    for number, crack in enumerate(view.cracks):
        if not usable[number]:
            continue
        best = matched.best_of[number]
        cracks.append((lengths[number], best >= 0))
        if best >= 0 and matched.covers[number] >= COVERED_SHARE:
            length = items[shown[best]].length
            low, high = length.interval_95
            true_um = crack.length_um(UM_PER_PX)
            errors.append((length.value / true_um - 1, low <= true_um <= high))
    return {
        "false": sum(owner < 0 for owner in matched.crack_of), "ranked": ranked, "cracks": cracks,
        "errors": errors, "course": covered_length([items[k] for k in shown], view.cracks),
        "spent": spent,
    }  # fmt: skip


def run(args: argparse.Namespace) -> dict:
    threshold = CrackSettings().threshold if args.threshold is None else args.threshold
    cnr = (args.cnr, args.cnr_high)
    views = [
        judged(make_view(args.renderer, args.seed, n, cnr, args.photographs), args, threshold)
        for n in range(args.views)
    ]
    if args.scores:
        ranked = np.array([row for view in views for row in view["ranked"]])
        np.savez(args.scores, scores=ranked[:, 0], trues=ranked[:, 2])
    result = summary(views)
    rng = np.random.default_rng(0)
    drawn = [
        figures([views[k] for k in rng.integers(len(views), size=len(views))])
        for _ in range(args.resamples)
    ]
    result["95 % intervals, by resampling views"] = {
        name: [round(float(np.nanquantile([d[name] for d in drawn], q)), 3) for q in (0.025, 0.975)]
        for name in drawn[0]
    }
    return result


def figures(views: list[dict]) -> dict[str, float]:
    """Return the figures that are promised."""
    ranked = np.array([row for view in views for row in view["ranked"]], dtype=float)
    cracks = np.array([row for view in views for row in view["cracks"]], dtype=float)
    course = np.array([view["course"] for view in views], dtype=float).sum(axis=0)
    long = cracks[:, 0] >= MIN_LENGTH_PX
    from_50 = cracks[:, 0] >= 50.0
    return {
        "false candidates per image": float(np.mean([view["false"] for view in views])),
        "average precision": average_precision(ranked[:, 0], ranked[:, 1], int(long.sum())),
        "hit rate above minimum length": float(cracks[long, 1].mean()),
        "hit rate from 50 px": float(cracks[from_50, 1].mean()) if from_50.any() else np.nan,
        "share of true course within 3 px": course[0] / max(course[1], 1),
        "share of candidates' course that is true": course[2] / max(course[3], 1),
    }


def summary(views: list[dict]) -> dict:
    cracks = np.array([row for view in views for row in view["cracks"]], dtype=float)
    errors = np.array([row for view in views for row in view["errors"]], dtype=float)
    lengths, hits = cracks.T
    result = {"views": len(views), "cracks": len(cracks)}
    try:
        pod = detectability_from_hits(lengths, hits)
        result |= {
            "POD curve": f"{pod.curve.link}, {pod.curve.scale}",
            "a50 px": round(pod.a50_um, 1), "a90 px": round(pod.a90_um, 1),
            "a90/95 px": pod.a90_95_um and round(pod.a90_95_um, 1),
        }  # fmt: skip
    except MicromeasureError as error:
        result["POD curve"] = str(error)
    rates = {}
    for low, high in ((20, 30), (30, 40), (40, 50), (50, 70), (70, 100), (100, 2000)):
        inside = (lengths >= low) & (lengths < high)
        if inside.any():
            rates[f"{low}-{high} px"] = f"{hits[inside].mean():.3f} of {inside.sum()}"
    q1, q2, q3 = np.quantile(errors[:, 0], (0.25, 0.5, 0.75)) * 100
    return (
        result
        | {"hit rate by length": rates}
        | {name: round(value, 4) for name, value in figures(views).items()}
        | {
            "length error %, quartiles": [round(float(q), 2) for q in (q1, q2, q3)],
            "length IQR %": round(float(q3 - q1), 2),
            "coverage of 95 % intervals": round(float(errors[:, 1].mean()), 4),
            "score calibration": calibration_of(views),
            "median processor s per view": round(
                float(np.median([view["spent"] for view in views])), 3
            ),
        }
    )


def calibration_of(views: list[dict]) -> dict[str, str]:
    ranked = np.array([row for view in views for row in view["ranked"]], dtype=float)
    scores, trues = ranked[:, 0], ranked[:, 2]
    found = {}
    for low, high in pairwise((0.02, 0.1, 0.3, 0.5, 0.7, 0.9, 1.01)):
        inside = (scores >= low) & (scores < high)
        if inside.any():
            share, mean = trues[inside].mean(), scores[inside].mean()
            found[f"{low:.2f}-{min(high, 1.0):.2f}"] = (
                f"{share:.2f} true of {inside.sum()}, mean score {mean:.2f}"
            )
    return found


def main() -> None:
    import cv2

    cv2.setNumThreads(1)
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--views", type=int, default=500)
    parser.add_argument("--seed", type=int, default=77)
    parser.add_argument("--renderer", choices=RENDERERS, default="fold")
    parser.add_argument("--photographs", type=Path, help="folder of grounds for `plate`")
    parser.add_argument("--resamples", type=int, default=400, help="for the intervals")
    parser.add_argument("--cnr", type=float, default=3.0)
    parser.add_argument("--cnr-high", type=float, default=8.0)
    parser.add_argument("--threshold", type=float)
    parser.add_argument("--scores", type=Path, help="keep scores and truth here (npz)")
    parser.add_argument("--cards", type=Path, help="other score cards")
    args = parser.parse_args()
    if args.cards:
        cards = cards_from(json.loads(args.cards.read_text(encoding="utf-8")))
        finding.score_cards = lambda: cards
    sys.stdout.write(json.dumps(run(args), indent=1) + "\n")


if __name__ == "__main__":
    main()
