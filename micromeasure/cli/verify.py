"""`micromeasure verify`: proof on this machine that the numbers are what they are stated to be."""

import argparse
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from micromeasure.reference.verify import Verdict


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Declare the command."""
    parser = subparsers.add_parser(
        "verify", help="measure reference images of known truth and judge the stated uncertainty"
    )
    parser.add_argument("--long", action="store_true", help="twenty times as many images")
    parser.add_argument("--only", metavar="SET", help="one reference set alone, such as film")
    parser.add_argument("--seed", type=int, default=20260211, help="seed of the images")
    parser.add_argument("--jobs", type=int, default=0, help="worker processes; 0 for all cores")
    parser.add_argument(
        "--pixel-size", type=float, metavar="UM", help="length of a pixel as on your bench, um"
    )
    parser.add_argument(
        "--blur", type=float, metavar="PX", help="standard deviation of your edge spread, px"
    )
    parser.add_argument(
        "--noise", type=float, metavar="SHARE", help="your noise as a share of full scale"
    )
    parser.add_argument(
        "--report", type=Path, metavar="FILE", help="write a dated record, HTML or .md"
    )
    parser.add_argument(
        "--write-study",
        type=Path,
        metavar="DIR",
        help="only write the images with their truth, as studies, and measure nothing",
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the verdicts; 0 every promise held, 1 one was broken, 2 the request is wrong."""
    from micromeasure.reference.campaign import Campaign
    from micromeasure.reference.trial import Conditions

    conditions = Conditions(um_per_px=args.pixel_size, blur_px=args.blur, noise=args.noise)
    campaign = Campaign(
        conditions=conditions, seed=args.seed, long=args.long, jobs=args.jobs, only=args.only or ""
    )
    if args.write_study is not None:
        for folder in campaign.write_studies(args.write_study):
            print(f"wrote {folder}")
        return 0
    start = time.monotonic()
    verdicts: list[Verdict] = []
    for name, found in campaign.verify():
        print(f"{name}: {len(found)} promises judged", file=sys.stderr)
        verdicts.extend(found)
    _print_table(verdicts)
    if args.report is not None:
        from micromeasure.reference.verify_page import write_record

        write_record(args.report, verdicts, campaign)
        print(f"report: {args.report}")
    broken = [sentence for verdict in verdicts for sentence in _sentences(verdict)]
    for sentence in broken:
        print(sentence, file=sys.stderr)
    images = sum(v.n + v.failures for v in verdicts)
    seconds = time.monotonic() - start
    print(f"{images} numbers judged in {seconds:.0f} s: ", end="")
    print("every promise held." if not broken else f"{len(broken)} promises broken.")
    return 1 if broken else 0


def _sentences(verdict: "Verdict") -> list[str]:
    promise = verdict.promise
    subject = f"{promise.quantity} {promise.statistic} ({promise.condition})"
    return [f"{subject}: {fault}." for fault in verdict.broken]


def _print_table(verdicts: "list[Verdict]") -> None:
    from rich.console import Console
    from rich.table import Table

    table = Table(title="errors against the truth")
    for title in ("quantity", "images", "n", "failed"):
        table.add_column(title, justify="left" if title in ("quantity", "images") else "right")
    for title in ("bias", "scatter", "p95", "unit", "x bound", "coverage", "> 5 u", ""):
        table.add_column(title, justify="right")
    for v in verdicts:
        ratio = "" if v.bound_ratio is None else f"{v.bound_ratio:.2f}"
        table.add_row(
            f"{v.promise.quantity} {v.promise.statistic}",
            v.promise.condition,
            str(v.n),
            str(v.failures),
            f"{v.bias:+.4f}",
            f"{v.scatter:.4f}",
            f"{v.p95:.4f}",
            v.promise.step_name,
            ratio,
            "" if v.coverage is None else f"{100 * v.coverage:.1f} %",
            str(v.wild),
            "broken" if v.broken else "held",
        )
    console = Console()
    if not console.is_terminal:  # a file or a pipe has no width of its own
        console.width = 132
    console.print(table)
