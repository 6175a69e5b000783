"""The window itself under a virtual screen: real key presses, real clicks, looked at in pixels."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from qtpy.QtCore import QPoint, Qt
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication, QLabel, QLineEdit, QPushButton

from micromeasure.review.opening import Opened, open_review
from micromeasure.review.queue import Rules
from micromeasure.review.record import read_record
from micromeasure.review.viewer import window as window_module
from micromeasure.review.viewer.look import ROLES
from micromeasure.review.viewer.panel import Panel
from micromeasure.review.viewer.window import open_window


class Screen:
    """An open review with hands to press and click."""

    def __init__(self, opened: Opened) -> None:
        self.opened = opened
        self.viewer, self.bench = open_window(opened, Rules(reviewer="XY"))
        self.canvas = self.viewer.window._qt_viewer.canvas.native
        self.panel = next(w for w in QApplication.allWidgets() if isinstance(w, Panel))
        self.settle()

    def settle(self) -> None:
        for _ in range(4):
            QApplication.processEvents()

    def key(self, key: Qt.Key, target=None) -> None:
        QTest.keyClick(target or self.canvas, key)
        self.settle()

    def click(self, x: int, y: int) -> None:
        QTest.mouseMove(self.canvas, QPoint(x, y))
        self.settle()
        QTest.mouseClick(self.canvas, Qt.MouseButton.LeftButton, pos=QPoint(x, y))
        self.settle()

    def texts(self) -> list[str]:
        return [w.text() for w in self.panel.findChildren(QLabel) if w.isVisible()]

    def pixels(self, *, canvas_only: bool = True) -> np.ndarray:
        self.settle()
        return self.viewer.screenshot(canvas_only=canvas_only, flash=False)

    @property
    def entries(self):
        return read_record(self.opened.record).entries


@pytest.fixture
def screen(opened: Opened, qapp: QApplication) -> Iterator[Screen]:
    screen = Screen(opened)
    yield screen
    screen.bench.close()
    screen.viewer.close()
    screen.settle()


def pixels_of(picture: np.ndarray, role: str) -> int:
    """Count the pixels that have about the colour of a role."""
    colour = np.array(ROLES[role].colour)
    return int((np.abs(picture[..., :3].astype(int) - colour).max(axis=-1) < 45).sum())


def test_keys_decide_and_the_panel_follows(screen: Screen) -> None:
    assert "1 of 12, 0 of 12 indications decided" in screen.texts()
    screen.key(Qt.Key.Key_J)
    screen.key(Qt.Key.Key_K)
    assert [entry.action for entry in screen.entries] == ["confirm", "reject"]
    assert "3 of 12, 2 of 12 indications decided" in screen.texts()
    screen.key(Qt.Key.Key_PageUp)
    screen.key(Qt.Key.Key_U)
    assert screen.entries[-1].action == "undo"


def test_every_key_is_on_the_screen_with_what_it_does(screen: Screen) -> None:
    buttons = [b.text() for b in screen.panel.findChildren(QPushButton) if b.isVisible()]
    keys = screen.bench.keys()
    for key in keys:
        assert key.does in buttons
        assert any(key.shown in text for text in screen.texts())


def test_candidate_is_drawn_in_its_colour_and_can_be_hidden(screen: Screen) -> None:
    shown = pixels_of(screen.pixels(), "candidate")
    assert shown > 150
    screen.key(Qt.Key.Key_H)
    assert pixels_of(screen.pixels(), "candidate") < shown / 10


def test_image_fills_the_canvas_with_grey(screen: Screen) -> None:
    screen.key(Qt.Key.Key_H)
    picture = screen.pixels()[..., :3].astype(int)
    grey = (np.ptp(picture, axis=-1) < 4) & (picture[..., 0] > 30) & (picture[..., 0] < 250)
    assert grey.mean() > 0.5


def test_crack_is_drawn_with_the_mouse_and_kept_by_a_key(screen: Screen) -> None:
    screen.key(Qt.Key.Key_W)
    height, width = screen.canvas.height(), screen.canvas.width()
    for share in (0.4, 0.5, 0.6):
        screen.click(round(width * share), round(height * 0.3))
    assert any(text.endswith("µm") for text in screen.texts())
    assert pixels_of(screen.pixels(), "drawing") > 100
    screen.key(Qt.Key.Key_J)
    (entry,) = screen.entries
    assert entry.action == "draw"
    assert entry.after["length_um"] > 5


def test_point_is_dragged_with_the_mouse(screen: Screen) -> None:
    screen.key(Qt.Key.Key_G)
    points = next(layer for layer in screen.viewer.layers if layer.name == "image: points")
    canvas = screen.viewer.window._qt_viewer.canvas
    before = points.data.copy()
    # Where the last point is on the canvas, from the camera that napari uses itself.
    camera = screen.viewer.camera
    zoom = camera.zoom
    offset = (before[-1] - np.array(camera.center[-2:])) * zoom
    x = round(canvas.native.width() / 2 + offset[1])
    y = round(canvas.native.height() / 2 + offset[0])
    QTest.mouseMove(canvas.native, QPoint(x, y))
    QTest.mousePress(canvas.native, Qt.MouseButton.LeftButton, pos=QPoint(x, y))
    screen.settle()
    for step in (6, 12, 20):
        QTest.mouseMove(canvas.native, QPoint(x, y + step))
        screen.settle()
    QTest.mouseRelease(canvas.native, Qt.MouseButton.LeftButton, pos=QPoint(x, y + 20))
    screen.settle()
    moved = points.data - before
    assert moved[-1][0] == pytest.approx(20 / zoom, rel=0.2)
    assert np.allclose(moved[:-1], 0)
    assert "by a person" in screen.texts()


def test_remark_is_typed_into_the_panel(screen: Screen) -> None:
    screen.key(Qt.Key.Key_N)
    field = next(w for w in screen.panel.findChildren(QLineEdit) if w.isVisible())
    QTest.keyClicks(field, "jk: sharp ends")
    screen.key(Qt.Key.Key_Return, field)
    assert [entry.action for entry in screen.entries] == ["remark"]
    assert screen.entries[-1].remark == "jk: sharp ends"
    assert "jk: sharp ends" in screen.texts()
    screen.key(Qt.Key.Key_N)
    screen.key(Qt.Key.Key_Escape, field)
    assert not field.isVisible()
    assert len(screen.entries) == 1


def test_keys_work_with_the_focus_in_the_panel(screen: Screen) -> None:
    screen.key(Qt.Key.Key_J, screen.panel)
    assert [entry.action for entry in screen.entries] == ["confirm"]
    screen.key(Qt.Key.Key_PageDown, screen.panel)
    assert "3 of 12, 1 of 12 indications decided" in screen.texts()


def test_views_are_opened_by_keys_and_by_clicks(screen: Screen) -> None:
    screen.key(Qt.Key.Key_F3)
    assert "1 of 4" in screen.texts()
    screen.key(Qt.Key.Key_F4)
    assert screen.viewer.grid.enabled
    button = next(b for b in screen.panel.findChildren(QPushButton) if b.text().startswith("F2"))
    QTest.mouseClick(button, Qt.MouseButton.LeftButton)
    screen.settle()
    assert "1 of 12, 0 of 12 indications decided" in screen.texts()


def test_two_revisions_fill_both_halves(screen: Screen) -> None:
    screen.key(Qt.Key.Key_F4)
    picture = screen.pixels()[..., 0]
    middle = picture.shape[1] // 2
    row = picture[picture.shape[0] // 2]
    assert np.std(row[20 : middle - 20]) > 8
    assert np.std(row[middle + 20 : -20]) > 8


def test_left_image_lies_on_the_left(screen: Screen) -> None:
    screen.key(Qt.Key.Key_F4)
    left, _ = screen.viewer.layers
    left.data = np.zeros_like(left.data)
    picture = screen.pixels()[..., 0]
    middle = picture.shape[1] // 2
    row = picture[picture.shape[0] // 2]
    assert row[20 : middle - 20].max() < 10
    assert np.std(row[middle + 20 : -20]) > 8


def test_decisions_are_there_after_the_window_is_closed(screen: Screen, study: Path) -> None:
    screen.key(Qt.Key.Key_J)
    screen.viewer.close()
    again = open_review(study)
    assert [entry.action for entry in read_record(again.record).entries] == ["confirm"]


def test_initials_are_asked_once_and_stored(
    qapp: QApplication, monkeypatch: pytest.MonkeyPatch
) -> None:
    store: dict[str, str] = {}

    class Settings:
        def value(self, name: str, default: str) -> str:
            return store.get(name, default)

        def setValue(self, name: str, value: str) -> None:  # noqa: N802 (Qt's name)
            store[name] = value

    answers = iter([("two words", True), ("XY", True)])
    asked = []

    def get_text(_parent, _title, question, *, text):
        asked.append(question)
        return next(answers)

    monkeypatch.setattr(window_module, "_settings", Settings)
    monkeypatch.setattr("qtpy.QtWidgets.QInputDialog.getText", get_text)
    assert window_module.known_reviewer() == ""
    assert window_module.ask_reviewer() == "XY"
    assert "without spaces" in asked[1]
    assert window_module.known_reviewer() == "XY"
