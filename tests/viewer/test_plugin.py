"""The plug-in in a viewer that a user started."""

import warnings
from collections.abc import Iterator
from pathlib import Path

import napari
import npe2
import numpy as np
import pytest
import tifffile
from qtpy.QtWidgets import QApplication, QLabel

import micromeasure.review.viewer
from micromeasure.review.viewer.plugin import StudyPanel, image_layer, image_reader

MANIFEST = Path(micromeasure.review.viewer.__file__).parent / "napari.yaml"


@pytest.fixture
def viewer(qapp: QApplication) -> Iterator[napari.Viewer]:
    viewer = napari.Viewer(show=True)
    yield viewer
    viewer.close()
    qapp.processEvents()


def test_manifest_names_things_that_are_there() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        manifest = npe2.PluginManifest.from_file(MANIFEST)
        manifest.validate_imports()
    assert manifest.name == "micromeasure"
    assert [widget.display_name for widget in manifest.contributions.widgets] == ["Review a study"]


def test_image_of_a_study_comes_with_the_studys_scale(study: Path) -> None:
    path = study / "images" / "lot-k" / "fold-0001.tif"
    reader = image_reader(str(path))
    assert reader is not None
    ((pixels, settings, kind),) = reader(str(path))
    assert kind == "image"
    assert pixels.shape == (300, 420)
    assert settings["scale"] == (0.52, 0.5)
    assert settings["units"] == ("um", "um")
    assert settings["metadata"]["calibration"] == "bench-a-10x"


def test_image_without_any_scale_is_shown_in_pixels(tmp_path: Path) -> None:
    path = tmp_path / "loose.tif"
    tifffile.imwrite(path, np.zeros((20, 30), np.uint8))
    _, settings, _ = image_layer(path)
    assert settings["scale"] == (1.0, 1.0)
    assert settings["units"] == ("pixel", "pixel")


def test_scale_in_the_file_is_taken_without_a_study(tmp_path: Path) -> None:
    path = tmp_path / "loose.tif"
    tifffile.imwrite(
        path, np.zeros((20, 30), np.uint8), resolution=(20000, 25000), resolutionunit="CENTIMETER"
    )
    _, settings, _ = image_layer(path)
    assert settings["scale"] == pytest.approx((0.4, 0.5))
    assert settings["metadata"]["flags"] == ("uncalibrated",)


def test_what_is_no_image_is_left_to_others(tmp_path: Path) -> None:
    path = tmp_path / "notes.tif"
    path.write_text("no image", encoding="utf-8")
    assert image_reader(str(path)) is None


def test_layer_is_added_with_scale_and_unit(viewer: napari.Viewer, study: Path) -> None:
    pixels, settings, _ = image_layer(study / "images" / "lot-m" / "fold-0002.tif")
    layer = viewer.add_image(pixels, **settings)
    assert tuple(layer.scale) == pytest.approx((0.52, 0.5))
    assert {str(unit) for unit in layer.units} == {"micrometer"}


def test_panel_opens_a_study(viewer: napari.Viewer, study: Path) -> None:
    panel = StudyPanel(viewer)
    viewer.window.add_dock_widget(panel)
    panel._reviewer.setText("XY")
    panel.open_study(str(study))
    texts = [w.text() for w in panel.findChildren(QLabel)]
    assert "1 of 12, 0 of 12 indications decided" in texts
    assert any(layer.name == "image" for layer in viewer.layers)


def test_study_that_cannot_be_opened_is_said(viewer: napari.Viewer, tmp_path: Path) -> None:
    panel = StudyPanel(viewer)
    panel._reviewer.setText("XY")
    panel.open_study(str(tmp_path / "none"))
    assert "no such study file" in panel._fault.text()
    panel._reviewer.setText("")
    panel.open_study(str(tmp_path))
    assert "must be initials" in panel._fault.text()
