"""Calibrated measurements with stated uncertainty from folders of micrographs."""

import importlib
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from micromeasure.api import Result, measure
    from micromeasure.calibration.file import Calibration, read_calibration
    from micromeasure.errors import (
        CalibrationError,
        ImageReadError,
        MeasurementError,
        MicromeasureError,
        StudyError,
    )
    from micromeasure.estimate import Component, Estimate
    from micromeasure.micrograph.image import ImageRecord, Micrograph
    from micromeasure.micrograph.reading import read_micrograph
    from micromeasure.outcome import Indication, Measurement, Outcome
    from micromeasure.study.load import load_study

_HOME = {
    "Calibration": "calibration.file",
    "CalibrationError": "errors",
    "Component": "estimate",
    "Estimate": "estimate",
    "ImageReadError": "errors",
    "ImageRecord": "micrograph.image",
    "Indication": "outcome",
    "Measurement": "outcome",
    "MeasurementError": "errors",
    "MicromeasureError": "errors",
    "Micrograph": "micrograph.image",
    "Outcome": "outcome",
    "Result": "api",
    "StudyError": "errors",
    "load_study": "study.load",
    "measure": "api",
    "read_calibration": "calibration.file",
    "read_micrograph": "micrograph.reading",
}

__all__ = [
    "Calibration",
    "CalibrationError",
    "Component",
    "Estimate",
    "ImageReadError",
    "ImageRecord",
    "Indication",
    "Measurement",
    "MeasurementError",
    "Micrograph",
    "MicromeasureError",
    "Outcome",
    "Result",
    "StudyError",
    "load_study",
    "measure",
    "read_calibration",
    "read_micrograph",
]


def __getattr__(name: str) -> Any:  # noqa: ANN401
    """Import a public name when it is first asked for, so that the command starts at once."""
    if name not in _HOME:
        message = f"module 'micromeasure' has no attribute {name!r}"
        raise AttributeError(message)
    return getattr(importlib.import_module(f"micromeasure.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    """List the public names, imported or not."""
    return sorted(__all__)
