"""Companion frames as the worker reads them."""

from pathlib import Path

import numpy as np
import pytest
import tifffile

from micromeasure.calibration.file import nominal_calibration
from micromeasure.micrograph.image import ImageRecord
from micromeasure.micrograph.light import exposure_of
from micromeasure.quantities import quantities
from micromeasure.quantities.optical_density import LightSettings
from micromeasure.run.frames import FrameStore
from micromeasure.study.model import Job, Measure


@pytest.fixture
def measure():
    assert "open_light" in quantities()["optical_density"].frame_fields()
    settings = LightSettings(open_light=("open.tif",))
    return Measure(number=1, quantity="optical_density", view="", settings=settings)


def job_with(folder: Path, measure: Measure, **extra: str) -> Job:
    path = folder / "open.tif"
    record = ImageRecord(image="open.tif", extra=extra)
    return Job(
        number=0, record=ImageRecord(image="film.tif"), path=folder / "film.tif",
        calibration=nominal_calibration((0.5, 0.6)), measures=(measure,),
        frames={(1, "open_light"): (path,)}, frame_records={path: record} if extra else {},
    )  # fmt: skip


def test_exposure_of_a_frame_from_its_manifest_row(tmp_path, measure):
    tifffile.imwrite(tmp_path / "open.tif", np.full((40, 60), 900, np.uint16))
    store = FrameStore()
    for extra, seconds in (({}, None), ({"exposure_s": "0.01"}, 0.01), ({"exposure_s": "2"}, 2.0)):
        frames, _, _ = store.read(job_with(tmp_path, measure, **extra), measure, 10_000)
        assert exposure_of(frames["open_light"][0]) == seconds
    again, _, _ = store.read(job_with(tmp_path, measure, exposure_s="2"), measure, 10_000)
    assert again["open_light"][0] is frames["open_light"][0]
