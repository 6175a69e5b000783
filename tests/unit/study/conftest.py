import numpy as np
import pytest
import tifffile

STUDY = """
schema = 1
title = "Two lots"
calibrations = "calibrations"
images = "images"
manifest = "images.csv"
calibration = "bench-a-20x"

[[measure]]
quantity = "film_thickness"
view = "film-section"
layers = ["diaphragm"]

[[compare]]
quantity = "film_thickness"
tolerance_um = 1.5
"""

CALIBRATION = """
schema = 1
id = "bench-a-20x"
objective = "20x/0.45"
image_size_px = [64, 48]
um_per_px = { x = 0.34512, y = 0.34508 }
u_um_per_px = { x = 0.00009, y = 0.00009 }
made = 2026-02-11
valid_until = 2027-02-11
"""

MANIFEST = """image,specimen,revision,view,operator
K1.tif,K1,K,film-section,ann
M1.tif,M1,M,film-section,ben
"""


class Folder:
    """A small study on disk whose parts a test can spoil one by one."""

    def __init__(self, path):
        self.path = path
        self.study = path / "study.toml"
        self.manifest = path / "images.csv"
        self.calibration = path / "calibrations" / "bench-a-20x.toml"
        self.images = path / "images"
        self.images.mkdir()
        self.calibration.parent.mkdir()
        self.study.write_text(STUDY, encoding="utf-8")
        self.manifest.write_text(MANIFEST, encoding="utf-8")
        self.calibration.write_text(CALIBRATION, encoding="utf-8")
        for name in ("K1.tif", "M1.tif"):
            self.image(name, (48, 64))

    def image(self, name, shape, **options):
        tifffile.imwrite(self.images / name, np.full(shape, 100, np.uint8), **options)

    def replace(self, file, old, new):
        text = file.read_text(encoding="utf-8")
        assert old in text
        file.write_text(text.replace(old, new), encoding="utf-8")


@pytest.fixture
def folder(tmp_path):
    return Folder(tmp_path)
