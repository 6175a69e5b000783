"""Focus stacks from files of several pages and from folders."""

from pathlib import Path

import numpy as np
import pytest
import tifffile

from micromeasure.calibration.file import Calibration
from micromeasure.errors import ImageReadError
from micromeasure.micrograph.image import ImageRecord
from micromeasure.micrograph.reading import digest_of, read_micrograph

CALIBRATION = Calibration(schema=1, id="bench", um_per_px=(2.0, 2.1))
SLICES = np.random.default_rng(0).integers(0, 255, (7, 30, 50)).astype(np.uint8)


def record(name: str) -> ImageRecord:
    return ImageRecord(image=name, extra={"z_step_um": "5"})


def opened(path: Path):
    return read_micrograph(path, record=record(path.name), calibration=CALIBRATION)


def test_pages_are_slices_in_order(tmp_path: Path) -> None:
    path = tmp_path / "stack.tif"
    tifffile.imwrite(path, SLICES, compression="deflate")
    micrograph = opened(path)
    assert np.array_equal(list(micrograph.slices()), SLICES)
    assert np.array_equal(list(micrograph.slices()), SLICES), "a second pass starts anew"
    assert np.array_equal(micrograph.pixels, SLICES[3])
    assert micrograph.sha256 == digest_of(path)


def test_files_of_a_folder_are_slices_in_order_of_their_names(tmp_path: Path) -> None:
    for k, pixels in enumerate(SLICES):
        tifffile.imwrite(tmp_path / f"z{k:03d}.tif", pixels)
    (tmp_path / "notes.txt").write_text("step 5 um", encoding="utf-8")
    micrograph = opened(tmp_path)
    assert np.array_equal(list(micrograph.slices()), SLICES)
    before = micrograph.sha256
    tifffile.imwrite(tmp_path / "z003.tif", SLICES[0])
    assert opened(tmp_path).sha256 != before


def test_a_folder_without_images_says_so(tmp_path: Path) -> None:
    with pytest.raises(ImageReadError, match="holds no images"):
        opened(tmp_path)


def test_a_single_image_has_no_slices(tmp_path: Path) -> None:
    path = tmp_path / "one.tif"
    tifffile.imwrite(path, SLICES[0])
    assert read_micrograph(path, calibration=CALIBRATION).slices is None
