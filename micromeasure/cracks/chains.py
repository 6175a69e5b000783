"""Taking a tree of skeleton pixels apart at its junctions and linking what runs straight on."""

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from micromeasure.outcome import FloatArray

# Thinning leaves short spurs; they are no lines of their own.
_SPUR_PX = 6
# Headings at a junction are taken over this length; lines that turn by more are not linked.
_HEADING_PX = 9
_TURN_COSINE = -0.55

Chain = list[int]


def linked_chains(points: FloatArray, first: list[int], second: list[int]) -> list[FloatArray]:
    """Return the lines of a forest of pixels.

    Parameters
    ----------
    points : ndarray, shape (n, 2)
        Pixels ``u v``.
    first, second : list of int
        Neighbours that are joined, without loops.

    Returns
    -------
    list of ndarray, shape (m, 2)
        Chains from end to end. At a junction the two that continue each other best are one line.
    """
    neighbours: list[list[int]] = [[] for _ in range(len(points))]
    for a, b in zip(first, second, strict=True):
        neighbours[a].append(b)
        neighbours[b].append(a)
    _prune(neighbours)
    segments = _segments(neighbours)
    return [points[chain] for chain in _link(points, neighbours, segments)]


def _prune(neighbours: list[list[int]]) -> None:
    """Remove short dead ends that hang on a junction."""
    for segment in _segments(neighbours):
        if len(segment) > _SPUR_PX:
            continue
        # A dead end has its junction at one end only.
        for chain in (segment, segment[::-1]):
            if len(neighbours[chain[0]]) == 1 and len(neighbours[chain[-1]]) > 2:
                neighbours[chain[-1]].remove(chain[-2])
                for node in chain[:-1]:
                    neighbours[node] = []
                break


def _segments(neighbours: list[list[int]]) -> list[Chain]:
    """Return the chains between ends and junctions."""
    segments = []
    done: set[tuple[int, int]] = set()
    for node, around in enumerate(neighbours):
        if len(around) in (0, 2):
            continue
        for following in around:
            if (node, following) in done:
                continue
            chain = [node]
            before, at = node, following
            while len(beside := neighbours[at]) == 2:
                chain.append(at)
                before, at = at, beside[0] if beside[0] != before else beside[1]
            chain.append(at)
            # Not once more from its other end.
            done.add((at, before))
            segments.append(chain)
    return segments


def _link(
    points: FloatArray, neighbours: list[list[int]], segments: list[Chain]
) -> list[NDArray[np.intp]]:
    """Join segments through junctions into lines."""
    segments, place = _merge_junctions(neighbours, segments)
    arms: dict[int, list[tuple[int, int]]] = {}
    for index, chain in enumerate(segments):
        for end in (0, -1):
            if len(neighbours[chain[end]]) > 2:
                arms.setdefault(place(chain[end]), []).append((index, end))
    partner: dict[tuple[int, int], tuple[int, int]] = {}
    for meeting in arms.values():
        headings = [_heading(points, segments[index], end) for index, end in meeting]
        fits = sorted(
            (float(headings[i] @ headings[j]), i, j)
            for i in range(len(meeting))
            for j in range(i + 1, len(meeting))
        )
        for cosine, i, j in fits:
            if cosine > _TURN_COSINE:
                break
            if meeting[i] not in partner and meeting[j] not in partner:
                partner[meeting[i]], partner[meeting[j]] = meeting[j], meeting[i]
    return _walk(segments, partner)


def _merge_junctions(
    neighbours: list[list[int]], segments: list[Chain]
) -> tuple[list[Chain], Callable[[int], int]]:
    """Make one junction of those a few pixels apart: thinning splits crossings in two.

    Returns the segments that remain and a function from a junction's pixel to its place.
    """
    parent: dict[int, int] = {}

    def place(node: int) -> int:
        while node in parent:
            node = parent[node]
        return node

    kept = []
    for chain in segments:
        inner = min(len(neighbours[chain[0]]), len(neighbours[chain[-1]])) > 2
        if inner and len(chain) <= _SPUR_PX:
            a, b = place(chain[0]), place(chain[-1])
            if a != b:
                parent[a] = b
        else:
            kept.append(chain)
    return kept, place


def _walk(
    segments: list[Chain], partner: dict[tuple[int, int], tuple[int, int]]
) -> list[NDArray[np.intp]]:
    """Return the lines that linked segments make up."""
    done: set[int] = set()
    lines = []
    # Lines start at an arm without partner; a forest has no rings of segments.
    for index in range(len(segments)):
        for end in (0, -1):
            if index in done or (index, end) in partner:
                continue
            line: Chain = []
            at: tuple[int, int] | None = (index, end)
            while at is not None:
                done.add(at[0])
                chain = segments[at[0]] if at[1] == 0 else segments[at[0]][::-1]
                line.extend(chain if not line else chain[1:])
                at = partner.get((at[0], -1 if at[1] == 0 else 0))
            lines.append(np.array(line, dtype=np.intp))
    return lines


def _heading(points: FloatArray, chain: Chain, end: int) -> FloatArray:
    """Return the unit vector from a chain's end into the chain."""
    inner = min(_HEADING_PX, len(chain) - 1)
    far = chain[inner] if end == 0 else chain[-1 - inner]
    away = points[far] - points[chain[end]]
    return np.asarray(away / max(math.hypot(*away), 1e-9))
