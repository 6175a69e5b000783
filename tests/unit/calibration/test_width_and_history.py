import csv
import datetime as dt
import io

import numpy as np
import pytest

from micromeasure.calibration.file import SCHEMA, Calibration
from micromeasure.calibration.history import (
    chart_of,
    describe_history,
    history_files,
    individuals_limits,
    read_history,
)
from micromeasure.calibration.straight_line import fit_line
from micromeasure.calibration.width import (
    WidthPoint,
    describe_width,
    fit_edge_offset,
    with_edge_offset,
)
from micromeasure.calibration.writing import write_calibration, write_whole
from micromeasure.errors import CalibrationError

BENCH = Calibration(
    schema=SCHEMA, id="b", objective="20x/0.45", um_per_px=(0.41, 0.4), u_um_per_px=(4e-5, 4e-5)
)


def points(offset, *, slope=1.0, widths=(2.0, 4.0, 6.0, 9.0), dark=True, sd=0.0, seed=0):
    rng = np.random.default_rng(seed)
    sign = 1 if dark else -1
    return [
        WidthPoint(image=f"{w:g}.tif", certified_um=w, u_certified_um=0.01,
                   measured_um=slope * w + sign * 2 * offset + rng.normal(0, sd),
                   u_measured_um=0.005, is_dark=dark)
        for w in widths
    ]  # fmt: skip


@pytest.mark.parametrize("dark", [True, False])
def test_offset_and_slope_are_told_apart(dark):
    found = fit_edge_offset(points(0.12, slope=1.004, dark=dark), u_scale_rel=1e-4)
    assert found.offset_um == pytest.approx(0.12)
    assert found.slope == pytest.approx(1.004)


def test_bright_and_dark_lines_together():
    mixed = points(0.12) + points(0.12, dark=False)
    found = fit_edge_offset(mixed, u_scale_rel=1e-4)
    assert found.offset_um == pytest.approx(0.12)
    assert found.residual_sd_um == pytest.approx(0, abs=1e-12)


def test_one_width_carries_the_uncertainty_of_the_scale():
    loose, tight = (fit_edge_offset(points(0.12, widths=(9.0,)), u_scale_rel=u) for u in (1e-2, 0))
    assert loose.slope is None
    assert tight.u_offset_um == pytest.approx(np.hypot(0.01, 0.005) / 2)
    assert loose.u_offset_um == pytest.approx(np.hypot(tight.u_offset_um, 0.09 / 2))


def test_the_offset_interval_holds_the_truth():
    hits = 0
    for seed in range(200):
        widths = (2.0, 3.0, 4.0, 6.0, 9.0)
        sample = points(0.12, widths=widths, sd=np.hypot(0.01, 0.005), seed=seed)
        stored = with_edge_offset(BENCH, fit_edge_offset(sample, u_scale_rel=0.0))
        hits += abs(stored.edge_offset_um - 0.12) <= 1.96 * stored.u_edge_offset_um
    # The widening for scatter can only add: from 93 % upwards, 99.9 % of such series do.
    assert hits >= 178


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ([], "at least one"),
        (points(0.1, widths=(-2.0,)), "above 0"),
        (points(3.0, widths=(2.0,)), "the width of the line that the image shows"),
    ],
)
def test_widths_that_make_no_sense_are_refused(given, says):
    with pytest.raises(CalibrationError, match=says):
        fit_edge_offset(given, u_scale_rel=0.0)


def test_a_slope_off_one_casts_doubt_on_the_scale():
    found = fit_edge_offset(points(0.12, slope=1.05), u_scale_rel=1e-4)
    assert "check the scale" in describe_width(found, BENCH)
    assert "check the scale" not in describe_width(
        fit_edge_offset(points(0.12), u_scale_rel=1e-4), BENCH
    )


def test_limits_of_an_individuals_chart():
    # Mean 10, moving ranges 1, 2, 1: mean 4/3; limits 10 ± 3 (4/3)/1.128.
    centre, low, high = individuals_limits(np.array([9.5, 10.5, 9.0 - 0.5, 9.5 + 2.0]))
    assert centre == pytest.approx(10.0)
    assert high - centre == pytest.approx(3 * (1 + 2 + 3) / 3 / 1.128)
    assert centre - low == pytest.approx(high - centre)


def test_a_jump_is_out_of_limits_and_a_trend_is_a_drift():
    rng = np.random.default_rng(1)
    days = np.arange(16) * 60.0
    steady = 0.41 * (1 + rng.normal(0, 1e-5, 16))
    jumped = steady.copy()
    jumped[11] *= 1.0003
    u = np.full(16, 4e-5)
    assert not chart_of(days, steady, u).drifts
    assert np.flatnonzero(chart_of(days, jumped, u).out).tolist() == [11]
    drifting = chart_of(days, steady * (1 + 4e-5 * days / 365.25), u)
    assert drifting.drifts
    assert drifting.drift_per_year == pytest.approx(4e-5, abs=1.5e-5)


@pytest.fixture
def folder(tmp_path):
    rng = np.random.default_rng(3)
    for i in range(8):
        made = dt.date(2025, 1, 10) + dt.timedelta(days=90 * i)
        drift = 1 + 1.5e-4 * 90 * i / 365.25 + rng.normal(0, 3e-6)
        write_calibration(
            Calibration(
                schema=SCHEMA, id=f"b-{i}", objective="20x/0.45", image_size_px=(640, 420),
                um_per_px=(0.41 * drift, 0.4), u_um_per_px=(4e-5, 4e-5), made=made,
                valid_until=made + dt.timedelta(days=365),
            ),
            tmp_path / f"b-{i}.toml",
        )  # fmt: skip
    return tmp_path


def test_history_tells_drift_and_due_date(folder):
    (history,) = read_history(folder)
    assert history.x.drifts
    assert not history.y.drifts
    # 195 ppm expanded uncertainty at 150 ppm a year last longer than the year of validity.
    assert history.due == history.calibrations[-1].valid_until
    (tighter,) = read_history(folder, tolerance=50e-6)
    days = (tighter.due - history.calibrations[-1].made).days
    assert days == pytest.approx(365.25 / 3, abs=15)
    assert "drift in x" in tighter.due_reason
    text = describe_history(tighter, dt.date(2030, 1, 1))
    assert "overdue" in text
    assert "drift" in text


def test_history_files(folder):
    histories = read_history(folder)
    files = history_files(histories, folder / "out")
    write_whole(files)
    table, picture = files
    rows = list(csv.DictReader(io.StringIO(table.read_text(encoding="utf-8"))))
    assert len(rows) == 16
    assert rows[0]["moving_range_um_per_px"] == ""
    assert float(rows[2]["um_per_px"]) == pytest.approx(histories[0].x.um_per_px[1])
    assert picture.read_bytes().startswith(b"<?xml")
    assert history_files(histories, folder / "out") == files


def test_other_objectives_get_their_own_chart(folder):
    write_calibration(
        Calibration(schema=SCHEMA, id="c", objective="5x/0.15", um_per_px=(1.6, 1.61),
                    made=dt.date(2025, 3, 1)), folder / "c.toml",
    )  # fmt: skip
    few, many = sorted(read_history(folder), key=lambda h: len(h.files))
    assert few.files == ("c.toml",)
    assert few.due is None
    assert len(many.files) == 8


def test_histories_that_cannot_be_told_are_refused(tmp_path, folder):
    with pytest.raises(CalibrationError, match="not a folder"):
        read_history(tmp_path / "none")
    (tmp_path / "empty").mkdir()
    with pytest.raises(CalibrationError, match="no calibration file"):
        read_history(tmp_path / "empty")
    (folder / "bad.toml").write_text("schema = 1\n")
    with pytest.raises(CalibrationError, match=r"bad\.toml"):
        read_history(folder)


@pytest.mark.parametrize(("x", "y"), [([1.0], [2.0]), ([1.0, 1.0, 1.0], [1.0, 2.0, 3.0])])
def test_a_line_needs_points_apart(x, y):
    with pytest.raises(CalibrationError, match="needed"):
        fit_line(np.array(x), np.array(y))
