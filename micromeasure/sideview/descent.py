"""Least squares in a few unknowns, all neighbours of a place worked out in one call."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from micromeasure.outcome import FloatArray

_DAMPING = 1e-3
_MOST_DAMPING = 1e6


@dataclass(frozen=True, slots=True, kw_only=True)
class Minimum:
    """Where the sum of squares is least.

    Attributes
    ----------
    x : ndarray of float, shape (p,)
    rest : ndarray of float, shape (n,)
        Residuals there.
    jacobian : ndarray of float, shape (n, p)
        Of the residuals, each row by the square root of its weight.
    """

    x: FloatArray
    rest: FloatArray
    jacobian: FloatArray

    def covariance(self, variance: float) -> FloatArray:
        """Return the covariance of the unknowns for residuals of a variance, shape (p, p)."""
        inverse: FloatArray = np.asarray(
            np.linalg.pinv(self.jacobian.T @ self.jacobian), dtype=np.float64
        )
        return inverse * variance


def descend(
    residuals: Callable[[FloatArray], FloatArray], start: FloatArray, step: FloatArray, *,
    bounds: tuple[FloatArray, FloatArray] | None = None, soft: float | None = None,
    rounds: int = 12,
) -> Minimum:  # fmt: skip
    """Minimise a sum of squares by damped Gauss-Newton steps (Marquardt 1963).

    Parameters
    ----------
    residuals : callable
        Takes unknowns of shape (k, p) and returns residuals of shape (k, n).
    start : ndarray of float, shape (p,)
    step : ndarray of float, shape (p,)
        Differences by which derivatives are formed; the search ends when none moves by more.
    bounds : pair of ndarray of float, shape (p,), or None
        Least and greatest values.
    soft : float or None
        Residuals much larger than this count by their size, not its square.
    rounds : int
        Steps at most.

    Returns
    -------
    Minimum
    """
    endless = np.full(len(start), np.inf)
    low, high = bounds or (-endless, endless)
    x, damping = np.clip(start, low, high), _DAMPING
    rest, jacobian = _derived(residuals, x, step, high)
    for _ in range(rounds):
        weights = _weights(rest, soft)
        weighted = jacobian * weights[:, None]
        normal, downhill = weighted.T @ jacobian, -(weighted.T @ rest)
        size = np.sqrt(np.maximum(np.diag(normal), 1e-300))
        scaled = normal / np.outer(size, size) + damping * np.eye(len(x))
        move = np.linalg.solve(scaled, downhill / size) / size
        tried = np.clip(x + move, low, high)
        found = residuals(tried[None])[0]
        if _cost(found, soft) > _cost(rest, soft) * (1 + 1e-12):
            damping *= 10
            if damping > _MOST_DAMPING:
                break
            continue
        small = bool(np.all(np.abs(tried - x) <= step))
        x, damping = tried, max(damping / 10, 1e-12)
        rest, jacobian = _derived(residuals, x, step, high)
        if small:
            break
    return Minimum(x=x, rest=rest, jacobian=jacobian * np.sqrt(_weights(rest, soft))[:, None])


def _derived(
    residuals: Callable[[FloatArray], FloatArray], x: FloatArray, step: FloatArray, high: FloatArray
) -> tuple[FloatArray, FloatArray]:
    # A step must not lead out of the bounds.
    step = np.where(x + step > high, -step, step)
    found = residuals(x + np.vstack([np.zeros(len(x)), np.diag(step)]))
    return found[0], (found[1:] - found[0]).T / step


def _weights(rest: FloatArray, soft: float | None) -> FloatArray:
    return np.ones(len(rest)) if soft is None else 1 / np.sqrt(1 + (rest / soft) ** 2)


def _cost(rest: FloatArray, soft: float | None) -> float:
    if soft is None:
        return float(rest @ rest)
    return float(2 * soft**2 * (np.sqrt(1 + (rest / soft) ** 2) - 1).sum())
