"""The numerical parts that side views are made of."""

import math

import numpy as np
import pytest
from scipy import ndimage

from micromeasure.sideview.descent import descend
from micromeasure.sideview.outline import estimate_noise
from micromeasure.sideview.stretch import Noise, longest_stretch
from micromeasure.sideview.wedge import blurred_wedge, sliver

NOISE = Noise(scatter=0.03, inflation=1.0, pixel=1.0)


def arc_with_limbs(half: float, radius: float, rng: np.random.Generator) -> np.ndarray:
    """A circle about u = 0 that runs on straight beyond `half`, a point a pixel."""
    u = np.arange(-300.0, 301.0)
    inside = np.clip(np.abs(u), 0, half)
    v = np.sqrt(radius**2 - inside**2) - radius
    v -= (np.abs(u) - inside) * half / math.sqrt(radius**2 - half**2)
    return np.column_stack([u, v + NOISE.scatter * rng.standard_normal(len(u))])


def test_a_stretch_ends_where_the_circle_does() -> None:
    u, v = arc_with_limbs(150.0, 700.0, np.random.default_rng(3)).T
    found = longest_stretch(u, v, u, start=20.0, stop=290.0, noise=NOISE)
    assert found.holds
    assert 110 < found.half_width < 170


def test_a_speck_does_not_end_a_straight_stretch() -> None:
    u = np.arange(400.0)
    v = 0.2 * u + 0.03 * np.random.default_rng(4).standard_normal(400)
    v[180:186] += 2.0
    found = longest_stretch(u, v, u, start=16.0, stop=390.0, noise=NOISE, straight=True)
    assert found.half_width == pytest.approx(390.0)


def test_no_stretch_holds_where_the_outline_is_rough() -> None:
    u = np.arange(200.0)
    v = 2.0 * np.sin(u / 7)
    found = longest_stretch(u, v, u, start=30.0, stop=190.0, noise=NOISE)
    assert not found.holds
    assert found.half_width == pytest.approx(30.0)


@pytest.mark.parametrize("grain_px", [0.0, 1.5])
def test_noise_of_an_outline_and_its_correlation_are_those_put_in(grain_px: float) -> None:
    n = 3000
    white = np.random.default_rng(5).standard_normal(n)
    noise = ndimage.gaussian_filter1d(white, grain_px, mode="wrap") if grain_px else white
    angle = np.linspace(0, 2 * math.pi, n, endpoint=False)
    normals = np.column_stack([np.cos(angle), np.sin(angle)])
    points = normals * (n / (2 * math.pi) + 0.04 * noise / noise.std())[:, None]
    found = estimate_noise(points, normals, np.ones(n, dtype=bool), 1.0)
    # White noise of a Gaussian grain: the sum of its correlations is 2 sqrt(pi) grains.
    expected = 2 * math.sqrt(math.pi) * grain_px if grain_px else 1.0
    assert found.scatter == pytest.approx(0.04, rel=0.1)
    assert found.inflation == pytest.approx(expected, rel=0.25, abs=0.5)


def test_descent_finds_the_least_squares_of_a_decay_within_bounds() -> None:
    t = np.linspace(0, 4, 40)
    seen = 3.0 * np.exp(-0.7 * t)

    def misfit(x: np.ndarray) -> np.ndarray:
        return x[:, :1] * np.exp(-x[:, 1:] * t) - seen

    step = np.array([1e-6, 1e-6])
    free = descend(misfit, np.array([1.0, 0.2]), step, rounds=40)
    assert free.x == pytest.approx([3.0, 0.7], abs=1e-5)
    held = descend(
        misfit, np.array([1.0, 0.2]), step, rounds=40,
        bounds=(np.array([0.0, 0.0]), np.array([9.0, 0.5])),
    )  # fmt: skip
    assert held.x[1] == pytest.approx(0.5)


@pytest.mark.parametrize("half", [0.45, 0.8, 1.2])
def test_a_wedge_and_its_rounding_agree_with_a_fine_picture_of_them(half: float) -> None:
    step, radius = 0.05, 1.4
    a, b = np.meshgrid(np.arange(-9, 9, step), np.arange(-9, 9, step), indexing="ij")
    inside = a * math.sin(half) > np.abs(b) * math.cos(half)
    centre = radius / math.sin(half)
    beyond = (a < centre - radius * math.sin(half)) & (np.hypot(a - centre, b) > radius)
    pictures = [inside.astype(float), (inside & beyond).astype(float)]
    sharp, taken = (ndimage.gaussian_filter(p, 1 / step) for p in pictures)
    some = np.s_[100:-100:37, 100:-100:41]
    at, across = a[some].ravel(), b[some].ravel()
    assert blurred_wedge(at, across, half) == pytest.approx(sharp[some].ravel(), abs=0.01)
    found = sliver(at, across, half=half, radius=radius, blur=1.0)
    assert found == pytest.approx(taken[some].ravel(), abs=0.01)
