"""Whether the numbers given to lines can be trusted; what speaks against it stops everything."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.calibration.bands import FINE, Bands
from micromeasure.calibration.centres import Centres
from micromeasure.calibration.finding import part_matrix
from micromeasure.calibration.ruling_fit import LawFit
from micromeasure.errors import CalibrationError

FloatArray = NDArray[np.float64]

_CONTINUOUS = 0.6  # least usual share of the bands along a line in which it is seen
_FILLED = 0.5  # least share of the places, between the outermost lines, that hold a line
_STRAYS = 0.1  # greatest share of lines that stand out of place
_RAGGED = 0.02  # of a pitch: greatest usual deviation of a line from the law
_ALTERNATING = 0.01  # of a pitch: greatest shift of odd against even lines
# A rise between the lines counts from this share of a line's depth on, if clear of noise: a
# ruling at the limit of resolution is no deeper.
_BETWEEN_SHARE = 0.015
_BETWEEN_CLEAR = 8.0
_FEWEST_DIVISIONS = 5
# Whole lines between the numbered ones: so deep, and in this share of the divisions.
_STRANGE_SHARE, _STRANGE_DIVISIONS = 0.4, 0.04
_FEWEST_STRETCHES = 3
_BLURRED = 0.28  # of a pitch: spread of a line from which on lines run into one another
_TOO_WIDE = 0.7  # of a pitch: what is taken for a line is the ground between lines
_CROSSWISE = 0.3  # of a line's depth: greatest variation along the lines with their own pitch
_COARSE_PITCH_PX = 8.0
_ENOUGH_LINES = 24
_STRETCHES = 8  # parts of the height looked at apart


@dataclass(frozen=True, slots=True, kw_only=True)
class Located:
    """Lines located in bands.

    Attributes
    ----------
    bands : Bands
    depth : ndarray, shape (n_bands, n_samples)
        Evened-out depth of the pattern.
    centres : Centres
    numbers : ndarray of int, shape (n_lines,)
        Provisional number of each row of `centres`.
    dark : bool
    rivals_px : tuple of floats
        Pitches of other rulings in the image, along x.
    """

    bands: Bands
    depth: FloatArray
    centres: Centres
    numbers: NDArray[np.intp]
    dark: bool
    rivals_px: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """Points that were fitted, and the straight and the distorted law.

    Attributes
    ----------
    law, bent : LawFit
        Of x in (1, number, -y) and, in `bent`, the radial term as well.
    number : ndarray of int, shape (n,)
        Line of each point, from 0.
    x_px, y_px : ndarray, shape (n,)
        Points; y from the middle of the image.
    """

    law: LawFit
    bent: LawFit
    number: NDArray[np.intp]
    x_px: FloatArray
    y_px: FloatArray


def refuse_doubtful_numbers(
    image: NDArray[Any], located: Located, fitted: Fitted, name: str
) -> None:
    """Stop where the lines themselves say that their numbers may be wrong.

    Raises
    ------
    CalibrationError
        If lines stand in pairs, are the rows of a grid, are ragged, or others stand between them.
    """
    law = fitted.law
    pitch = law.solution[1]
    _refuse_blurred(located, pitch, name)
    odd = law.lines % 2 == 1
    if 3 <= odd.sum() <= len(odd) - 3:
        apart = law.line_residual_px[odd].mean() - law.line_residual_px[~odd].mean()
        scatter = np.hypot(
            *(law.line_residual_px[part].std(ddof=1) / np.sqrt(part.sum()) for part in (odd, ~odd))
        )
        if abs(apart) > max(_ALTERNATING * pitch, 5 * scatter):
            message = (
                f"{name}: the lines found stand in pairs, {100 * abs(apart) / pitch:.0f} % of a "
                "division out of step, so their numbers are not certain; both edges of every line "
                "may have been taken for lines. Focus, or take the image in plain transmitted "
                "light."
            )
            raise CalibrationError([message])
    if _continuity(fitted) < _CONTINUOUS or _crosswise(image, located, fitted) > _CROSSWISE:
        message = (
            f"{name}: the lines found are broken into pieces or crossed by others, as those of a "
            "grid are; an image of a grid is measured with --pattern grid."
        )
        raise CalibrationError([message])
    _refuse_ragged(fitted, name)
    if located.rivals_px:
        message = (
            f"{name}: shows two rulings, with lines {pitch:.1f} px and {located.rivals_px[0]:.1f} "
            "px apart, and which of them the pitch belongs to is not certain; give a region that "
            "holds only one."
        )
        raise CalibrationError([message])
    between = _between_lines(located, fitted)
    if between is not None:
        message = (
            f"{name}: fainter or shorter lines stand between the {len(law.lines)} lines found (at "
            f"{between:.2f} of a division), so their numbers are not certain; give a region in "
            "which every division has its line."
        )
        raise CalibrationError([message])


def _refuse_blurred(located: Located, pitch: float, name: str) -> None:
    """Stop where the shape of the lines says that they are none."""
    shape = located.centres.shape
    spread = math.hypot(shape.width_px / math.sqrt(12), shape.sigma_px)
    if spread > _BLURRED * pitch or shape.width_px > _TOO_WIDE * pitch:
        message = (
            f"{name}: its lines are so blurred that they run into one another, or so wide that "
            f"hardly a gap is left between them ({shape.width_px / pitch:.0%} of a division), so "
            "their numbers are not certain; focus on the rulings, or give a region that holds "
            "only the lines of the micrometer."
        )
        raise CalibrationError([message])


def _refuse_ragged(fitted: Fitted, name: str) -> None:
    """Stop where too many places are empty, or the lines scatter too much for a ruling."""
    lines = fitted.law.lines
    filled = len(lines) / (lines[-1] - lines[0] + 1)
    strays = len(np.unique(fitted.number)) - len(lines)
    # The distorted law, since a distorted field is no reason to doubt the numbers.
    off = float(np.median(np.abs(fitted.bent.line_residual_px))) / fitted.law.solution[1]
    if filled < _FILLED or off > _RAGGED or strays > max(2, _STRAYS * len(lines)):
        message = (
            f"{name}: the {len(lines)} lines found do not make a regular ruling "
            f"({100 * filled:.0f} % of the places hold a line, which is usually off by "
            f"{100 * off:.1f} % of a division, and {strays} more stand out of place), so their "
            "numbers are not certain; give a region that holds only the lines of the micrometer."
        )
        raise CalibrationError([message])


def _continuity(fitted: Fitted) -> float:
    """Return the usual share of the bands along a line in which the line was seen."""
    heights, place = np.unique(fitted.y_px, return_inverse=True)
    first = np.full(fitted.number.max() + 1, len(heights))
    last = np.zeros(len(first))
    np.minimum.at(first, fitted.number, place)
    np.maximum.at(last, fitted.number, place)
    seen = np.bincount(fitted.number, minlength=len(first))
    lines = fitted.law.lines
    return float(np.median(seen[lines] / (last - first + 1)[lines]))


def _crosswise(image: NDArray[Any], located: Located, fitted: Fitted) -> float:
    """Return how strongly lines, or the ground between them, vary along them with their own pitch.

    Returns
    -------
    float
        Amplitude in units of the lines' depth: near 0 for rulings, about a half for a grid.
    """
    import cv2

    law, y_middle = fitted.law, located.bands.y_middle
    start, pitch, tangent = law.solution[:3]
    # So coarse that blur and noise matter less, and so fine that a division is resolved.
    factor = max(1, int(pitch / _COARSE_PITCH_PX))
    size = (image.shape[1] // factor, image.shape[0] // factor)
    small = cv2.resize(image, size, interpolation=cv2.INTER_AREA) if factor > 1 else image
    row = np.arange(size[1])
    y = (row + 0.5) * factor - 0.5 - y_middle
    lines = law.lines[:: max(1, len(law.lines) // _ENOUGH_LINES)]
    low, high = (
        np.array([extreme(fitted.y_px[fitted.number == n]) for n in lines])
        for extreme in (min, max)
    )
    levels, amplitudes = [], []
    for beside in (0.0, 0.5):
        x = start + pitch * (lines[:, None] + beside) - tangent * y
        column = (x + 0.5) / factor - 0.5
        left = np.clip(column.astype(np.intp), 0, size[0] - 2)
        inside = (column >= 0) & (column < size[0] - 1) & (y > low[:, None]) & (y < high[:, None])
        count = np.maximum(inside.sum(axis=1, keepdims=True), 1)
        # To the nearest pixel, slanting lines would jump, at times in step with the pitch.
        share = column - left
        value = (1.0 - share) * small[row, left] + share * small[row, left + 1]
        value = np.where(inside, value, 0.0)
        mean = value.sum(axis=1, keepdims=True) / count
        wave = np.fft.rfft(np.where(inside, value - mean, 0.0), axis=1)
        # Dust stands on some of the lines, elements of a grid on all.
        power = np.median((2 * np.abs(wave) / count) ** 2, axis=0)
        expected = size[1] * factor / pitch
        reach = power[math.floor(0.9 * expected) : math.ceil(1.1 * expected) + 1]
        levels.append(float(np.median(mean)))
        # Noise has the same power everywhere, and at its highest about twice that.
        noise = 2.0 * float(np.median(power[math.floor(0.5 * expected) :]))
        amplitudes.append(math.sqrt(max(0.0, float(reach.max(initial=0.0)) - noise)))
    return max(amplitudes) / max(abs(levels[1] - levels[0]), 1e-9)


def _between_lines(located: Located, fitted: Fitted) -> float | None:
    """Return where between the lines, as a share of a division, others stand; None if nowhere.

    Notes
    -----
    The image is folded to one division. The median over the divisions makes dust, numerals and
    scratches vanish, which stand in few of them, while a finer ruling is left.
    """
    bands, depth, centres = located.bands, located.depth, located.centres
    start, pitch, tangent = fitted.law.solution[:3]
    edges = np.round(np.linspace(0, len(depth), min(_STRETCHES, len(depth)) + 1)).astype(np.intp)
    member = part_matrix(edges)
    counts, sums = member @ bands.counts, member @ (bands.counts * depth)
    bins = int(np.clip(pitch * FINE / 2, 6, 40))
    # Where the law's direction is not exactly that of the bands, their middles are displaced.
    moved = bands.offset_px - (bands.tangent - tangent) * (bands.y_px - bands.y_middle)
    moved = member @ moved / member.sum(axis=1)
    x = bands.origin_px + moved[:, None] + np.arange(depth.shape[1]) / FINE
    place = (x - start) / pitch
    slots = int(fitted.number.max())
    inside = (place >= 0) & (place < slots) & (counts > 0)
    stretch = np.broadcast_to(np.arange(len(member))[:, None], place.shape)[inside]
    cell = stretch * (slots * bins) + (place[inside] * bins).astype(np.intp)
    size = len(member) * slots * bins
    seen = np.bincount(cell, counts[inside], size).reshape(-1, slots, bins)
    value = np.bincount(cell, sums[inside], size).reshape(-1, slots, bins)
    middle = (np.arange(bins) + 0.5) / bins
    shape = centres.shape
    apart = np.minimum(middle, 1 - middle) * pitch
    open_ = apart > shape.width_px / 2 + 3.0 * shape.sigma_px
    if open_.sum() < 4:
        return None
    usual = centres.usual_depth()
    with np.errstate(invalid="ignore"):
        folds = np.where(seen > 0, value / seen, np.nan)[..., open_]
    height = member @ (bands.y_px - bands.y_middle) / member.sum(axis=1)
    low, high = np.percentile(fitted.y_px, [10, 90])
    crowd = _lines_without_number(folds[(height >= low) & (height <= high)], usual)
    if crowd is not None:
        return float(middle[open_][crowd])
    for fold in folds:
        cells = fold[np.isfinite(fold).all(axis=1)]
        if len(cells) < _FEWEST_DIVISIONS:
            continue
        folded = np.median(cells, axis=0)
        # Noise, texture and dust alike show in how the divisions differ from one another.
        apart = cells - np.median(cells, axis=1, keepdims=True) - folded + np.median(folded)
        noise = 1.25 * 1.4826 * float(np.median(np.abs(apart))) / math.sqrt(len(cells))
        rise = _prominence(folded)
        if rise.max() > max(_BETWEEN_SHARE * usual, _BETWEEN_CLEAR * noise):
            return float(middle[open_][np.argmax(rise)])
    return None


def _lines_without_number(along: FloatArray, usual: float) -> int | None:
    """Return the place at which most of the long lines stand that fit no number; None if few do.

    Parameters
    ----------
    along : ndarray, shape (n_stretches, n_divisions, n_places)
        Depth between the lines, in the stretches of the height in which lines are seen.
    usual : float
        Depth of a line.
    """
    if len(along) < _FEWEST_STRETCHES:
        return None
    # Along all of their length: dust and scratches are not.
    whole = np.isfinite(along).all(axis=(0, 2))
    depth = np.quantile(along[:, whole], 0.25, axis=0, method="lower")
    rise = np.stack([_prominence(division) for division in depth]) if len(depth) else depth
    strange = (rise > _STRANGE_SHARE * usual).any(axis=1)
    if strange.sum() < max(1.0, _STRANGE_DIVISIONS * len(depth)):
        return None
    return int(np.argmax((rise > _STRANGE_SHARE * usual).sum(axis=0)))


def _prominence(values: FloatArray) -> FloatArray:
    """Return by how much each value rises above the lower ground on both of its sides."""
    left = np.minimum.accumulate(values)
    right = np.minimum.accumulate(values[::-1])[::-1]
    return np.asarray(values - np.maximum(left, right))
