"""Reading one image file: header first, then pixels, and the digest of what was read."""

import hashlib
import io
import math
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.calibration.file import Calibration, nominal_calibration
from micromeasure.errors import ImageReadError
from micromeasure.micrograph.header import (
    MAX_PIXELS,
    header_of,
    is_tiff,
    reading_faults,
)
from micromeasure.micrograph.image import Header, ImageRecord, Micrograph, Rectangle

if TYPE_CHECKING:
    import tifffile

_WHOLE_IN_MEMORY = 1 << 30  # files up to 1 GiB are read once, for digest and pixels alike
_CHUNK = 1 << 22
_PIXEL_SIZE_TOLERANCE = 0.01

Pixels = NDArray[Any]


def read_image(
    path: Path,
    *,
    record: ImageRecord,
    calibration: Calibration | None = None,
    max_pixels: int = MAX_PIXELS,
    window: Rectangle | None = None,
) -> Micrograph:
    """Read one image file; see `reading.read_micrograph`."""
    name = record.image
    with reading_faults(name), path.open("rb") as stream:
        if path.stat().st_size > _WHOLE_IN_MEMORY:
            digest = digest_of(path)
            source: IO[bytes] = stream
        else:
            content = stream.read()
            digest = hashlib.sha256(content).hexdigest()
            source = io.BytesIO(content)
        header = header_of(source, name, max_pixels=max_pixels)
        scale, flags = matching_scale(calibration, header, record)
        box = None if window is None else _whole_pixels(window, header, name)
        source.seek(0)
        pixels = tidy_pixels(_decode(source, header, box), header, record)
    return Micrograph(
        pixels=pixels,
        calibration=scale,
        record=record,
        header=header,
        sha256=digest,
        origin_px=(0, 0) if box is None else (box[0], box[1]),
        flags=flags,
    )


def digest_of(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, read in pieces, or of the files of a folder."""
    digest = hashlib.sha256()
    if path.is_dir():
        for file in sorted(p for p in path.iterdir() if p.is_file()):
            digest.update(f"{file.name}\0{digest_of(file)}\n".encode())
        return digest.hexdigest()
    with path.open("rb") as stream:
        while piece := stream.read(_CHUNK):
            digest.update(piece)
    return digest.hexdigest()


def matching_scale(
    calibration: Calibration | None, header: Header, record: ImageRecord
) -> tuple[Calibration, tuple[str, ...]]:
    """Return the calibration that holds for an image, and the doubts about it."""
    stated = header.um_per_px
    if calibration is None:
        if stated is None:
            message = (
                f"{record.image}: no calibration is named and the file states no pixel size; "
                "name a calibration in the study or the manifest."
            )
            raise ImageReadError(message)
        return nominal_calibration(stated), ("uncalibrated",)
    size = (header.width_px, header.height_px)
    whole = calibration.image_size_px
    mode = calibration.for_size(size)
    if mode is None and whole is not None:
        width, height = whole
        message = (
            f"{record.image}: is {size[0]} x {size[1]} px, but calibration {calibration.id} holds "
            f"for {width} x {height} px; name the calibration of this camera mode, or add a "
            "[[camera_modes]] entry with its binning or crop."
        )
        raise ImageReadError(message)
    calibration = mode or calibration
    flags = list(calibration.flags)
    if not calibration.covers(record.taken):
        flags.append("calibration-expired")
    if stated and not all(
        math.isclose(a, b, rel_tol=_PIXEL_SIZE_TOLERANCE)
        for a, b in zip(stated, calibration.um_per_px, strict=True)
    ):
        flags.append("pixel-size-disagrees")
    return calibration, tuple(flags)


def _whole_pixels(window: Rectangle, header: Header, name: str) -> tuple[int, int, int, int]:
    """Return the window as x0, y0, x1, y1 with x1, y1 one past the last pixel."""
    x0, y0 = max(0, math.floor(window[0])), max(0, math.floor(window[1]))
    x1 = min(header.width_px, math.ceil(window[2]) + 1)
    y1 = min(header.height_px, math.ceil(window[3]) + 1)
    if x1 <= x0 or y1 <= y0:
        message = (
            f"{name}: region {' '.join(f'{v:g}' for v in window)} lies outside the image of "
            f"{header.width_px} x {header.height_px} px; correct the region."
        )
        raise ImageReadError(message)
    return x0, y0, x1, y1


def _decode(stream: IO[bytes], header: Header, box: tuple[int, int, int, int] | None) -> Pixels:
    start = stream.read(4)
    stream.seek(0)
    if is_tiff(start):
        return _decode_tiff(stream, box)
    pixels = _decode_other(stream, header)
    if box is not None:
        x0, y0, x1, y1 = box
        return np.ascontiguousarray(pixels[y0:y1, x0:x1])
    return pixels


def _decode_tiff(stream: IO[bytes], box: tuple[int, int, int, int] | None) -> Pixels:
    import tifffile

    with tifffile.TiffFile(stream) as tif:
        page = tif.pages.first
        # One thread: the batch engine already keeps every core busy with other images.
        pixels = page.asarray(maxworkers=1) if box is None else _decode_window(tif, page, box)
        if pixels.ndim == 3 and page.planarconfig == 2 and page.samplesperpixel > 1:
            pixels = np.moveaxis(pixels, 0, -1)
        if page.photometric == 3 and page.colormap is not None:
            pixels = np.moveaxis(page.colormap[:, pixels], 0, -1)
        return pixels


def _decode_window(
    tif: "tifffile.TiffFile", page: "tifffile.TiffPage", box: tuple[int, int, int, int]
) -> Pixels:
    """Decode only the strips or tiles that a window touches."""
    x0, y0, x1, y1 = box
    if page.planarconfig == 2 and page.samplesperpixel > 1:
        return page.asarray(maxworkers=1)[:, y0:y1, x0:x1]
    out = np.zeros((y1 - y0, x1 - x0, page.samplesperpixel), dtype=page.dtype)
    tile_h = page.tilelength if page.is_tiled else page.rowsperstrip
    tile_w = page.tilewidth if page.is_tiled else page.imagewidth
    across = math.ceil(page.imagewidth / tile_w)
    for row in range(y0 // tile_h, math.ceil(y1 / tile_h)):
        for col in range(x0 // tile_w, math.ceil(x1 / tile_w)):
            index = row * across + col
            tif.filehandle.seek(page.dataoffsets[index])
            data = tif.filehandle.read(page.databytecounts[index])
            decoded = page.decode(data, index, jpegtables=page.jpegtables)[0]
            if decoded is None:  # a sparse tile: nothing stored
                continue
            part = decoded[0]  # the axes are depth, rows, columns, samples
            top, left = row * tile_h, col * tile_w
            ya, yb = max(y0, top), min(y1, top + part.shape[0])
            xa, xb = max(x0, left), min(x1, left + part.shape[1])
            out[ya - y0 : yb - y0, xa - x0 : xb - x0] = part[
                ya - top : yb - top, xa - left : xb - left
            ]
    return out[..., 0] if page.samplesperpixel == 1 else out


def _decode_other(stream: IO[bytes], header: Header) -> Pixels:
    if header.format == "PNG" and header.bits == 16:
        import imagecodecs

        return np.asarray(imagecodecs.png_decode(stream.read()))
    from PIL import Image

    image: Image.Image = Image.open(stream, formats=("PNG", "JPEG", "BMP"))
    if image.mode not in ("L", "LA", "RGB", "RGBA"):
        image = image.convert("RGB")
    return np.asarray(image)


def tidy_pixels(pixels: Pixels, header: Header, record: ImageRecord) -> Pixels:
    """Return grey or RGB pixels of one of the three working types, black as 0."""
    if pixels.ndim == 3:
        pixels = pixels[..., : header.channels]
        if header.channels == 1:
            pixels = pixels[..., 0]
        elif np.array_equal(pixels[..., 0], pixels[..., 1]) and np.array_equal(
            pixels[..., 0], pixels[..., 2]
        ):
            pixels = pixels[..., 0]  # grey stored three times
    if pixels.dtype.kind == "f":
        pixels = pixels.astype(np.float32, copy=False)
        if not np.isfinite(pixels).all() and not record.extra.get("z_um_per_unit"):
            message = f"{record.image}: holds values that are not numbers; export it again."
            raise ImageReadError(message)
    elif pixels.dtype not in (np.uint8, np.uint16):
        pixels = pixels.astype(np.float32)
    if header.white_is_zero and pixels.dtype.kind == "u":
        pixels = np.asarray((1 << header.bits) - 1, dtype=pixels.dtype) - pixels
    return np.ascontiguousarray(pixels)
