"""Reading what a manifest names: an image file, or a focus stack."""

from pathlib import Path

from micromeasure.calibration.file import Calibration
from micromeasure.micrograph.header import MAX_PIXELS, read_header
from micromeasure.micrograph.image import ImageRecord, Micrograph, Rectangle
from micromeasure.micrograph.single import digest_of, matching_scale, read_image
from micromeasure.micrograph.stack import read_stack

__all__ = ["digest_of", "matching_scale", "read_header", "read_micrograph"]


def read_micrograph(
    path: Path,
    *,
    record: ImageRecord | None = None,
    calibration: Calibration | None = None,
    max_pixels: int = MAX_PIXELS,
    window: Rectangle | None = None,
) -> Micrograph:
    """Read an image file with its calibration into a micrograph.

    Parameters
    ----------
    path : pathlib.Path
        TIFF, PNG, JPEG or BMP; where the record has a ``z_step_um`` a TIFF of several pages or
        a folder of images is a focus stack.
    record : ImageRecord or None
        The manifest's row; a bare one is made where None.
    calibration : Calibration or None
        None: the pixel size stated in the file is used and flagged ``uncalibrated``.
    max_pixels : int
        Greatest number of pixels allowed.
    window : tuple of four floats or None
        ``x0 y0 x1 y1``, edges included; only this part of a large TIFF is decoded.

    Returns
    -------
    Micrograph
        Pixels are ``uint8``, ``uint16`` or ``float32``, black is 0, colour in the order R, G, B.

    Raises
    ------
    ImageReadError
        If the file cannot be read, or has no scale at all, or is not of the calibration's size.
    """
    record = record or ImageRecord(image=path.name)
    if record.extra.get("z_step_um"):
        return read_stack(path, record=record, calibration=calibration, max_pixels=max_pixels)
    return read_image(
        path, record=record, calibration=calibration, max_pixels=max_pixels, window=window
    )
