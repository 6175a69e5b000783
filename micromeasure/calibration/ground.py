"""The light behind a pattern: a smooth surface through the brightest (or darkest) parts."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_DEGREE = 4  # vignetting goes with the fourth power of a cosine
_BLOCKS = 16
_THIN_PX = 200_000  # pixels looked at; more would cost time, not accuracy
_COARSE = 8
_GOLDEN = (5**0.5 - 1) / 2
_ROUNDS = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """Smooth brightness of the parts without pattern.

    Attributes
    ----------
    coefficients : ndarray
        Of the products of Legendre polynomials up to degree 4.
    shape : tuple of two ints
        Rows and columns of the image.
    """

    coefficients: FloatArray
    shape: tuple[int, int]

    def at(self, x_px: FloatArray, y_px: FloatArray) -> FloatArray:
        """Return the brightness at points, any broadcastable shapes."""
        rows, cols = self.shape
        x = np.clip(2 * np.asarray(x_px) / (cols - 1) - 1, -1, 1)
        y = np.clip(2 * np.asarray(y_px) / (rows - 1) - 1, -1, 1)
        grid = np.zeros((_DEGREE + 1, _DEGREE + 1))
        grid[_exponents()] = self.coefficients
        x, y = np.broadcast_arrays(x, y)
        return np.asarray(np.polynomial.legendre.legval2d(x, y, grid), dtype=np.float64)


def find_ground(image: NDArray[Any], *, share: float, feature_px: float) -> Ground:
    """Fit the brightness of one phase of a pattern, open ground or pattern.

    Parameters
    ----------
    image : ndarray, shape (rows, cols)
    share : float
        Quantile within a block of the image that lies in the phase wanted.
    feature_px : float
        Pitch of the pattern: every block must hold some of the phase.

    Returns
    -------
    Ground
    """
    rows, cols = image.shape
    across = int(np.clip(cols / (1.5 * feature_px), 1, _BLOCKS))
    down = int(np.clip(rows / (1.5 * feature_px), 1, _BLOCKS))
    step = max(1, int(np.sqrt(rows * cols / _THIN_PX)))
    thin = image[np.ix_(_scattered(rows, step), _scattered(cols, step))].astype(np.float32)
    high, wide = thin.shape[0] // down, thin.shape[1] // across
    top, left = (thin.shape[0] - high * down) // 2, (thin.shape[1] - wide * across) // 2
    x = (left + wide * np.arange(across) + (wide - 1) / 2) * step
    y = (top + high * np.arange(down) + (high - 1) / 2) * step
    xx, yy = (v.ravel() for v in np.meshgrid(x, y))
    place = min(high * wide - 1, int(share * high * wide))

    def levels(picture: NDArray[Any]) -> FloatArray:
        blocks = picture[top : top + high * down, left : left + wide * across]
        blocks = blocks.reshape(down, high, across, wide).transpose(0, 2, 1, 3)
        blocks = blocks.reshape(down * across, high * wide)
        return np.asarray(np.partition(blocks, place, axis=1)[:, place], dtype=np.float64)

    first = fit_ground(xx, yy, levels(thin), (rows, cols))
    # Within a block the light is not even, which lifts its upper quantiles. In the image freed
    # of the first estimate it is, so a second look takes that error out.
    spacing = float(step * _COARSE)
    estimate = first.at(np.arange(0, cols, spacing)[None, :], np.arange(0, rows, spacing)[:, None])
    full = _widened(estimate, thin.shape)
    floor = max(1e-3 * float(np.abs(full).max()), 1e-9)  # black ground has none to free it of
    level = levels(thin / np.maximum(full, floor)) * np.maximum(first.at(xx, yy), floor)
    return fit_ground(xx, yy, level, (rows, cols))


def _scattered(n: int, step: int) -> NDArray[np.intp]:
    """Return one place in every `step`, not at equal distances: a pattern must not fall in step."""
    first = np.arange(0, n - step + 1, step)
    turns = np.arange(len(first)) * _GOLDEN
    return np.asarray(first + (step * (turns - np.floor(turns))).astype(np.intp))


def _widened(coarse: FloatArray, shape: tuple[int, ...]) -> NDArray[np.float32]:
    """Interpolate values known at every `_COARSE`-th row and column."""
    rows, cols = (np.arange(n) / _COARSE for n in shape)
    across = np.stack([np.interp(cols, np.arange(coarse.shape[1]), row) for row in coarse])
    low = np.minimum(rows.astype(int), coarse.shape[0] - 1)
    high = np.minimum(low + 1, coarse.shape[0] - 1)
    part = (rows - low)[:, None]
    return np.asarray(across[low] * (1 - part) + across[high] * part, dtype=np.float32)


def fit_ground(
    x_px: FloatArray, y_px: FloatArray, level: FloatArray, shape: tuple[int, int]
) -> Ground:
    """Fit a smooth surface through levels known at points, shape (n,); strays count for little."""
    rows, cols = shape
    x, y = 2 * x_px / (cols - 1) - 1, 2 * y_px / (rows - 1) - 1
    i, j = _exponents()
    design = np.polynomial.legendre.legvander2d(x, y, [_DEGREE, _DEGREE])
    design = design[:, i * (_DEGREE + 1) + j]
    # Where few points determine the higher terms, a small ridge that grows with the order
    # leaves them out.
    ridge = (1e-3 * np.sqrt(level.size) * (i + j) ** 2).astype(np.float64)
    return Ground(
        coefficients=_robust(np.asarray(design, dtype=np.float64), level, ridge), shape=shape
    )


def _exponents() -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    i, j = np.meshgrid(np.arange(_DEGREE + 1), np.arange(_DEGREE + 1), indexing="ij")
    low = i + j <= _DEGREE
    return i[low], j[low]


def _robust(design: FloatArray, level: FloatArray, ridge: FloatArray) -> FloatArray:
    """Fit by least squares, leaving out blocks that dust or a wide line has covered."""
    weight = np.ones(len(level))
    solution = np.zeros(design.shape[1])
    for _ in range(_ROUNDS):
        weighted = np.vstack([design * weight[:, None], np.diag(ridge)])
        target = np.concatenate([level * weight, np.zeros(len(ridge))])
        solution = np.linalg.lstsq(weighted, target)[0]
        residual = np.abs(level - design @ solution)
        spread = 1.5 * float(np.median(residual)) + 1e-9
        weight = np.sqrt(1.0 / (1.0 + (residual / (2.0 * spread)) ** 2))
    return solution
