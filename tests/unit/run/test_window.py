"""Huge images are decoded in part, and measured as if they had been decoded whole."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile

import micromeasure.run.window as window_module
from micromeasure.calibration.file import Calibration
from micromeasure.micrograph.image import Header, ImageRecord
from micromeasure.micrograph.reading import read_micrograph
from micromeasure.outcome import Outcome
from micromeasure.quantities import quantities
from micromeasure.quantities.declare import Quantity, Settings
from micromeasure.reference.fold_view import CrackPlan, FoldConditions, render_fold_view
from micromeasure.run.window import joint_window, needed_window
from micromeasure.study.model import Job, Measure

HEADER = Header(format="TIFF", width_px=400, height_px=300, channels=1, dtype="uint16", bits=16)
CALIBRATION = Calibration(schema=1, id="bench", um_per_px=(0.5, 0.52))


def quantity(name, box):
    return Quantity(
        name=name, title=name, unit="um", settings=Settings, measure=lambda *_: Outcome(),
        method="1", window=None if box == "none" else lambda *_: box,
    )  # fmt: skip


@pytest.fixture
def job(monkeypatch):
    known = {
        "left": quantity("left", (5.0, 10.0, 90.0, 60.0)),
        "right": quantity("right", (70.0, 2.0, 150.0, 40.0)),
        "whole": quantity("whole", None),
        "plain": quantity("plain", "none"),
    }
    monkeypatch.setattr(window_module, "quantities", lambda: known)

    def make(*names, path=Path("a.tif"), calibration=CALIBRATION):
        measures = tuple(
            Measure(number=i, quantity=n, view="", settings=Settings()) for i, n in enumerate(names)
        )
        return Job(
            number=0, record=ImageRecord(image="a.tif"), path=path, calibration=calibration,
            measures=measures,
        )  # fmt: skip

    return make


def test_one_rectangle_serves_all_measures(job):
    assert joint_window(job("left", "right"), HEADER) == (5.0, 2.0, 150.0, 60.0)
    assert joint_window(job("left", "whole"), HEADER) is None


def test_an_image_without_calibration_uses_the_scale_of_its_file(job):
    assert joint_window(job("left", calibration=None), HEADER) is None
    stated = replace(HEADER, um_per_px=(0.5, 0.5))
    assert joint_window(job("left", calibration=None), stated) == (5.0, 10.0, 90.0, 60.0)


def test_only_huge_images_are_worth_it(job, tmp_path, monkeypatch):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, np.zeros((30, 40), np.uint16))

    def asked(one, size=1 << 30):
        return needed_window(one, size_bytes=size, max_pixels=10**6)

    assert asked(job("left", path=path)) is None
    monkeypatch.setattr(window_module, "_HUGE_PX", 1000)
    assert asked(job("left", path=path)) == (5.0, 10.0, 90.0, 60.0)
    assert asked(job("left", path=path), size=1000) is None
    assert asked(job("left", "plain", path=path)) is None


def test_cracks_in_a_window_are_those_of_the_whole_image(tmp_path):
    crack = quantities()["crack_length"]
    plan = CrackPlan(length_px=120.0, width_px=3.0, cnr=12.0, angle_to_fold_deg=10.0, offset_px=5.0)
    conditions = FoldConditions(
        size_px=(900, 700), band_px=90.0, lay_scratches=0, stray_scratches=0, pits=0, cracks=(plan,)
    )
    view = render_fold_view(np.random.default_rng(4), conditions)
    path = tmp_path / "fold.tif"
    tifffile.imwrite(path, view.pixels, tile=(64, 64))
    settings = crack.settings(fold=view.fold_px, band_um=46.0)
    record = ImageRecord(image="fold.tif")
    whole = read_micrograph(path, record=record, calibration=CALIBRATION)
    box = crack.window(record, settings, whole.header, CALIBRATION)
    part = read_micrograph(path, record=record, calibration=CALIBRATION, window=box)
    assert part.pixels.size < 0.6 * whole.pixels.size
    outcomes = [crack.measure(m, settings, {}) for m in (whole, part)]
    assert len(outcomes[0].indications) == 1
    for first, second in zip(*(o.indications for o in outcomes), strict=True):
        assert second.centreline_px == pytest.approx(first.centreline_px, abs=1e-6)
        assert second.length.value == pytest.approx(first.length.value, abs=1e-6)
