"""Lengths of digitised lines: better than the published length estimators for chain codes."""

import math

import numpy as np
import pytest

from micromeasure.calibration.file import nominal_calibration
from micromeasure.cracks.centreline import measure_line
from micromeasure.cracks.patch import cut_around
from micromeasure.micrograph.image import Header, ImageRecord, Micrograph
from micromeasure.reference.metal_surface import Stroke, draw_coverage

# Published rms errors of length estimators for straight digitised lines, in per cent: number of
# pixels 16 and 1.111 times it 11 (Mukhopadhyay et al., Digital Geometry in Image Processing, CRC
# 2013, 3.2.5.1); even and odd steps 6.6 (Freeman), 2.6 (Kulpa), with corner count 0.8 (Vossepoel
# and Smeulders): Dorst and Smeulders 1987, these three from memory.
PUBLISHED = {"pixels": 16.0, "freeman": 6.6, "kulpa": 2.6, "corners": 0.8}


def chain_steps(tangent):
    """Even, odd steps and corners per column of a long digitised line of slope 0 to 1."""
    n = 4000
    rows = np.floor(tangent * np.arange(n + 1) + 0.5)
    odd = np.diff(rows) > 0
    corners = np.count_nonzero(odd[1:] != odd[:-1])
    return (np.count_nonzero(~odd) / n, np.count_nonzero(odd) / n, corners / n)


ESTIMATORS = {
    "pixels": lambda even, odd, corner: even + odd,
    "freeman": lambda even, odd, corner: even + math.sqrt(2) * odd,
    "kulpa": lambda even, odd, corner: 0.948 * even + 1.340 * odd,
    "corners": lambda even, odd, corner: 0.980 * even + 1.406 * odd - 0.091 * corner,
}


def published_rms(name):
    """Rms error over slopes, angles weighted by their cosine, per column."""
    angles = np.linspace(0.0005, math.pi / 4 - 0.0005, 400)
    errors = [ESTIMATORS[name](*chain_steps(math.tan(a))) - 1 / math.cos(a) for a in angles]
    return 100 * math.sqrt(np.average(np.square(errors), weights=np.cos(angles)))


@pytest.mark.parametrize("name", PUBLISHED)
def test_the_published_figures_are_those_of_the_estimators(name):
    digits = 0.5 if PUBLISHED[name] > 10 else 0.05
    assert published_rms(name) == pytest.approx(PUBLISHED[name], abs=digits)


def measured_length(points, seed):
    """Length that is measured of a line drawn with exact area coverage, blurred, with noise."""
    import cv2

    low = np.floor(points.min(axis=0)) - 40
    cols, rows = (int(v) for v in np.ceil(points.max(axis=0)) + 40 - low)
    stroke = Stroke(points_px=points - low, widths_px=np.full(len(points), 2.0))
    image = 150 - 60 * draw_coverage((rows, cols), [stroke])
    image = cv2.GaussianBlur(image, (0, 0), 1.0)
    image += np.random.default_rng(seed).normal(0, 1.5, image.shape)
    pixels = np.clip(np.round(image), 0, 255).astype(np.uint8)
    micrograph = Micrograph(
        pixels=pixels,
        calibration=nominal_calibration((1.0, 1.0)),
        record=ImageRecord(image="line"),
        header=Header(
            format="TIFF", width_px=cols, height_px=rows, channels=1, dtype="uint8", bits=8
        ),
    )
    patch = cut_around(micrograph, points - low)
    start = np.round(patch.patch_points(points - low))
    return measure_line(patch, start).length_px


def test_straight_lines_of_known_length_at_every_angle():
    errors = []
    for k, angle in enumerate(np.deg2rad(np.arange(1.0, 180.0, 11.3))):
        t = np.arange(121.0)[:, None]
        start = np.random.default_rng(k).uniform(0, 1, 2)
        points = start + t * np.array((math.cos(angle), math.sin(angle)))
        errors.append(100 * (measured_length(points, k) / 120.0 - 1))
    rms = math.sqrt(np.mean(np.square(errors)))
    assert rms < PUBLISHED["corners"]
    assert abs(np.mean(errors)) < 0.5
    # No direction is favoured: chain codes err by up to 8 % at 22.5 degrees.
    assert max(np.abs(errors)) < 2.0


@pytest.mark.parametrize("radius", [25.0, 60.0, 150.0])
def test_arcs_of_known_length(radius):
    """Arc length = radius times angle."""
    errors = []
    for k in range(3):
        span = min(1.8 * math.pi * 0.5, 160.0 / radius)
        t = np.linspace(0.0, span, 240) + k * 0.6
        points = radius * np.column_stack((np.cos(t), np.sin(t))) + 0.17 * k
        errors.append(100 * (measured_length(points, k) / (radius * span) - 1))
    assert abs(np.mean(errors)) < 1.0
    assert max(np.abs(errors)) < 2.5
