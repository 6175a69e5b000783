"""`micromeasure calibrate-width`: the edge offset of the optics from lines of certified width."""

import argparse
from pathlib import Path


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Declare the command."""
    parser = subparsers.add_parser(
        "calibrate-width", help="find the edge offset from lines of certified width"
    )
    add = parser.add_argument
    add("images", nargs="+", type=Path, metavar="IMAGE", help="one line of certified width each")
    add(
        "--width-um",
        type=float,
        nargs="+",
        required=True,
        metavar="W",
        help="certified widths, one for each image, or one for all",
    )
    add(
        "--u-width-um",
        type=float,
        nargs="+",
        required=True,
        metavar="U",
        help="their standard uncertainties, one for each image, or one for all",
    )
    add(
        "--calibration",
        type=Path,
        required=True,
        metavar="FILE",
        help="calibration file that gets the edge offset",
    )
    add("--out", type=Path, metavar="FILE", help="write there instead, leaving that file alone")
    parser.set_defaults(run=run)  # fmt: skip


def run(args: argparse.Namespace) -> int:
    """Measure the lines, fit, store the edge offset and say what it means."""
    from micromeasure.calibration.file import read_calibration
    from micromeasure.calibration.width import describe_width, fit_edge_offset, with_edge_offset
    from micromeasure.calibration.writing import write_calibration
    from micromeasure.film.line_width import measure_line_widths

    calibration = read_calibration(args.calibration)
    points = measure_line_widths(args.images, args.width_um, args.u_width_um, calibration)
    u_rel = calibration.u_um_per_px or (0.0, 0.0)
    u_scale_rel = max(u / s for u, s in zip(u_rel, calibration.um_per_px, strict=True))
    found = fit_edge_offset(points, u_scale_rel=u_scale_rel)
    out = args.out or args.calibration
    write_calibration(with_edge_offset(calibration, found), out)
    print(describe_width(found, calibration))
    print(f"wrote {out}")
    return 0
