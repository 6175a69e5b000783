"""What a second look at a line adds to its features.

Few lines get one, so that it may be careful: the line is straightened, and its surface seen beside
it on both sides.
"""

import math

import numpy as np
from numpy.typing import NDArray

from micromeasure.cracks.centreline import Centreline
from micromeasure.cracks.cross_profiles import normals, sample, smoothed
from micromeasure.cracks.patch import Image
from micromeasure.cracks.scoring import FEATURES
from micromeasure.outcome import FloatArray

# Distances across the straightened line, px.
_ACROSS = np.arange(-20.0, 20.5, 1.0)
_COURSE_SIGMA_PX = 8.0
_CARRIED_OVER = tuple(
    FEATURES.index(name) for name in ("evidence", "fineness", "depth_variation", "aspect")
)
_MOST_ODDS = 9.0


def second_features(
    line: Centreline,
    features: FloatArray,
    scores: tuple[float, float],
    images: tuple[Image, Image],
) -> FloatArray:
    """Return the features of a line's second look, in the order of `scoring.SECOND_FEATURES`.

    Parameters
    ----------
    line : Centreline
        As the second look measured it.
    features : ndarray
        Its `scoring.FEATURES`.
    scores : tuple of two floats
        What the first card gives the line as first and as now measured.
    images : tuple of two ndarrays of float32, shape (rows, cols)
        Grey values of the patch without and with its background.

    Returns
    -------
    ndarray, shape (10,)
    """
    flat, values = images
    course = smoothed(line.points, _COURSE_SIGMA_PX)
    places = course[:, None, :] + _ACROSS[None, :, None] * normals(course)[:, None, :]
    depth = max(line.depth, 1e-6)
    strip = sample(flat, places) / depth
    background = sample(values, course) / depth - sample(flat, course) / depth
    return np.array(
        (
            *(_odds(score) for score in scores),
            *features[list(_CARRIED_OVER)],
            _jitter(strip),
            _peak(strip),
            _lips(strip),
            float(np.abs(np.diff(background)).mean()),
        )
    )


def _odds(score: float) -> float:
    score = min(max(score, 1e-9), 1 - 1e-9)
    return float(np.clip(math.log(score / (1 - score)), -_MOST_ODDS, _MOST_ODDS))


def _across(low: float, high: float) -> NDArray[np.bool_]:
    """Return which columns of a strip lie between two distances from its middle."""
    return np.asarray((low <= _ACROSS) & (high >= _ACROSS))


def _jitter(strip: FloatArray) -> float:
    """Return how far the darkest place jumps from profile to profile, as a logarithm.

    A line stays where it is; what only looks like one from afar, a row of blots or noise, does not.
    """
    place = strip[:, _across(-8.0, 8.0)].argmin(axis=1)
    jumps = np.abs(np.diff(place))
    return math.log(float(np.median(jumps)) + 0.3 * float(jumps.mean()) + 0.1)


def _peak(strip: FloatArray) -> float:
    """Return how much darker the darkest part is than the line: a pit's, with a tail."""
    sides = 0.5 * (
        strip[:, _across(-12.0, -6.0)].mean(axis=1) + strip[:, _across(6.0, 12.0)].mean(axis=1)
    )
    dark = sides - strip[:, _across(-6.0, 6.0)].min(axis=1)
    typical = max(float(np.median(dark)), 1e-3)
    return math.log(max(float(np.quantile(dark, 0.97)), 1e-3) / typical)


def _lips(strip: FloatArray) -> float:
    """Return the brightness just beside the line over that farther off: a scratch's ridges."""
    profile = np.median(strip, axis=0)
    near, far = _across(-8.0, -3.0) | _across(3.0, 8.0), np.abs(_ACROSS) >= 13.0
    return float(profile[near].max() - profile[far].mean())
