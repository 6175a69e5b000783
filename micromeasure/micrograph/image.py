"""A micrograph in memory: pixels, where they came from and the calibration they belong to."""

import datetime as dt
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.calibration.file import Calibration

Rectangle = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class ImageRecord:
    """What the manifest says about one image.

    Attributes
    ----------
    image : str
        Path inside the images folder, with ``/``.
    specimen, revision, view, position, state : str
        Empty where not given.
    calibration : str
        Calibration id, empty for none.
    taken : datetime.date or None
    section_tilt_deg, u_section_tilt_deg : float or None
        Angle between the section's normal and the film's plane, and its standard uncertainty.
    region, fold : tuple of four floats or None
        ``x0 y0 x1 y1`` in pixels.
    extra : mapping of str to str
        Columns carried through to the results untouched.
    """

    image: str
    specimen: str = ""
    revision: str = ""
    view: str = ""
    position: str = ""
    state: str = ""
    calibration: str = ""
    taken: dt.date | None = None
    section_tilt_deg: float | None = None
    u_section_tilt_deg: float | None = None
    region: Rectangle | None = None
    fold: Rectangle | None = None
    extra: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """What an image file says about itself, read without decoding any pixel.

    Attributes
    ----------
    format : str
        ``TIFF``, ``PNG``, ``JPEG`` or ``BMP``.
    width_px, height_px : int
    channels : int
        1 for grey, 3 for colour; an alpha channel is not counted.
    dtype : str
        Name of the numpy type of a stored value.
    bits : int
        Significant bits of a stored value where the file tells, else the type's.
    pages : int
    white_is_zero : bool
        Whether the file stores white as 0; pixels are handed out inverted to black as 0.
    um_per_px : tuple of two floats or None
        Pixel size in x and y as the file states it.
    exposure_s : float or None
    """

    format: str
    width_px: int
    height_px: int
    channels: int
    dtype: str
    bits: int
    pages: int = 1
    white_is_zero: bool = False
    um_per_px: tuple[float, float] | None = None
    exposure_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Micrograph:
    """Pixels with all that is needed to measure in them.

    Attributes
    ----------
    pixels : ndarray, shape (rows, cols) or (rows, cols, 3)
        As stored: ``uint8``, ``uint16`` or ``float32``; colour is in the order R, G, B.
    calibration : Calibration
        Always there; an image without one gets a nominal scale flagged ``uncalibrated``.
    record : ImageRecord
    header : Header
    sha256 : str
        Digest of the file's bytes, empty for an array that never was a file.
    origin_px : tuple of two ints
        Column and row of ``pixels[0, 0]`` in the whole image; not zero where only a window
        was read.
    flags : tuple of str
        Doubts that hold for every measurement in this image.
    slices : callable or None
        Of a focus stack: each call gives an iterator over its slices, lowest first, read one by
        one; `pixels` are those of the middle slice.
    shared : dict
        What several quantities work out of these pixels, each kept by the first that needs it; a
        changed copy starts with none.
    """

    pixels: NDArray[Any]
    calibration: Calibration
    record: ImageRecord
    header: Header
    sha256: str = ""
    origin_px: tuple[int, int] = (0, 0)
    flags: tuple[str, ...] = ()
    slices: Callable[[], Iterator[NDArray[Any]]] | None = None
    shared: dict[tuple[Any, ...], Any] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    def grey(self) -> NDArray[np.float32]:
        """Return one value a pixel: the pixels themselves, or the luminance of colour.

        Luminance weights are those of ITU-R BT.709, applied to the stored values.
        """
        if self.pixels.ndim == 2:
            return self.pixels.astype(np.float32, copy=False)
        weights = np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)
        return self.pixels.astype(np.float32) @ weights

    @property
    def full_scale(self) -> float:
        """Greatest value a pixel can hold; 1.0 for floating point."""
        if self.pixels.dtype.kind == "f":
            return 1.0
        return float((1 << self.header.bits) - 1)
