"""From a line map to chains of pixels: hysteresis, thinning, bridged gaps, chains."""

import math

import numpy as np
from numpy.typing import NDArray

from micromeasure.cracks.chains import linked_chains
from micromeasure.cracks.patch import Image
from micromeasure.outcome import FloatArray

# In spreads of the line response: a line starts above the first and is followed down to the
# second. White noise alone passes the first about once in ten megapixels.
SEED_Z = 5.0
FOLLOW_Z = 3.0
# Ends of lines this near are bridged where a path between them shows at least this response.
BRIDGE_PX = 22.0
BRIDGE_Z = 1.0
# Around a strong line its own flanks and star-like ends respond too: they stay below this share
# of the strongest response this near.
_HALO_PX = 15
_HALO_SHARE = 0.4
# A change of the response by this factor (natural logarithm) splits a line.
_STEP = 0.6
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
    skeleton = _skeleton(z, 0.4 * min_length_px)
    if not skeleton.any():
        return []
    _bridge_gaps(skeleton, z)
    shortest = 0.6 * min_length_px
    return [
        part for chain in _paths(skeleton, z, shortest) for part in _with_parts(chain, z, shortest)
    ]


def _skeleton(z: Image, min_extent_px: float) -> NDArray[np.bool_]:
    """Return the middle lines of what exceeds the lower level and somewhere the upper one."""
    import cv2
    from skimage.morphology import skeletonize

    nearby = cv2.dilate(z, np.ones((_HALO_PX, _HALO_PX), np.uint8))
    above = (z > np.maximum(FOLLOW_Z, _HALO_SHARE * nearby)).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(above, connectivity=8)
    peak = np.zeros(count, dtype=np.float32)
    at = np.flatnonzero(z.ravel() > SEED_Z)
    np.maximum.at(peak, labels.ravel()[at], z.ravel()[at])
    extent = np.hypot(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    wanted = np.flatnonzero((peak > SEED_Z) & (extent >= min_extent_px))
    wanted = wanted[wanted > 0]
    limit = max(40, int(_LINES_PER_MEGAPIXEL * z.size / 1e6))
    strength = peak[wanted] * np.sqrt(extent[wanted])
    wanted = wanted[np.argsort(-strength)[:limit]]
    skeleton = np.zeros(z.shape, dtype=bool)
    for label in wanted:
        x, y, w, h = stats[label, :4]
        box = (slice(y, y + h), slice(x, x + w))
        part = np.pad(labels[box] == label, 1)
        skeleton[box] |= skeletonize(part)[1:-1, 1:-1]
    return skeleton


def _bridge_gaps(skeleton: NDArray[np.bool_], z: Image) -> None:
    """Draw the best path between ends of lines that face each other, where it shows at all."""
    from scipy.spatial import cKDTree
    from skimage.graph import route_through_array

    ends, headings, labels = _line_ends(skeleton)
    if len(ends) < 2:
        return
    pairs: list[tuple[int, int]] = sorted(
        cKDTree(ends).query_pairs(BRIDGE_PX), key=lambda p: math.dist(ends[p[0]], ends[p[1]])
    )
    joined: dict[int, int] = {}
    for i, j in pairs:
        a, b = _root(joined, int(labels[i])), _root(joined, int(labels[j]))
        if a == b or not _facing(ends[j] - ends[i], headings[i], headings[j]):
            continue
        low = np.maximum(np.minimum(ends[i], ends[j]).astype(int) - 4, 0)
        high = np.maximum(ends[i], ends[j]).astype(int) + 5
        part = z[low[1] : high[1], low[0] : high[0]]
        cost = 1.0 / (0.3 + np.clip(part, 0.0, 2 * FOLLOW_Z))
        route, _ = route_through_array(
            cost, (ends[i] - low)[::-1].astype(int), (ends[j] - low)[::-1].astype(int),
            fully_connected=True, geometric=True,
        )  # fmt: skip
        rows, cols = np.array(route).T
        # The ends themselves lie on the lines and say nothing about the gap.
        gap = part[rows, cols][2:-2]
        if gap.size and float(np.median(gap)) < BRIDGE_Z:
            continue
        skeleton[rows + low[1], cols + low[0]] = True
        joined[a] = b


def _line_ends(
    skeleton: NDArray[np.bool_],
) -> tuple[FloatArray, FloatArray, NDArray[np.int32]]:
    """Return end points ``u v``, the outward headings there and the labels of their lines."""
    import cv2

    mask = skeleton.astype(np.uint8)
    _, labels = cv2.connectedComponents(mask, connectivity=8)
    neighbours = cv2.filter2D(
        mask, cv2.CV_16S, np.ones((3, 3), np.float32), borderType=cv2.BORDER_CONSTANT
    )
    rows, cols = np.nonzero(skeleton & (neighbours == 2))
    headings = np.zeros((len(rows), 2))
    reach = 9
    for k, (row, col) in enumerate(zip(rows.tolist(), cols.tolist(), strict=True)):
        low_row, low_col = max(0, row - reach), max(0, col - reach)
        near = labels[low_row : row + reach + 1, low_col : col + reach + 1] == labels[row, col]
        r, c = np.nonzero(near)
        away = np.array((col - low_col - c.mean(), row - low_row - r.mean()))
        headings[k] = away / max(float(np.hypot(*away)), 1e-9)
    return (
        np.column_stack((cols, rows)).astype(float),
        headings,
        np.asarray(labels[rows, cols], dtype=np.int32),
    )


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


def _paths(skeleton: NDArray[np.bool_], z: Image, min_length_px: float) -> list[FloatArray]:
    """Return the lines of a skeleton, each a chain of pixels from end to end."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import minimum_spanning_tree

    rows, cols = np.nonzero(skeleton)
    number = np.full(skeleton.shape, -1, dtype=np.int32)
    number[rows, cols] = np.arange(len(rows))
    strength = np.clip(z[rows, cols], 0.5, 2 * SEED_Z).astype(float)
    first, second, step = _edges(number)
    # Loops are opened at their weakest place.
    weight = 2.0 * step / (strength[first] + strength[second])
    n = len(rows)
    tree = minimum_spanning_tree(coo_array((weight, (first, second)), shape=(n, n)).tocsr()).tocoo()
    points = np.column_stack((cols, rows)).astype(float)
    chains = linked_chains(points, tree.row.tolist(), tree.col.tolist())
    return [chain for chain in chains if _chain_length(chain) >= min_length_px]


def _with_parts(chain: FloatArray, z: Image, shortest: float) -> list[FloatArray]:
    """Return a chain and, where its response changes sharply, its parts on both sides."""
    chains = [chain]
    n, least = len(chain), max(10, round(shortest))
    if n < 2 * least:
        return chains
    height = np.log(np.maximum(z[chain[:, 1].astype(int), chain[:, 0].astype(int)], 0.5))
    total = np.cumsum(height)
    at = np.arange(least, n - least + 1)
    before, after = total[at - 1] / at, (total[-1] - total[at - 1]) / (n - at)
    # Gain of the sum of squares by two levels instead of one.
    gain = at * (n - at) / n * (before - after) ** 2
    best = int(gain.argmax())
    if abs(before[best] - after[best]) < _STEP:
        return chains
    cut = int(at[best])
    for part in (chain[:cut], chain[cut:]):
        chains += _with_parts(part, z, shortest)
    return chains


def _edges(number: NDArray[np.int32]) -> tuple[NDArray[np.int32], NDArray[np.int32], FloatArray]:
    """Return the pairs of neighbouring pixels and their distances."""
    firsts, seconds, steps = [], [], []
    shifts = ((0, 1, 1.0), (1, 0, 1.0), (1, 1, math.sqrt(2)), (1, -1, math.sqrt(2)))
    for down, right, distance in shifts:
        a = number[: number.shape[0] - down, max(0, -right) : number.shape[1] - max(0, right)]
        b = number[down:, max(0, right) : number.shape[1] + min(0, right)]
        both = (a >= 0) & (b >= 0)
        firsts.append(a[both])
        seconds.append(b[both])
        steps.append(np.full(int(both.sum()), distance))
    return np.concatenate(firsts), np.concatenate(seconds), np.concatenate(steps)


def _chain_length(points: FloatArray) -> float:
    steps = np.diff(points, axis=0)
    return float(np.hypot(steps[:, 0], steps[:, 1]).sum())
