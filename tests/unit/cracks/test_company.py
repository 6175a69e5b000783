from types import SimpleNamespace

import numpy as np
import pytest

from micromeasure.cracks.company import company_of


def straight(start, angle_deg, length):
    a = np.deg2rad(angle_deg)
    t = np.arange(length + 1.0)[:, None]
    points = np.asarray(start, dtype=float) + t * (np.cos(a), np.sin(a))
    return SimpleNamespace(points=points, length_px=float(length))


def company(lines, evidence=None, angles=None):
    n = len(lines)
    evidence = np.full(n, 4.0) if evidence is None else np.asarray(evidence)
    angles = np.zeros(n) if angles is None else np.asarray(angles)
    return company_of(lines, evidence, angles)


def test_no_lines_have_no_company():
    assert company([]) == []


def test_the_same_line_traced_twice_is_no_company():
    line, again = straight((20, 20), 0, 60), straight((24, 20.4), 0, 50)
    alone = company([line])[0]
    beside = company([line, again])[0]
    assert beside.clutter == alone.clutter == 0.0
    assert beside.rivals == alone.rivals


def test_lines_nearby_are_clutter_and_far_ones_are_not():
    line, near, far = (straight((20, y), 0, 60) for y in (20, 50, 400))
    assert company([line, near, far])[0].clutter == pytest.approx(1.0)


def test_a_set_of_parallel_lines_knows_itself_and_a_line_across_does_not_belong():
    lines = [straight((20, y), 10, 80) for y in (20, 120, 220, 320)] + [straight((400, 9), 95, 80)]
    found = company(lines, angles=[10, 12, 8, 10, 95])
    assert found[0].parallels > 0.6
    assert found[4].parallels < 0.1


def test_directions_near_0_and_180_degrees_are_parallel():
    lines = [straight((20, 20), 1, 80), straight((20, 200), 178, 80)]
    assert company(lines, angles=[1, 178])[0].parallels > 0.5


def test_rivals_are_the_stronger_of_the_others():
    lines = [straight((20, y), 0, 40) for y in range(20, 420, 40)]
    evidence = [6.0] + [3.0] * 8 + [5.0]
    found = company(lines, evidence)
    assert 3.0 <= found[0].rivals <= 5.0
    assert found[1].rivals > found[0].rivals
