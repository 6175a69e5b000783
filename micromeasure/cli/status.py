"""`micromeasure status`: how far a run is, whether it is running or stopped."""

import argparse
from pathlib import Path


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Declare the command."""
    parser = subparsers.add_parser("status", help="say how far a running or stopped run is")
    parser.add_argument(
        "folder", type=Path, metavar="DIR", help="results folder, or the study's file or folder"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the state of the ledger."""
    from micromeasure.run.state import read_state

    for line in read_state(args.folder).lines():
        print(line)
    return 0
