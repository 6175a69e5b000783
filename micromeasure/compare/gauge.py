"""How well a measuring system repeats and reproduces: crossed analysis of variance.

Parts are measured several times by each of several operators, every operator measuring every
part equally often. Without operators, as in automatic runs where a specimen is refocused and
imaged again, repeatability alone is found.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.errors import MeasurementError

FloatArray = NDArray[np.float64]

# Common practice, no source: an interaction less significant than this is pooled with the scatter
# of repeats. The limit is far above 5 % because pooling a real interaction does the greater harm.
POOL_ABOVE = 0.25
# Two results of one kind differ by more than this times their standard deviation one time in
# twenty: 1.96 √2, the factor of the limits r and R in ISO 5725-6.
LIMIT_FACTOR = 1.959963984540054 * math.sqrt(2.0)
# Common practice, no source: the width that a measuring system takes up is six standard deviations.
WIDTH_FACTOR = 6.0
# Common practice, no source: categories that can be told apart, √2 times the ratio of spreads.
_CATEGORY_FACTOR = math.sqrt(2.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class AnovaLine:
    """One source of variation.

    Attributes
    ----------
    source : str
        ``part``, ``operator``, ``interaction``, ``repeat`` or ``total``.
    sum_of_squares : float
    dof : int
    f, p : float or None
        Test against the line below it that it is to be compared with.
    """

    source: str
    sum_of_squares: float
    dof: int
    f: float | None = None
    p: float | None = None

    @property
    def mean_square(self) -> float:
        """Sum of squares per degree of freedom."""
        return self.sum_of_squares / self.dof if self.dof else math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeResult:
    """Repeatability and reproducibility of a measuring system.

    Attributes
    ----------
    lines : tuple of AnovaLine
    n_parts, n_operators, n_repeats : int
        `n_repeats` is 0 where it differs from part to part.
    is_pooled : bool
        Whether the interaction was pooled with the scatter of repeats.
    repeatability_sd : float
        Same part, same operator.
    repeatability_low, repeatability_high : float
        95 % interval of it.
    repeatability_dof : int
    operator_sd, interaction_sd : float or None
        None with a single operator.
    reproducibility_sd : float or None
        Operators and interaction together.
    gauge_sd : float
        Repeatability and reproducibility together.
    part_sd, total_sd : float
    categories : int
        Number of distinct categories of parts, at least 1.
    limit_r, limit_big_r : float
        Repeatability limit r and reproducibility limit R.
    """

    lines: tuple[AnovaLine, ...]
    n_parts: int
    n_operators: int
    n_repeats: int
    is_pooled: bool
    repeatability_sd: float
    repeatability_low: float
    repeatability_high: float
    repeatability_dof: int
    operator_sd: float | None
    interaction_sd: float | None
    reproducibility_sd: float | None
    gauge_sd: float
    part_sd: float
    total_sd: float
    categories: int
    limit_r: float
    limit_big_r: float | None

    def share_of(self, width: float) -> float:
        """Return the share of a tolerance's whole width that six gauge deviations take up."""
        return WIDTH_FACTOR * self.gauge_sd / width


def crossed_study(values: FloatArray, *, pool_above: float = POOL_ABOVE) -> GaugeResult:
    """Analyse a crossed gauge study with operators.

    Parameters
    ----------
    values : ndarray of float, shape (parts, operators, repeats)
        Two of each at least.
    pool_above : float
        The interaction is pooled with the repeats where its probability is above this.

    Notes
    -----
    Parts and operators count as drawn at random, so both are tested against the interaction (or,
    where that is pooled, against the repeats). Variances come from equating mean squares with
    their expectations; negative ones are set to zero. Values are centred before squaring, which
    keeps the digits that a large common value would cost.

    References
    ----------
    .. [1] D. C. Montgomery and G. C. Runger, "Gauge capability and designed experiments",
       Quality Engineering 6 (1993), 289-305. From memory.
    """
    if values.ndim != 3 or min(values.shape) < 2:
        message = (
            f"gauge study: found an array of shape {values.shape}; need two parts, operators and "
            "repeats or more."
        )
        raise MeasurementError(message)
    p, o, n = values.shape
    x = values - values.flat[0]
    x = x - x.mean()
    cells, parts, operators = x.mean(axis=2), x.mean(axis=(1, 2)), x.mean(axis=(0, 2))
    ss_part = o * n * float((parts**2).sum())
    ss_operator = p * n * float((operators**2).sum())
    ss_interaction = n * float(((cells - parts[:, None] - operators[None, :]) ** 2).sum())
    ss_repeat = float(((x - cells[:, :, None]) ** 2).sum())
    interaction = AnovaLine(
        source="interaction", sum_of_squares=ss_interaction, dof=(p - 1) * (o - 1)
    )
    repeat = AnovaLine(source="repeat", sum_of_squares=ss_repeat, dof=p * o * (n - 1))
    interaction = _tested(interaction, repeat)
    is_pooled = interaction.p is not None and interaction.p > pool_above
    error = repeat
    if is_pooled:
        error = AnovaLine(
            source="repeat",
            sum_of_squares=ss_repeat + ss_interaction,
            dof=repeat.dof + interaction.dof,
        )
    against = error if is_pooled else interaction
    part = _tested(AnovaLine(source="part", sum_of_squares=ss_part, dof=p - 1), against)
    operator = _tested(AnovaLine(source="operator", sum_of_squares=ss_operator, dof=o - 1), against)
    between = against.mean_square
    variance = {
        "repeat": error.mean_square,
        "interaction": 0.0 if is_pooled else max(0.0, (between - error.mean_square) / n),
        "operator": max(0.0, (operator.mean_square - between) / (p * n)),
        "part": max(0.0, (part.mean_square - between) / (o * n)),
    }
    total = AnovaLine(source="total", sum_of_squares=float((x**2).sum()), dof=p * o * n - 1)
    return _result(
        (part, operator, interaction, repeat, total), variance, error, is_pooled=is_pooled,
        shape=(p, o, n),
    )  # fmt: skip


def repeated_study(groups: list[FloatArray]) -> GaugeResult:
    """Analyse repeats on several parts without operators.

    Parameters
    ----------
    groups : list of ndarray of float
        The repeats of each part; numbers may differ. One part alone gives repeatability only.

    Raises
    ------
    MeasurementError
        If no part was measured twice.
    """
    dof = sum(len(g) - 1 for g in groups)
    if dof < 1:
        message = "gauge study: no part was measured twice; repeat the measurement of each part."
        raise MeasurementError(message)
    # Differences from one of the values keep the digits that a large common value would cost.
    groups = [g - groups[0][0] for g in groups]
    everything = np.concatenate(groups)
    centre = float(everything.mean())
    ss_repeat = sum(float(((g - g.mean()) ** 2).sum()) for g in groups)
    repeat = AnovaLine(source="repeat", sum_of_squares=ss_repeat, dof=dof)
    sizes = np.array([len(g) for g in groups], dtype=np.float64)
    ss_part = float(sum(len(g) * (g.mean() - centre) ** 2 for g in groups))
    part = _tested(AnovaLine(source="part", sum_of_squares=ss_part, dof=len(groups) - 1), repeat)
    variance = {"repeat": repeat.mean_square, "part": 0.0}
    if len(groups) > 1:
        # Effective number of repeats per part; for equal numbers it is that number.
        effective = (sizes.sum() - (sizes**2).sum() / sizes.sum()) / (len(groups) - 1)
        variance["part"] = max(0.0, (part.mean_square - repeat.mean_square) / float(effective))
    total = AnovaLine(source="total", sum_of_squares=ss_part + ss_repeat, dof=len(everything) - 1)
    n = int(sizes[0]) if np.all(sizes == sizes[0]) else 0
    return _result(
        (part, repeat, total), variance, repeat, is_pooled=False, shape=(len(groups), 1, n)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Precision:
    """Precision at one level after ISO 5725-2.

    Attributes
    ----------
    mean : float
    repeatability_sd, between_sd, reproducibility_sd : float
    limit_r, limit_big_r : float
    cochran_p : float
        Probability that the greatest scatter among the laboratories is that great by chance.
    straggler : int
        Number of the laboratory (or operator) with the greatest scatter.
    """

    mean: float
    repeatability_sd: float
    between_sd: float
    reproducibility_sd: float
    limit_r: float
    limit_big_r: float
    cochran_p: float
    straggler: int


def precision_at(values: FloatArray) -> Precision:
    """Return repeatability and reproducibility at one level.

    Parameters
    ----------
    values : ndarray of float, shape (laboratories, repeats)
        Operators may stand for laboratories; the reproducibility is then one within a laboratory.

    Notes
    -----
    The variance between laboratories is that of their means less the share of the repeats; where
    it comes out negative it is set to zero, so that the reproducibility is never below the
    repeatability [1]_. The largest variance is tested after Cochran, its probability bounded by
    that of one variance against the mean of the others, times their number.

    References
    ----------
    .. [1] ISO 5725-2, basic method; the formulas from memory, checked on ASTM E691 data.
    """
    from scipy.special import fdtrc

    labs, n = values.shape
    variances = values.var(axis=1, ddof=1)
    repeat = float(variances.mean())
    between = max(0.0, float(values.mean(axis=1).var(ddof=1)) - repeat / n)
    worst = int(variances.argmax())
    others = float(np.delete(variances, worst).mean())
    f = float(variances[worst]) / others if others > 0 else math.inf
    p = min(1.0, labs * float(fdtrc(n - 1, (labs - 1) * (n - 1), f))) if math.isfinite(f) else 0.0
    return Precision(
        mean=float(values.mean()),
        repeatability_sd=math.sqrt(repeat),
        between_sd=math.sqrt(between),
        reproducibility_sd=math.sqrt(repeat + between),
        limit_r=LIMIT_FACTOR * math.sqrt(repeat),
        limit_big_r=LIMIT_FACTOR * math.sqrt(repeat + between),
        cochran_p=p,
        straggler=worst,
    )


def _tested(line: AnovaLine, against: AnovaLine) -> AnovaLine:
    from scipy.special import fdtrc

    if line.dof < 1 or against.dof < 1 or against.sum_of_squares <= 0.0:
        return line
    f = line.mean_square / against.mean_square
    return AnovaLine(
        source=line.source, sum_of_squares=line.sum_of_squares, dof=line.dof, f=f,
        p=float(fdtrc(line.dof, against.dof, f)),
    )  # fmt: skip


def _result(
    lines: tuple[AnovaLine, ...],
    variance: dict[str, float],
    error: AnovaLine,
    *,
    is_pooled: bool,
    shape: tuple[int, int, int],
) -> GaugeResult:
    from scipy.special import chdtri

    repeat = variance["repeat"]
    operators = variance.get("operator")
    between = None if operators is None else operators + variance["interaction"]
    gauge, part = repeat + (between or 0.0), variance["part"]
    spread = error.sum_of_squares
    return GaugeResult(
        lines=lines,
        n_parts=shape[0],
        n_operators=shape[1],
        n_repeats=shape[2],
        is_pooled=is_pooled,
        repeatability_sd=math.sqrt(repeat),
        repeatability_low=math.sqrt(spread / float(chdtri(error.dof, 0.025))),
        repeatability_high=math.sqrt(spread / float(chdtri(error.dof, 0.975))),
        repeatability_dof=error.dof,
        operator_sd=None if operators is None else math.sqrt(operators),
        interaction_sd=None if operators is None else math.sqrt(variance["interaction"]),
        reproducibility_sd=None if between is None else math.sqrt(between),
        gauge_sd=math.sqrt(gauge),
        part_sd=math.sqrt(part),
        total_sd=math.sqrt(gauge + part),
        categories=max(1, math.floor(_CATEGORY_FACTOR * math.sqrt(part / gauge))) if gauge else 1,
        limit_r=LIMIT_FACTOR * math.sqrt(repeat),
        limit_big_r=None if between is None else LIMIT_FACTOR * math.sqrt(gauge),
    )
