"""Telling spoilt pixels and profiles of a film from sound ones by what the model leaves."""

import math

import numpy as np
from numpy.typing import NDArray

from micromeasure.film.fit import PIXEL_LIMIT, Group, Step, Window, bend

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
BoolArray = NDArray[np.bool_]

NEAR_SIGMAS = 3.5  # an edge's own zone: what lies here decides whether its row is used
FOLLOW_SIGMAS = 5.0  # offsets beyond this are no small departures from the model's course
PLACE_LIMIT = 6.0  # standard deviations of the edge about its bend
LEAST_ODD = 0.012  # of the contrast: a quieter image shows the film's own roughness as odd
MEDIAN_ROWS = 400  # rows that suffice for a median


def _normalised(window: Window, step: Step) -> FloatArray:
    """Return residuals over their usual size at the same distance from the edges.

    Columns of a window keep their distance from the edges to half a pixel, so what a real blur
    leaves against the model is usual there and not taken for dust.
    """
    thin = slice(None, None, max(1, len(window.weights) // MEDIAN_ROWS))
    size = np.sort(np.abs(step.residual[thin]) * (window.weights[thin] > 0), axis=0)
    # Pixels without weight sort to the front; the median is that of the rest.
    rest = np.count_nonzero(window.weights[thin], axis=0)
    at = np.minimum(len(size) - rest + rest // 2, len(size) - 1)
    usual = 1.4826 * size[at, np.arange(size.shape[1])]
    contrast = float(np.min(np.abs(np.median(step.common.steps, axis=1))))
    floor = max(0.3 * float(np.median(usual)), LEAST_ODD * contrast, 1e-9)
    return np.asarray(step.residual / np.maximum(usual, floor))


def _near(group: Group, window: Window) -> BoolArray:
    limit = NEAR_SIGMAS * float(np.median(group.common.sigma_px)) + 0.5
    return np.asarray((np.abs(window.distance_px) < limit).any(axis=0))


def pixel_weights(group: Group, window: Window, step: Step) -> Float32Array:
    """Return 0 for pixels far off the model outside the edges' own zones, else 1."""
    import cv2

    odd = (np.abs(_normalised(window, step)) > PIXEL_LIMIT) & (window.weights > 0)
    grown = cv2.dilate(odd.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    return (~grown | _near(group, window)).astype(np.float32)


def usable_rows(group: Group, window: Window, step: Step) -> BoolArray:
    """Return the rows whose edges look like the others'."""
    import cv2

    sigma = float(np.median(group.common.sigma_px))
    near = _near(group, window) & (window.weights > 0)
    score = np.minimum(_normalised(window, step) ** 2, 36.0) * near
    mean = score.sum(axis=1) / np.maximum(near.sum(axis=1), 1)
    smooth = np.convolve(mean, np.ones(3) / 3.0, mode="same")
    bad = _outlying(smooth, 7.0) | (near.sum(axis=1) < 3)
    bad |= ~rows_in_place(group, step)
    size = 2 * math.ceil(1.5 * sigma) + 1
    grown = cv2.dilate(bad.astype(np.uint8)[:, None], np.ones((size, 1), np.uint8))
    return np.asarray(grown[:, 0] == 0)


def rows_in_place(group: Group, step: Step) -> BoolArray:
    """Return the rows whose edges lie within the roughness of the film.

    Position is judged against the film's bend, not against the course: the course follows the
    film's roughness, and against it a rough stretch would look spoilt until it is followed.
    """
    sigma = float(np.median(group.common.sigma_px))
    inside = np.ones(group.rows.size, dtype=bool)
    for course, offset in zip(group.course_px, step.offset_px, strict=True):
        near = np.abs(offset) < FOLLOW_SIGMAS * sigma
        found = course + np.where(near, offset, 0.0) / group.cosine
        gap = np.abs(found - bend(group.rows, found, near.astype(np.float64))) * group.cosine
        usual = 1.4826 * float(np.median(gap))
        inside &= near & (gap < max(PLACE_LIMIT * usual, 0.75 * sigma))
    return inside


def _outlying(values: FloatArray, limit: float) -> BoolArray:
    centre = float(np.median(values))
    scale = 1.4826 * float(np.median(np.abs(values - centre)))
    return np.asarray(values > centre + limit * max(scale, 0.07 * centre, 1e-12))
