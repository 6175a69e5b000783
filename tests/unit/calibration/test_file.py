import datetime as dt
import math

import numpy as np
import pytest

from micromeasure.calibration.file import SCHEMA, Calibration, read_calibration
from micromeasure.calibration.geometry import CameraMode, Distortion
from micromeasure.calibration.writing import calibration_toml, write_calibration, write_whole
from micromeasure.errors import CalibrationError

BENT = Distortion(k1_per_px2=3e-8, centre_px=(320.0, 210.0), u_k1_per_px2=1e-9)
BENCH = Calibration(
    schema=SCHEMA, id="bench-b", um_per_px=(0.41, 0.4), u_um_per_px=(1e-4, 2e-4), dof=(6.0, 9.0),
    image_size_px=(640, 420), made=dt.date(2026, 2, 11), valid_until=dt.date(2027, 2, 11),
    distortion=BENT, camera_modes=(
        CameraMode(binning=2), CameraMode(crop=(100, 50, 339, 209)),
        CameraMode(crop=(100, 50, 339, 209), binning=4),
    ),
)  # fmt: skip


def test_what_is_written_is_read_again(tmp_path):
    path = tmp_path / "deep" / "bench-b.toml"
    write_calibration(BENCH, path)
    assert read_calibration(path) == BENCH
    assert list(path.parent.iterdir()) == [path]


def test_a_file_that_cannot_be_written_leaves_nothing(tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("x")
    with pytest.raises(CalibrationError, match="cannot be written"):
        write_whole({tmp_path / "a.toml": b"a", blocked / "b.toml": b"b"})
    assert [p.name for p in tmp_path.iterdir()] == ["file"]


@pytest.mark.parametrize("bad", ["camera_modes = 3", "[[camera_modes]]\nbinning = 0",
                                 "[distortion]\nk1_per_px2 = 1.0",
                                 "[[camera_modes]]\nbinning = 2"])  # fmt: skip
def test_faults_in_new_tables_are_told(tmp_path, bad):
    path = tmp_path / "c.toml"
    path.write_text(f'schema = 1\nid = "c"\num_per_px = {{ x = 1.0, y = 1.1 }}\n{bad}\n')
    with pytest.raises(CalibrationError, match=r"^c\.toml[,:] "):
        read_calibration(path)


def test_undistorting_moves_points_from_the_centre():
    seen = np.array([[320.0, 210.0], [620.0, 210.0], [320.0, 10.0]])
    ideal = BENCH.undistorted(seen)
    assert ideal[0] == pytest.approx(seen[0])
    assert ideal[1] == pytest.approx([320 + 300 * (1 + 3e-8 * 300**2), 210.0])
    assert BENCH.to_um(seen)[2] == pytest.approx(ideal[2] * [0.41, 0.4])


@pytest.mark.parametrize("direction", [(1.0, 0.0), (0.0, 1.0), (1.0, -2.0)])
def test_stretch_is_the_ratio_of_short_lengths(direction):
    point, step = np.array([600.0, 30.0]), 1e-3 * np.array(direction)
    ends = BENCH.undistorted(np.stack([point, point + step]))
    ratio = np.hypot(*(ends[1] - ends[0])) / np.hypot(*step)
    assert BENCH.stretch((600.0, 30.0), direction) == pytest.approx(ratio, rel=1e-6)


def test_without_distortion_nothing_moves():
    plain = Calibration(schema=SCHEMA, id="p", um_per_px=(0.5, 0.4))
    assert plain.stretch((3.0, 4.0), (1.0, 0.0)) == 1.0
    assert plain.undistorted(np.array([3.0, 4.0])).tolist() == [3.0, 4.0]
    assert plain.for_size((7, 9)) is plain


@pytest.mark.parametrize(
    ("size", "binning", "origin"),
    [((320, 210), 2, (0, 0)), ((240, 160), 1, (100, 50)), ((60, 40), 4, (100, 50))],
)
def test_binned_and_cropped_sizes_get_their_scale(size, binning, origin):
    mode = BENCH.for_size(size)
    assert mode.um_per_px == pytest.approx((0.41 * binning, 0.4 * binning))
    assert mode.u_um_per_px == pytest.approx((1e-4 * binning, 2e-4 * binning))
    # One point of the specimen, seen in both modes, lies at the same place in um.
    whole_px = np.array([130.0, 71.0])
    mode_px = (whole_px - origin - (binning - 1) / 2) / binning
    about = np.array(BENT.centre_px)
    in_whole = (BENCH.undistorted(whole_px) - about) * BENCH.um_per_px
    in_mode = (mode.undistorted(mode_px) - mode.distortion.centre_px) * mode.um_per_px
    assert in_mode == pytest.approx(in_whole, rel=1e-9)


def test_another_size_is_not_explained():
    assert BENCH.for_size((641, 420)) is None
    assert BENCH.for_size((640, 420)) is BENCH


def test_few_degrees_of_freedom_reach_the_budget():
    assert BENCH.scale_component(100.0, (1.0, 0.0)).dof == 6.0
    many = Calibration(schema=SCHEMA, id="p", um_per_px=(0.5, 0.4), u_um_per_px=(1e-4, 1e-4))
    assert math.isinf(many.scale_component(100.0, (1.0, 0.0)).dof)


def test_uncorrected_distortion_is_a_doubt_about_every_length():
    flat = {"schema": SCHEMA, "id": "p", "um_per_px": (0.5, 0.4)}
    assert Calibration(**flat, fit={"nonlinearity": 5e-3}).flags == ("distorted",)
    assert Calibration(**flat, fit={"nonlinearity": 5e-4}).flags == ()
    assert Calibration(**flat, fit={"nonlinearity": 5e-3}, distortion=BENT).flags == ()


def test_unknown_parts_are_left_out_of_the_file():
    text = calibration_toml(Calibration(schema=SCHEMA, id="p", um_per_px=(0.5, 0.4)))
    assert text == 'schema = 1\nid = "p"\n\n[um_per_px]\nx = 0.5\ny = 0.4\n'


def test_two_modes_of_one_size_are_refused():
    modes = (CameraMode(binning=2), CameraMode(crop=(10, 10, 329, 219)))
    with pytest.raises(ValueError, match="320 x 210 px, which then could be either"):
        Calibration(schema=SCHEMA, id="p", um_per_px=(0.5, 0.4), image_size_px=(640, 420),
                    camera_modes=modes)  # fmt: skip
