import threading
from pathlib import Path

import numpy as np
import pytest

from micromeasure.micrograph.reading import read_micrograph
from micromeasure.outcome import Mark
from micromeasure.review.opening import Opened
from micromeasure.review.shelf import Shelf, grey_range

FIRST, SECOND = "lot-k/fold-0001.tif", "lot-m/fold-0002.tif"


def test_image_is_read_with_its_calibration(opened: Opened) -> None:
    shelf = Shelf(opened.study.jobs)
    plate = shelf.plate(FIRST)
    assert plate.micrograph.calibration.id == "bench-a-10x"
    assert plate.sha256 == opened.images[FIRST]
    low, high = plate.grey_range
    assert 0 < low < high < 255
    shelf.close()


def test_images_are_read_before_they_are_asked_for(opened: Opened) -> None:
    done = threading.Event()

    def prepare(job, micrograph):
        if job.record.image == SECOND:
            done.set()
        return {1: (Mark(role="fold", points_px=np.zeros((2, 2))),)}

    shelf = Shelf(opened.study.jobs, prepare=prepare)
    shelf.read_ahead([FIRST, SECOND])
    assert done.wait(20)
    assert shelf.plate(SECOND).marks[1][0].role == "fold"
    assert shelf.is_ready(SECOND)
    shelf.close()


def test_missing_and_broken_images_become_sentences(opened: Opened) -> None:
    by_image = opened.jobs()
    by_image[FIRST].path.unlink()
    by_image[SECOND].path.write_bytes(b"II*\x00 broken")
    shelf = Shelf(opened.study.jobs)
    assert FIRST in shelf.plate(FIRST).fault
    assert SECOND in shelf.plate(SECOND).fault
    assert shelf.plate(FIRST).sha256 == ""
    assert "no longer in the study" in shelf.plate("gone.tif").fault
    shelf.close()


def test_memory_is_given_back(opened: Opened) -> None:
    one = read_micrograph(opened.jobs()[FIRST].path, calibration=opened.study.jobs[0].calibration)
    shelf = Shelf(opened.study.jobs, kept_bytes=one.pixels.nbytes)
    shelf.plate(FIRST)
    shelf.plate(SECOND)
    shelf.read_ahead([SECOND])
    assert not shelf.is_ready(FIRST)
    assert shelf.is_ready(SECOND)
    shelf.close()


@pytest.mark.parametrize("kind", [np.uint8, np.uint16, np.float32])
def test_grey_range_leaves_out_the_outermost(kind: type) -> None:
    pixels = np.linspace(0, 200, 300 * 200).reshape(200, 300).astype(kind)
    pixels[0, 0] = 255
    low, high = grey_range(pixels)
    assert 0 < low < 3
    assert 197 < high < 201


def test_grey_range_of_an_even_image_is_not_empty() -> None:
    low, high = grey_range(np.full((30, 40), 7, np.uint8))
    assert high > low


def test_reading_stops_with_the_window(opened: Opened, tmp_path: Path) -> None:
    shelf = Shelf(opened.study.jobs)
    shelf.close()
    shelf.close()
    assert not [t for t in threading.enumerate() if t.name.startswith("read-ahead") and t.daemon]
