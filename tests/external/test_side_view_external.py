"""Side views against figures that stand outside the project.

Sources
-------
Circular segments: worked examples on the help page "Circular Sections" of the mathematics
program MatheAss (matheass.eu).
Spherometer: R = c²/(8 h) + h/2, textbook relation; the numbers are those of the segment above.
Circle fit: Gander, Golub and Strebel, BIT 34 (1994) 558-578; points and result from memory,
recomputed.
Orthogonal line: Pearson's points (1901) as in Neri et al., J. Phys. E 22 (1989) 215, slope of the
unweighted orthogonal line -0.546.
"""

import math

import numpy as np
import pytest

from micromeasure.heightmap.surface import HeightMap, measure_cap
from micromeasure.reference.side_view import Dome, dome_truth
from micromeasure.sideview.arc import fit_arc
from micromeasure.sideview.register import size_of
from micromeasure.sideview.step import fit_edges, fit_steps

PEARSON_X = [0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4]
PEARSON_Y = [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5]


@pytest.mark.parametrize(
    ("chord", "height", "radius", "arc"),
    [(21.0, 6.0, 12.1875, 25.308373), (0.97449536, 0.096919589, 1.2732395, 1.0)],
)
def test_radius_from_points_of_a_published_segment(
    chord: float, height: float, radius: float, arc: float
) -> None:
    half = arc / radius / 2
    angle = np.linspace(-half, half, 101)
    u, v = radius * np.sin(angle), radius * np.cos(angle) - radius
    found = fit_arc(u, v)
    assert found.radius == pytest.approx(radius, rel=1e-6)
    assert found.top[1] - v[0] == pytest.approx(height, rel=1e-6)
    assert 2 * u[-1] == pytest.approx(chord, rel=1e-6)
    # Spherometer relation, handbook form.
    assert chord**2 / (8 * height) + height / 2 == pytest.approx(found.radius, rel=1e-6)


def test_area_and_arc_of_a_published_segment() -> None:
    # Chord 21, height 6: segment area 89.254148, arc 25.308373.
    half, radius = 25.308373 / 12.1875 / 2, 12.1875
    angle = np.linspace(half, -half, 4001)
    points = np.column_stack([radius * np.sin(angle), radius * np.cos(angle)])
    size = size_of(points)
    assert size.area_um2 == pytest.approx(89.254148, rel=1e-6)
    assert size.perimeter_um == pytest.approx(25.308373 + 21, rel=1e-6)
    assert size.feret_max_um == pytest.approx(21, rel=1e-6)


def test_cap_of_a_published_segment_turned_about_its_axis() -> None:
    x = np.linspace(-14, 14, 90)
    y = np.linspace(-13, 13, 80)
    grid_x, grid_y = np.meshgrid(x, y)
    sphere = np.sqrt(np.maximum(12.1875**2 - grid_x**2 - grid_y**2, 0)) - 12.1875 + 6
    z = np.maximum(sphere, 0.0) + 1e-4 * np.random.default_rng(0).standard_normal(sphere.shape)
    cap = measure_cap(HeightMap(x_um=x, y_um=y, z_um=z, correlated=1.0))
    assert cap.height_um == pytest.approx(6, abs=2e-3)
    assert cap.radius_um == pytest.approx(12.1875, abs=2e-3)
    assert cap.rim_radius_um == pytest.approx(10.5, abs=0.6)


def test_published_circle_fit() -> None:
    x = np.array([1.0, 2, 5, 7, 9, 3])
    y = np.array([7.0, 6, 8, 7, 5, 7])
    found = fit_arc(x - 5, y)
    top_u, top_v = found.top
    # The geometric fit; an algebraic one gives 3.0370 or 4.1088.
    assert found.radius == pytest.approx(4.7142, abs=1e-4)
    assert (top_u + 5, top_v - found.radius) == pytest.approx((4.7398, 2.9835), abs=1e-4)


def test_published_orthogonal_line() -> None:
    x, y = np.array(PEARSON_X), np.array(PEARSON_Y)
    # Outlier weights move the line a little from the plain one.
    found = fit_arc(x - x.mean(), y, straight=True)
    assert math.tan(found.slope) == pytest.approx(-0.5456, abs=0.01)


def test_dome_of_a_published_segment_stands_as_high_as_its_segment() -> None:
    # The crown of a dome without limbs and feet is the segment of chord 21 and height 6.
    dome = Dome(crown_radius_um=12187.5, left_deg=59.489765, right_deg=59.489765, thickness_um=1.0)
    from dataclasses import replace

    from micromeasure.reference.side_view import Leg

    bare = Leg(limb_um=1e-6, foot_um=1e-6, turn_deg=-1e-6, inner_radius_um=1.0)
    truth = dome_truth(replace(dome, left=bare, right=bare))
    assert truth.dome_height_um == pytest.approx(6000, rel=2e-4)
    assert truth.base_chord_um == pytest.approx(21000, rel=2e-4)


def test_scatter_of_edges_comes_near_the_bound_of_their_noise() -> None:
    """Cramér-Rao bound of a Gaussian step in white noise: sd >= (s/A) sqrt(2 sqrt(pi) sigma).

    That holds for known levels on both sides. With N samples and both levels unknown the
    information falls by the share 2 sqrt(pi) sigma / N, as a level and a shift of the edge are
    both even about it.
    """
    rng = np.random.default_rng(8)
    sigma, noise, offsets = 1.5, 2.0, np.arange(-7, 8.0)
    from scipy.special import ndtr

    shift = rng.uniform(-0.4, 0.4, 4000)
    profiles = 20 + 180 * ndtr(-(offsets - shift[:, None]) / sigma)
    profiles = profiles + noise * rng.standard_normal(profiles.shape)
    bound = noise / 180 * math.sqrt(2 * math.sqrt(math.pi) * sigma)
    bound /= math.sqrt(1 - 2 * math.sqrt(math.pi) * sigma / len(offsets))
    for found in (fit_steps(profiles, offsets, sigma), fit_edges(profiles, offsets, sigma)):
        error = found.position - shift
        assert abs(error.mean()) < 5 * bound / math.sqrt(4000)
        assert error.std() < 1.1 * bound
        assert np.median(found.u) == pytest.approx(bound, rel=0.15)
