"""What an image file says about itself, read before a single pixel is decoded."""

import io
import math
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING

from micromeasure.errors import ImageReadError
from micromeasure.micrograph.image import Header

if TYPE_CHECKING:
    import tifffile

MAX_PIXELS = 2_000_000_000
"""Images above this are refused unless the run allows more: they are headers gone wrong."""

SUFFIXES = frozenset({".tif", ".tiff", ".btf", ".png", ".jpg", ".jpeg", ".bmp"})
"""Endings of the image files that can be read, in lower case."""

_TIFF_STARTS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_UM_PER_UNIT = {
    "m": 1e6, "dm": 1e5, "cm": 1e4, "mm": 1e3, "µm": 1.0, "μm": 1.0, "um": 1.0, "nm": 1e-3,
    "pm": 1e-6, "Å": 1e-4, "in": 25400.0,
}  # fmt: skip
_EXIF_EXPOSURE = 33434


@contextmanager
def reading_faults(name: str) -> Iterator[None]:
    """Turn whatever a decoder raises on a damaged file into one sentence.

    Raises
    ------
    ImageReadError
        For any exception inside the block.
    """
    try:
        yield
    except ImageReadError:
        raise
    except MemoryError as error:
        message = f"{name}: too large for this machine's memory; give a region or crop the image."
        raise ImageReadError(message) from error
    except OSError as error:
        message = f"{name}: cannot be read ({error.strerror or error}); check file and permissions."
        raise ImageReadError(message) from error
    except Exception as error:  # decoders raise anything on damaged files
        detail = str(error).splitlines()[0] if str(error) else type(error).__name__
        message = f"{name}: is damaged or not an image ({detail}); export it again."
        raise ImageReadError(message) from error


def read_header(path: Path, *, max_pixels: int = MAX_PIXELS) -> Header:
    """Read format, size, type and pixel size of an image file without decoding it.

    Parameters
    ----------
    path : pathlib.Path
        TIFF (also BigTIFF and OME-TIFF), PNG, JPEG or BMP; the content decides, not the ending.
    max_pixels : int
        Greatest number of pixels allowed.

    Raises
    ------
    ImageReadError
        If the file is missing, damaged, of an unknown kind, cut short or too large.
    """
    with reading_faults(path.name), path.open("rb") as stream:
        return header_of(stream, path.name, max_pixels=max_pixels)


def header_of(stream: IO[bytes], name: str, *, max_pixels: int) -> Header:
    """Read the header of an open image file; see `read_header`."""
    start = stream.read(4)
    stream.seek(0)
    if not start:
        message = f"{name}: is empty; copy or export the image again."
        raise ImageReadError(message)
    header = _tiff_header(stream, name) if start in _TIFF_STARTS else _other_header(stream, name)
    if header.width_px * header.height_px > max_pixels:
        message = (
            f"{name}: states {header.width_px} x {header.height_px} px; at most {max_pixels} "
            "pixels are allowed. Raise --max-pixels if the size is right."
        )
        raise ImageReadError(message)
    return header


def is_tiff(start: bytes) -> bool:
    """Return whether a file that starts with these bytes is a TIFF or BigTIFF."""
    return start[:4] in _TIFF_STARTS


def _tiff_header(stream: IO[bytes], name: str) -> Header:
    import tifffile

    with tifffile.TiffFile(stream) as tif:
        page = tif.pages.first
        _check_layout(page, name)
        _check_complete(page, name, tif.filehandle.size)
        samples = 3 if page.photometric == 3 else page.samplesperpixel - len(page.extrasamples)
        return Header(
            format="TIFF",
            width_px=page.imagewidth,
            height_px=page.imagelength,
            channels=3 if samples >= 3 else 1,
            dtype=str(page.dtype),
            bits=_significant_bits(tif, page),
            pages=len(tif.pages),
            white_is_zero=page.photometric == 0,
            um_per_px=_ome_pixel_size(tif) or _tag_pixel_size(page),
            exposure_s=_tiff_exposure(tif, page),
        )


def _check_layout(page: "tifffile.TiffPage", name: str) -> None:
    kind = page.dtype
    if kind is None or kind.kind not in "uif" or page.bitspersample == 1:
        message = (
            f"{name}: stores {page.bitspersample}-bit {kind} values; allowed are 8 to 32-bit grey "
            "or colour. Export the image in grey levels."
        )
        raise ImageReadError(message)
    if page.imagewidth < 1 or page.imagelength < 1 or page.imagedepth > 1:
        message = f"{name}: states {page.imagewidth} x {page.imagelength} px; export it again."
        raise ImageReadError(message)


def _check_complete(page: "tifffile.TiffPage", name: str, size: int) -> None:
    # A cut-off file would otherwise be filled up with zeros without a word.
    ends = (o + n for o, n in zip(page.dataoffsets, page.databytecounts, strict=False))
    if max(ends, default=0) > size:
        message = f"{name}: is cut short (pixels are missing at the end); copy the file again."
        raise ImageReadError(message)


def _significant_bits(tif: "tifffile.TiffFile", page: "tifffile.TiffPage") -> int:
    bits = int(page.bitspersample)
    if page.dtype is not None and page.dtype.kind == "u":
        stated = _ome_attribute(tif, "SignificantBits")
        if stated and stated.isdigit() and 0 < int(stated) <= bits:
            return int(stated)
        greatest = page.tags.get(281)  # MaxSampleValue
        value = greatest.value if greatest is not None else None
        if isinstance(value, int) and value > 1 and (value + 1).bit_count() == 1:
            return min(bits, value.bit_length())
    return bits


def _tag_pixel_size(page: "tifffile.TiffPage") -> tuple[float, float] | None:
    unit = page.tags.get(296)
    x, y = page.tags.get(282), page.tags.get(283)
    if x is None or y is None or unit is None or unit.value not in (2, 3):
        return None
    um = 25400.0 if unit.value == 2 else 10000.0
    per_unit = [_ratio(tag.value) for tag in (x, y)]
    if any(not math.isfinite(v) or v <= 0 for v in per_unit):
        return None
    # 72, 96, 300 ... per inch are defaults for screen and print and say nothing of the microscope.
    if unit.value == 2 and all(v <= 1200 and v == round(v) for v in per_unit):
        return None
    return um / per_unit[0], um / per_unit[1]


def _ratio(value: object) -> float:
    if isinstance(value, tuple) and len(value) == 2:
        return value[0] / value[1] if value[1] else math.nan
    return float(value) if isinstance(value, (int, float)) else math.nan


def _ome_root(tif: "tifffile.TiffFile") -> ET.Element | None:
    text = tif.ome_metadata
    if not text or "<!ENTITY" in text:
        return None
    try:
        return ET.fromstring(text)  # noqa: S314  # entities were refused above
    except ET.ParseError:
        return None


def _ome_element(tif: "tifffile.TiffFile", tag: str) -> ET.Element | None:
    root = _ome_root(tif)
    if root is None:
        return None
    return next((e for e in root.iter() if e.tag.rpartition("}")[2] == tag), None)


def _ome_attribute(tif: "tifffile.TiffFile", attribute: str) -> str | None:
    pixels = _ome_element(tif, "Pixels")
    return None if pixels is None else pixels.get(attribute)


def _ome_pixel_size(tif: "tifffile.TiffFile") -> tuple[float, float] | None:
    pixels = _ome_element(tif, "Pixels")
    if pixels is None:
        return None
    sizes = []
    for axis in "XY":
        um = _UM_PER_UNIT.get(pixels.get(f"PhysicalSize{axis}Unit", "µm"), math.nan)
        size = _number(pixels.get(f"PhysicalSize{axis}")) * um
        if not math.isfinite(size) or size <= 0:
            return None
        sizes.append(size)
    return sizes[0], sizes[1]


def _number(text: str | None) -> float:
    try:
        return float(text) if text is not None else math.nan
    except ValueError:
        return math.nan


def _tiff_exposure(tif: "tifffile.TiffFile", page: "tifffile.TiffPage") -> float | None:
    plane = _ome_element(tif, "Plane")
    if plane is not None:
        unit = {"s": 1.0, "ms": 1e-3, "µs": 1e-6}.get(plane.get("ExposureTimeUnit", "s"), math.nan)
        seconds = _number(plane.get("ExposureTime")) * unit
        if math.isfinite(seconds) and seconds > 0:
            return seconds
    exif = page.tags.get(34665)
    if exif is not None and isinstance(exif.value, dict):
        seconds = _ratio(exif.value.get("ExposureTime"))
        return seconds if math.isfinite(seconds) and seconds > 0 else None
    return None


def _other_header(stream: IO[bytes], name: str) -> Header:
    from PIL import Image, UnidentifiedImageError

    # The limit on size is ours and stricter in what it says.
    Image.MAX_IMAGE_PIXELS = None
    try:
        image = Image.open(stream, formats=("PNG", "JPEG", "BMP"))
    except UnidentifiedImageError as error:
        message = f"{name}: is not a TIFF, PNG, JPEG or BMP image; export it as one of these."
        raise ImageReadError(message) from error
    if image.mode == "1":
        message = f"{name}: stores 1-bit values; allowed are 8 to 32-bit grey or colour."
        raise ImageReadError(message)
    bits = _png_bits(stream) if image.format == "PNG" else 8
    exposure = _ratio_like(image.getexif().get_ifd(0x8769).get(_EXIF_EXPOSURE))
    return Header(
        format=image.format or "",
        width_px=image.width,
        height_px=image.height,
        channels=1 if image.mode in ("L", "LA", "I", "I;16", "I;16B") else 3,
        dtype="uint16" if bits == 16 else "uint8",
        bits=bits,
        exposure_s=exposure,
    )


def _png_bits(stream: IO[bytes]) -> int:
    stream.seek(24, io.SEEK_SET)  # IHDR: width, height, then the bit depth
    depth = stream.read(1)
    return 16 if depth == b"\x10" else 8


def _ratio_like(value: object) -> float | None:
    try:
        seconds = float(value)  # type: ignore[arg-type]  # PIL's rational converts itself
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return seconds if math.isfinite(seconds) and seconds > 0 else None
