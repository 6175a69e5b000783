"""Error rates of the comparison over simulated studies.

Each study has two revisions of 2 to 10 specimens with 1 to 5 positions each, standard deviations
between specimens that differ up to threefold, variation between positions, and one scale error
common to all its images. Run with ``python tests/benchmarks/compare_rates.py --studies 20000``.
"""

import argparse
import math
from collections.abc import Callable

import numpy as np

from micromeasure.compare.contrast import Sample, contrast, ratio_interval
from micromeasure.compare.questions import Plan, compare_all
from micromeasure.compare.rates import Counts, compare_rates
from micromeasure.compare.verdicts import DIFFERS, SAME, verdict
from micromeasure.estimate import Component, Estimate
from micromeasure.study.model import Comparison as Asked
from micromeasure.tables.reading import Result

MEAN = 100.0
RELATIVE_SCALE_U = 0.002


def normal(rng: np.random.Generator, n: int) -> np.ndarray:
    return rng.normal(size=n)


def skewed(rng: np.random.Generator, n: int) -> np.ndarray:
    """Log-normal with a skewness of 1.7, standardised."""
    s = 0.5
    x = rng.lognormal(0.0, s, n)
    return (x - math.exp(s * s / 2)) / math.sqrt((math.exp(s * s) - 1) * math.exp(s * s))


def group(
    rng: np.random.Generator,
    n: int,
    *,
    mean: float,
    between: float,
    within: float,
    shape: Callable[[np.random.Generator, int], np.ndarray],
    scale: float,
) -> Sample:
    truth = mean + between * shape(rng, n)
    positions = rng.integers(1, 6, n)
    values = truth + within / np.sqrt(positions) * rng.normal(size=n)
    values *= 1.0 + scale
    return Sample(values=values, shared={"scale": RELATIVE_SCALE_U * values})


def one_study(
    rng: np.random.Generator,
    sizes: tuple[int, int],
    *,
    difference: float,
    tolerance: float,
    shape: Callable[[np.random.Generator, int], np.ndarray],
    sds: tuple[float, float],
) -> tuple[bool, bool, bool, bool]:
    """Return whether it says differs, says same, and whether two intervals hold the truth."""
    within = math.exp(rng.uniform(math.log(0.2), math.log(2.0)))
    scale = RELATIVE_SCALE_U * rng.normal()
    first, second = (
        group(rng, n, mean=m, between=s, within=within, shape=shape, scale=scale)
        for n, m, s in zip(sizes, (MEAN + difference, MEAN), sds, strict=True)
    )
    found = contrast(first, second)
    said = verdict(found.p, found.p_within(-tolerance, tolerance))
    low, high = found.interval()
    _, ratio_low, ratio_high = ratio_interval(first, second)
    truth = (MEAN + difference) / MEAN
    ratio_holds = ratio_low is None or ratio_high is None or ratio_low <= truth <= ratio_high
    return said == DIFFERS, said == SAME, low <= difference <= high, ratio_holds


def rates(
    rng: np.random.Generator,
    studies: int,
    *,
    sizes: tuple[int, int] | None,
    difference: float,
    tolerance: float,
    shape: Callable[[np.random.Generator, int], np.ndarray] = normal,
    least: int = 2,
    ratio: float = 3.0,
) -> np.ndarray:
    total = np.zeros(4)
    for _ in range(studies):
        chosen = sizes or tuple(int(n) for n in rng.integers(least, 11, 2))
        spread = math.exp(rng.uniform(-math.log(ratio), math.log(ratio)) / 2)
        total += one_study(
            rng, chosen, difference=difference, tolerance=tolerance, shape=shape,
            sds=(spread, 1 / spread),
        )  # fmt: skip
    return total / studies


def report(title: str, null: np.ndarray, edge: np.ndarray) -> None:
    cells = (100 * null[0], 100 * edge[1], 100 * edge[2], 100 * edge[3])
    print(f"{title:46s}" + "".join(f"{c:9.2f}" for c in cells))


def means(rng: np.random.Generator, studies: int) -> None:
    print(f"{'':46s}" + "".join(f"{t:>9s}" for t in ("differs", "same", "covers", "ratio")))
    print(f"{'truth':46s}" + "".join(f"{t:>9s}" for t in ("equal", "edge", "edge", "edge")))
    rows: list[tuple[str, dict]] = [
        ("2 to 10 specimens", {"sizes": None}),
        ("3 to 10 specimens", {"sizes": None, "least": 3}),
        ("2 to 10, skewed", {"sizes": None, "shape": skewed}),
        ("2 to 10, sd ratio up to 1", {"sizes": None, "ratio": 1.0}),
        ("2 to 10, sd ratio up to 5", {"sizes": None, "ratio": 5.0}),
        *((f"{a} and {b} specimens", {"sizes": (a, b)})
          for a, b in ((2, 2), (2, 3), (3, 3), (2, 10), (3, 10), (5, 5), (10, 10))),
    ]  # fmt: skip
    for title, how in rows:
        wide = 4.0
        null = rates(rng, studies, difference=0.0, tolerance=1e-9, **how)
        edge = rates(rng, studies, difference=wide, tolerance=wide, **how)
        report(title, null, edge)


def counts(rng: np.random.Generator, studies: int) -> None:
    print(
        "\ncounts of equal rates, two groups of 3 to 8 specimens: says differs (5 %), ratio covers"
    )
    for scatter in (0.0, 0.5, 1.0):
        false, covers = 0, 0
        for _ in range(studies):
            rate = math.exp(rng.uniform(math.log(0.5), math.log(8.0)))
            sides = []
            for n in rng.integers(3, 9, 2):
                means = rate * (rng.gamma(1 / scatter**2, scatter**2, n) if scatter else np.ones(n))
                sides.append(Counts(counts=rng.poisson(means).astype(float), exposures=np.ones(n)))
            found = compare_rates(*sides)
            false += found.p <= 0.05
            covers += found.ratio_low <= 1.0 and (found.ratio_high or math.inf) >= 1.0
        print(f"  relative scatter of the rate between specimens {scatter:.1f}: "
              f"{100 * false / studies:.2f} %, {100 * covers / studies:.2f} %")  # fmt: skip


def rows_of_study(rng: np.random.Generator, difference: float) -> list[Result]:
    """Rows as a run writes them: positions, repeats' noise and one scale error for all images."""
    scale, rows = 0.003 * rng.normal(), []
    for revision, mean in (("K", 300.0), ("M", 300.0 + difference)):
        sd = math.exp(rng.uniform(-0.55, 0.55))
        for specimen in range(rng.integers(2, 8)):
            truth = rng.normal(mean, sd)
            for position in range(rng.integers(1, 6)):
                value = (truth + rng.normal(0, 0.6) + rng.normal(0, 0.3)) * (1 + scale)
                parts = (
                    Component(name="edge", u=0.3),
                    Component(name="scale", u=0.003 * value, shared="scale:a"),
                )
                rows.append(
                    Result(
                        revision=revision, specimen=str(specimen), position=str(position),
                        quantity="dome_height",
                        estimate=Estimate(value=value, unit="um", components=parts),
                    )
                )  # fmt: skip
    return rows


def whole_way(rng: np.random.Generator, studies: int) -> None:
    edge, hits = 5.0, np.zeros(5)
    for difference, tolerance in ((0.0, 1e-6), (edge, edge)):
        plan = Plan(asked=(Asked(quantity="dome_height", tolerance=tolerance, unit="um"),))
        for _ in range(studies):
            (found,) = compare_all(rows_of_study(rng, difference), plan)
            if difference == 0.0:
                hits[0] += found.verdict == DIFFERS
                hits[1] += found.p_permutation <= 0.05
                continue
            hits[2] += found.verdict == SAME
            hits[3] += found.low_95 <= edge <= found.high_95
            low, high = found.ratio_low_95, found.ratio_high_95
            hits[4] += low is None or high is None or low <= 1 + edge / 300.0 <= high
    print("\nfrom rows to verdicts, 2 to 7 specimens: differs, by permutation, same, covers, ratio")
    print("  " + ", ".join(f"{100 * h / studies:.2f}" for h in hits))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=20_000)
    parser.add_argument("--whole", type=int, default=3000, help="studies taken the whole way")
    parser.add_argument("--seed", type=int, default=20261125)
    args = parser.parse_args()
    rng = np.random.default_rng(args.seed)
    print(f"{args.studies} studies per row, seed {args.seed}; rates in %")
    means(rng, args.studies)
    counts(rng, args.studies // 2)
    if args.whole > 0:
        whole_way(rng, args.whole)


if __name__ == "__main__":
    main()
