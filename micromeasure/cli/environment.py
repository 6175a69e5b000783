"""`micromeasure environment`: versions, for a report of a problem."""

import argparse
import importlib.metadata
import platform

_PARTS = (
    "numpy",
    "scipy",
    "scikit-image",
    "opencv-python",
    "tifffile",
    "imagecodecs",
    "pandas",
    "matplotlib",
    "statsmodels",
    "napari",
    "distributed",
    "pyarrow",
)


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Declare the command."""
    parser = subparsers.add_parser("environment", help="print versions, for reporting a problem")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:  # every command has this form
    """Print the versions of everything that numbers may depend on."""
    print(f"micromeasure {importlib.metadata.version('micromeasure')}")
    print(f"Python {platform.python_version()} on {platform.platform()}")
    for part in _PARTS:
        try:
            print(f"{part} {importlib.metadata.version(part)}")
        except importlib.metadata.PackageNotFoundError:
            print(f"{part} is not installed")
    return 0
