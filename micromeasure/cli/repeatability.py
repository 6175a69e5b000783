"""`micromeasure repeatability`: how well the measuring system repeats and reproduces."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from micromeasure.compare.repeatability import GaugeStudy


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Declare the command."""
    parser = subparsers.add_parser(
        "repeatability", help="gauge study: repeatability, reproducibility, share of tolerance"
    )
    parser.add_argument("study", type=Path, metavar="STUDY", help="study file or its folder")
    parser.add_argument(
        "--out", type=Path, metavar="DIR", help="results folder; default: results beside the study"
    )
    parser.add_argument("--quantity", default="", help="only this quantity; default: all")
    parser.add_argument(
        "--tolerance",
        type=float,
        metavar="T",
        help="plus-minus tolerance in the quantity's unit; default: that of the study",
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Write repeatability.csv and one figure per quantity, and print the results."""
    from micromeasure.compare.repeatability import gauge_studies
    from micromeasure.compare.repeatability_table import write_repeatability
    from micromeasure.report.gauge_figure import write_gauge_figures
    from micromeasure.study.load import load_study
    from micromeasure.tables.reading import read_results

    study = load_study(args.study)
    folder = args.out or study.path.parent / "results"
    studies = gauge_studies(
        read_results(folder),
        asked=study.comparisons,
        quantity=args.quantity,
        tolerance=args.tolerance,
    )
    path = write_repeatability(folder, studies)
    figures = write_gauge_figures(folder, studies)
    for found in studies:
        _print(found)
    print(f"{path} and {len(figures)} figure{'s' * (len(figures) != 1)} written")
    return 0


def _print(study: "GaugeStudy") -> None:
    from micromeasure.compare.wording import brief, plain_name, with_unit

    result = study.result
    places = (study.feature, study.view, study.state)
    print(", ".join([plain_name(study.quantity), *(word for word in places if word)]))
    print(f"  {result.n_parts} parts, {result.n_operators} operators")
    low, high = brief(result.repeatability_low), brief(result.repeatability_high)
    lines = [
        ("repeatability", f"{brief(result.repeatability_sd)} ({low} to {high})"),
        ("reproducibility", result.reproducibility_sd),
        ("repeatability limit r", result.limit_r),
        ("reproducibility limit R", result.limit_big_r),
        ("between parts", result.part_sd if result.n_parts > 1 else None),
    ]
    for name, value in lines:
        if value is not None:
            text = value if isinstance(value, str) else brief(value)
            print(f"  {name}: {with_unit(text, study.unit)}")
    if study.share_of_tolerance is not None:
        print(f"  share of tolerance: {100 * study.share_of_tolerance:.0f} %")
    if result.n_parts > 1:
        print(f"  distinct categories: {result.categories}")
    for remark in study.remarks:
        print(f"  note: {remark}")
