"""`run.json`: versions, settings and digests, enough to repeat a run."""

import dataclasses
import datetime as dt
import hashlib
import importlib.metadata
import json
import platform
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from micromeasure import __version__
from micromeasure.quantities import derivations, quantities
from micromeasure.run.options import Options
from micromeasure.study.model import Measure, Study
from micromeasure.tables.writing import replace_file, unwritable

RUN_FILE = "run.json"
SOFTWARE = f"micromeasure {__version__}"
SCHEMA = 1

_LIBRARIES = ("numpy", "scipy", "scikit-image", "opencv-python", "tifffile", "imagecodecs")
_CELL_NOTE = (
    "A text that a spreadsheet would run as a formula (it starts with =, +, -, @, a tab or a "
    "carriage return and is no plain number) has an apostrophe in front; take one off to get "
    "the text back."
)


def now_text() -> str:
    """Return the time in UTC, ISO 8601, to the millisecond."""
    return dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds")


def write_run_file(
    study: Study,
    out: Path,
    *,
    started: str,
    counts: Mapping[str, int],
    sha256: Mapping[str, str],
    options: Options,
) -> None:
    """Write `run.json`.

    Parameters
    ----------
    study : Study
    out : pathlib.Path
        The results folder.
    started : str
        Time the run began.
    counts : mapping of str to int
        Images of the study, kept and measured.
    sha256 : mapping of str to str
        Digests of the result files.
    options : Options

    Raises
    ------
    ResultsError
        If it cannot be written.
    """
    run = {
        "schema": SCHEMA,
        "software": SOFTWARE,
        "times": {"started": started, "ended": now_text()},
        "environment": {
            "python": platform.python_version(),
            "platform": platform.platform(),
            "libraries": {name: _version(name) for name in _LIBRARIES},
        },
        "options": dataclasses.asdict(options),
        "images": dict(counts),
        "study": {
            "file": study.path.name,
            "sha256": _file_digest(study.path),
            "title": study.title,
            "measures": [_measure_plain(measure) for measure in study.measures],
            "derived": {
                d.name: d.method
                for d in derivations().values()
                if {m.quantity for m in study.measures}.issuperset(d.needs)
            },
        },
        "calibrations": {
            name: dataclasses.asdict(calibration)
            for name, calibration in sorted(study.calibrations.items())
        },
        "results": dict(sha256),
        "notes": {"cells": _CELL_NOTE},
    }
    text = json.dumps(run, indent=2, ensure_ascii=False, default=str) + "\n"
    try:
        replace_file(out / RUN_FILE, text.encode())
    except OSError as error:
        raise unwritable(out, error) from error


def _measure_plain(measure: Measure) -> dict[str, Any]:
    return {
        "quantity": measure.quantity,
        "view": measure.view,
        "method": quantities()[measure.quantity].method,
        "settings": dataclasses.asdict(measure.settings),
    }


def _file_digest(path: Path) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""


def _version(name: str) -> str:
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return ""
