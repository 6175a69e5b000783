"""From a line map to chains of pixels: hysteresis, thinning, bridged gaps, chains."""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.cracks.chains import linked_chains
from micromeasure.cracks.cross_profiles import median
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
# Components are thinned side by side in strips about this wide, at half size.
_STRIP_PX = 1024


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

    # Above the lower level, and above a share of the strongest response nearby.
    level = np.asarray(cv2.dilate(z, np.ones((_HALO_PX, _HALO_PX), np.uint8)), dtype=np.float32)
    level *= np.float32(_HALO_SHARE)
    np.maximum(level, np.float32(FOLLOW_Z), out=level)
    above = np.asarray(cv2.compare(z, level, cv2.CMP_GT), dtype=np.uint8)
    # Labels at half size: a quarter of the work, and pixels that touch still do.
    half = cv2.dilate(above, np.ones((2, 2), np.uint8), anchor=(0, 0))[::2, ::2]
    _, labels, stats, _ = cv2.connectedComponentsWithStats(half, connectivity=8)
    row, col = np.divmod(np.flatnonzero(z > WEAK_SEED_Z), z.shape[1])
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
    # By height: what lies side by side in one strip is about as high.
    wanted = wanted[np.argsort(stats[wanted, cv2.CC_STAT_HEIGHT], kind="stable")]
    strip = np.cumsum(stats[wanted, cv2.CC_STAT_WIDTH] + 1) // _STRIP_PX
    found = [np.zeros((0, 2), dtype=np.intp)]
    for number in np.unique(strip):
        own = wanted[strip == number]
        found.append(_thinned(above, labels, own, stats[own, :4]))
    points = np.vstack(found)
    return points[np.lexsort((points[:, 1], points[:, 0]))]


def _thinned(
    above: NDArray[np.uint8],
    labels: NDArray[Any],
    wanted: Pixels,
    boxes: NDArray[Any],
) -> Pixels:
    """Return the middle lines of some components, laid side by side: one call thins them all.

    Labels and boxes (``x y w h``) are at half size.
    """
    from skimage.morphology import skeletonize

    # One free column at half size keeps neighbours apart.
    starts = np.cumsum(boxes[:, 2] + 1) - boxes[:, 2]
    shape = (int(boxes[:, 3].max()), int(starts[-1] + boxes[-1, 2]))
    mask = np.zeros(shape, dtype=np.bool_)
    packed = np.zeros((2 * shape[0], 2 * shape[1]), dtype=np.bool_)
    for label, (x, y, w, h), start in zip(wanted, boxes, starts, strict=True):
        mask[:h, start : start + w] = labels[y : y + h, x : x + w] == label
        part = above[2 * y : 2 * (y + h), 2 * x : 2 * (x + w)]
        packed[: part.shape[0], 2 * start : 2 * start + part.shape[1]] = part
    packed &= np.repeat(np.repeat(mask, 2, axis=0), 2, axis=1)
    rows, cols = np.nonzero(skeletonize(packed))
    owner = np.searchsorted(2 * starts, cols, side="right") - 1
    return np.column_stack(
        (cols + 2 * (boxes[owner, 0] - starts[owner]), rows + 2 * boxes[owner, 1])
    ).astype(np.intp)


def _bridged(points: Pixels, z: Image) -> Pixels:
    """Return the pixels with those of the best paths between ends of lines that face each other.

    A gap is bridged where the path over it shows at all.
    """
    from scipy.spatial import cKDTree

    ends, headings, labels = _line_ends(points)
    if len(ends) < 2:
        return points
    pairs = cKDTree(ends).query_pairs(BRIDGE_PX, output_type="ndarray")
    first, second = pairs.T
    pairs = pairs[
        (labels[first] != labels[second])
        & _facing(ends[second] - ends[first], headings[first], headings[second])
    ]
    if len(pairs) == 0:
        return points
    gaps = ends[pairs[:, 1]] - ends[pairs[:, 0]]
    pairs = pairs[np.lexsort((pairs[:, 1], pairs[:, 0], (gaps**2).sum(axis=1)))]
    joined: dict[int, int] = {}
    added = [points]
    for pair, route in zip(pairs, _routes(z, ends[pairs]), strict=True):
        a, b = (_root(joined, int(label)) for label in labels[pair])
        # The ends themselves lie on the lines and say nothing about the gap.
        gap = z[route[:, 1], route[:, 0]][2:-2]
        if a == b or (gap.size and median(gap) < BRIDGE_Z):
            continue
        added.append(route)
        joined[a] = b
    return np.unique(np.vstack(added), axis=0)


def _routes(z: Image, ends: NDArray[np.intp]) -> list[Pixels]:
    """Return the way of strongest response between the ends of each pair, shape (n, 2, 2)."""
    from skimage.graph import MCP_Geometric

    low = np.maximum(ends.min(axis=1) - 4, 0)
    size = np.minimum(ends.max(axis=1) + 5, z.shape[::-1]) - low
    # The surroundings of all pairs side by side, walls between them: one call finds all ways.
    starts = np.cumsum(size[:, 0] + 1) - size[:, 0]
    cost = np.full((int(size[:, 1].max()), int(starts[-1] + size[-1, 0])), -1.0)
    for (x, y), (w, h), start in zip(low, size, starts, strict=True):
        part = z[y : y + h, x : x + w]
        cost[:h, start : start + w] = 1.0 / (0.3 + np.clip(part, 0.0, 2 * FOLLOW_Z))
    shift = np.column_stack((starts, np.zeros_like(starts))) - low
    # From places `x y` to indices.
    places = (ends + shift[:, None, :])[..., ::-1]
    ways = MCP_Geometric(cost, fully_connected=True)
    ways.find_costs(places[:, 0], places[:, 1])
    return [
        np.array(ways.traceback(place))[:, ::-1] - by
        for place, by in zip(places[:, 1], shift, strict=True)
    ]


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
    if len(ends) == 0:
        return points[ends], headings, np.asarray(labels[ends], dtype=np.int32)
    near = cKDTree(points[ends]).query_ball_tree(cKDTree(points), _HEADING_PX)
    owner = np.repeat(np.arange(len(ends)), [len(around) for around in near])
    other = np.concatenate([np.array(around, dtype=np.intp) for around in near])
    own = labels[other] == labels[ends[owner]]
    owner, other = owner[own], other[own]
    for axis in (0, 1):
        total = np.bincount(owner, weights=points[other, axis], minlength=len(ends))
        headings[:, axis] = points[ends, axis] - total / np.bincount(owner, minlength=len(ends))
    headings /= np.maximum(np.hypot(headings[:, 0], headings[:, 1]), 1e-9)[:, None]
    return points[ends], headings, np.asarray(labels[ends], dtype=np.int32)


def _facing(gap: Pixels, heading_a: FloatArray, heading_b: FloatArray) -> NDArray[np.bool_]:
    """Return where the gap, shape (n, 2), continues both lines; very short gaps may bend."""
    distance = np.hypot(gap[:, 0], gap[:, 1])
    cosine_a = (gap * heading_a).sum(axis=1) / np.maximum(distance, 1.0)
    cosine_b = (gap * heading_b).sum(axis=1) / np.maximum(distance, 1.0)
    return np.asarray((distance < 4) | ((cosine_a > 0.5) & (cosine_b < -0.5)))


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
