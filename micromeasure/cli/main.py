"""The `micromeasure` command: one short module a subcommand, and one place that handles errors."""

import argparse
import importlib
import sys
from collections.abc import Sequence

from micromeasure import __version__
from micromeasure.errors import MicromeasureError, MissingPartError, StudyError

COMMANDS = (
    "calibrate",
    "calibrate_width",
    "calibrate_response",
    "calibration_history",
    "check",
    "run",
    "status",
    "review",
    "compare",
    "repeatability",
    "detectability",
    "report",
    "export",
    "verify",
    "environment",
)
"""Modules of this package in the order of ``--help``; a name with ``_`` is typed with ``-``."""

DONE, SOME_FAILED, WRONG_REQUEST, STOPPED = 0, 1, 2, 130


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status."""
    args = build_parser().parse_args(argv)
    try:
        status: int = args.run(args)
    except KeyboardInterrupt:
        print("Stopped.", file=sys.stderr)
        return STOPPED
    except BrokenPipeError:
        # The reader of a pipe has had enough, such as `head`.
        sys.stderr.close()
        return DONE
    except (MicromeasureError, ImportError) as error:
        if args.debug:
            raise
        for sentence in _sentences(error):
            print(sentence, file=sys.stderr)
        return WRONG_REQUEST
    except Exception as error:  # the user gets a sentence, never a traceback
        if args.debug:
            raise
        fault = f"{type(error).__name__}: {error}"
        print(
            f"fault in the program ({fault}); please report it with the output of "
            "'micromeasure environment' and of the same command after 'micromeasure --debug'.",
            file=sys.stderr,
        )
        return WRONG_REQUEST
    return status


def build_parser() -> argparse.ArgumentParser:
    """Return the parser with every command; no heavy library is imported for it."""
    parser = argparse.ArgumentParser(
        prog="micromeasure",
        description="Calibrated measurements with stated uncertainty from folders of micrographs.",
    )
    parser.add_argument("--version", action="version", version=f"micromeasure {__version__}")
    parser.add_argument(
        "--debug", action="store_true", help="show where in the program an error arose"
    )
    subparsers = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for name in COMMANDS:
        importlib.import_module(f"micromeasure.cli.{name}").add_parser(subparsers)
    return parser


def _sentences(error: Exception) -> list[str]:
    if isinstance(error, StudyError):
        return error.problems
    if isinstance(error, ImportError):
        return [str(missing_part(error))]
    return [str(error)]


def missing_part(error: ImportError) -> MissingPartError:
    """Say in one sentence what to install for an import that failed."""
    text = str(error)
    if ".so" in text:
        library = text.split(":", maxsplit=1)[0].strip()
        return MissingPartError(
            f"The system library {library} is missing, which reading and drawing images needs; on "
            "Debian or Ubuntu install it with: apt-get install libgl1 libglib2.0-0"
        )
    return MissingPartError(
        f"A part of the installation is missing ({text}); install micromeasure again with pip."
    )


if __name__ == "__main__":
    sys.exit(main())
