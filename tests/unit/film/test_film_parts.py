import numpy as np
import pytest

from micromeasure.errors import MeasurementError
from micromeasure.film.follow import follow_films
from micromeasure.film.frame import Frame
from micromeasure.film.locate import locate_edges
from micromeasure.film.stack import find_stack
from micromeasure.film.thickness import LayerThickness, layer_thickness, variation
from micromeasure.reference.film import FilmSection, render_film

SCALE = (0.5, 0.48)


def section(**changes: object) -> FilmSection:
    settings: dict[str, object] = {
        "shape": (260, 340),
        "um_per_px": SCALE,
        "thickness_um": (12.0,),
        "levels": (0.3, 0.7, 0.2),
        "blur_um": 0.6,
        "noise_sd": 0.01,
        "bits": 12,
    }
    return FilmSection(**{**settings, **changes})  # type: ignore[arg-type]


def frame_of(film_section: FilmSection, seed: int = 1) -> tuple[Frame, list[object]]:
    film = render_film(film_section, np.random.default_rng(seed))
    courses = follow_films(film.pixels)
    frame = Frame(pixels=film.pixels, turned=courses[0].turned, origin_px=(0, 0), um_per_px=SCALE)
    return frame, list(courses)


@pytest.mark.parametrize("direction", [0.0, 17.0, 44.0, 46.0, 89.0, 90.0, 133.0, 171.0])
def test_the_course_has_the_films_direction(direction: float) -> None:
    film = render_film(section(direction_deg=direction), np.random.default_rng(2))
    course = follow_films(film.pixels)[0]
    slope = np.polyfit(course.rows, course.shift_px, 1)[0]
    rise, run = (slope * SCALE[1], SCALE[0]) if course.turned else (SCALE[1], slope * SCALE[0])
    found = np.degrees(np.arctan2(rise, run)) % 180.0
    assert min(abs(found - direction), 180.0 - abs(found - direction)) < 0.6


def test_noise_alone_has_no_direction() -> None:
    noise = np.random.default_rng(3).normal(1000.0, 50.0, (240, 310)).astype(np.uint16)
    assert follow_films(noise) == []


def test_edges_are_counted() -> None:
    frame, courses = frame_of(section(direction_deg=30.0))
    with pytest.raises(MeasurementError, match="Found 2 edges along the film where 2 layers need"):
        find_stack(frame, courses[0], 3)  # type: ignore[arg-type]
    two = section(thickness_um=(12.0, 14.0), levels=(0.2, 0.7, 0.3, 0.8))
    frame, courses = frame_of(two)
    with pytest.raises(MeasurementError, match="Found 3 edges of like contrast"):
        find_stack(frame, courses[0], 2)  # type: ignore[arg-type]


def test_edges_lie_where_they_were_drawn_and_blur_is_what_it_was() -> None:
    quiet = section(noise_sd=1e-4, bits=16, direction_deg=72.0)
    frame, courses = frame_of(quiet)
    groups = locate_edges(frame, find_stack(frame, courses[0], 2), 65535.0)  # type: ignore[arg-type]
    layer = layer_thickness(frame, groups, 0)
    assert np.mean(layer.thickness_um[layer.good]) == pytest.approx(12.0, abs=0.003)
    # Blur and the pixel's own area add up in squares.
    expected = np.hypot(0.6 / layer.um_per_px_across, 12**-0.5)
    assert groups[0].sigma_px == pytest.approx(expected, rel=0.01)


def test_stated_scatter_is_the_scatter_met() -> None:
    errors, stated = [], []
    for seed in range(24):
        frame, courses = frame_of(section(noise_sd=0.04, direction_deg=80.0), seed)
        groups = locate_edges(frame, find_stack(frame, courses[0], 2), 4095.0)  # type: ignore[arg-type]
        layer = layer_thickness(frame, groups, 0)
        errors.append(np.mean(layer.thickness_um[layer.good]) - 12.0)
        stated.append(layer.u_mean_um)
    # 24 images know a standard deviation to 15 %.
    assert np.std(errors) == pytest.approx(np.mean(stated), rel=0.45)
    assert abs(np.mean(errors)) < 3.5 * np.mean(stated) / np.sqrt(24)


def trace(thickness: np.ndarray, noise: float) -> LayerThickness:
    n = thickness.size
    return LayerThickness(
        rows=np.arange(float(n)),
        middle_px=np.zeros(n),
        lower_px=np.zeros(n),
        upper_px=np.zeros(n),
        distance_um=np.arange(float(n)),
        thickness_um=thickness,
        noise_um=noise,
        u_mean_um=noise / np.sqrt(n),
        good=np.isfinite(thickness),
        visible_rows=n,
        normal=(0.0, 1.0),
        um_per_px_across=1.0,
        inflation=1.0,
    )


def test_noise_is_taken_out_of_the_films_own_variation() -> None:
    rng = np.random.default_rng(6)
    wave = 0.2 * np.sin(np.arange(1200) / 60.0)
    noisy = variation(trace(20.0 + wave + 0.5 * rng.standard_normal(1200), 0.5))
    assert noisy.sd_um == pytest.approx(np.std(wave), rel=0.2)
    flat = variation(trace(20.0 + 0.5 * rng.standard_normal(1200), 0.5))
    assert flat.sd_um < 0.08


def test_one_wild_profile_is_no_extreme() -> None:
    rng = np.random.default_rng(7)
    values = 20.0 + 0.1 * rng.standard_normal(1000)
    calm = variation(trace(values.copy(), 0.1))
    values[500] += 5.0
    wild = variation(trace(values, 0.1))
    assert wild.max_um - calm.max_um < 0.25
