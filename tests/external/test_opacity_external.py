"""Opacity against values from outside: standards, data sheets, closed forms.

How far each value is to be trusted is said beside it: read in the publisher's text, computed from
a published definition, or from memory.
"""

import math

import numpy as np
import pytest

from micromeasure.estimate import Component, Estimate, coverage_factor
from micromeasure.micrograph.light import Box, stack_of
from micromeasure.micrograph.response import srgb_decode, srgb_encode
from micromeasure.opacity.noise import photon_transfer_of, tiles_in
from micromeasure.quantities.attenuation import attenuation_of
from micromeasure.quantities.contrast_ratio import contrast
from micromeasure.quantities.optical_density import DensitySettings, measure_optical_density
from micromeasure.reference.transmission import as_micrograph

SHAPE = (64, 112)
CLEAN = DensitySettings(lamp_drift_rel=0.0, glare_rel=0.0, transfer="linear")


def even(value):
    return as_micrograph(np.full(SHAPE, value, dtype=np.float32), bits=32, name=f"{value}")


def density_of(transmittance):
    frames = {"open_light": (even(0.8),), "dark": (even(0.0),)}
    outcome = measure_optical_density(even(0.8 * transmittance), CLEAN, frames)
    return outcome.measurements[0].estimate.value


@pytest.mark.parametrize(
    ("transmittance", "density"),
    # A filter maker's technical note prints these pairs to one decimal (read there).
    [(0.5, 0.3), (0.2, 0.7), (0.1, 1.0), (0.05, 1.3), (0.02, 1.7)],
)
def test_density_of_printed_transmittances(transmittance, density):
    assert density_of(transmittance) == pytest.approx(density, abs=0.05)


@pytest.mark.parametrize(
    ("density", "percent"),
    # Computed from the definition D = -log10 T (ISO 5-1; its text from memory).
    [(0.05, 89.1251), (0.3, 50.1187), (1.5, 3.1623), (3.05, 0.0891)],
)
def test_transmittance_of_nominal_densities(density, percent):
    assert density_of(percent / 100.0) == pytest.approx(density, abs=3e-4)


def test_a_21_step_tablet_in_steps_of_0_15():
    # Nominal steps of 0.15, 21 of them (second hand); from 0.05 to 3.05 (from memory: real
    # tablets deviate and their certificates rule).
    nominal = 0.05 + 0.15 * np.arange(21)
    found = [density_of(float(10.0**-d)) for d in nominal]
    np.testing.assert_allclose(np.diff(found), 0.15, atol=2e-6)
    np.testing.assert_allclose(found, nominal, atol=2e-6)


def test_srgb_is_the_piecewise_function_of_the_standard():
    # IEC 61966-2-1: constants 0.04045, 12.92, 0.055, 1.055, 2.4 as documented by colour-science;
    # encode(0.18) = 0.461356129500442 read there.
    assert float(srgb_encode(0.18)) == pytest.approx(0.461356129500442, abs=1e-12)
    # 8-bit codes, computed from the definition.
    codes = {10: 0.00303527, 128: 0.21586050, 188: 0.50288646, 255: 1.0, 0: 0.0}
    for code, light in codes.items():
        assert float(srgb_decode(code / 255.0)) == pytest.approx(light, abs=5e-9)
    # A plain power of 2.2 is wrong by several percent in the dark: it must not pass.
    assert abs((10 / 255) ** 2.2 - codes[10]) > 0.05 * codes[10]


def test_srgb_there_and_back():
    light = np.linspace(0.0, 1.0, 1001)
    np.testing.assert_allclose(srgb_decode(srgb_encode(light)), light, atol=1e-7)


def test_beer_lambert_worked_example():
    # Textbook relation A = a d (no source needed): a film of 0.025 mm that halves the light has
    # ln 2 / 0.025 mm = 27.726 per mm; two of them on each other have twice the density.
    one = Estimate(value=density_of(0.5), unit="1", components=(Component(name="n", u=0.0),))
    thick = Estimate(value=25.0, unit="um", components=(Component(name="n", u=0.0),))
    assert attenuation_of(one, thick).value == pytest.approx(math.log(2.0) / 0.025, rel=1e-5)
    assert density_of(0.25) == pytest.approx(2.0 * density_of(0.5), abs=1e-6)


def reflectance_over(backing, own, passing):
    """Reflectance of a layer over a backing: light to and fro between them (Kubelka-Munk)."""
    return own + passing**2 * backing / (1.0 - own * backing)


def test_contrast_ratio_of_a_kubelka_munk_layer():
    # R-infinity 0.80, scattering power 1.5: R0 0.582483, R0.89 0.850812, R0/R0.89 0.684620 and
    # T 0.381047. Computed from the Kubelka-Munk formulae (from memory; no printed example).
    r_inf, power = 0.80, 1.5
    a = (1.0 / r_inf + r_inf) / 2.0
    b = math.sqrt(a * a - 1.0)
    x = b * power
    own = math.sinh(x) / (a * math.sinh(x) + b * math.cosh(x))
    passing = b / (a * math.sinh(x) + b * math.cosh(x))
    assert own == pytest.approx(0.582483, abs=1e-6)
    assert passing == pytest.approx(0.381047, abs=1e-6)
    over = {name: reflectance_over(back, own, passing) for name, back in (("b", 0.0), ("w", 0.89))}
    assert over["w"] == pytest.approx(0.850812, abs=1e-6)
    black, white = (
        Estimate(value=r, unit="1", components=(Component(name="n", u=0.001),))
        for r in (over["b"], over["w"])
    )
    # TAPPI T 425 om-21 (summary read): opacity over an 89 % backing is 100 R0/R0.89.
    assert 100.0 * contrast(black, white, "x").value == pytest.approx(68.4620, abs=1e-3)


@pytest.mark.parametrize("gain", [0.2, 1.7])
def test_noise_variance_is_linear_in_the_signal(gain):
    # EMVA 1288, linear camera model (from memory): variance = offset + gain x signal, in digits.
    rng = np.random.default_rng(3)
    shape = (160, 240)

    def frame(electrons):
        digits = rng.poisson(electrons, shape) * gain + 100.0 + 2.0 * rng.standard_normal(shape)
        return as_micrograph(digits.astype(np.float32), bits=32, name="x")

    box = Box(col=0, row=0, cols=60, rows=40, cell_px=4)
    given = {"transfer": "linear", "channel": "luminance"}
    dark = stack_of([frame(0.0), frame(0.0)], box, **given)
    tiles = tiles_in(np.ones((40, 60), dtype=bool), box)
    for electrons in (200.0, 2000.0):
        light = stack_of([frame(electrons), frame(electrons)], box, **given)
        relation = photon_transfer_of(light, dark, tiles, "luminance")
        assert relation.gain == pytest.approx(gain, rel=0.04)
        assert relation.offset == pytest.approx(4.0, rel=0.05)
        assert relation.variance(gain * electrons) == pytest.approx(
            gain**2 * electrons + 4.0, rel=0.04
        )


def test_first_order_uncertainty_of_a_logarithm_and_where_it_ends():
    # NPL report DEM-ES-011, 9.2, quoted in the tests of a public uncertainty program: ln x with
    # x rectangular on 0.1 to 1.1 has first-order value -0.511 and u 0.481; the truth is -0.665
    # and 0.606. Density is such a logarithm: what hides a share g <= T of the light is therefore
    # not propagated to first order, but by its own 95 % quantile.
    low, high = 0.1, 1.1
    mean, u = (low + high) / 2.0, (high - low) / math.sqrt(12.0)
    assert math.log(mean) == pytest.approx(-0.511, abs=0.001)
    assert u / mean == pytest.approx(0.481, abs=0.001)
    x = np.linspace(low, high, 2_000_001)
    assert np.log(x).mean() == pytest.approx(-0.665, abs=0.001)
    assert np.log(x).std() == pytest.approx(0.606, abs=0.001)
    # Ours: stray light anywhere up to all that was seen; 95 % of the hidden density is covered.
    frames = {"open_light": (even(0.8),), "dark": (even(0.0),)}
    settings = DensitySettings(lamp_drift_rel=0.0, glare_rel=0.03, transfer="linear")
    estimate = measure_optical_density(even(0.008), settings, frames).measurements[0].estimate
    hidden = -np.log10(1.0 - (np.arange(100_000) + 0.5) / 100_000)
    covered = np.mean(hidden <= coverage_factor(math.inf) * estimate.standard_uncertainty)
    assert covered == pytest.approx(0.95, abs=0.002)


def test_iso_5_opacity_is_the_reciprocal_of_transmittance():
    # ISO 5-1 (definition from memory): opacity O = 1/T, density is its logarithm.
    assert 10.0 ** density_of(0.04) == pytest.approx(25.0, rel=1e-5)
