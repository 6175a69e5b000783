from itertools import pairwise

import numpy as np

from micromeasure.cracks.chains import linked_chains
from micromeasure.cracks.tracing import trace_lines


def tree_of(*polylines):
    """Pixels of polylines that share their common points, as a forest."""
    index, points, first, second = {}, [], [], []
    for line in polylines:
        for point in line:
            if point not in index:
                index[point] = len(points)
                points.append(point)
        for a, b in pairwise(line):
            first.append(index[a])
            second.append(index[b])
    return np.array(points, dtype=float), first, second


def straight(start, step, n):
    return [(start[0] + k * step[0], start[1] + k * step[1]) for k in range(n)]


def test_two_crossing_lines_stay_two_lines():
    across = straight((0, 20), (1, 0), 41)
    down = straight((20, 0), (0, 1), 41)
    found = linked_chains(*tree_of(across, down))
    assert sorted(len(chain) for chain in found) == [41, 41]
    for chain in found:
        assert np.ptp(chain, axis=0).min() == 0


def test_a_branch_is_a_line_of_its_own():
    main = straight((0, 20), (1, 0), 60)
    branch = straight((30, 20), (1, 1), 20)
    found = linked_chains(*tree_of(main, branch))
    assert sorted(len(chain) for chain in found) == [20, 60]


def test_short_spurs_are_dropped():
    main = straight((0, 20), (1, 0), 60)
    spur = straight((30, 20), (0, 1), 5)
    (found,) = linked_chains(*tree_of(main, spur))
    assert len(found) == 60


def ridge(shape, points, height):
    z = np.zeros(shape, dtype=np.float32)
    for x, y in points:
        z[y - 1 : y + 2, x - 1 : x + 2] = np.maximum(z[y - 1 : y + 2, x - 1 : x + 2], height)
    return z


def test_a_short_gap_between_facing_ends_is_bridged():
    left, right = straight((20, 40), (1, 0), 40), straight((70, 41), (1, 0), 40)
    z = ridge((80, 140), left, 9.0) + ridge((80, 140), right, 9.0)
    gap = z.copy()
    gap[39:43, 58:72] = np.maximum(gap[39:43, 58:72], 1.5)
    (found,) = trace_lines(gap, min_length_px=20)
    assert np.ptp(found[:, 0]) > 85
    assert len(trace_lines(z, min_length_px=20)) == 2


def test_ends_that_do_not_face_each_other_are_not_bridged():
    left, below = straight((20, 40), (1, 0), 40), straight((62, 49), (0, 1), 30)
    z = ridge((90, 140), left, 9.0) + ridge((90, 140), below, 9.0)
    z = np.maximum(z, 1.5)
    assert len(trace_lines(z, min_length_px=15)) == 2


def test_a_line_whose_response_changes_is_also_given_in_parts():
    strong, weak = straight((20, 40), (1, 0), 40), straight((60, 40), (1, 0), 40)
    z = np.maximum(ridge((80, 140), strong, 9.0), ridge((80, 140), weak, 4.0))
    spans = sorted(round(float(np.ptp(chain[:, 0]))) for chain in trace_lines(z, min_length_px=20))
    assert len(spans) == 3
    assert spans[-1] > 70
    assert max(spans[:2]) < 50


def test_nothing_is_traced_in_nothing():
    assert trace_lines(np.ones((60, 90), dtype=np.float32), min_length_px=20) == []
