import numpy as np
import pytest

from micromeasure.cracks.background import remove_background
from micromeasure.cracks.lines import find_lines
from micromeasure.cracks.patch import cut_strip
from micromeasure.reference.metal_surface import lay_texture

FOLD = (10.0, 150.0, 410.0, 150.0)


def response(micrograph, octaves=1):
    patch = cut_strip(micrograph, FOLD, band_um=110.0)
    return find_lines(remove_background(patch), patch, octaves=octaves, floor=0.3), patch


def value_at(lines, patch, point, octave=0):
    u, v = np.round(patch.patch_points(np.array([point]))[0] / 2**octave).astype(int)
    return float(lines.octaves[octave][v - 2 : v + 3, u - 2 : u + 3].max())


@pytest.mark.parametrize("angle_deg", [0, 17, 45, 90, 133])
def test_a_dark_line_answers_alike_in_every_direction(drawing, angle_deg):
    a = np.deg2rad(angle_deg)
    half = 30 * np.array((np.cos(a), np.sin(a)))
    middle = np.array((210.0, 110.0))
    lines, patch = response(drawing().line([middle - half, middle + half]).micrograph())
    assert value_at(lines, patch, middle) > 12


def test_a_bright_line_does_not_answer(drawing):
    line = [(150.0, 110.0), (270.0, 120.0)]
    lines, patch = response(drawing().line(line, depth=-40.0).micrograph())
    assert value_at(lines, patch, (210.0, 115.0)) < 5


def test_a_step_does_not_answer_as_a_line(drawing):
    step = drawing()
    step.image[:, 200:] -= 45.0
    lines, patch = response(step.micrograph())
    line, _ = response(drawing().line([(200.0, 40.0), (200.0, 260.0)], depth=45.0).micrograph())
    at = (200.0, 120.0)
    assert value_at(lines, patch, at) < 0.25 * value_at(line, patch, at)


def test_brighter_light_changes_nothing(drawing):
    line = [(150.0, 110.0), (270.0, 120.0)]
    dim = drawing(level=60.0).line(line, depth=20.0).micrograph(noise=2.0)
    light = drawing(level=120.0).line(line, depth=40.0).micrograph(noise=4.0)
    at = (210.0, 115.0)
    assert value_at(*response(dim), at) == pytest.approx(value_at(*response(light), at), rel=0.1)


def test_a_wide_line_answers_in_a_coarser_octave(drawing):
    line = [(150.0, 110.0), (270.0, 118.0)]
    lines, patch = response(drawing().line(line, width=9.0).micrograph(noise=5.0), octaves=3)
    at = (210.0, 114.0)
    assert value_at(lines, patch, at, 2) > 1.5 * value_at(lines, patch, at, 0)


@pytest.mark.parametrize("lay_deg", [20.0, 75.0, 140.0])
def test_direction_and_strength_of_the_lay_are_measured(drawing, lay_deg):
    brushed = drawing()
    brushed.image += 8.0 * lay_texture(
        brushed.rng, brushed.shape, angle_deg=lay_deg, streak_px=40.0, grain_px=1.0
    )
    lines, _ = response(brushed.micrograph())
    off = abs((lines.lay.angle_deg - lay_deg + 90) % 180 - 90)
    assert off < 4
    assert lines.lay.strength > 0.3
    plain, _ = response(drawing().micrograph())
    assert plain.lay.strength < 0.1


def test_the_lay_raises_the_bar_along_itself_only(drawing):
    def brushed(line):
        view = drawing().line(line, depth=25.0)
        view.image += 8.0 * lay_texture(
            view.rng, view.shape, angle_deg=90.0, streak_px=40.0, grain_px=1.0
        )
        return response(view.micrograph())

    along = brushed([(210.0, 80.0), (210.0, 130.0)])
    across = brushed([(185.0, 105.0), (235.0, 105.0)])
    assert value_at(*across, (210.0, 105.0)) > 1.5 * value_at(*along, (210.0, 105.0))


def test_what_runs_along_the_whole_fold_is_taken_out(drawing):
    view = drawing().line([(0.0, 150.0), (419.0, 150.0)], width=4.0)
    lines, patch = response(view.micrograph())
    for x in (60.0, 200.0, 350.0):
        assert value_at(lines, patch, (x, 150.0)) < 5
