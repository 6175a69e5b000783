"""True error rate of Welch's test with few specimens, by numerical integration instead of drawing.

For normal values the ratio of the two sample variances and the test statistic given that ratio have
known distributions, so the chance of a false "differs" is one integral. It is printed for several
ways to the degrees of freedom, over 2 to 10 specimens a side and standard deviations up to fourfold
apart. Run with ``python tests/benchmarks/compare_size.py``.
"""

import argparse
from collections.abc import Callable
from functools import cache

import numpy as np
from scipy import special

RATIOS = (1 / 4, 1 / 3, 1 / 2, 1 / 1.5, 1.0, 1.5, 2.0, 3.0, 4.0)
SIZES = range(2, 11)
# Critical value of |t| from the share of the first side in the variance and both sides' dof.
Critical = Callable[[np.ndarray, int, int], np.ndarray]


def size(n1: int, n2: int, sd_ratio: float, critical: Critical, nodes: int = 800) -> float:
    """Return the chance that the test rejects where the means are equal.

    Given B, the share of the first side in the sum of the two chi-square variables, the difference
    over the root of their sum is a scaled Student t with all degrees of freedom.
    """
    v1, v2 = n1 - 1, n2 - 1
    share = special.betaincinv(v1 / 2, v2 / 2, (np.arange(nodes) + 0.5) / nodes)
    rho = sd_ratio**2 * n2 / n1
    first, second = rho * share / v1, (1 - share) / v2
    limit = critical(first / (first + second), v1, v2)
    t = limit * np.sqrt((first + second) * (v1 + v2) / (rho + 1))
    return float(2 * special.stdtr(v1 + v2, -t).mean())


def t_with(dof: Callable[[np.ndarray, int, int], np.ndarray], level: float) -> Critical:
    return lambda share, v1, v2: -special.stdtrit(dof(share, v1, v2), level / 2)


def satterthwaite(share: np.ndarray, v1: int, v2: int) -> np.ndarray:
    return 1 / (share**2 / v1 + (1 - share) ** 2 / v2)


def cautious(bound: float) -> Callable[[np.ndarray, int, int], np.ndarray]:
    """Shares computed with each variance at its upper bound of this confidence."""

    def dof(share: np.ndarray, v1: int, v2: int) -> np.ndarray:
        h1, h2 = v1 / special.chdtri(v1, bound), v2 / special.chdtri(v2, bound)
        return satterthwaite(share * h1 / (share * h1 + (1 - share) * h2), v1, v2)

    return dof


def behrens_fisher(level: float) -> Critical:
    """Quantile of the weighted difference of two Student variables."""

    def one(share: float, v1: int, v2: int) -> float:
        mixed = special.betaincinv(v1 / 2, v2 / 2, (np.arange(800) + 0.5) / 800)
        scale = np.sqrt((share * v1 / mixed + (1 - share) * v2 / (1 - mixed)) / (v1 + v2))
        low, high = 0.5, 200.0
        for _ in range(60):
            middle = np.sqrt(low * high)
            above = 2 * special.stdtr(v1 + v2, -middle / scale).mean() > level
            low, high = (middle, high) if above else (low, middle)
        return float(middle)

    angle = np.linspace(0, np.pi / 2, 41)

    @cache
    def table(v1: int, v2: int) -> list[float]:
        return [one(float(np.sin(a) ** 2), v1, v2) for a in angle]

    def critical(share: np.ndarray, v1: int, v2: int) -> np.ndarray:
        return np.interp(np.arcsin(np.sqrt(share)), angle, table(v1, v2))

    return critical


def scan(name: str, critical: Critical) -> None:
    rates, weights, cells = [], [], []
    for n1 in SIZES:
        for n2 in range(n1, max(SIZES) + 1):
            for ratio in RATIOS:
                rates.append(100 * size(n1, n2, ratio, critical))
                weights.append(1 if n1 == n2 else 2)
                cells.append((n1, n2, ratio))
    worst = int(np.argmax(rates))
    mean = np.average(rates, weights=weights)
    print(
        f"{name:34s} mean {mean:5.2f} %   worst {rates[worst]:5.2f} % "
        f"({cells[worst][0]} and {cells[worst][1]}, sd ratio {cells[worst][2]:.2g})   "
        f"least {min(rates):5.2f} %"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--level", type=float, default=0.05)
    args = parser.parse_args()
    scan("Satterthwaite's formula", t_with(satterthwaite, args.level))
    for confidence in (0.70, 0.80, 0.90):
        scan(
            f"shares at the upper {100 * confidence:.0f} % bound",
            t_with(cautious(confidence), args.level),
        )
    scan("Behrens-Fisher", behrens_fisher(args.level))


if __name__ == "__main__":
    main()
