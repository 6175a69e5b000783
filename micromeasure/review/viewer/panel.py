"""The panel beside the image: progress, decision, numbers, and every key with what it does."""

from collections.abc import Callable
from typing import Any

from qtpy.QtCore import Qt
from qtpy.QtGui import QKeyEvent, QKeySequence
from qtpy.QtWidgets import (
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QScrollArea,
    QVBoxLayout,
    QWidget,
)

from micromeasure.review.viewer.bench import Bench
from micromeasure.review.viewer.keys import HANDLE_KEYS, RULER_KEYS, SHEET_KEYS, Key
from micromeasure.review.viewer.look import STYLE_SHEET, css, style_of
from micromeasure.review.viewer.sheet import Line

_WIDTH_PX = 370


class Panel(QWidget):
    """Shows the texts of a bench and passes keys and clicks on to it.

    Parameters
    ----------
    bench : Bench
    change_reviewer : callable
        Called when another person is to decide.
    """

    def __init__(self, bench: Bench, change_reviewer: Callable[[], None]) -> None:
        super().__init__()
        self._bench = bench
        self._keys_shown: tuple[Key, ...] = ()
        self.setObjectName("review")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self.setStyleSheet(STYLE_SHEET)
        self.setMinimumWidth(_WIDTH_PX)
        self._sheets = _buttons_row(self, SHEET_KEYS, self._press)
        self._heading = _label(self, "heading")
        self._progress = _label(self, "quiet")
        self._reviewer = QPushButton(self)
        self._reviewer.clicked.connect(change_reviewer)
        self._state = _label(self, "state")
        self._notice = _label(self, "notice")
        self._lines = _Table(self)
        self._question = _label(self, "quiet")
        self._answer = QLineEdit(self)
        self._answer.returnPressed.connect(self._on_answer)
        self._keys = QWidget(self)
        self._key_grid = QGridLayout(self._keys)
        self._lay_out()
        bench.listeners.append(self.refresh)
        self.refresh()

    def refresh(self) -> None:
        """Show what the bench says now."""
        sheet = self._bench.sheet
        self._heading.setText(sheet.heading())
        self._progress.setText(sheet.progress())
        self._reviewer.setText(f"Deciding as {self._bench.rules.reviewer} · change")
        text, role = sheet.state()
        colour = css(style_of(role).colour) if role else "transparent"
        self._state.setText(text)
        self._state.setStyleSheet(f"border-left: 6px solid {colour}; padding-left: 9px;")
        self._notice.setText(self._bench.notice)
        self._notice.setVisible(bool(self._bench.notice))
        self._lines.fill(self._bench.lines())
        self._ask(self._bench.asks())
        self._show_keys(self._bench.keys())
        for key, button in self._sheets.items():
            button.setChecked(key.action == self._bench.sheet_name)

    def keyPressEvent(self, event: QKeyEvent | None) -> None:  # noqa: N802 (Qt's name)
        """Pass a key on, so that it works wherever the focus is."""
        if event is None or event.isAutoRepeat():
            return
        name = _key_name(event)
        if name == "Escape" and self._answer.isVisible():
            self._bench.answer("")
            return
        self._bench.press_key(name)

    def _press(self, action: str) -> None:
        self._bench.press(action)

    def _on_answer(self) -> None:
        text = self._answer.text()
        self._answer.clear()
        self._bench.answer(text)

    def _ask(self, question: str) -> None:
        is_new = bool(question) and not self._answer.isVisible()
        self._question.setText(f"{question} (Enter stores it, Esc leaves it)")
        self._question.setVisible(bool(question))
        if self._answer.isVisible() and not question:
            self._answer.clear()
            self.setFocus()
        self._answer.setVisible(bool(question))
        if is_new:
            self._answer.setFocus()

    def _show_keys(self, keys: tuple[Key, ...]) -> None:
        has_ruler = keys is not HANDLE_KEYS and self._bench.sheet.plate.micrograph is not None
        shown = (*keys, *RULER_KEYS) if has_ruler else keys
        if shown == self._keys_shown:
            return
        self._keys_shown = shown
        while item := self._key_grid.takeAt(0):
            if (widget := item.widget()) is not None:
                widget.setParent(None)
                widget.deleteLater()
        for row, (names, does, action) in enumerate(_joined(shown)):
            name = QLabel(names, self._keys)
            name.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
            button = QPushButton(does, self._keys)
            button.clicked.connect(_caller(self._press, action))
            self._key_grid.addWidget(name, row, 0)
            self._key_grid.addWidget(button, row, 1)

    def _lay_out(self) -> None:
        self._key_grid.setContentsMargins(0, 0, 0, 0)
        self._key_grid.setVerticalSpacing(3)
        self._key_grid.setColumnStretch(1, 1)
        inner = QWidget(self)
        column = QVBoxLayout(inner)
        column.setContentsMargins(14, 12, 14, 12)
        column.setSpacing(7)
        row = QHBoxLayout()
        row.setSpacing(4)
        for button in self._sheets.values():
            row.addWidget(button)
        column.addLayout(row)
        for widget in (self._heading, self._progress, self._state, self._notice, self._lines,
                       self._question, self._answer, _rule(inner), self._keys):  # fmt: skip
            column.addWidget(widget)
        column.addStretch(1)
        column.addWidget(self._reviewer)
        scroll = QScrollArea(self)
        scroll.setWidget(inner)
        scroll.setWidgetResizable(True)
        scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        scroll.setFrameShape(QFrame.Shape.NoFrame)
        scroll.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        whole = QVBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.addWidget(scroll)


class _Table(QWidget):
    """Names and values in two columns; labels are used again, which is quicker than new ones."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self._grid = QGridLayout(self)
        self._grid.setContentsMargins(0, 4, 0, 4)
        self._grid.setVerticalSpacing(4)
        self._grid.setHorizontalSpacing(12)
        self._grid.setColumnStretch(1, 1)
        self._rows: list[tuple[QLabel, QLabel]] = []

    def fill(self, lines: list[Line]) -> None:
        """Show lines."""
        while len(self._rows) < len(lines):
            pair = (_label(self, "quiet"), _label(self))
            for column, label in enumerate(pair):
                self._grid.addWidget(label, len(self._rows), column)
            self._rows.append(pair)
        for number, (name, value) in enumerate(self._rows):
            is_used = number < len(lines)
            name.setVisible(is_used)
            value.setVisible(is_used)
            if is_used:
                line = lines[number]
                name.setText(line.name)
                value.setText(line.value)
                mark = "background: #3a404b;" if line.is_chosen else ""
                name.setStyleSheet(mark)
                value.setStyleSheet(mark)


def _label(parent: QWidget, name: str = "") -> QLabel:
    label = QLabel(parent)
    label.setObjectName(name)
    label.setWordWrap(True)
    label.setTextFormat(Qt.TextFormat.PlainText)  # names of files are no mark-up
    return label


def _rule(parent: QWidget) -> QFrame:
    line = QFrame(parent)
    line.setFrameShape(QFrame.Shape.HLine)
    line.setStyleSheet("color: #444a55;")
    return line


def _buttons_row(
    parent: QWidget, keys: tuple[Key, ...], press: Callable[[str], None]
) -> dict[Key, QPushButton]:
    made = {}
    for key in keys:
        button = QPushButton(f"{key.shown}  {key.does}", parent)
        button.setObjectName("sheet")
        button.setCheckable(True)
        button.clicked.connect(_caller(press, key.action))
        made[key] = button
    return made


def _caller(press: Callable[[str], None], action: str) -> Callable[..., None]:
    def call(*_: Any) -> None:  # noqa: ANN401 (Qt hands over whether a button is down)
        press(action)

    return call


def _joined(keys: tuple[Key, ...]) -> list[tuple[str, str, str]]:
    """Return keys, text and action for each row; keys of one text share a row."""
    rows: dict[str, list[Key]] = {}
    for key in keys:
        rows.setdefault(key.does, []).append(key)
    return [(_names(same), does, same[0].action) for does, same in rows.items()]


def _names(keys: list[Key]) -> str:
    if len(keys) < 4:
        return "  ".join(key.shown for key in keys)
    return "Shift + arrows" if keys[0].key.startswith("Shift") else "arrows"


_PLAIN = {"PgDown": "PageDown", "PgUp": "PageUp", "Esc": "Escape"}


def _key_name(event: QKeyEvent) -> str:
    """Return a pressed key as napari writes it."""
    name = QKeySequence(event.key()).toString()
    name = _PLAIN.get(name, name)
    is_shifted = bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
    return f"Shift-{name}" if is_shifted and name in {"Left", "Right", "Up", "Down"} else name
