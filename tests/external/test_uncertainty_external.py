"""Combining uncertainties, against published worked examples.

Sources stand beside each check. "B": the expected value was read in a second text that quotes
the publisher and was recomputed; "from memory": not read in any text.
"""

import math

import pytest

from micromeasure.estimate import Component, Estimate, combine, coverage_factor, ratio


def test_end_gauge_calibration():
    # JCGM 100:2008, H.1 (level B): contributions in nm with their degrees of freedom.
    contributions = [(25, 18), (5.8, 24), (3.9, 5), (6.7, 8), (2.9, 50), (16.6, 2)]
    gauge = Estimate(
        value=50_000_838.0,
        unit="nm",
        components=tuple(Component(name=str(u), u=u, dof=dof) for u, dof in contributions),
    )
    assert gauge.standard_uncertainty == pytest.approx(32, abs=0.5)
    assert math.floor(gauge.dof) == 16
    assert coverage_factor(gauge.dof) == pytest.approx(2.12, abs=0.005)
    # H.1.6 (from memory, recomputed): t for 99 % and 16 degrees of freedom.
    assert coverage_factor(gauge.dof, 0.99) == pytest.approx(2.92, abs=0.005)


def test_repeated_comparison_of_the_end_gauge():
    # JCGM 100:2008, H.1 (level B): u(d) 9.7 nm with 25.6 degrees of freedom.
    d = Estimate(
        value=215.0,
        unit="nm",
        components=(
            Component(name="mean", u=5.8, dof=24),
            Component(name="random", u=3.9, dof=5),
            Component(name="systematic", u=6.7, dof=8),
        ),
    )
    assert d.standard_uncertainty == pytest.approx(9.7, abs=0.05)
    assert d.dof == pytest.approx(25.6, abs=0.5)


def test_effective_degrees_of_freedom_with_one_known_part():
    # Sandia ENGR224 course example, quoted in public tests of another library (level B).
    parts = (Component(name="a", u=0.57, dof=9), Component(name="b", u=0.25))
    assert Estimate(value=0.0, unit="1", components=parts).dof == pytest.approx(12.8, abs=0.05)


def test_ratio_model():
    # Same source (level B): y = X1 / X2 * Yu; y 0.6967, u 0.00494, U95 0.0101.
    def quantity(value, u, dof):
        return Estimate(value=value, unit="1", components=(Component(name="u", u=u, dof=dof),))

    x1, x2 = quantity(0.1820, 0.00093, 9), quantity(0.1823, 0.00058, 19)
    yu = quantity(0.6978, 0.0026, 19)
    x = ratio(x1, x2)
    y = combine(x.value * yu.value, "1", [(x, yu.value), (yu, x.value)])
    assert y.value == pytest.approx(0.6967, abs=5e-5)
    # One unit of the last printed digit, as the printed inputs are themselves rounded.
    assert y.standard_uncertainty == pytest.approx(0.00494, abs=1e-5)
    assert y.interval_95[1] - y.value == pytest.approx(0.0101, abs=5e-5)


def test_sum_of_four_equal_parts():
    # JCGM 101:2008, 9.2.2 (level B): u 2.0 and a 95 % half-width of 3.92.
    parts = tuple(Component(name=str(i), u=1.0) for i in range(4))
    total = Estimate(value=0.0, unit="1", components=parts)
    assert total.standard_uncertainty == 2.0
    assert total.interval_95[1] == pytest.approx(3.92, abs=0.005)
