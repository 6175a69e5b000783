"""`micromeasure calibrate-response`: the camera's response from images of a step tablet."""

import argparse
from pathlib import Path


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Declare the command."""
    parser = subparsers.add_parser(
        "calibrate-response",
        help="measure the camera response from images of a step tablet",
    )
    add = parser.add_argument
    add("images", nargs="+", type=Path, metavar="IMAGE", help="one image a step, or one of all")
    add(
        "--densities", nargs="+", type=float, required=True, metavar="D",
        help="density of each step, in the order of the images or regions",
    )  # fmt: skip
    add(
        "--region", nargs=4, type=float, action="append", default=[],
        metavar=("X0", "Y0", "X1", "Y1"),
        help="where to look, px; once for all images, or once a step in a single image",
    )  # fmt: skip
    add("--open-light", type=Path, metavar="IMAGE", help="same light without tablet: density 0")
    add("--dark", type=Path, metavar="IMAGE", help="frame without light")
    add(
        "--u-density", type=float, metavar="U",
        help="standard uncertainty of the densities; 0.005 where not given",
    )  # fmt: skip
    add(
        "--calibration", type=Path, required=True, metavar="FILE",
        help="calibration file whose light table gets the response",
    )  # fmt: skip
    add("--out", type=Path, metavar="FILE", help="write here and leave that file as it is")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Measure the response, write it into the calibration file and say how well it fits."""
    from micromeasure.calibration.file import read_calibration
    from micromeasure.calibration.step_images import StepRequest, measure_response, with_response
    from micromeasure.calibration.writing import write_calibration

    calibration = read_calibration(args.calibration)
    request = StepRequest(
        images=tuple(args.images),
        densities=tuple(args.densities),
        regions=tuple(tuple(region) for region in args.region),
        open_light=args.open_light,
        dark=args.dark,
        u_density=args.u_density,
    )
    fit = measure_response(request, calibration)
    target = args.out or args.calibration
    write_calibration(with_response(calibration, fit), target)
    print("density      value   residual")
    for density, value, residual in zip(fit.densities, fit.values, fit.residuals, strict=True):
        print(f"{density:7.3f} {value:10.2f} {residual:+10.4f}")
    for sentence in fit.left_out:
        print(f"left out: {sentence}")
    sd = fit.response.residual_sd_density
    print(f"{len(fit.values)} steps, residual standard deviation {sd} in density; wrote {target}")
    return 0
