"""`micromeasure review`: a person decides on candidate indications in the viewer."""

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from micromeasure.review.agreement import Agreement
    from micromeasure.review.opening import Opened


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Declare the command."""
    parser = subparsers.add_parser(
        "review", help="open the viewer: a person confirms, rejects or corrects candidates"
    )
    add = parser.add_argument
    add("study", type=Path, metavar="STUDY", help="study file or its folder")
    add("--out", type=Path, metavar="DIR", help="results folder; default: results beside the study")
    add(
        "--by",
        choices=("score", "image"),
        default="score",
        help="order of the candidates: clearest first, or image after image",
    )
    add("--reviewer", default="", metavar="XY", help="initials of who decides; default: asked once")
    add("--blind", action="store_true", help="hide what other persons decided")
    add(
        "--settle",
        action="store_true",
        help="show only what persons decided differently, with their decisions",
    )
    add(
        "--export",
        action="store_true",
        help="open no window; write decisions.csv and the agreement of persons to the results, "
        "as is done whenever the window is closed",
    )
    add(
        "--join",
        type=Path,
        metavar="FILE",
        help="open no window; add the record of another person, made on another computer",
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Open the viewer, or do what needs none; always 0 unless the request is wrong."""
    from micromeasure.review.opening import open_review
    from micromeasure.review.record import join, read_record, record_path
    from micromeasure.study.load import find_study

    if args.join is not None:
        record = record_path(find_study(args.study))
        print(f"{record}: {join(record, args.join)} entries added.")
        if not args.export:
            return 0
    if not args.export:
        from micromeasure.review.viewer.window import require_viewer

        require_viewer()
    opened = open_review(args.study, args.out)
    for doubt in read_record(opened.record).doubts:
        print(f"note: {doubt}", file=sys.stderr)
    if args.export:
        return _export(opened)
    return _review(opened, args)


def _review(opened: "Opened", args: argparse.Namespace) -> int:
    from micromeasure.review.queue import Rules
    from micromeasure.review.viewer.window import ask_reviewer, known_reviewer, review
    from micromeasure.run.engine import write_again

    reviewer = args.reviewer or known_reviewer() or ask_reviewer()
    if not reviewer:
        print("Nobody decides; nothing was opened.", file=sys.stderr)
        return 2
    rules = Rules(reviewer=reviewer, by=args.by, blind=args.blind, settle=args.settle)
    review(opened, rules)
    write_again(opened.study, out=opened.folder)
    print(f"Decisions are in {opened.record}, and taken up in {opened.folder}.")
    return _export(opened)


def _export(opened: "Opened") -> int:
    from micromeasure.review.export import export_decisions

    files, pairs = export_decisions(opened)
    for file in files:
        print(file)
    for pair in pairs:
        print(_agreement_text(pair))
    return 0


def _agreement_text(pair: "Agreement") -> str:
    kappa = "not defined" if pair.kappa is None else f"{pair.kappa:.2f}"
    if pair.low_95 is not None and pair.high_95 is not None:
        kappa += f" (95 % interval {pair.low_95:.2f} to {pair.high_95:.2f})"
    unsettled = sum(not one.is_settled for one in pair.disagreements)
    return (
        f"{pair.first} and {pair.second}: {pair.n} indications decided by both; confirmed by both "
        f"{pair.both_confirmed}, by {pair.first} only {pair.first_only}, by {pair.second} only "
        f"{pair.second_only}, rejected by both {pair.both_rejected}; Cohen's kappa {kappa}; "
        f"{unsettled} to be settled."
    )
