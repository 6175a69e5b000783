"""The straight law between line numbers and line positions, with its uncertainty."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_POINT_CUT = 4.5  # in standard deviations; one good point in 150 000 goes lost
_LINE_RISK = 1e-4  # chance that a good line is taken for a stray one
_LEAST_TOLD = 0.5  # of the variance that noise makes: few lines can look better only by chance
_ROUNDS = 8
# Residual of 4 points in 10 in units of the standard deviation; see `_spread`.
_MAD_TO_SD = 1.4826


@dataclass(frozen=True, slots=True, kw_only=True)
class LawFit:
    """Least-squares solution for points that belong to lines with random errors of their own.

    Attributes
    ----------
    solution : ndarray, shape (m,)
    covariance : ndarray, shape (m, m)
    dof : int
        Degrees of freedom of the standard uncertainties.
    used : ndarray of bool, shape (n,)
        Points kept.
    lines : ndarray of int
        Groups that at least one point was kept of.
    line_residual_px, line_u_px : ndarray
        Mean residual of each such line and its standard uncertainty from noise alone.
    between_px : float
        Standard deviation of the lines about the law beyond what noise explains.
    excess : float
        Factor by which points of one line scatter more than their noise says, at least 1.
    """

    solution: FloatArray
    covariance: FloatArray
    dof: int
    used: NDArray[np.bool_]
    lines: NDArray[np.intp]
    line_residual_px: FloatArray
    line_u_px: FloatArray
    between_px: float
    excess: float


def fit_law(
    design: FloatArray, position: FloatArray, variance: FloatArray, line: NDArray[np.intp]
) -> LawFit:
    """Fit positions of points by a linear law, leaving out stray points and stray lines.

    Parameters
    ----------
    design : ndarray, shape (n, m)
        Exactly known regressors.
    position, variance : ndarray, shape (n,)
        Measured positions and the variances of their noise, px and px².
    line : ndarray of int, shape (n,)
        Which line each point belongs to, from 0.

    Returns
    -------
    LawFit

    Notes
    -----
    All points of a line share its own displacement, so they do not count as independent
    observations of the law: the model is x = Z·b + (line) + (noise), the variance between
    lines being found from their weighted squares [1]_ and b by generalised least squares.

    References
    ----------
    .. [1] Paule and Mandel (1982), J. Res. Natl. Bur. Stand. 87, 377-385: the variance between
       groups from the weighted sum of squares (from memory).
    """
    used = np.ones(len(position), dtype=np.bool_)
    between2, excess = 0.0, 1.0
    solution, covariance = _solve(design, position, variance, line, between2=0.0)
    for round_ in range(_ROUNDS):
        residual = position - design @ solution
        groups, mean, var = _line_means(residual[used], variance[used] * excess, line[used])
        lookup = np.zeros(line.max() + 1)
        lookup[groups] = mean
        within = residual - lookup[line]
        excess = max(1.0, _spread(within[used] / np.sqrt(variance[used])) ** 2)
        stray_line = _stray_lines(groups, mean, var)
        belongs = np.zeros(len(lookup), dtype=np.bool_)
        belongs[groups] = True
        belongs[stray_line] = False
        keep = belongs[line] & (within * within < _POINT_CUT**2 * excess * variance)
        done = round_ > 1 and bool((keep == used).all())
        used = keep
        groups, mean, var = _line_means(residual[used], variance[used] * excess, line[used])
        between2 = _between(mean, var, free=len(groups) - 2)
        solution, covariance = _solve(
            design[used], position[used], variance[used] * excess, line[used], between2=between2
        )
        if done:
            break
    residual = position - design @ solution
    groups, mean, var = _line_means(residual[used], variance[used] * excess, line[used])
    # What the lines themselves scatter decides, be it more or less than noise lets expect: then
    # Student's distribution holds exactly, whether or not the ruling has errors of its own.
    dof = max(1, len(groups) - 2)
    told = max(_LEAST_TOLD, float((mean**2 / (var + between2)).sum()) / dof)
    return LawFit(
        solution=solution,
        covariance=covariance * told,
        dof=dof,
        used=used,
        lines=groups,
        line_residual_px=mean,
        line_u_px=np.sqrt(var),
        between_px=float(np.sqrt(between2)),
        excess=excess,
    )


def _stray_lines(groups: NDArray[np.intp], mean: FloatArray, var: FloatArray) -> NDArray[np.intp]:
    """Return lines that are further off than chance lets them be; with few lines, hardly any."""
    from scipy.special import stdtrit

    free = len(groups) - 3
    if free < 2:
        return np.empty(0, dtype=np.intp)
    # The fit has drawn the residuals in, and a spread from few of them is itself uncertain.
    spread2 = _spread(mean) ** 2 * len(groups) / free
    between2 = max(0.0, spread2 - float(np.median(var)))
    cut = float(stdtrit(free, 1 - _LINE_RISK / 2))
    return groups[np.abs(mean) > cut * np.sqrt(var + between2)]


def _line_means(
    residual: FloatArray, variance: FloatArray, line: NDArray[np.intp]
) -> tuple[NDArray[np.intp], FloatArray, FloatArray]:
    weight = np.bincount(line, 1.0 / variance)
    groups = np.flatnonzero(weight)
    mean = np.bincount(line, residual / variance)[groups] / weight[groups]
    return groups, mean, 1.0 / weight[groups]


def _spread(values: FloatArray) -> float:
    """Return a standard deviation that a few stray values do not move."""
    return _MAD_TO_SD * float(np.median(np.abs(values - np.median(values))))


def _between(mean: FloatArray, var: FloatArray, free: int) -> float:
    """Return the variance between lines that makes their weighted squares add up to `free`."""
    low, high = 0.0, float((mean**2).sum())
    if free < 1 or float((mean**2 / var).sum()) <= free:
        return 0.0
    for _ in range(50):
        middle = (low + high) / 2
        if float((mean**2 / (var + middle)).sum()) > free:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _solve(
    design: FloatArray,
    position: FloatArray,
    variance: FloatArray,
    line: NDArray[np.intp],
    *,
    between2: float,
) -> tuple[FloatArray, FloatArray]:
    """Solve the generalised normal equations; the line effect is eliminated exactly."""
    weight = 1.0 / variance
    total = np.bincount(line, weight)
    shrink = np.sqrt(between2 / (1.0 + between2 * total))
    weighted = design * weight[:, None]
    columns = np.stack([np.bincount(line, column) for column in weighted.T], axis=1)
    response = np.bincount(line, weight * position)
    columns, response = columns * shrink[:, None], response * shrink
    normal = design.T @ weighted - columns.T @ columns
    right = weighted.T @ position - columns.T @ response
    # Regressors differ by orders of magnitude: scale them before the inversion.
    size = np.sqrt(np.diag(normal))
    scaled = normal / np.outer(size, size)
    covariance = np.linalg.inv(scaled) / np.outer(size, size)
    return covariance @ right, covariance
