"""One image of a grid, from pixels to both scales, squareness and radial distortion."""

import dataclasses
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.calibration.blobs import Blobs, find_blobs, locate_blobs
from micromeasure.calibration.direction import in_256_steps
from micromeasure.calibration.ground import find_ground
from micromeasure.calibration.lattice import number_elements
from micromeasure.errors import CalibrationError

FloatArray = NDArray[np.float64]

_FEWEST = 9
_FEWEST_EACH_WAY = 3
_ENOUGH = 200  # elements, for their shape
_CUT = 4.5
_ROUNDS = 8
_CLEAR = 4.0  # distortion is taken for real from this many standard uncertainties on
_CENTRE_CLEAR = 6.0  # and its centre measured, not assumed, from this
_IRREGULAR = 0.1  # of a pitch: greatest rms residual of a grid
_MAD_TO_SD = 1.4826


@dataclass(frozen=True, slots=True, kw_only=True)
class GridImage:
    """The elements of a grid in one image and the law that fits them.

    Attributes
    ----------
    pixels_per_cell : ndarray, shape (2, 2)
        Columns are the image's steps, ``x y``, for one column and one row of the grid, at the
        centre of distortion.
    covariance : ndarray, shape (4, 4)
        Of ``pixels_per_cell`` in row-major order.
    dof : float
    numbers : ndarray of int, shape (n, 2)
        Column and row of each element used.
    centre_px, residual_px : ndarray, shape (n, 2)
        Where it was found, and its deviation from the law.
    stray_px : ndarray, shape (m, 2)
        Elements left out.
    k1_per_px2, u_k1_per_px2 : float
        Radial distortion; always part of the law, so that the scale is that of the centre.
    distortion_centre_px : tuple of two floats
    is_distorted : bool
        Whether the distortion is beyond doubt.
    size_px : tuple of two ints
    radius_px : float
    dark : bool
    residual_sd_px : float
    """

    pixels_per_cell: FloatArray
    covariance: FloatArray
    dof: float
    numbers: NDArray[np.intp]
    centre_px: FloatArray
    residual_px: FloatArray
    stray_px: FloatArray
    k1_per_px2: float
    u_k1_per_px2: float
    distortion_centre_px: tuple[float, float]
    is_distorted: bool
    size_px: tuple[int, int]
    radius_px: float
    dark: bool
    residual_sd_px: float

    @property
    def rotation_deg(self) -> float:
        """Direction of the grid's first axis against the image's x axis."""
        return float(np.degrees(np.arctan2(self.pixels_per_cell[1, 0], self.pixels_per_cell[0, 0])))


def measure_grid(grey: NDArray[Any], name: str, seen: NDArray[np.uint8] | None = None) -> GridImage:
    """Find, number and fit the elements of a grid.

    Parameters
    ----------
    grey : ndarray, shape (rows, cols)
    name : str
        Of the image, for messages.
    seen : ndarray of uint8 or None
        The image from `in_256_steps`, where it is known already.

    Returns
    -------
    GridImage

    Raises
    ------
    CalibrationError
        If there is no regular grid or its numbers are not certain.
    """
    blobs = find_blobs(in_256_steps(grey) if seen is None else seen)
    if blobs is None:
        raise CalibrationError([_nothing(name)])
    numbered = number_elements(blobs.centre_px)
    if numbered is None or not _is_grid(numbered[0][numbered[1]]):
        raise CalibrationError([_nothing(name)])
    located = _locate(grey, blobs, *numbered)
    good = numbered[1] & np.isfinite(located.u_px)
    numbers, centre = numbered[0][good], located.centre_px[good]
    if not _is_grid(numbers):
        raise CalibrationError([_nothing(name)])
    size = (grey.shape[1], grey.shape[0])
    bulge_px2 = 0.0 if located.element is None else located.element.bulge_px2
    trust = _Trust(u_px=located.u_px[good], bulge_px2=bulge_px2)
    law, middle = _best_law(centre, numbers, size, trust)
    if law.sd > _IRREGULAR * float(np.hypot(*law.solution[[1, 4]])):
        raise CalibrationError([_nothing(name)])
    k1, u_k1 = law.solution[6], np.sqrt(law.covariance[6, 6])
    chosen = [1, 2, 4, 5]
    return GridImage(
        pixels_per_cell=law.solution[chosen].reshape(2, 2),
        covariance=law.covariance[np.ix_(chosen, chosen)],
        dof=float(law.dof),
        numbers=numbers[law.used],
        centre_px=centre[law.used],
        residual_px=law.residual[law.used],
        stray_px=np.concatenate([centre[~law.used], located.centre_px[~good]]),
        k1_per_px2=float(k1),
        u_k1_per_px2=float(u_k1),
        distortion_centre_px=middle,
        is_distorted=bool(abs(k1) > _CLEAR * u_k1),
        size_px=size,
        radius_px=located.radius_px,
        dark=located.dark,
        residual_sd_px=law.sd,
    )


def _locate(
    grey: NDArray[Any], blobs: Blobs, numbers: NDArray[np.intp], belongs: NDArray[np.bool_]
) -> Blobs:
    """Locate the elements: of very many, some first, which tell their shape and the way to all."""
    first = _law(blobs.centre_px[belongs], numbers[belongs], None)
    pitch = float(np.hypot(*first.solution[[1, 4]]))
    covered = min(0.9, math.pi * blobs.radius_px**2 / pitch**2)
    share = 1.0 - (1.0 - covered if blobs.dark else covered) / 2
    light = find_ground(grey, share=share, feature_px=pitch)
    turn = math.atan2(first.solution[4], first.solution[1])
    thinning = -(-len(belongs) // _ENOUGH)
    if thinning == 1:
        return locate_blobs(grey, blobs, pitch_px=pitch, turn_rad=turn, light=light)
    some = np.flatnonzero(belongs)[:: thinning | 1]  # odd: touches every row and column in turn
    part = dataclasses.replace(blobs, centre_px=blobs.centre_px[some], u_px=blobs.u_px[some])
    part = locate_blobs(grey, part, pitch_px=pitch, turn_rad=turn, light=light)
    good = np.isfinite(part.u_px)
    if good.sum() < _FEWEST or part.element is None:
        return locate_blobs(grey, blobs, pitch_px=pitch, turn_rad=turn, light=light)
    middle = ((grey.shape[1] - 1) / 2, (grey.shape[0] - 1) / 2)
    law = _law(part.centre_px[good], numbers[some][good], middle)
    expected = blobs.centre_px.copy()
    expected[belongs] = law.at(expected[belongs], numbers[belongs], middle)
    return locate_blobs(
        grey, dataclasses.replace(blobs, centre_px=expected), pitch_px=pitch, turn_rad=turn,
        light=light, element=part.element,
    )  # fmt: skip


def _is_grid(numbers: NDArray[np.intp]) -> bool:
    enough = len(numbers) >= _FEWEST
    return enough and bool((np.ptp(numbers, axis=0) + 1 >= _FEWEST_EACH_WAY).all())


def _nothing(name: str) -> str:
    return (
        f"{name}: no ruling and no regular grid found; at least six regular lines, or 3 x 3 equal "
        "dots or squares side by side, are needed. Take an image that shows the artefact alone, in "
        "focus and evenly lit."
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Trust:
    """How far elements are to be trusted against one another, and what distortion does to them."""

    u_px: FloatArray
    bulge_px2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Law:
    solution: FloatArray
    covariance: FloatArray
    used: NDArray[np.bool_]
    residual: FloatArray
    sd: float
    dof: int

    def at(
        self, near: FloatArray, numbers: NDArray[np.intp], middle: tuple[float, float]
    ) -> FloatArray:
        """Return where elements are expected that are seen near some places."""
        i, j = numbers.T.astype(np.float64)
        away = near - np.asarray(middle)
        bent = away * (away * away).sum(axis=1, keepdims=True) * self.solution[6]
        straight = [self.solution[k] + self.solution[k + 1] * i + self.solution[k + 2] * j
                    for k in (0, 3)]  # fmt: skip
        return np.asarray(np.stack(straight, axis=1) - bent)


def _best_law(
    centre: FloatArray, numbers: NDArray[np.intp], size: tuple[int, int], trust: _Trust
) -> tuple[_Law, tuple[float, float]]:
    """Return the law with distortion, its centre measured where the image proves it."""
    middle = ((size[0] - 1) / 2, (size[1] - 1) / 2)
    bent = _law(centre, numbers, middle, trust=trust)
    if not abs(bent.solution[6]) > _CLEAR * np.sqrt(bent.covariance[6, 6]):
        return bent, middle
    measured = False
    for _ in range(_ROUNDS):
        free = _law(centre, numbers, middle, trust=trust, free_centre=True)
        # Columns 7 and 8 carry k1 times the shift of the centre.
        shift = free.solution[7:9] / free.solution[6]
        u = np.sqrt(np.diag(free.covariance)[7:9]) / abs(free.solution[6])
        if not measured and not (np.abs(shift) > _CENTRE_CLEAR * u).any():
            return bent, middle
        measured = True
        moved = np.clip(np.array(middle) + shift, 0, np.array(size) - 1.0)
        middle = (float(moved[0]), float(moved[1]))
        if (np.abs(shift) < 0.1 * u).all():
            break
    # The centre is an estimate too, and its uncertainty goes into that of the scale.
    return _law(centre, numbers, middle, trust=trust, free_centre=True), middle


def _law(
    centre: FloatArray,
    numbers: NDArray[np.intp],
    middle: tuple[float, float] | None,
    *,
    trust: _Trust | None = None,
    free_centre: bool = False,
) -> _Law:
    """Fit x and y of all elements linearly in column, row and distortion, strays left out."""
    n = len(centre)
    weight = np.ones(n)
    if trust is not None:
        weight = np.clip(float(np.median(trust.u_px)) / trust.u_px, 0.1, 3.0)
    ones, none = np.ones(n), np.zeros(n)
    i, j = numbers.T.astype(np.float64)
    x_rows = [ones, i, j, none, none, none]
    y_rows = [none, none, none, ones, i, j]
    if middle is not None:
        dx, dy = (centre - np.asarray(middle)).T
        square = dx * dx + dy * dy + (trust.bulge_px2 if trust else 0.0)
        x_rows.append(-dx * square)
        y_rows.append(-dy * square)
        if free_centre:
            x_rows += [square + 2 * dx * dx, 2 * dx * dy]
            y_rows += [2 * dx * dy, square + 2 * dy * dy]
    design = np.concatenate([np.stack(x_rows, axis=1), np.stack(y_rows, axis=1)])
    target = np.concatenate([centre[:, 0], centre[:, 1]])
    scale = np.sqrt((design**2).sum(axis=0))
    design = design / scale
    used = np.ones(n, dtype=np.bool_)
    solution = np.zeros(design.shape[1])
    residual = np.zeros((n, 2))
    double = np.concatenate([weight, weight])
    weighted = design * double[:, None]
    for _ in range(_ROUNDS):
        rows = np.concatenate([used, used])
        part = weighted * rows[:, None]
        solution = np.linalg.lstsq(part.T @ weighted, part.T @ (target * double))[0]
        residual = (target - design @ solution).reshape(2, n).T
        relative = np.abs(residual) * weight[:, None]
        spread = _MAD_TO_SD * float(np.median(relative[used]))
        keep = (relative < _CUT * max(spread, 1e-6)).all(axis=1)
        if (keep == used).all() or keep.sum() < _FEWEST:
            break
        used = keep
    rows = np.concatenate([used, used])
    dof = 2 * int(used.sum()) - design.shape[1]
    sd = float(np.sqrt(((residual * weight[:, None])[used] ** 2).sum() / max(dof, 1)))
    covariance = np.linalg.inv(weighted[rows].T @ weighted[rows]) * sd**2 / np.outer(scale, scale)
    return _Law(
        solution=solution / scale,
        covariance=covariance,
        used=used,
        residual=residual,
        sd=sd,
        dof=dof,
    )
