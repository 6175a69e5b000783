"""Focus stacks: many slices of one field, read one after the other and never kept together."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from micromeasure.calibration.file import Calibration
from micromeasure.errors import ImageReadError
from micromeasure.micrograph.header import MAX_PIXELS, read_header, reading_faults
from micromeasure.micrograph.image import Header, ImageRecord, Micrograph
from micromeasure.micrograph.single import digest_of, matching_scale, read_image, tidy_pixels

# Files of a folder that are slices; others, such as notes, are left alone.
_ENDINGS = (".tif", ".tiff", ".png", ".bmp", ".jpg", ".jpeg")

Pixels = NDArray[Any]


def read_stack(
    path: Path,
    *,
    record: ImageRecord,
    calibration: Calibration | None = None,
    max_pixels: int = MAX_PIXELS,
) -> Micrograph:
    """Open a focus stack: a TIFF of several pages or a folder of images in order of their names.

    Parameters
    ----------
    path : pathlib.Path
        File or folder.
    record : ImageRecord
        The manifest's row.
    calibration : Calibration or None
        As for `reading.read_micrograph`.
    max_pixels : int
        Greatest number of pixels allowed in a slice.

    Returns
    -------
    Micrograph
        Its pixels are those of the middle slice; `slices` reads the stack from the start.

    Raises
    ------
    ImageReadError
        If the folder holds no images, or a slice cannot be read.
    """
    if path.is_dir():
        return _folder(path, record, calibration, max_pixels)
    header = read_header(path, max_pixels=max_pixels)
    scale, flags = matching_scale(calibration, header, record)

    def slices() -> Iterator[Pixels]:
        import tifffile

        with reading_faults(record.image), tifffile.TiffFile(path) as tif:
            for page in tif.pages:
                # One thread: the batch engine already keeps every core busy.
                yield tidy_pixels(page.asarray(maxworkers=1), header, record)

    return Micrograph(
        pixels=_middle_page(path, record, header),
        calibration=scale, record=record, header=header, sha256=digest_of(path), flags=flags,
        slices=slices,
    )  # fmt: skip


def _middle_page(path: Path, record: ImageRecord, header: Header) -> Pixels:
    import tifffile

    with reading_faults(record.image), tifffile.TiffFile(path) as tif:
        page = tif.pages[len(tif.pages) // 2]
        return tidy_pixels(page.asarray(maxworkers=1), header, record)


def _folder(
    path: Path, record: ImageRecord, calibration: Calibration | None, max_pixels: int
) -> Micrograph:
    files = sorted(p for p in path.iterdir() if p.suffix.lower() in _ENDINGS)
    if not files:
        message = f"{record.image}: the folder holds no images; put the slices of the stack there."
        raise ImageReadError(message)

    def one(file: Path) -> Micrograph:
        return read_image(
            file, record=_named(record, file), calibration=calibration, max_pixels=max_pixels
        )

    def slices() -> Iterator[Pixels]:
        for file in files:
            yield one(file).pixels

    middle = one(files[len(files) // 2])
    return Micrograph(
        pixels=middle.pixels, calibration=middle.calibration, record=record,
        header=middle.header, sha256=digest_of(path), flags=middle.flags, slices=slices,
    )  # fmt: skip


def _named(record: ImageRecord, file: Path) -> ImageRecord:
    """Return the row of one slice: a single image, so that it is not taken for a stack again."""
    return ImageRecord(image=f"{record.image}/{file.name}", taken=record.taken)
