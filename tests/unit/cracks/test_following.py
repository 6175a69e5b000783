from itertools import product

import numpy as np

from micromeasure.cracks.following import _cheapest_ways, _stretches


def test_ways_are_the_cheapest_of_all():
    rng = np.random.default_rng(4)
    sizes = np.array([3, 5, 1, 4])
    cost = rng.normal(size=(sizes.sum(), 4))
    places = np.arange(4.0)
    bend = 0.3 * (places[:, None] - places) ** 2
    found = _cheapest_ways(cost, sizes, bend)
    for line, own in zip(
        np.split(cost, np.cumsum(sizes)[:-1]), np.split(found, np.cumsum(sizes)[:-1]), strict=True
    ):
        n = np.arange(len(line))
        every = np.array(list(product(range(4), repeat=len(line))))
        total = line[n, every].sum(axis=1) + bend[every[:, 1:], every[:, :-1]].sum(axis=1)
        assert own.tolist() == every[total.argmin()].tolist()


def test_stretches_hold_each_row_once_as_their_own():
    sizes = np.array([7, 500, 96, 149])
    rows, long, is_own = _stretches(sizes)
    assert rows[is_own].tolist() == list(range(sizes.sum()))
    assert long.sum() == len(rows)
    assert long.max() < 200


def test_stretches_change_no_way_that_is_seen_well():
    rng = np.random.default_rng(5)
    sizes = np.array([700])
    course = np.round(7 + 5 * np.sin(np.arange(700) / 40)).astype(int)
    cost = rng.normal(0, 0.2, (700, 15))
    cost[np.arange(700), course] -= 1.0
    bend = 0.15 * np.subtract.outer(np.arange(15.0), np.arange(15.0)) ** 2
    rows, long, is_own = _stretches(sizes)
    parts = _cheapest_ways(cost[rows], long, bend)[is_own]
    np.testing.assert_array_equal(parts, _cheapest_ways(cost, sizes, bend))
