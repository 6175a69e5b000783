"""One image of a calibration artefact, whatever it shows: rulings or a grid."""

import math
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.calibration.direction import find_direction, in_256_steps
from micromeasure.calibration.grid import GridImage, measure_grid
from micromeasure.calibration.rulings import RuledImage, measure_rulings
from micromeasure.errors import CalibrationError

PATTERNS = ("auto", "rulings", "grid")

_CLIPPED = 0.05  # greatest share of pixels at the end of the camera's range
_SMALLEST_PX = 32
_ONE_WAY = 0.05  # a ruling's gradients agree more than this, even in strong noise
_CLEAR = 12.0  # and that clearly beyond chance, in standard deviations


def measure_artefact(
    grey: NDArray[Any], *, full_scale: float, name: str, pattern: str = "auto"
) -> RuledImage | GridImage:
    """Measure the rulings or the grid that an image shows.

    Parameters
    ----------
    grey : ndarray, shape (rows, cols)
        Pixel values, not corrected in any way.
    full_scale : float
        Greatest value a pixel can hold.
    name : str
        Of the image, for messages.
    pattern : str
        ``rulings``, ``grid`` or ``auto``.

    Returns
    -------
    RuledImage or GridImage

    Raises
    ------
    CalibrationError
        If the image is empty or saturated, shows neither, or not what `pattern` says.
    """
    _check_exposure(grey, full_scale, name)
    if pattern == "grid":
        return measure_grid(grey, name)
    seen = in_256_steps(grey)
    direction = find_direction(seen)
    may_be_ruled = direction.share > _ONE_WAY and direction.significance > _CLEAR
    if pattern == "rulings":
        if not may_be_ruled:
            message = (
                f"{name}: its lines or elements run two ways alike, so it shows a grid or nothing "
                "at all, not rulings; give --pattern grid, or an image of a ruled micrometer."
            )
            raise CalibrationError([message])
        return measure_rulings(grey, name, direction)
    if not may_be_ruled:
        return measure_grid(grey, name, seen)
    # Squares and dots may lean one way by chance, and rulings among dust none: what is likely
    # first, then the other.
    ways = (
        partial(measure_rulings, grey, name, direction),
        partial(measure_grid, grey, name, seen),
    )
    likely = 0 if direction.share_at_strongest > _ONE_WAY else 1
    try:
        return ways[likely]()
    except CalibrationError as failed:
        try:
            return ways[1 - likely]()
        except CalibrationError as other:
            # What speaks against a ruling tells more than that there is no grid.
            raise (failed if likely == 0 else other) from None


def _check_exposure(grey: NDArray[Any], full_scale: float, name: str) -> None:
    rows, cols = grey.shape
    if min(rows, cols) < _SMALLEST_PX:
        message = f"{name}: is {cols} x {rows} px; at least {_SMALLEST_PX} px each way are needed."
        raise CalibrationError([message])
    # Whole numbers are compared with a whole one: quickly, and as they are stored.
    limit = math.ceil(full_scale) if grey.dtype.kind in "ui" and full_scale < 2**31 else full_scale
    clipped = float(np.count_nonzero(grey >= limit)) / grey.size
    if clipped > _CLIPPED:
        message = (
            f"{name}: {100 * clipped:.0f} % of its pixels are saturated, at most "
            f"{100 * _CLIPPED:.0f} % may be; take it again with a shorter exposure."
        )
        raise CalibrationError([message])
    if float(np.ptp(grey[::4, ::4])) == 0.0:
        message = f"{name}: is empty, all its pixels are alike; take an image of the artefact."
        raise CalibrationError([message])
