"""The common shape of a grid's elements: a disc or a square seen through a Gaussian blur."""

import dataclasses
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_ROUNDS_TO_TELL, _ROUNDS = 4, 4
_ENOUGH = 600  # samples, for two numbers
_OFFERS = 5


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
        along, across = self._turned(dx_px, dy_px)
        return self._stripe(along) * self._stripe(across)

    def _turned(self, dx_px: FloatArray, dy_px: FloatArray) -> tuple[FloatArray, FloatArray]:
        cosine, sine = np.cos(self.turn_rad), np.sin(self.turn_rad)
        return cosine * dx_px + sine * dy_px, cosine * dy_px - sine * dx_px

    def _stripe(self, u: FloatArray) -> FloatArray:
        from scipy.special import ndtr

        return np.asarray(
            ndtr((u + self.half_px) / self.sigma_px) - ndtr((u - self.half_px) / self.sigma_px)
        )

    def _density(self, u: FloatArray) -> FloatArray:
        z = u / self.sigma_px
        return np.asarray(np.exp(-0.5 * z * z) / (np.sqrt(2 * np.pi) * self.sigma_px))

    @property
    def bulge_px2(self) -> float:
        """What to add to r² where distortion moves the whole outline, not only the centre.

        Distortion to third order moves the outline's points d about a centre p by
        k1·(2(p·d)d + d²·p) beyond what it does to p; averaged over the outline as the fit does
        it, along the normal, this is 3·k1·R²·p for a disc and 10/3·k1·h²·p for a square.
        """
        return (3.0 if self.is_round else 10.0 / 3.0) * self.half_px**2

    def slopes(self, dx_px: FloatArray, dy_px: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the derivatives by dx and dy."""
        if self.is_round:
            radius = np.hypot(dx_px, dy_px)
            fall = -self._density(radius - self.half_px) / np.maximum(radius, 1e-9)
            return fall * dx_px, fall * dy_px
        along, across = self._turned(dx_px, dy_px)
        by_along, by_across = (
            (self._density(u + self.half_px) - self._density(u - self.half_px)) * self._stripe(v)
            for u, v in ((along, across), (across, along))
        )
        cosine, sine = np.cos(self.turn_rad), np.sin(self.turn_rad)
        return cosine * by_along - sine * by_across, sine * by_along + cosine * by_across


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
    mean_image = _Samples.of(mean, weight, samples_per_px)
    found = [
        _closest(
            Element(is_round=is_round, half_px=half_px, sigma_px=1.0, turn_rad=turn_rad),
            mean_image, span=(0.5, 1.2), rounds=_ROUNDS_TO_TELL,
        )
        for is_round in (True, False)
    ]  # fmt: skip
    return min(found, key=lambda one: one[1])[0]


def refine_element(
    mean: FloatArray, weight: FloatArray, samples_per_px: int, start: Element
) -> Element:
    """Fit an element's size and blur again, to a better mean image, from values nearby."""
    mean_image = _Samples.of(mean, weight, samples_per_px)
    return _closest(start, mean_image, span=(0.05, 0.3), rounds=_ROUNDS)[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Samples:
    """Some samples of a mean image: offsets from the centre, brightness, root of the weight."""

    dx_px: FloatArray
    dy_px: FloatArray
    mean: FloatArray
    root: FloatArray

    @classmethod
    def of(cls, mean: FloatArray, weight: FloatArray, samples_per_px: int) -> "_Samples":
        offset = (np.arange(mean.shape[0]) - mean.shape[0] // 2) / samples_per_px
        known = np.flatnonzero(weight > 0)
        known = known[:: max(1, len(known) // _ENOUGH) | 1]  # odd: touches every column in turn
        row, column = np.divmod(known, mean.shape[1])
        return cls(
            dx_px=offset[column],
            dy_px=offset[row],
            mean=mean.flat[known],
            root=np.sqrt(weight.flat[known]),
        )


def _closest(
    start: Element, samples: _Samples, *, span: tuple[float, float], rounds: int
) -> tuple[Element, float]:
    """Search half size and blur on a grid that closes in on the best pair."""
    best, least = start, np.inf
    width = np.array(span)
    offsets = np.linspace(-1, 1, _OFFERS)
    square = np.stack(np.meshgrid(offsets, offsets, indexing="ij"), axis=-1).reshape(-1, 2)
    for _ in range(rounds):
        half, sigma = np.exp(np.log([best.half_px, best.sigma_px]) + width * square).T
        offers = [
            dataclasses.replace(start, half_px=float(h), sigma_px=float(s))
            for h, s in zip(half, sigma, strict=True)
        ]
        misfits = _misfits(np.stack([o.at(samples.dx_px, samples.dy_px) for o in offers]), samples)
        at = int(np.argmin(misfits))
        if misfits[at] < least:
            best, least = offers[at], float(misfits[at])
        width = width / 2
    return best, least


def _misfits(heights: FloatArray, samples: _Samples) -> FloatArray:
    """Return the sum of squares that each shape, one a row, leaves of the mean image."""
    root, target = samples.root, samples.mean * samples.root
    profiles = heights * root
    # Level and height are solved for exactly by 2 x 2 normal equations.
    ss, st, tt = root @ root, root @ target, target @ target
    sp, pp, pt = profiles @ root, np.einsum("ij,ij->i", profiles, profiles), profiles @ target
    determinant = ss * pp - sp * sp
    good = determinant > 1e-9 * ss * pp
    safe = np.where(good, determinant, 1.0)
    level, depth = (pp * st - sp * pt) / safe, (ss * pt - sp * st) / safe
    return np.asarray(np.where(good, tt - level * st - depth * pt, np.inf))
