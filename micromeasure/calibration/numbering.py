"""Giving each line of a ruling its number, gaps counted, or saying that it cannot be done."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

_TOLERANCE = 0.2  # of a pitch: a line further than this from its place is not of the ruling
_SCATTER = 0.06  # of a pitch: greatest rms deviation of a ruling from a smooth course
_FILLED = 0.6  # least share of places that must hold a line
_STRAY = 0.1  # greatest share of lines without a place
_FEWEST = 6
_SEEDS = 5
_NEARLY_ALL = 0.95
_HARDLY_ANY = 0.3  # of positions reached at the first try: noise, not worth another


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbering:
    """Lines with their numbers.

    Attributes
    ----------
    numbers : ndarray of int, shape (n,)
        Number of each position given; meaningless where `belongs` is False.
    belongs : ndarray of bool, shape (n,)
        Whether the position is a line of the ruling.
    pitch : float
        Mean distance between neighbouring numbers.
    """

    numbers: IntArray
    belongs: NDArray[np.bool_]
    pitch: float

    @property
    def count(self) -> int:
        """Number of lines of the ruling."""
        return int(self.belongs.sum())


def number_lines(positions: FloatArray, rough_pitch: float) -> Numbering | None:
    """Give lines their numbers by walking from line to line in steps of the local pitch.

    Parameters
    ----------
    positions : ndarray, shape (n,)
        Ascending positions across the lines, any unit.
    rough_pitch : float
        Pitch to within 20 %.

    Returns
    -------
    Numbering or None
        None if the positions are not those of a ruling: too few, too irregular, too many
        places empty, or too many lines without a place.

    Notes
    -----
    Walking, rather than dividing by one pitch, keeps its step in a field that is distorted.
    """
    gaps = np.diff(positions)
    starts = np.flatnonzero(np.abs(gaps - rough_pitch) < _TOLERANCE * rough_pitch)
    if len(starts) == 0:
        return None
    best: Numbering | None = None
    # From the middle outwards: there a field is least distorted.
    chosen = np.unique(np.linspace(0, len(starts) - 1, _SEEDS).astype(int))
    for start in sorted(starts[chosen].tolist(), key=lambda at: abs(at - len(positions) / 2)):
        walked = _walk(positions, start)
        if best is None or walked.count > best.count:
            best = walked
        if not _HARDLY_ANY < best.count / len(positions) < _NEARLY_ALL:
            break
    return best if best is not None and _is_ruling(positions, best) else None


def _walk(positions: FloatArray, start: int) -> Numbering:
    numbers = np.zeros(len(positions), dtype=np.intp)
    belongs = np.zeros(len(positions), dtype=np.bool_)
    belongs[start : start + 2] = True
    numbers[start + 1] = 1
    step = float(positions[start + 1] - positions[start])
    places: list[float] = positions.tolist()
    for direction, at in ((1, start + 1), (-1, start)):
        here, number, pitch = places[at], int(numbers[at]), step
        index = at + direction
        while 0 <= index < len(places):
            ratio = direction * (places[index] - here) / pitch
            steps = round(ratio)
            if steps >= 1 and abs(ratio - steps) < _TOLERANCE:
                number += direction * steps
                numbers[index], belongs[index] = number, True
                # A third of each new step: follows distortion, forgets noise.
                pitch += (abs(places[index] - here) / steps - pitch) * min(1.0, steps / 3)
                here = places[index]
            index += direction
    inside = np.flatnonzero(belongs)
    span = numbers[inside[-1]] - numbers[inside[0]]
    pitch = float((positions[inside[-1]] - positions[inside[0]]) / span)
    return Numbering(numbers=numbers, belongs=belongs, pitch=pitch)


def _is_ruling(positions: FloatArray, walked: Numbering) -> bool:
    count = walked.count
    if count < _FEWEST:
        return False
    numbers = walked.numbers[walked.belongs].astype(np.float64)
    if count < _FILLED * (numbers[-1] - numbers[0] + 1):
        return False
    stray = len(positions) - count
    if stray > max(1, _STRAY * len(positions)):
        return False
    degree = 3 if count > 12 else 1
    scaled = 2.0 * (numbers - numbers[0]) / (numbers[-1] - numbers[0]) - 1.0
    places = positions[walked.belongs]
    residual = places - np.polyval(np.polyfit(scaled, places, degree), scaled)
    return float(np.sqrt(np.mean(residual**2))) < _SCATTER * walked.pitch
