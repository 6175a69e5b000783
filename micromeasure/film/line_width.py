"""Widths of single lines, for the edge offset of the optics: a line is a film of one layer."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from micromeasure.calibration.file import Calibration
from micromeasure.calibration.width import WidthPoint
from micromeasure.errors import CalibrationError, MeasurementError
from micromeasure.film.measure import measure_stack
from micromeasure.micrograph.image import Micrograph
from micromeasure.micrograph.reading import read_micrograph
from micromeasure.micrograph.response import response_of


def measure_line_widths(
    images: Sequence[Path],
    widths_um: Sequence[float],
    u_widths_um: Sequence[float],
    calibration: Calibration,
) -> list[WidthPoint]:
    """Measure the line in each image as thickness is measured, without any edge offset.

    Parameters
    ----------
    images : sequence of pathlib.Path
    widths_um, u_widths_um : sequence of float
        Certified widths and their standard uncertainties: one for each image, or one for all.
    calibration : Calibration

    Returns
    -------
    list of WidthPoint

    Raises
    ------
    CalibrationError
        If the numbers of images and widths do not match, or an image shows no single line.
    ImageReadError
        If an image cannot be read or is not of the calibration's size.
    """
    widths = _one_each(widths_um, len(images), "--width-um")
    u_widths = _one_each(u_widths_um, len(images), "--u-width-um")
    points, problems = [], []
    for path, width, u_width in zip(images, widths, u_widths, strict=True):
        micrograph = read_micrograph(path, calibration=calibration)
        try:
            measured, u_measured, is_dark = line_width(micrograph)
        except MeasurementError as error:
            problems.append(f"{path.name}: the line's width could not be measured. {error}")
            continue
        points.append(
            WidthPoint(image=path.name, certified_um=width, u_certified_um=u_width,
                       measured_um=measured, u_measured_um=u_measured, is_dark=is_dark)
        )  # fmt: skip
    if problems:
        raise CalibrationError(problems)
    return points


def line_width(micrograph: Micrograph) -> tuple[float, float, bool]:
    """Return the half-way width of a line, um, its uncertainty from location, whether it is dark.

    Raises
    ------
    MeasurementError
        If the image shows no single line between two equal sides.
    """
    stack = measure_stack(micrograph, 1, response=response_of(micrograph))
    layer = stack.layers[0]
    first, second = stack.step_at(0), stack.step_at(1)
    if first * second >= 0:
        message = "one side is darker and one brighter than the middle; a line has equal sides."
        raise MeasurementError(message)
    width = float(np.average(layer.thickness_um[layer.good]))
    return width, layer.u_mean_um, first < 0


def _one_each(values: Sequence[float], n: int, option: str) -> list[float]:
    if len(values) not in (1, n):
        message = f"{option}: found {len(values)} values for {n} images; give one each, or one."
        raise CalibrationError([message])
    return list(values) if len(values) == n else list(values) * n
