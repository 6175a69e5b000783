"""The common shape of a grid's elements: a disc or a square seen through a Gaussian blur."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_ROUNDS = 6
_ENOUGH = 1500  # samples, for two numbers
_OFFERS = 5
_STEP_PX = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Element:
    """Shape of height 1, symmetric under half a turn: it locates without bias.

    Attributes
    ----------
    is_round : bool
        A disc; else a square.
    half_px : float
        Radius or half the side.
    sigma_px : float
        Standard deviation of the blur, the pixel's own area included.
    turn_rad : float
        Direction of the square's sides.
    """

    is_round: bool
    half_px: float
    sigma_px: float
    turn_rad: float

    def at(self, dx_px: FloatArray, dy_px: FloatArray) -> FloatArray:
        """Return the height at offsets from the centre."""
        from scipy.special import ndtr

        if self.is_round:
            return np.asarray(ndtr((self.half_px - np.hypot(dx_px, dy_px)) / self.sigma_px))
        cosine, sine = np.cos(self.turn_rad), np.sin(self.turn_rad)
        height = np.ones(np.broadcast_shapes(dx_px.shape, dy_px.shape))
        for u in (cosine * dx_px + sine * dy_px, cosine * dy_px - sine * dx_px):
            height = height * (
                ndtr((u + self.half_px) / self.sigma_px) - ndtr((u - self.half_px) / self.sigma_px)
            )
        return height

    @property
    def bulge_px2(self) -> float:
        """What to add to r² where distortion moves the whole outline, not only the centre.

        Distortion to third order moves the outline's points d about a centre p by
        k1·(2(p·d)d + d²·p) beyond what it does to p; averaged over the outline as the fit does
        it, along the normal, this is 3·k1·R²·p for a disc and 10/3·k1·h²·p for a square.
        """
        return (3.0 if self.is_round else 10.0 / 3.0) * self.half_px**2

    def slopes(self, dx_px: FloatArray, dy_px: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the derivatives by dx and dy, by central differences."""
        along = self.at(dx_px + _STEP_PX, dy_px) - self.at(dx_px - _STEP_PX, dy_px)
        across = self.at(dx_px, dy_px + _STEP_PX) - self.at(dx_px, dy_px - _STEP_PX)
        return along / (2 * _STEP_PX), across / (2 * _STEP_PX)


def fit_element(
    mean: FloatArray, weight: FloatArray, samples_per_px: int, *, half_px: float, turn_rad: float
) -> Element:
    """Fit disc and square to the mean image of the elements and return the better one.

    Parameters
    ----------
    mean, weight : ndarray, shape (n, n), n odd
        Mean brightness about the centre and the number of pixels it rests on.
    samples_per_px : int
    half_px, turn_rad : float
        Rough half size, and the direction of the grid.
    """
    offset = (np.arange(mean.shape[0]) - mean.shape[0] // 2) / samples_per_px
    dx, dy = np.meshgrid(offset, offset)
    known = np.flatnonzero(weight > 0)
    known = known[:: max(1, len(known) // _ENOUGH) | 1]  # odd: touches every column in turn
    dx, dy, mean, root = (v.flat[known] for v in (dx, dy, mean, np.sqrt(weight)))
    best, least = None, np.inf
    for is_round in (True, False):
        centre, span = np.log([half_px, 1.0]), np.array([0.5, 1.2])
        for _ in range(_ROUNDS):
            for i in np.linspace(-1, 1, _OFFERS):
                for j in np.linspace(-1, 1, _OFFERS):
                    half, sigma = np.exp(centre + span * (i, j))
                    offer = Element(is_round=is_round, half_px=float(half),
                                    sigma_px=float(sigma), turn_rad=turn_rad)  # fmt: skip
                    misfit = _misfit(offer.at(dx, dy), mean, root)
                    if misfit < least:
                        best, least = offer, misfit
            if best is not None and best.is_round == is_round:
                centre = np.log([best.half_px, best.sigma_px])
            span = span / 2
    assert best is not None  # noqa: S101  # some offer has a finite misfit; tells the type checker
    return best


def _misfit(height: FloatArray, mean: FloatArray, root: FloatArray) -> float:
    columns = np.stack([root, height * root], axis=1)
    normal, right = columns.T @ columns, columns.T @ (mean * root)
    if np.linalg.det(normal) <= 1e-9 * normal[0, 0] * normal[1, 1]:
        return float("inf")
    residual = mean * root - columns @ np.linalg.solve(normal, right)
    return float(residual @ residual)
