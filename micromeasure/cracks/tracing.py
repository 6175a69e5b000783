"""From a line map to chains of pixels: hysteresis, thinning, bridged gaps, chains."""

import math

import numpy as np
from numpy.typing import NDArray

from micromeasure.cracks.chains import linked_chains
from micromeasure.cracks.patch import Image
from micromeasure.outcome import FloatArray

Pixels = NDArray[np.intp]

# In spreads of the line response: a line starts above the first and is followed down to the
# second. White noise alone passes the first about once in ten megapixels. A line that starts
# above the weak level is kept where its mean response times the root of its length, in units of
# the length over which noise is alike, is large enough.
SEED_Z = 5.0
WEAK_SEED_Z = 4.0
FOLLOW_Z = 3.0
_WEAK_STRENGTH = 4.8
_ALIKE_PX = 15.0
# Ends of lines this near are bridged where a path between them shows at least this response.
BRIDGE_PX = 22.0
BRIDGE_Z = 1.0
# Around a strong line its own flanks and star-like ends respond too: they stay below this share
# of the strongest response this near.
_HALO_PX = 15
_HALO_SHARE = 0.4
# A change of the response by this factor (natural logarithm) splits a line.
_STEP = 0.6
_HEADING_PX = 9
_FEWEST = 6
# No more lines than this are followed in a megapixel; the strongest come first.
_LINES_PER_MEGAPIXEL = 120


def trace_lines(z: Image, *, min_length_px: float) -> list[FloatArray]:
    """Return the lines of a map as chains of pixels.

    Parameters
    ----------
    z : ndarray of float32, shape (rows, cols)
        One octave of a line map.
    min_length_px : float
        Lines well below this are dropped.

    Returns
    -------
    list of ndarray, shape (n, 2)
        Whole pixels ``u v`` from end to end. Where lines meet, each runs on into the one that
        continues it best. A line whose response changes sharply on the way is also given in
        parts: a crack may run on into something else.
    """
    points = _skeleton(z, 0.4 * min_length_px)
    if len(points) < _FEWEST:
        return []
    points = _bridged(points, z)
    shortest = 0.6 * min_length_px
    return [
        part for chain in _paths(points, z, shortest) for part in _with_parts(chain, z, shortest)
    ]


def _skeleton(z: Image, min_extent_px: float) -> Pixels:
    """Return the middle lines of what exceeds the lower level and somewhere the upper one."""
    import cv2
    from skimage.morphology import skeletonize

    nearby = cv2.dilate(z, np.ones((_HALO_PX, _HALO_PX), np.uint8))
    above = (z > FOLLOW_Z) & (z > _HALO_SHARE * nearby)
    # Labels at half size: a quarter of the work, and pixels that touch still do.
    half = cv2.dilate(above.astype(np.uint8), np.ones((2, 2), np.uint8), anchor=(0, 0))[::2, ::2]
    _, labels, stats, _ = cv2.connectedComponentsWithStats(half, connectivity=8)
    row, col = np.nonzero(z > WEAK_SEED_Z)
    height = z[row, col]
    peak: FloatArray = np.zeros(len(stats))
    # Of values given to one place the last one stays: here the greatest.
    rising = np.argsort(height, kind="stable")
    peak[labels[row // 2, col // 2][rising]] = height[rising]
    extent = 2 * np.hypot(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    wanted = np.flatnonzero((peak > WEAK_SEED_Z) & (extent >= min_extent_px))
    wanted = wanted[wanted > 0]
    limit = max(40, int(_LINES_PER_MEGAPIXEL * z.size / 1e6))
    strength = peak[wanted] * np.sqrt(extent[wanted])
    wanted = wanted[np.argsort(-strength, kind="stable")[:limit]]
    found = [np.zeros((0, 2), dtype=np.intp)]
    for label in wanted:
        x, y, w, h = stats[label, :4]
        own = np.repeat(np.repeat(labels[y : y + h, x : x + w] == label, 2, axis=0), 2, axis=1)
        part = above[2 * y : 2 * (y + h), 2 * x : 2 * (x + w)]
        thin = skeletonize(np.pad(part & own[: part.shape[0], : part.shape[1]], 1))
        rows, cols = np.nonzero(thin[1:-1, 1:-1])
        found.append(np.column_stack((cols + 2 * x, rows + 2 * y)))
    return np.vstack(found)


def _bridged(points: Pixels, z: Image) -> Pixels:
    """Return the pixels with those of the best paths between ends of lines that face each other.

    A gap is bridged where the path over it shows at all.
    """
    from scipy.spatial import cKDTree
    from skimage.graph import route_through_array

    ends, headings, labels = _line_ends(points)
    if len(ends) < 2:
        return points
    pairs: list[tuple[int, int]] = sorted(
        cKDTree(ends).query_pairs(BRIDGE_PX), key=lambda p: math.dist(ends[p[0]], ends[p[1]])
    )
    joined: dict[int, int] = {}
    added = [points]
    for i, j in pairs:
        a, b = _root(joined, int(labels[i])), _root(joined, int(labels[j]))
        if a == b or not _facing((ends[j] - ends[i]).astype(float), headings[i], headings[j]):
            continue
        low = np.maximum(np.minimum(ends[i], ends[j]) - 4, 0)
        high = np.maximum(ends[i], ends[j]) + 5
        part = z[low[1] : high[1], low[0] : high[0]]
        cost = 1.0 / (0.3 + np.clip(part, 0.0, 2 * FOLLOW_Z))
        route, _ = route_through_array(
            cost, (ends[i] - low)[::-1], (ends[j] - low)[::-1], fully_connected=True, geometric=True
        )
        rows, cols = np.array(route).T
        # The ends themselves lie on the lines and say nothing about the gap.
        gap = part[rows, cols][2:-2]
        if gap.size and float(np.median(gap)) < BRIDGE_Z:
            continue
        added.append(np.column_stack((cols, rows)) + low)
        joined[a] = b
    return np.unique(np.vstack(added), axis=0)


def _line_ends(points: Pixels) -> tuple[Pixels, FloatArray, NDArray[np.int32]]:
    """Return end points, the outward headings there and the labels of their lines."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    n = len(points)
    first, second, _ = _edges(points)
    degree = np.bincount(first, minlength=n) + np.bincount(second, minlength=n)
    graph = coo_array((np.ones(len(first)), (first, second)), shape=(n, n))
    _, labels = connected_components(graph, directed=False)
    ends = np.flatnonzero(degree == 1)
    headings = np.zeros((len(ends), 2))
    tree = cKDTree(points)
    for k, end in enumerate(ends):
        near = tree.query_ball_point(points[end], _HEADING_PX)
        own = points[[other for other in near if labels[other] == labels[end]]]
        away = points[end] - own.mean(axis=0)
        headings[k] = away / max(float(np.hypot(*away)), 1e-9)
    return points[ends], headings, np.asarray(labels[ends], dtype=np.int32)


def _facing(gap: FloatArray, heading_a: FloatArray, heading_b: FloatArray) -> bool:
    """Return whether the gap continues both lines; very short gaps may bend."""
    distance = float(np.hypot(*gap))
    if distance < 4:
        return True
    gap = gap / distance
    return bool(gap @ heading_a > 0.5 and -gap @ heading_b > 0.5)


def _root(parents: dict[int, int], item: int) -> int:
    while item in parents:
        item = parents[item]
    return item


def _paths(points: Pixels, z: Image, min_length_px: float) -> list[FloatArray]:
    """Return the lines that pixels make up, each a chain from end to end."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import minimum_spanning_tree

    first, second, step = _edges(points)
    strength = np.clip(z[points[:, 1], points[:, 0]], 0.5, 2 * SEED_Z).astype(float)
    # Loops are opened at their weakest place.
    weight = 2.0 * step / (strength[first] + strength[second])
    n = len(points)
    tree = minimum_spanning_tree(coo_array((weight, (first, second)), shape=(n, n)).tocsr()).tocoo()
    chains = linked_chains(points.astype(float), tree.row.tolist(), tree.col.tolist())
    return [
        chain for chain in chains if _chain_length(chain) >= min_length_px and _stands_out(chain, z)
    ]


def _stands_out(chain: FloatArray, z: Image) -> bool:
    """Return whether a chain has a strong seed, or is strong as a whole."""
    height = z[chain[:, 1].astype(int), chain[:, 0].astype(int)]
    if float(height.max()) > SEED_Z:
        return True
    return float(height.mean()) * math.sqrt(len(chain) / _ALIKE_PX) > _WEAK_STRENGTH


def _with_parts(chain: FloatArray, z: Image, shortest: float) -> list[FloatArray]:
    """Return a chain and, where its response changes sharply, its parts."""
    chains = [chain]
    least = max(10, round(shortest))
    if len(chain) < 2 * least:
        return chains
    cut = _step_at(chain, z, least)
    if cut is not None:
        for part in (chain[:cut], chain[cut:]):
            chains += _with_parts(part, z, shortest)
    return chains


def _step_at(chain: FloatArray, z: Image, least: int) -> int | None:
    """Return where the response of a chain changes most, if it does so sharply."""
    n = len(chain)
    height = np.log(np.maximum(z[chain[:, 1].astype(int), chain[:, 0].astype(int)], 0.5))
    total = np.cumsum(height)
    at = np.arange(least, n - least + 1)
    before, after = total[at - 1] / at, (total[-1] - total[at - 1]) / (n - at)
    # Gain of the sum of squares by two levels instead of one.
    gain = at * (n - at) / n * (before - after) ** 2
    best = int(gain.argmax())
    return int(at[best]) if abs(before[best] - after[best]) >= _STEP else None


def _edges(points: Pixels) -> tuple[NDArray[np.intp], NDArray[np.intp], FloatArray]:
    """Return the pairs of neighbouring pixels and their distances."""
    stride = int(points[:, 0].max()) + 3
    place = points[:, 1] * stride + points[:, 0]
    order = np.argsort(place, kind="stable")
    ordered = place[order]
    firsts, seconds, steps = [], [], []
    shifts = ((1, 1.0), (stride, 1.0), (stride + 1, math.sqrt(2)), (stride - 1, math.sqrt(2)))
    for shift, distance in shifts:
        at = np.minimum(np.searchsorted(ordered, ordered + shift), len(ordered) - 1)
        both = ordered[at] == ordered + shift
        firsts.append(order[both])
        seconds.append(order[at[both]])
        steps.append(np.full(int(both.sum()), distance))
    return np.concatenate(firsts), np.concatenate(seconds), np.concatenate(steps)


def _chain_length(points: FloatArray) -> float:
    steps = np.diff(points, axis=0)
    return float(np.hypot(steps[:, 0], steps[:, 1]).sum())
