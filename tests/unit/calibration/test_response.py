"""Camera response from a step tablet: the curve, what is refused, and the command."""

import math

import numpy as np
import pytest
import tifffile

from micromeasure.calibration.file import CameraResponse, Light, read_calibration
from micromeasure.calibration.response import Step, fit_response, smoothing_spline
from micromeasure.calibration.step_images import StepRequest
from micromeasure.cli.main import main
from micromeasure.errors import CalibrationError
from micromeasure.micrograph.response import measured_decode, measured_u, srgb_encode
from micromeasure.reference.transmission import Bench, Camera

DENSITIES = (0.0, *(round(0.05 + 0.15 * i, 2) for i in range(15)))


def gamma(share):
    return np.asarray(share) ** (1 / 1.9)


def steps_of(encode, densities=DENSITIES, shape=(40, 70), seed=3, **more):
    rng = np.random.default_rng(seed)
    camera = Camera(bits=8, black_share=0.0, encode=encode, prnu=0.0)
    bench = Bench(shape=shape, camera=camera, falloff=0.0, slope=0.0)
    steps = []
    for density in densities:
        values, counts = np.unique(bench.frame(10.0**-density, rng), return_counts=True)
        steps.append(
            Step(density=density, values=values.astype(float), counts=counts.astype(float), **more)
        )
    return steps


@pytest.mark.parametrize("encode", [srgb_encode, gamma])
def test_the_curve_gives_back_densities_it_never_saw(encode):
    fit = fit_response(steps_of(encode), u_density=0.002, full_scale=255)
    decode, u_of = measured_decode(fit.response), measured_u(fit.response)
    top = float(decode(255 * encode(np.array([0.85])))[0])
    for density in np.linspace(0.1, 1.5, 15):
        light = float(decode(255 * encode(np.array([0.85 * 10.0**-density])))[0])
        error = -math.log10(light / top) - density
        assert abs(error) < 0.006
        assert abs(error) < 4 * math.hypot(u_of(light), u_of(top))


def test_beyond_the_brightest_step_the_uncertainty_grows():
    fit = fit_response(steps_of(gamma, DENSITIES[2:]), full_scale=255)
    light = fit.response.light_rel
    u = measured_u(fit.response)
    assert u(light[-1]) > 3 * u(light[-20])


def test_clipped_and_dark_steps_are_left_out():
    bright = steps_of(gamma, (0.0, 0.15), clipped_share=0.2)
    fit = fit_response([*bright, *steps_of(gamma, (*DENSITIES[3:], 6.0))])
    assert len(fit.left_out) == 3
    assert "clipped" in fit.left_out[-1]
    assert "not told from the dark" in fit.left_out[0]


def test_too_few_steps_are_refused():
    with pytest.raises(CalibrationError, match="found 3 usable steps; need at least 5"):
        fit_response(steps_of(gamma, DENSITIES[:3]))


def test_densities_in_the_wrong_order_are_refused():
    steps = steps_of(gamma)
    wrong = [
        Step(density=d, values=s.values, counts=s.counts)
        for d, s in zip(reversed(DENSITIES), steps, strict=True)
    ]
    with pytest.raises(CalibrationError, match="values must rise with light"):
        fit_response(wrong)


def test_a_smoothing_spline_follows_a_line_and_bends_for_a_curve():
    x = np.linspace(0.0, 1.0, 15)
    rng = np.random.default_rng(2)
    held = 0
    for _ in range(40):
        y = np.sin(3.0 * x) + 0.02 * rng.standard_normal(15)
        mean, u = smoothing_spline(x, y, np.full(15, 0.02))(np.array([0.33, 0.61]))
        held += int(np.sum(np.abs(mean - np.sin(3.0 * np.array([0.33, 0.61]))) < 1.96 * u))
    assert 70 <= held <= 80
    straight, _ = smoothing_spline(x, 2.0 * x, np.full(15, 0.02))(np.array([0.5, 1.2]))
    np.testing.assert_allclose(straight, [1.0, 2.4], atol=1e-6)


@pytest.mark.parametrize(
    ("given", "text"),
    [
        ({"values": (0, 5), "light_rel": (0, 1)}, "equally long, at least 3"),
        ({"values": (0, 5, 4), "light_rel": (0, 1, 2)}, "values must rise"),
    ],
)
def test_response_tables_that_are_no_curve_are_refused(given, text):
    with pytest.raises(ValueError, match=text):
        CameraResponse(**given)


def test_measured_without_a_table_is_refused():
    with pytest.raises(ValueError, match="there is no response table"):
        Light(transfer="measured")


@pytest.mark.parametrize(
    ("given", "text"),
    [
        ({"images": ("a",), "densities": (0.1,)}, "give a --region for each step"),
        ({"images": ("a", "b"), "densities": (0.1,)}, "found 1 densities for 2 steps"),
        (
            {"images": ("a", "b"), "densities": (0.1, 0.2), "regions": ((0, 0, 9, 9),) * 2},
            "at most one region",
        ),
        ({"images": ("a", "b"), "densities": (0.1, -0.2)}, "not below 0"),
    ],
)
def test_requests_that_cannot_be_meant_are_refused(given, text):
    with pytest.raises(CalibrationError, match=text):
        StepRequest(**given)


@pytest.fixture
def bench_files(tmp_path):
    (tmp_path / "bench.toml").write_text(
        'schema = 1\nid = "bench"\num_per_px = { x = 0.5, y = 0.52 }\n', encoding="utf-8"
    )
    return tmp_path


def test_one_image_a_step_makes_a_calibration(bench_files, capsys):
    rng = np.random.default_rng(4)
    camera = Camera(bits=8, black_share=0.0, encode=srgb_encode)
    bench = Bench(shape=(60, 90), camera=camera)
    names = []
    for density in DENSITIES:
        names.append(str(bench_files / f"step_{density:.2f}.tif"))
        tifffile.imwrite(names[-1], bench.frame(10.0**-density, rng))
    file = bench_files / "bench.toml"
    status = main(
        ["calibrate-response", *names, "--densities", *(str(d) for d in DENSITIES),
         "--calibration", str(file)]
    )  # fmt: skip
    assert status == 0
    assert "16 steps, residual standard deviation" in capsys.readouterr().out
    light = read_calibration(file).light
    assert light.transfer == "measured"
    assert light.response.steps == 16
    assert light.response.residual_sd_density < 0.01


def test_one_image_of_all_steps_under_uneven_light(bench_files):
    rng = np.random.default_rng(4)
    camera = Camera(bits=8, black_share=0.0, encode=gamma)
    bench = Bench(shape=(64, 660), camera=camera, falloff=0.2, slope=0.1, blur_px=0.5)
    densities = DENSITIES[1:12]
    scene = np.repeat([10.0**-d for d in densities], 60)[None, :] * np.ones((64, 1))
    regions = [(60 * i + 20, 8, 60 * i + 40, 55) for i in range(len(densities))]
    for name, pixels in {
        "steps": bench.frame(scene, rng), "open": bench.frame(1.0, rng),
        "dark": bench.frame(0.0, rng, lamp=0.0),
    }.items():  # fmt: skip
        tifffile.imwrite(bench_files / f"{name}.tif", pixels)
    out = bench_files / "new.toml"
    status = main(
        ["calibrate-response", str(bench_files / "steps.tif"),
         "--densities", *(str(d) for d in densities),
         *(word for r in regions for word in ("--region", *(str(v) for v in r))),
         "--open-light", str(bench_files / "open.tif"), "--dark", str(bench_files / "dark.tif"),
         "--calibration", str(bench_files / "bench.toml"), "--out", str(out)]
    )  # fmt: skip
    assert status == 0
    decode = measured_decode(read_calibration(out).light.response)
    light = decode(255 * gamma(0.7 * 10.0 ** -np.array([0.1, 0.6, 1.2])))
    np.testing.assert_allclose(np.diff(-np.log10(light)), [0.5, 0.6], atol=0.01)
    assert read_calibration(bench_files / "bench.toml").light.transfer is None


def test_a_missing_density_is_said_and_nothing_written(bench_files, capsys):
    file = bench_files / "bench.toml"
    before = file.read_bytes()
    status = main(
        ["calibrate-response", "a.tif", "b.tif", "--densities", "0.1", "--calibration", str(file)]
    )
    assert status == 2
    assert "found 1 densities for 2 steps" in capsys.readouterr().err
    assert file.read_bytes() == before
