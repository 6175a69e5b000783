"""`micromeasure calibration-history`: the calibrations of an objective as a control chart."""

import argparse
import datetime as dt
from pathlib import Path


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Declare the command."""
    parser = subparsers.add_parser(
        "calibration-history", help="show the calibrations over time and when the next is due"
    )
    add = parser.add_argument
    add("folder", type=Path, metavar="DIR", help="folder of calibration files")
    add("--out", type=Path, metavar="DIR", help="where to write; default: the same folder")
    add(
        "--tolerance-ppm",
        type=float,
        metavar="PPM",
        help="change of scale that can be borne; default: the newest expanded uncertainty",
    )
    parser.set_defaults(run=run)  # fmt: skip


def run(args: argparse.Namespace) -> int:
    """Write the chart and its table, and say what they show."""
    from micromeasure.calibration.history import describe_history, history_files, read_history
    from micromeasure.calibration.writing import write_whole

    tolerance = None if args.tolerance_ppm is None else 1e-6 * args.tolerance_ppm
    histories = read_history(args.folder, tolerance=tolerance)
    files = history_files(histories, args.out or args.folder)
    write_whole(files)
    today = dt.datetime.now(tz=dt.UTC).astimezone().date()
    for history in histories:
        print(describe_history(history, today))
    print(f"wrote {', '.join(str(path) for path in files)}")
    return 0
