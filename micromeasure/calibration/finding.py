"""Finding the rulings of a stage micrometer in band profiles: pitch, polarity, places."""

import dataclasses
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.calibration.bands import FINE, Bands
from micromeasure.calibration.numbering import number_lines

FloatArray = NDArray[np.float64]

_LEAST_PITCH_PX = 3.0
_COARSE_PITCH_PX = 24.0  # from here on whole pixels are fine enough to find a line
# Widths of the smooth ground that a profile is freed of, in image widths; the second is for a
# fine ruling under strong shading.
_GROUND_SHARES = (0.1, 0.0125)
_WIDE = 6.0  # samples; a wider window is made of two running sums
_SAME_SPAN = 0.6  # of a coarser ruling's span: less is a chance pattern of specks and edges
_FEWEST_OF_A_RIVAL = 8
_WHOLE = 0.04  # of a ratio: how far it may lie from a whole number
_PARTS = 8  # stretches looked at apart are made of eighths of the height
_NEARLY_ALL = 0.85
_LEAST_HEIGHT = 0.4  # of the usual height of a line


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """Lines found in one stretch of bands.

    Attributes
    ----------
    positions_px : ndarray, shape (n,)
        X of each line that belongs to the ruling.
    numbers : ndarray of int, shape (n,)
    pitch_px : float
    dark : bool
    first_band, last_band : int
        Stretch of bands, the last one not included.
    rivals_px : tuple of floats
        Pitches of rulings in other stretches that are not this one, coarser or finer by a whole
        number.
    """

    positions_px: FloatArray
    numbers: NDArray[np.intp]
    pitch_px: float
    dark: bool
    first_band: int
    last_band: int
    rivals_px: tuple[float, ...] = ()


def find_rulings(bands: Bands) -> Found | None:
    """Find the finest regular ruling that any stretch of bands shows.

    Parameters
    ----------
    bands : Bands

    Returns
    -------
    Found or None
        None if no stretch shows six or more regular lines.

    Notes
    -----
    On a stage micrometer only the lines of every fifth and tenth division run the whole
    height. Looking at stretches apart finds the one where every division has its line.
    """
    best: Found | None = None
    all_found = []
    for stretch in _stretches(bands):
        found = _in_stretch(bands, stretch, best)
        if found is None:
            continue
        all_found.append(found)
        if best is None or _is_better(found, best):
            best = found
    if best is None:
        return None
    rivals = tuple(found.pitch_px for found in all_found if _is_rival(found, best))
    return dataclasses.replace(best, rivals_px=rivals)


def _is_rival(other: Found, best: Found) -> bool:
    ratio = max(other.pitch_px, best.pitch_px) / min(other.pitch_px, best.pitch_px)
    enough = len(other.numbers) >= _FEWEST_OF_A_RIVAL
    spans = np.ptp(other.positions_px) > _SAME_SPAN * np.ptp(best.positions_px)
    return bool(enough and spans and abs(ratio - round(ratio)) > _WHOLE * ratio)


def _is_better(new: Found, old: Found) -> bool:
    """Return whether a ruling is to be preferred: the finer one, if it spans the field as well."""
    ratio = new.pitch_px / old.pitch_px
    span = np.ptp(new.positions_px) / np.ptp(old.positions_px)
    if ratio < 0.8:
        return bool(span > _SAME_SPAN)
    if ratio > 1.25:
        return bool(span > 1.0 / _SAME_SPAN)
    return len(new.numbers) > len(old.numbers)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stretch:
    """The profile of some bands together: sums of pixels and their numbers."""

    sums: FloatArray
    counts: FloatArray
    first: int
    last: int


def _stretches(bands: Bands) -> Iterator[_Stretch]:
    """Yield the whole height, then its overlapping quarters, then its eighths."""
    n = len(bands.y_px)
    edges = np.unique(np.round(np.linspace(0, n, _PARTS + 1)).astype(np.intp))
    member = part_matrix(edges)
    sums, counts = member @ bands.sums, member @ bands.counts
    sums -= sums.sum() / counts.sum() * counts
    for length in sorted({len(edges) - 1, 2, 1}, reverse=True):
        for first in range(len(edges) - length):
            reach = slice(first, first + length)
            yield _Stretch(
                sums=sums[reach].sum(axis=0),
                counts=counts[reach].sum(axis=0),
                first=int(edges[first]),
                last=int(edges[first + length]),
            )


def part_matrix(edges: NDArray[np.intp]) -> FloatArray:
    """Return the matrix that adds up the bands between successive edges, shape (n_parts, n)."""
    band = np.arange(edges[-1])
    inside = (band >= edges[:-1, None]) & (band < edges[1:, None])
    return inside.astype(np.float64)


def _in_stretch(bands: Bands, stretch: _Stretch, best: Found | None) -> Found | None:
    """Return the ruling that a stretch shows, if it can be better than the best one so far."""
    for share in _GROUND_SHARES:
        rough = _rough_pitch(stretch, max(3.0, share * bands.width_px))
        if rough and best and _adds_nothing(rough, best, bands.width_px):
            return None
        found = rough and _lines_at(bands, stretch, rough)
        if found:
            return found
    return None


def _adds_nothing(rough: float, best: Found, width_px: int) -> bool:
    """Return whether the same ruling is known already with nearly all lines the image can hold."""
    same = 0.9 < rough / best.pitch_px < 1.1
    return same and len(best.numbers) > _NEARLY_ALL * width_px / best.pitch_px


def _rough_pitch(stretch: _Stretch, ground_px: float) -> float | None:
    """Return the pitch as the profile's likeness to itself shows it, to some per cent."""
    # This needs only whole pixels; fine ruling is looked at more closely afterwards.
    coarse = _merged(stretch.sums, FINE), _merged(stretch.counts, FINE)
    flat = np.where(coarse[1] > 0, _smooth(*coarse, 0.5) - _smooth(*coarse, ground_px), 0.0)
    for _ in range(2):
        # A speck or a missing line must not outweigh the ruling.
        limit = 2.5 * float(np.sqrt(np.mean(flat**2)))
        flat = np.clip(flat, -limit, limit)
    return _pitch_by_autocorrelation(flat)


def _lines_at(bands: Bands, stretch: _Stretch, rough: float) -> Found | None:
    """Return the lines of about a given pitch, px, if they make a ruling."""
    grain = FINE if rough > _COARSE_PITCH_PX else 1
    sums, counts = _merged(stretch.sums, grain), _merged(stretch.counts, grain)
    pitch = rough * FINE / grain
    profile = _smooth(sums, counts, max(0.4 * FINE / grain, pitch / 16))
    profile -= _smooth(sums, counts, 0.8 * pitch)
    profile[counts == 0.0] = 0.0
    dark = float((profile * profile * profile).mean()) < 0.0
    places = _peaks(-profile if dark else profile, pitch)
    numbering = number_lines(places, pitch)
    if numbering is None:
        return None
    places_px = places * grain / FINE + (grain - 1) / 2 / FINE
    return Found(
        positions_px=places_px[numbering.belongs] + bands.origin_px,
        numbers=numbering.numbers[numbering.belongs],
        pitch_px=numbering.pitch * grain / FINE,
        dark=dark,
        first_band=stretch.first,
        last_band=stretch.last,
    )


def _merged(values: FloatArray, grain: int) -> FloatArray:
    whole = len(values) // grain * grain
    return np.asarray(values[:whole].reshape(-1, grain).sum(axis=1))


def _smooth(sums: FloatArray, counts: FloatArray, sigma: float) -> FloatArray:
    """Return the mean brightness under a bell-shaped window, missing samples left out."""
    sums, counts = _bell(sums, sigma), _bell(counts, sigma)
    return np.asarray(sums / np.maximum(counts, 1e-9 * counts.max()))


def _bell(row: FloatArray, sigma: float) -> FloatArray:
    """Sum a row under a Gaussian, or under a triangle of equal variance where it is wide."""
    import cv2

    if sigma < _WIDE:
        size = (2 * round(3.5 * sigma) + 1, 1)
        border = cv2.BORDER_CONSTANT
        return np.asarray(cv2.GaussianBlur(row[None, :], size, sigmaX=sigma, borderType=border)[0])
    reach = round(sigma * math.sqrt(1.5))
    for _ in range(2):
        total = np.concatenate((np.zeros(reach + 1), np.cumsum(row)))
        total = np.concatenate((total, np.full(reach, total[-1])))
        row = total[2 * reach + 1 :] - total[: -2 * reach - 1]
    return row


def _pitch_by_autocorrelation(profile: FloatArray) -> float | None:
    """Return the shortest lag at which a profile clearly resembles itself."""
    n = len(profile)
    # Long enough that lags up to half the length do not wrap round; powers of two are quick.
    spectrum = np.fft.rfft(profile, 1 << math.ceil(math.log2(1.5 * n + 1)))
    product = np.fft.irfft(np.abs(spectrum) ** 2)[: n // 2]
    if product[0] <= 0.0:
        return None
    overlap = 1.0 - np.arange(len(product)) / n
    likeness = product / (product[0] * overlap)
    inner = likeness[1:-1]
    tops = np.flatnonzero((inner >= likeness[:-2]) & (inner > likeness[2:])) + 1
    below = np.flatnonzero(likeness < 0.0)
    if len(below) == 0:
        return None
    tops = tops[tops > max(below[0], _LEAST_PITCH_PX - 1)]
    if len(tops) == 0 or likeness[tops].max() < 0.1:
        return None
    at = int(tops[likeness[tops] >= 0.5 * likeness[tops].max()][0])
    return at + _vertex(likeness[at - 1 : at + 2])


def _vertex(three: FloatArray) -> float:
    """Return where the parabola through three equidistant values peaks, from the middle one."""
    curve = three[0] - 2 * three[1] + three[2]
    return 0.0 if curve >= 0.0 else float(0.5 * (three[0] - three[2]) / curve)


def _peaks(profile: FloatArray, pitch: float) -> FloatArray:
    """Return the places of maxima that are of usual height and no closer than 0.4 pitches."""
    import cv2

    profile = profile.astype(np.float32)
    inner = profile[1:-1]
    tops = np.flatnonzero((inner >= profile[:-2]) & (inner > profile[2:]) & (inner > 0)) + 1
    heights = profile[tops]
    if len(tops) == 0:
        return np.empty(0)
    usual = float(np.percentile(heights[heights > 0.25 * heights.max()], 75))
    around = np.ones((1, 2 * int(0.4 * pitch) + 1), dtype=np.uint8)
    highest = cv2.dilate(profile[None, :], around)[0]
    kept = tops[(heights > _LEAST_HEIGHT * usual) & (heights >= highest[tops])]
    left, middle, right = (profile[kept + i].astype(np.float64) for i in (-1, 0, 1))
    curve = left - 2 * middle + right
    return np.asarray(kept + 0.5 * (left - right) / np.where(curve < 0, curve, -np.inf))
