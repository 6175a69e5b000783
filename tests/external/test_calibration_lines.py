"""Straight-line calibration against published examples.

`tests/data/published_lines.json` names source, level and date of every data set. Tolerances
are half a unit of the last digit printed there.
"""

import json
import math
from pathlib import Path

import numpy as np
import pytest

from micromeasure.calibration.straight_line import fit_line
from micromeasure.calibration.width import WidthPoint, fit_edge_offset
from micromeasure.estimate import coverage_factor

PUBLISHED = json.loads(
    (Path(__file__).parents[1] / "data" / "published_lines.json").read_text(encoding="utf-8")
)


def test_thermometer_calibration():
    # JCGM 100:2008, H.3, Table H.6 (level B).
    data = PUBLISHED["gum_h3_thermometer"]
    line = fit_line(np.array(data["t"]) - data["t0"], np.array(data["b"]))
    assert line.intercept == pytest.approx(-0.1712, abs=5e-5)
    assert line.u_intercept == pytest.approx(0.0029, abs=5e-5)
    assert line.slope == pytest.approx(0.00218, abs=5e-6)
    assert line.u_slope == pytest.approx(0.00067, abs=5e-6)
    correlation = line.covariance / (line.u_intercept * line.u_slope)
    assert correlation == pytest.approx(-0.930, abs=5e-4)
    assert line.residual_sd == pytest.approx(0.0035, abs=5e-5)
    value, u = line.predict(10.0)
    assert value == pytest.approx(-0.1494, abs=5e-5)
    assert u == pytest.approx(0.0041, abs=5e-5)


def test_an_offset_common_to_all_readings_does_not_average_down():
    # Documentation of a library for measurement uncertainty, page on GUM H.3 (level A for that
    # page): an uncertainty of 0.005 common to all readings gives u(intercept) 0.00577 and
    # leaves the slope's alone.
    data = PUBLISHED["gum_h3_thermometer"]
    line = fit_line(np.array(data["t"]) - data["t0"], np.array(data["b"]))
    assert math.hypot(line.u_intercept, 0.005) == pytest.approx(0.00577, abs=5e-6)
    assert line.u_slope == pytest.approx(0.00067, abs=5e-6)


@pytest.mark.parametrize("number", [0, 1, 2])
def test_weighted_lines_of_the_technical_specification(number):
    # ISO/TS 28037:2010, 6.3 (two examples) and 7.4, uncertainties in both coordinates (level B).
    data = PUBLISHED["iso_ts_28037"]["examples"][number]
    both = {"u_x": np.array(data["u_x"])} if "u_x" in data else {}
    line = fit_line(np.array(data["x"]), np.array(data["y"]), u_y=np.array(data["u_y"]), **both)
    digits = 5e-5 if both else 5e-4
    assert line.intercept == pytest.approx(data["a"], abs=digits)
    assert line.slope == pytest.approx(data["b"], abs=digits)
    # With uncertainties in both, two schemes differ in the third digit of the uncertainties:
    # at the adjusted points (here) or at the observed ones.
    assert line.u_intercept == pytest.approx(data["u_a"], abs=digits, rel=2e-3 if both else 0)
    assert line.u_slope == pytest.approx(data["u_b"], abs=digits, rel=2e-3 if both else 0)
    assert line.covariance == pytest.approx(data["cov"], abs=5e-4)
    assert line.chi_squared == pytest.approx(data["chi2"], abs=5e-4)
    if "inverse" in data:
        x, u = line.invert(data["inverse"]["y0"], data["inverse"]["u_y0"])
        assert x == pytest.approx(data["inverse"]["x0"], abs=5e-4)
        assert u == pytest.approx(data["inverse"]["u_x0"], abs=5e-4)


def test_line_width_calibration():
    # NIST/SEMATECH e-Handbook 2.3.6.7.3 (level A).
    data = PUBLISHED["nist_linewidth_calibration"]
    x, y = np.array(data["X_reference"]), np.array(data["Y_measured"])
    line = fit_line(x, y)
    assert line.intercept == pytest.approx(0.2357623, abs=5e-8)
    assert line.slope == pytest.approx(0.9870377, abs=5e-8)
    assert line.u_intercept == pytest.approx(0.02430034, abs=5e-9)
    assert line.u_slope == pytest.approx(0.00344058, abs=5e-9)
    assert line.covariance == pytest.approx(-7.649453e-5, rel=2e-6)
    assert line.residual_sd == pytest.approx(0.06203, abs=5e-6)  # 2.3.7, level B
    assert line.dof == 38
    # The greatest standard uncertainty of a calibrated value on the page: 0.068 um.
    assert line.invert(0.0, line.residual_sd)[1] == pytest.approx(0.068, abs=5e-4)


def test_edge_offset_of_the_published_line_widths():
    # The same 40 readings as lines of certified width: twice the offset is the intercept.
    data = PUBLISHED["nist_linewidth_calibration"]
    points = [
        WidthPoint(
            image=str(i), certified_um=x, u_certified_um=0.0, measured_um=y,
            u_measured_um=0.0, is_dark=True,
        )
        for i, (x, y) in enumerate(zip(data["X_reference"], data["Y_measured"], strict=True))
    ]  # fmt: skip
    found = fit_edge_offset(points, u_scale_rel=0.0)
    assert 2 * found.offset_um == pytest.approx(0.2357623, abs=5e-8)
    assert 2 * found.u_offset_um == pytest.approx(0.02430034, abs=5e-9)
    assert found.slope == pytest.approx(0.9870377, abs=5e-8)
    assert found.u_slope == pytest.approx(0.00344058, abs=5e-9)
    assert found.dof == 38


def test_control_of_the_line_width_calibration():
    # e-Handbook 2.3.6.7.2: three artefacts on six days; the standard deviation (level A), the
    # limits (recomputed); day 4 is a genuine alarm.
    data = PUBLISHED["nist_linewidth_control"]
    calibrated = PUBLISHED["nist_linewidth_calibration"]
    line = fit_line(np.array(calibrated["X_reference"]), np.array(calibrated["Y_measured"]))
    off = np.array([line.invert(y)[0] - x for _, _, x, y in data["rows_day_pos_X_Y"]])
    assert off.std(ddof=1) == pytest.approx(0.119, abs=5e-4)
    limit = coverage_factor(line.dof, 0.95 ** (1 / 3)) * line.residual_sd / line.slope
    assert limit == pytest.approx(0.15697, abs=5e-5)
    alarms = {day for (day, *_), o in zip(data["rows_day_pos_X_Y"], off, strict=True)
              if abs(o) > limit}  # fmt: skip
    assert alarms == {4}


def test_certified_reference_line():
    # NIST Statistical Reference Datasets, Norris (level A): 15 certified digits.
    data = PUBLISHED["strd_norris"]
    line = fit_line(np.array(data["x"]), np.array(data["y"]))
    for found, certified in (
        (line.intercept, data["B0"]), (line.u_intercept, data["sB0"]), (line.slope, data["B1"]),
        (line.u_slope, data["sB1"]), (line.residual_sd, data["s"]),
    ):  # fmt: skip
        assert found == pytest.approx(certified, rel=1e-11)


@pytest.mark.parametrize("name", ["strd_noint1", "strd_noint2"])
def test_certified_lines_through_the_origin(name):
    # NIST Statistical Reference Datasets, NoInt1 (level A) and NoInt2 (level B).
    data = PUBLISHED[name]
    x, y = np.array(data["x"], dtype=float), np.array(data["y"], dtype=float)
    # Points mirrored at the origin force the line through it; each then counts twice.
    line = fit_line(np.concatenate([x, -x]), np.concatenate([y, -y]))
    assert line.slope == pytest.approx(data["B1"], rel=1e-13)
    assert line.intercept == pytest.approx(0.0, abs=1e-13)
    assert math.sqrt(2) * line.u_slope == pytest.approx(data["sB1"], rel=1e-12)
    if "s" in data:
        assert line.residual_sd == pytest.approx(data["s"], rel=1e-12)


def test_inverse_prediction_with_many_digits():
    # "Linear Regression Results" page of a library for measurement uncertainty (level A).
    data = PUBLISHED["ols_calibration_33pt"]
    line = fit_line(np.array(data["x"]), np.array(data["y"]))
    assert line.intercept == pytest.approx(data["a"], rel=1e-12)
    assert line.u_intercept == pytest.approx(data["u_a"], rel=1e-12)
    assert line.slope == pytest.approx(data["b"], rel=1e-12)
    mean, u = line.predict(21.5)
    assert mean == pytest.approx(data["mean_response_at_21_5"][0], rel=1e-12)
    assert u == pytest.approx(data["mean_response_at_21_5"][1], rel=1e-12)
    single = math.hypot(u, line.residual_sd)
    assert single == pytest.approx(data["single_response_at_21_5"][1], rel=1e-12)


def test_line_with_uncertainties_in_both_coordinates():
    # Pearson's data with York's weights (level B).
    data = PUBLISHED["pearson_york"]
    line = fit_line(
        np.array(data["x"]), np.array(data["y"]),
        u_x=1 / np.sqrt(data["wx"]), u_y=1 / np.sqrt(data["wy"]),
    )  # fmt: skip
    assert line.intercept == pytest.approx(data["a"], abs=5e-10)
    assert line.slope == pytest.approx(data["b"], abs=5e-10)
    assert line.u_intercept == pytest.approx(data["s_a"], rel=2e-3)
    assert line.u_slope == pytest.approx(data["s_b"], rel=2e-3)
    assert line.chi_squared / line.dof == pytest.approx(data["mswd"], abs=5e-10)
