"""Giving the elements of a square grid their column and row numbers."""

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

_TOLERANCE = 0.25  # of a pitch: how far a neighbour may lie from where it is expected
_SAMPLE = 400
_AXES, _SIGNS = np.array([0, 0, 1, 1]), np.array([1, -1, 1, -1])
_WAYS = np.array([[1, 0], [-1, 0], [0, 1], [0, -1]])
_UNNUMBERED = np.iinfo(np.intp).min


def number_elements(centre_px: FloatArray) -> tuple[IntArray, NDArray[np.bool_]] | None:
    """Give the elements of a square grid numbers by walking from neighbour to neighbour.

    Parameters
    ----------
    centre_px : ndarray, shape (n, 2)

    Returns
    -------
    numbers : ndarray of int, shape (n, 2)
        Column and row along the grid's two axes.
    belongs : ndarray of bool, shape (n,)
        Elements reached; the numbers of others are meaningless.
    None if no regular square grid is seen, or two ways lead to different numbers.

    Notes
    -----
    Each step is expected where the step before led, so that the walk follows distortion.
    """
    from scipy.spatial import cKDTree

    tree = cKDTree(centre_px)
    basis = _basis(centre_px, tree)
    if basis is None:
        return None
    n = len(centre_px)
    numbers = np.full((n, 2), _UNNUMBERED, dtype=np.intp)
    step = np.broadcast_to(basis, (n, 2, 2)).copy()
    start = int(tree.query(np.median(centre_px, axis=0))[1])
    numbers[start] = 0
    frontier = np.array([start], dtype=np.intp)
    pitch = float(np.hypot(*basis[0]))
    while len(frontier):
        # All four ways at once: forward and back along either axis.
        expected = centre_px[frontier][:, None] + _SIGNS[:, None] * step[frontier][:, _AXES]
        found = tree.query(expected, distance_upper_bound=_TOLERANCE * pitch)
        distance, other = (np.asarray(part) for part in found)
        source, way = np.nonzero(np.isfinite(distance))
        target = other[source, way]
        source = frontier[source]
        number = numbers[source] + _WAYS[way]
        fresh = numbers[target, 0] == _UNNUMBERED
        reached, first = np.unique(target[fresh], return_index=True)
        chosen, way = source[fresh][first], way[fresh][first]
        numbers[reached] = number[fresh][first]
        if (numbers[target] != number).any():
            return None
        step[reached] = step[chosen]
        taken = _SIGNS[way][:, None] * (centre_px[reached] - centre_px[chosen])
        axis = _AXES[way]
        step[reached, axis] += (taken - step[chosen, axis]) / 2
        frontier = reached
    belongs = numbers[:, 0] != _UNNUMBERED
    if len(np.unique(numbers[belongs], axis=0)) < belongs.sum():
        return None
    return numbers, belongs


def _basis(centre_px: FloatArray, tree: "object") -> FloatArray | None:
    """Return two perpendicular steps of the grid, near x and near y, shape (2, 2)."""
    sample = centre_px[:: max(1, len(centre_px) // _SAMPLE)]
    distance, other = tree.query(sample, k=2)  # type: ignore[attr-defined]  # a cKDTree
    pitch = float(np.median(distance[:, 1]))
    near = np.abs(distance[:, 1] - pitch) < _TOLERANCE * pitch
    if near.sum() < 0.5 * len(sample):
        return None
    way = centre_px[other[near, 1]] - sample[near]
    # Steps in any of the four directions agree in the fourth power.
    angle = np.angle(np.mean(((way[:, 0] + 1j * way[:, 1]) / pitch) ** 4)) / 4
    along = np.array([np.cos(angle), np.sin(angle)])
    across = np.array([-along[1], along[0]])
    basis = []
    for axis in (along, across):
        forward = way @ axis
        steps = (
            way[np.abs(forward) > 0.8 * pitch]
            * np.sign(forward)[np.abs(forward) > 0.8 * pitch, None]
        )
        basis.append(np.median(steps, axis=0) if len(steps) >= 3 else axis * pitch)
    return np.array(basis)
