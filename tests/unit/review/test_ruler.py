import math

import numpy as np
import pytest
from scipy.special import erf

from micromeasure.calibration.file import Calibration
from micromeasure.errors import MeasurementError
from micromeasure.micrograph.image import Header, ImageRecord, Micrograph
from micromeasure.review.ruler import angle, distance, edge_distance, radius

SCALE = (0.5, 0.4)
CALIBRATION = Calibration(schema=1, id="bench-a", um_per_px=SCALE, u_um_per_px=(5e-7, 4e-7))


def micrograph(pixels: np.ndarray | None = None) -> Micrograph:
    pixels = np.zeros((60, 90), np.uint8) if pixels is None else pixels
    rows, cols = pixels.shape
    header = Header(format="TIFF", width_px=cols, height_px=rows, channels=1, dtype="uint8", bits=8)
    return Micrograph(
        pixels=pixels, calibration=CALIBRATION, record=ImageRecord(image="a.tif"), header=header
    )


def px(*points_um: tuple[float, float]) -> np.ndarray:
    return np.array(points_um) / SCALE


def test_distance_is_in_micrometres() -> None:
    estimate = distance(micrograph(), px((0, 0), (3, 4))).estimate
    assert estimate.value == pytest.approx(5.0)
    assert estimate.standard_uncertainty is None


@pytest.mark.parametrize("degrees", [5.0, 45.0, 90.0, 135.0, 179.0])
def test_angle_at_the_second_point(degrees: float) -> None:
    turn = math.radians(degrees)
    end = (10 + 7 * math.cos(turn), 8 + 7 * math.sin(turn))
    found = angle(micrograph(), px((13, 8), (10, 8), end)).estimate
    assert found.value == pytest.approx(degrees)
    assert found.unit == "deg"


def test_angle_of_coinciding_points_is_refused() -> None:
    with pytest.raises(MeasurementError, match="Two of the three points coincide"):
        angle(micrograph(), px((1, 1), (1, 1), (2, 2)))


def test_radius_through_three_points() -> None:
    turns = np.radians([10.0, 75.0, 200.0])
    points = np.column_stack([20 + 6.5 * np.cos(turns), 12 + 6.5 * np.sin(turns)]) / SCALE
    reading = radius(micrograph(), points)
    assert reading.estimate.value == pytest.approx(6.5)
    away = np.hypot(*((reading.course_px * SCALE) - (20, 12)).T)
    assert np.allclose(away, 6.5)


def test_radius_of_a_straight_line_is_refused() -> None:
    with pytest.raises(MeasurementError, match="straight line"):
        radius(micrograph(), px((0, 0), (5, 5), (9, 9)))


def strip(rng: np.random.Generator, first: float, second: float, turn_deg: float) -> Micrograph:
    """Render a bright strip whose edges cross a turned line at given places, in pixels.

    A straight edge blurred by a Gaussian is an error function of the distance from it: exact.
    """
    y, x = np.mgrid[0:160, 0:200]
    turn = math.radians(turn_deg)
    along = (x - 40) * math.cos(turn) + (y - 60) * math.sin(turn)
    edges = erf((along - first) / (math.sqrt(2) * 1.4)) - erf(
        (along - second) / (math.sqrt(2) * 1.4)
    )
    image = 60 + 65 * edges + rng.normal(0, 2.0, x.shape)
    return micrograph(np.clip(np.round(image), 0, 255).astype(np.uint8))


@pytest.mark.parametrize("turn_deg", [0.0, 17.0, 40.0])
def test_edges_are_found_within_their_uncertainty(turn_deg: float) -> None:
    rng = np.random.default_rng(41)
    turn = math.radians(turn_deg)
    along = np.array([math.cos(turn), math.sin(turn)])
    um_per_px = math.hypot(*(along * SCALE))
    errors, stated = [], []
    for _ in range(40):
        first, second = 12 + rng.uniform(-1, 1), 80 + rng.uniform(-1, 1)
        # A person hits an edge to within a few pixels.
        clicks = np.array([40.0, 60.0]) + np.outer(
            [first + rng.uniform(-4, 4), second + rng.uniform(-4, 4)], along
        )
        estimate = edge_distance(strip(rng, first, second, turn_deg), clicks).estimate
        assert estimate.value is not None
        errors.append(estimate.value - (second - first) * um_per_px)
        low, high = estimate.interval_95
        assert low is not None
        assert high is not None
        stated.append(low <= (second - first) * um_per_px <= high)
    assert abs(np.mean(errors)) < 0.02 * um_per_px
    assert np.std(errors) < 0.025 * um_per_px
    # 40 intervals of 95 %: fewer than 33 hits has a chance below one in a thousand.
    assert sum(stated) >= 33


def test_no_edge_near_a_point_is_said() -> None:
    rng = np.random.default_rng(42)
    image = strip(rng, 12, 80, 0.0)
    with pytest.raises(MeasurementError, match="no clear edge within 15 pixels of the second"):
        edge_distance(image, np.array([[52.0, 60.0], [165.0, 60.0]]))


def test_points_too_close_for_edges_are_refused() -> None:
    with pytest.raises(MeasurementError, match="closer than ten pixels"):
        edge_distance(micrograph(), np.array([[10.0, 10.0], [14.0, 10.0]]))


def test_edge_at_the_border_is_no_edge() -> None:
    rng = np.random.default_rng(43)
    with pytest.raises(MeasurementError, match="no clear edge"):
        edge_distance(strip(rng, 12, 80, 0.0), np.array([[52.0, 2.0], [120.0, 2.0]]))
