"""`micromeasure export`: results in the form that other programs like."""

import argparse
from pathlib import Path


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Declare the command."""
    parser = subparsers.add_parser(
        "export", help="hand results over: one line per image for spreadsheets, or Parquet"
    )
    parser.add_argument("study", type=Path, metavar="STUDY", help="study file or its folder")
    parser.add_argument(
        "--out", type=Path, metavar="DIR", help="results folder; default: results beside the study"
    )
    parser.add_argument(
        "--wide", action="store_true", help="write measurements_wide.csv, one line per image"
    )
    parser.add_argument(
        "--parquet", action="store_true", help="write Parquet files (needs the parquet extra)"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Write the files asked for."""
    from micromeasure.errors import StudyError
    from micromeasure.study.load import find_study
    from micromeasure.tables.handover import write_parquet, write_wide

    if not (args.wide or args.parquet):
        raise StudyError(["export: nothing was asked for; give --wide, --parquet or both."])
    folder = args.out or find_study(args.study).parent / "results"
    paths = [write_wide(folder)] if args.wide else []
    if args.parquet:
        paths += write_parquet(folder)
    for path in paths:
        print(path)
    return 0
