"""The page about the calibration file names every key, and its example can be read."""

import re
from pathlib import Path

import pytest

from micromeasure.calibration.file import Calibration, Reference, read_calibration
from micromeasure.calibration.geometry import CameraMode, Distortion
from micromeasure.fields import specs

DOCS = Path(__file__).parents[2] / "docs"
PAGE = (DOCS / "reference" / "calibration-file.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("table", [Calibration, Reference, Distortion, CameraMode])
def test_every_key_is_on_the_page(table):
    for name in specs(table):
        assert f"`{name}`" in PAGE, name


def test_the_example_is_a_calibration(tmp_path):
    (example,) = re.findall(r"^```toml\n(.*?)^```", PAGE, re.MULTILINE | re.DOTALL)
    path = tmp_path / "a.toml"
    path.write_text(example, encoding="utf-8")
    assert read_calibration(path).for_size((1224, 1024)).um_per_px[0] == pytest.approx(0.69024)


def test_the_camera_modes_of_the_how_to_fit_the_example(tmp_path):
    page = (DOCS / "howto" / "calibrate-a-microscope.md").read_text(encoding="utf-8")
    (modes,) = re.findall(r"^```toml\n(.*?)^```", page, re.MULTILINE | re.DOTALL)
    path = tmp_path / "a.toml"
    path.write_text(
        'schema = 1\nid = "a"\num_per_px = { x = 0.5, y = 0.4 }\nimage_size_px = [2448, 2048]\n'
        + modes
    )
    found = read_calibration(path)
    assert found.for_size((1224, 1024)).um_per_px == (1.0, 0.8)
    assert found.for_size((1600, 1200)).um_per_px == (0.5, 0.4)
