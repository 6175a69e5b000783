"""Centrelines read from their text, and how far two of them are the same line."""

import re
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# A crack is drawn by hand, or found again by other settings, to within a few pixels.
NEAR_PX = 4.0
# Half of the joint length is common: then no two separate lines can both match a third.
ENOUGH = 0.5

_WKT = re.compile(r"\s*LINESTRING\s*\((?P<points>[^()]*)\)\s*", re.IGNORECASE)


@lru_cache(maxsize=20_000)
def from_wkt(text: str) -> FloatArray:
    """Read a WKT LINESTRING.

    Returns
    -------
    ndarray of float, shape (n, 2)
        Points ``x y``.

    Raises
    ------
    ValueError
        If the text is no LINESTRING of at least two points.
    """
    match = _WKT.fullmatch(text)
    try:
        pairs = match["points"].split(",") if match else []
        points = np.array([[float(number) for number in pair.split()] for pair in pairs])
    except ValueError:
        points = np.empty(0)
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < 2 or not np.isfinite(points).all():
        message = f"found {text[:60]!r}; must be a WKT LINESTRING of two or more x y points"
        raise ValueError(message)
    points.flags.writeable = False  # shared by all who ask for the same text
    return points


def overlap(first_px: FloatArray, second_px: FloatArray, near_px: float = NEAR_PX) -> float:
    """Return the common share of two lines, from 0 (apart) to 1 (the same).

    The common length is that part of each line which lies within `near_px` of the other, averaged
    over the two; it is divided by the length of both together, counted once.

    Parameters
    ----------
    first_px, second_px : ndarray of float, shape (n, 2)
        Points ``x y``.
    near_px : float
        Distance up to which two lines count as the same, pixels.
    """
    low = np.maximum(first_px.min(axis=0), second_px.min(axis=0))
    high = np.minimum(first_px.max(axis=0), second_px.max(axis=0))
    if (low - high > near_px).any():
        return 0.0
    first, second = _even(first_px), _even(second_px)
    length_a, length_b = _length(first_px), _length(second_px)
    if length_a == 0 or length_b == 0:
        return 0.0
    common_a = length_a * float(np.mean(_distance(first, second_px) <= near_px))
    common_b = length_b * float(np.mean(_distance(second, first_px) <= near_px))
    common = (common_a + common_b) / 2
    return float(common / (length_a + length_b - common))


def thinned(points_px: FloatArray, within_px: float = 0.7) -> FloatArray:
    """Return the fewest of the points whose line stays within a distance of the whole line.

    A centreline found by the program has a point every pixel; a person drags a few. The method is
    Ramer's: the farthest point from the chord is kept, and both sides are treated alike.
    """
    points = np.asarray(points_px, float)
    keep = np.zeros(len(points), dtype=bool)
    keep[[0, -1]] = True
    spans = [(0, len(points) - 1)]
    while spans:
        start, end = spans.pop()
        if end - start < 2:
            continue
        inner = points[start + 1 : end]
        distances = _distance(inner, points[[start, end]])
        farthest = int(np.argmax(distances))
        if distances[farthest] > within_px:
            middle = start + 1 + farthest
            keep[middle] = True
            spans += [(start, middle), (middle, end)]
    return points[keep]


def _length(points: FloatArray) -> float:
    return float(np.hypot(*np.diff(points, axis=0).T).sum())


def _even(points: FloatArray, step_px: float = 1.0) -> FloatArray:
    """Return points at even steps along a line."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    at = np.linspace(0.0, along[-1], max(2, round(along[-1] / step_px) + 1))
    return np.column_stack([np.interp(at, along, points[:, 0]), np.interp(at, along, points[:, 1])])


def _distance(points: FloatArray, line: FloatArray) -> FloatArray:
    """Return the distance of each point from a line through points, shape (n_points,)."""
    start, step = line[:-1], np.diff(line, axis=0)
    squared = np.maximum((step**2).sum(axis=1), 1e-12)
    away = points[:, None, :] - start[None, :, :]
    share = np.clip((away * step).sum(axis=2) / squared, 0.0, 1.0)
    gap = away - share[..., None] * step
    nearest: FloatArray = np.sqrt((gap**2).sum(axis=2).min(axis=1))
    return nearest
