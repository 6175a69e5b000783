"""`micromeasure check`: every problem of a study at once, measuring nothing."""

import argparse
import sys
from pathlib import Path


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Declare the command."""
    parser = subparsers.add_parser("check", help="report every problem of a study, measure nothing")
    parser.add_argument("study", type=Path, metavar="STUDY", help="study file or its folder")
    parser.add_argument(
        "--max-pixels", type=int, default=2_000_000_000, help="greatest image size allowed"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the problems; 0 none, 1 only some images cannot be measured, 2 the study is wrong."""
    from micromeasure.study.check import check_images
    from micromeasure.study.load import examine_study

    study, problems = examine_study(args.study)
    for problem in problems:
        print(problem, file=sys.stderr)
    if study is None:
        return 2
    findings = check_images(study, max_pixels=args.max_pixels)
    for problem in findings.image_problems:
        print(problem, file=sys.stderr)
    for note in findings.notes:
        print(f"note: {note}")
    total = len(problems) + len(findings.image_problems)
    measures = sum(len(job.measures) for job in study.jobs)
    print(
        f"{study.path}: {len(study.jobs)} images, {measures} measurements to make, "
        f"{len(study.calibrations)} calibrations; "
        + ("no problem found." if total == 0 else f"{total} problem{'s' * (total > 1)} found.")
    )
    if problems:
        return 2
    return 1 if findings.image_problems else 0
