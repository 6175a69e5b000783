"""`micromeasure run`: measure every image of a study."""

import argparse
import os
import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

if TYPE_CHECKING:
    from micromeasure.run.engine import Summary
    from micromeasure.run.events import Event
    from micromeasure.run.summary import Shown
    from micromeasure.study.model import Study


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Declare the command."""
    parser = subparsers.add_parser(
        "run", help="measure every image of a study; resumes where an earlier run stopped"
    )
    add = parser.add_argument
    add("study", type=Path, metavar="STUDY", help="study file or its folder")
    add("--out", type=Path, metavar="DIR", help="results folder; default: results beside the study")
    add(
        "--jobs",
        type=_count,
        metavar="N",
        help="worker processes; default: one a core; 0: in this process, for finding faults",
    )
    add("--cluster", default="", metavar="ADDRESS", help="Dask scheduler that carries the jobs out")
    add(
        "--fresh",
        action="store_true",
        help="measure everything anew; decisions of persons are kept",
    )
    add(
        "--image-timeout",
        type=_seconds,
        default=600.0,
        metavar="S",
        help="give an image up after so many seconds; default 600",
    )
    add(
        "--max-pixels",
        type=_pixels,
        default=2_000_000_000,
        metavar="N",
        help="greatest image size allowed; default 2000000000",
    )
    add("--log", type=Path, metavar="FILE", help="write a log in JSON lines")
    parser.set_defaults(run=run)  # fmt: skip


def run(args: argparse.Namespace) -> int:
    """Measure; 0 all measured, 1 some could not be."""
    from micromeasure.run.engine import default_out, run_study
    from micromeasure.run.options import Options
    from micromeasure.run.progress import json_log, progress_line
    from micromeasure.study.load import load_study

    study = load_study(args.study)
    out = args.out or default_out(study.path)
    options = Options(
        jobs=_cores() if args.jobs is None else args.jobs,
        cluster=args.cluster,
        fresh=args.fresh,
        image_timeout_s=args.image_timeout,
        max_pixels=args.max_pixels,
    )
    signal.signal(signal.SIGTERM, _stop)
    try:
        with (
            json_log(args.log) as log,
            progress_line(sys.stderr, is_terminal=sys.stderr.isatty()) as line,
        ):

            def watch(event: "Event") -> None:
                log(event)
                line(event)

            summary = run_study(study, out=out, options=options, watch=watch)
    except KeyboardInterrupt:
        print(f"Stopped; what was finished is kept in {out}. Go on with the same command.",
              file=sys.stderr)  # fmt: skip
        return 130
    _report(summary, study, out)
    return 1 if summary.written.failures else 0


def _report(summary: "Summary", study: "Study", out: Path) -> None:
    from micromeasure.run.summary import failures_shown, results_shown

    _print_table(results_shown(out, study))
    if summary.written.failures:
        _print_table(failures_shown(out))
    print(
        f"{summary.images} images: {summary.measured} measured now, {summary.kept} kept from "
        f"before; {_many(summary.written.failures, 'failure')}.\nResults are in {out}:"
    )
    for name in (*summary.written.rows, "datapackage.json", "run.json", "overlays/", "profiles/"):
        rows = summary.written.rows.get(name)
        print(f"  {name}" + ("" if rows is None else f", {_many(rows, 'row')}"))


def _many(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def _print_table(shown: "Shown") -> None:
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    # Nothing is cut off where the output goes to a file.
    console = Console() if sys.stdout.isatty() else Console(width=160)
    table = Table(title=shown.title, title_justify="left", box=box.SIMPLE_HEAD)
    for number, name in enumerate(shown.header):
        table.add_column(name, justify="right" if number in shown.numeric else "left")
    for row in shown.rows:
        table.add_row(*map(Text, row))
    console.print(table)


def _stop(*_: object) -> NoReturn:
    raise KeyboardInterrupt


def _cores() -> int:
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:
        return os.cpu_count() or 1


def _count(text: str) -> int:
    return _at_least(int(text), 0)


def _pixels(text: str) -> int:
    return _at_least(int(text), 1)


def _at_least(value: int, low: int) -> int:
    if value < low:
        message = f"found {value}; must be at least {low}"
        raise argparse.ArgumentTypeError(message)
    return value


def _seconds(text: str) -> float:
    value = float(text)
    if not 0 < value < float("inf"):
        message = f"found {text}; must be a number of seconds above 0"
        raise argparse.ArgumentTypeError(message)
    return value
