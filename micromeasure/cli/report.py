"""`micromeasure report`: one page that a colleague can act on."""

import argparse
from pathlib import Path


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Declare the command."""
    parser = subparsers.add_parser(
        "report", help="write the report, one self-contained page that prints well"
    )
    parser.add_argument("study", type=Path, metavar="STUDY", help="study file or its folder")
    parser.add_argument(
        "--out", type=Path, metavar="DIR", help="results folder; default: results beside the study"
    )
    parser.add_argument(
        "--pairs",
        choices=("reference", "all"),
        default="reference",
        help="with more than two revisions: each with the reference, or every pair",
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Write report.html."""
    from micromeasure.report.notes import notes_path
    from micromeasure.report.page import write_report
    from micromeasure.study.load import load_study

    study = load_study(args.study)
    folder = args.out or study.path.parent / "results"
    path = write_report(study, folder, all_pairs=args.pairs == "all")
    print(f"{path}, {path.stat().st_size / 1e6:.1f} MB; its texts are in {notes_path(study.path)}")
    return 0
