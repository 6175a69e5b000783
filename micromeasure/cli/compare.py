"""`micromeasure compare`: what differs between the revisions, and whether it matters."""

import argparse
from pathlib import Path


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Declare the command."""
    parser = subparsers.add_parser(
        "compare", help="compare the revisions and answer the study's questions"
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
    """Write comparisons.csv and comparisons.svg and print the verdicts."""
    from micromeasure.compare.table import compare_study, write_comparisons
    from micromeasure.compare.wording import answer, joined
    from micromeasure.report.forest import write_forest_plot
    from micromeasure.study.load import load_study

    study = load_study(args.study)
    folder = args.out or study.path.parent / "results"
    comparisons = compare_study(study, folder, all_pairs=args.pairs == "all")
    path = write_comparisons(folder, comparisons)
    write_forest_plot(folder, comparisons)
    for title, asked in (("Questions of the study", True), ("Compared besides", False)):
        lines = [c for c in comparisons if c.question.is_asked is asked]
        if lines:
            print(f"{title}:")
        for compared in lines:
            print(f"  {answer(compared)}")
            if compared.remarks:
                print(f"      {joined(compared.remarks)}")
    print(f"{len(comparisons)} comparisons written to {path}")
    return 0
