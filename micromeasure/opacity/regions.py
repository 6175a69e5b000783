"""Which part of an image is film, which is bare, and what in them must be left out."""

import itertools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.micrograph.light import Box

Float32Array = NDArray[np.float32]
FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Rectangle = tuple[float, float, float, float]

# Histogram of log10 transmittance: fine enough for films 0.015 apart in density.
_BIN = 0.0025
_LOG_LOW, _LOG_HIGH = -4.0, 1.0
# A class smaller than this share of the image is dust, not film or bare light.
_LEAST_SHARE = 0.02
# Cells left out along borders: they hold light from both sides.
_LEAST_BORDER = 3
# Two peaks count as two only if the valley between them is this much lower than the lower one.
_VALLEY = 0.5
# Seeds of a defect stand out by this many standard deviations of what surrounds them ...
_SEED_SD = 6.0
# ... and it reaches as far as it still stands out by this many.
_REACH_SD = 2.5
# A wide part differing by less than this share is a change of the film, not a fold.
_FOLD_REL = 0.1
# A robust standard deviation from this many values is good to 1 %.
_MEDIAN_OF = 20_000
# Side of the median window that follows slow changes of a film, in cells.
_WINDOW = 31


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """Film and bare area found in an image.

    Attributes
    ----------
    film : ndarray of bool, shape (rows, cols)
        Cells of film, borders and folds left out.
    bare : ndarray of bool or None
        Cells of bare light; None where none was found.
    """

    film: BoolArray
    bare: BoolArray | None


def cells_of(rectangle: Rectangle, box: Box) -> BoolArray:
    """Return the cells of a box that lie wholly inside a rectangle, edges included."""
    mask = np.zeros((box.rows, box.cols), dtype=bool)
    x0, y0, x1, y1 = rectangle
    first_col = math.ceil((x0 - box.col) / box.cell_px - 1e-9)
    first_row = math.ceil((y0 - box.row) / box.cell_px - 1e-9)
    end_col = math.floor((x1 + 1 - box.col) / box.cell_px + 1e-9)
    end_row = math.floor((y1 + 1 - box.row) / box.cell_px + 1e-9)
    mask[max(0, first_row) : max(0, end_row), max(0, first_col) : max(0, end_col)] = True
    return mask


def find_film(ratio: Float32Array, *, bare_level: float | None, tolerance: float) -> Found:
    """Tell film from bare light by the peaks of the image's histogram.

    Parameters
    ----------
    ratio : ndarray, shape (rows, cols)
        Film frame over open-light frame, both without dark, or the film frame alone.
    bare_level : float or None
        Ratio expected where there is no film. None: the brightest peak of several is bare.
    tolerance : float
        How far, relatively, a bare area may be below `bare_level`.

    Returns
    -------
    Found
        The film is the largest peak that is not bare; other peaks are folds, frames or dust
        and belong to neither. With one peak everything is film.
    """
    import cv2

    smooth = cv2.medianBlur(np.ascontiguousarray(ratio), 3)
    log = np.log10(np.maximum(smooth, 10.0**_LOG_LOW))
    bins = np.clip((log - _LOG_LOW) / _BIN, 0, (_LOG_HIGH - _LOG_LOW) / _BIN - 1).astype(np.uint16)
    peaks = _peaks(np.bincount(bins.ravel(), minlength=round((_LOG_HIGH - _LOG_LOW) / _BIN)))
    brightest = peaks[-1]
    is_bare = len(peaks) > 1
    if is_bare and bare_level is not None:
        level = float(np.median(smooth[brightest.holds(bins)]))
        # Nothing is brighter than bare light, so only a level below the expected one tells a film.
        is_bare = level >= bare_level * (1.0 - tolerance)
    films = peaks[:-1] if is_bare else peaks
    border = max(_LEAST_BORDER, round(0.01 * min(ratio.shape)))
    film = _inner(max(films, key=lambda peak: peak.share).holds(bins), border)
    bare = _inner(brightest.holds(bins), border) if is_bare else None
    return Found(film=film, bare=None if bare is None or not bare.any() else bare)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Peak:
    """Bins of one peak, the first and one past the last, and its share of the image."""

    low: int
    high: int
    share: float

    def holds(self, bins: NDArray[np.uint16]) -> BoolArray:
        """Return which cells belong to it."""
        return (bins >= self.low) & (bins < self.high)


def _peaks(counts: NDArray[np.intp]) -> list[_Peak]:
    """Return the peaks of a histogram from dark to bright."""
    total = float(counts.sum())
    # Wide enough that noise makes no peaks of its own, narrow beside what is to be told apart.
    kernel = np.exp(-0.5 * (np.arange(-6, 7) / 1.2) ** 2)
    smooth = np.convolve(counts, kernel / kernel.sum(), mode="same")
    inner = (smooth[1:-1] > smooth[:-2]) & (smooth[1:-1] >= smooth[2:])
    tops = [int(t) + 1 for t in np.flatnonzero(inner)] or [int(np.argmax(smooth))]
    tops = [t for t in tops if smooth[t] > 1e-4 * total] or [int(np.argmax(smooth))]
    borders = _valleys(smooth, tops)
    while len(borders) > 2:
        shares = [counts[a:b].sum() / total for a, b in itertools.pairwise(borders)]
        weakest = _weakest(smooth, borders, shares)
        if weakest is None:
            break
        del borders[weakest]
    parts = list(itertools.pairwise(borders))
    tops = [a + int(np.argmax(smooth[a:b])) for a, b in parts]
    # Cells on the border of two areas hold light of both: what lies between two peaks is given
    # to neither beyond the middle, wherever in an empty gap the valley was found.
    middles = [0, *((a + b) // 2 for a, b in itertools.pairwise(tops)), len(smooth)]
    return [
        _Peak(
            low=max(a, middles[i]),
            high=min(b, middles[i + 1]),
            share=float(counts[a:b].sum()) / total,
        )
        for i, (a, b) in enumerate(parts)
    ]


def _valleys(smooth: FloatArray, tops: list[int]) -> list[int]:
    between = [a + int(np.argmin(smooth[a : b + 1])) for a, b in itertools.pairwise(tops)]
    return [0, *between, len(smooth)]


def _weakest(smooth: FloatArray, borders: list[int], shares: list[float]) -> int | None:
    """Return the inner border that does not part two real peaks, or None."""
    heights = [smooth[a:b].max() for a, b in itertools.pairwise(borders)]
    worst, at = 0.0, None
    for i in range(1, len(borders) - 1):
        lower = min(heights[i - 1], heights[i])
        depth = float(smooth[borders[i]] / lower) if lower > 0 else 1.0
        if min(shares[i - 1], shares[i]) < _LEAST_SHARE:
            depth += 1.0
        if depth > worst:
            worst, at = depth, i
    return at if worst > _VALLEY else None


def _inner(mask: BoolArray, border: int) -> BoolArray:
    """Return the large parts of a mask without holes' rims and without a border."""
    import cv2

    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * border + 1, 2 * border + 1))
    # Small foreign spots inside are the business of `defects`; they must not carve rims here.
    closed = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_CLOSE, kernel)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(closed, connectivity=4)
    large = np.zeros(count, dtype=bool)
    large[1:] = stats[1:, cv2.CC_STAT_AREA] >= 0.2 * stats[1:, cv2.CC_STAT_AREA].max(initial=1)
    kept = large[labels].astype(np.uint8)
    # The image's own border is no border of the film.
    inner = cv2.erode(kept, kernel, borderType=cv2.BORDER_CONSTANT, borderValue=1)
    return np.asarray(inner, dtype=bool)


def defects(values: Float32Array, mask: BoolArray) -> BoolArray:
    """Return cells of a region that are dust, bubbles, scratches or folds.

    Parameters
    ----------
    values : ndarray, shape (rows, cols)
        Transmittance, in any unit.
    mask : ndarray of bool
        The region.

    Returns
    -------
    ndarray of bool
        Cells inside `mask` to leave out, with a rim of one cell.

    Notes
    -----
    A cell is a seed where it, or the mean of 3 x 3 cells around it, stands out from the median
    of its neighbourhood (31 x 31 cells, and 5 x 5 for what is small on a patchy film), or the
    mean of 7 x 7 cells from that of the region, by more than six robust standard deviations.
    At that threshold the noise itself is never cut, so the mean stays unbiased. From its seeds a
    defect reaches as far as cells still stand out by 2.5.
    """
    import cv2

    sample = np.flatnonzero(mask)
    sample = sample[:: max(1, len(sample) // _MEDIAN_OF)]
    inside = values.ravel()[sample]
    centre = float(np.median(inside))
    filled = _continued(values, mask, centre)
    spread = max(robust_sd(inside), 1e-6 * abs(centre), 1e-12)
    # A 31 x 31 median exists for bytes only; a byte is fine enough for what it is subtracted from.
    scale = 127.0 / (8.0 * spread)
    bytes_ = np.clip((filled - centre) * scale + 128.0, 0, 255).astype(np.uint8)
    window = min(_WINDOW, (min(values.shape) - 1) | 1)
    local = (cv2.medianBlur(bytes_, max(3, window)).astype(np.float32) - 128.0) / scale + centre
    deviation = np.where(mask, filled - local, 0.0).astype(np.float32)
    fine = cv2.blur(deviation, (3, 3))
    # Beside the region's border half of a small window is made up: slopes would look like specks.
    inner = cv2.erode(mask.astype(np.uint8), np.ones((5, 5), np.uint8), borderValue=1) > 0
    sharp = np.where(inner, filled - cv2.medianBlur(filled, 5), 0.0).astype(np.float32)
    # Slow changes are the film's own; only a fold or a large bubble is as wide and as strong.
    wide = cv2.blur(np.where(mask, filled - centre, 0.0).astype(np.float32), (7, 7))
    found = np.zeros(mask.shape, dtype=bool)
    fields = (deviation, fine, sharp)
    samples = (sample, sample, sample[inner.ravel()[sample]])
    spreads = [
        max(robust_sd(f.ravel()[s]), 0.003 * spread, 1e-12)
        for f, s in zip(fields, samples, strict=True)
    ]
    fold = max(_SEED_SD * robust_sd(wide.ravel()[sample]), _FOLD_REL * abs(centre))
    # Dark and bright apart: a speck must not take a bright patch of the film with it.
    for sign in (-1.0, 1.0):
        seeds, reach = np.zeros_like(found), np.zeros_like(found)
        for field, sd in zip(fields, spreads, strict=True):
            seeds |= sign * field > _SEED_SD * sd
            reach |= sign * field > _REACH_SD * sd
        seeds |= sign * wide > fold
        found |= _grown(seeds & mask, reach) & mask
    return found


def _grown(seeds: BoolArray, reach: BoolArray) -> BoolArray:
    """Return what is connected to seeds, with a rim of one cell."""
    import cv2

    if not seeds.any():
        return seeds
    count, labels = cv2.connectedComponents((reach | seeds).astype(np.uint8), connectivity=8)
    touched = np.zeros(count, dtype=bool)
    touched[np.unique(labels[seeds])] = True
    touched[0] = False
    grown = cv2.dilate(touched[labels].astype(np.uint8), np.ones((3, 3), np.uint8))
    return np.asarray(grown, dtype=bool)


def _continued(values: Float32Array, mask: BoolArray, centre: float) -> Float32Array:
    """Carry a region's values on across its border, so that the border looks like no defect."""
    import cv2

    weight = cv2.blur(mask.astype(np.float32), (9, 9))
    known = cv2.blur(np.where(mask, values, 0.0).astype(np.float32), (9, 9))
    around = np.where(weight > 0.02, known / np.maximum(weight, 0.02), centre)
    return np.where(mask, values, around).astype(np.float32)


def robust_sd(values: NDArray[Any]) -> float:
    """Return 1.4826 times the median absolute deviation: a standard deviation blind to defects."""
    if not len(values):
        return 0.0
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def outline_px(mask: BoolArray, box: Box) -> FloatArray:
    """Return the outlines of a mask in full-image pixels, parts separated by rows of NaN.

    Returns
    -------
    ndarray, shape (n, 2)
        Points ``x y`` along the outer borders of the cells; each part ends where it began.
    """
    import cv2

    parts: list[FloatArray] = []
    # Twice enlarged, so that the outline encloses cells instead of joining their centres.
    large = cv2.resize(mask.astype(np.uint8), None, fx=2, fy=2, interpolation=cv2.INTER_NEAREST)
    contours, _ = cv2.findContours(large, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    for contour in contours:
        points = (contour[:, 0, :].astype(np.float64) + 0.5) / 2.0 * box.cell_px - 0.5
        closed = np.vstack([points, points[:1]]) + np.array([box.col, box.row])
        parts += [closed, np.full((1, 2), np.nan)]
    return np.vstack(parts[:-1]) if parts else np.empty((0, 2))
