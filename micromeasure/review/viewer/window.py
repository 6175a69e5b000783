"""Opening the review in a window of its own, or in a viewer that is open already."""

import os
import sys
from typing import TYPE_CHECKING, Any

from micromeasure.errors import MicromeasureError, MissingPartError
from micromeasure.review.opening import Opened
from micromeasure.review.queue import Rules

_SCREENS = ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")
_NO_SCREEN = (
    "There is no screen to open the viewer on (DISPLAY is not set); review on a computer with a "
    "screen, the study's folder is all that it needs."
)

if TYPE_CHECKING:
    from micromeasure.review.viewer.bench import Bench
    from micromeasure.review.viewer.panel import Panel

_INSTALL = 'The viewer is not installed; install it with: pip install "micromeasure[viewer]"'


def require_viewer() -> None:
    """Raise if napari, Qt or a screen is not there.

    Raises
    ------
    MissingPartError
        With the sentence how to get it.
    """
    import importlib.util

    if importlib.util.find_spec("napari") is None:
        raise MissingPartError(_INSTALL)
    if sys.platform == "linux" and not any(os.environ.get(name) for name in _SCREENS):
        raise MissingPartError(_NO_SCREEN)
    try:
        import qtpy.QtWidgets  # noqa: F401  # finds out whether Qt itself is there
    except ImportError as error:
        raise MissingPartError(_INSTALL) from error
    except Exception as error:  # qtpy's own error is no ImportError
        if type(error).__name__ not in {"QtBindingsNotFoundError", "PythonQtError"}:
            raise
        raise MissingPartError(_INSTALL) from error


def panel_for(viewer: Any, opened: Opened, rules: Rules) -> "tuple[Bench, Panel]":  # noqa: ANN401
    """Put a review into a viewer and return the panel that goes beside the image.

    Parameters
    ----------
    viewer : napari.Viewer
    opened : Opened
    rules : Rules

    Returns
    -------
    tuple of Bench and Panel
    """
    from micromeasure.review.viewer.bench import Bench
    from micromeasure.review.viewer.panel import Panel

    bench = Bench(viewer, opened, rules)
    panel = Panel(bench, change_reviewer=lambda: _change_reviewer(bench))
    panel.destroyed.connect(bench.close)
    return bench, panel


def open_window(opened: Opened, rules: Rules) -> "tuple[Any, Bench]":
    """Open a window for a review alone; what only general viewing needs is put away."""
    import napari

    viewer = napari.Viewer(title=f"Review: {opened.study.title}", show=True)
    window = viewer.window
    window.resize(1400, 950)
    for dock in ("dockLayerList", "dockLayerControls"):
        getattr(window._qt_viewer, dock).setVisible(False)  # noqa: SLF001 (no public way)
    bench, panel = panel_for(viewer, opened, rules)
    window.add_dock_widget(panel, name="Review", area="right")
    panel.setFocus()
    return viewer, bench


def review(opened: Opened, rules: Rules) -> None:
    """Review a study in a window of its own; returns when the window is closed."""
    import napari

    _, bench = open_window(opened, rules)
    try:
        napari.run()
    finally:
        bench.close()


def known_reviewer() -> str:
    """Return the initials stored for this user of this computer, empty where there are none."""
    return str(_settings().value("initials", ""))


def store_reviewer(initials: str) -> None:
    """Store the initials for this user of this computer."""
    _settings().setValue("initials", initials)


def ask_reviewer(proposed: str = "") -> str:
    """Ask who decides and store the answer; empty where the person leaves without one."""
    from qtpy.QtWidgets import QApplication, QInputDialog

    _ = QApplication.instance() or QApplication([])
    text = proposed
    question = "Who decides? Your initials are stored with every decision."
    while True:
        text, is_given = QInputDialog.getText(None, "Review", question, text=text)
        if not is_given:
            return ""
        try:
            Rules(reviewer=text)
        except MicromeasureError as error:
            question = str(error)
            continue
        store_reviewer(str(text))
        return str(text)


def _change_reviewer(bench: "Bench") -> None:
    initials = ask_reviewer(bench.rules.reviewer)
    if initials:
        bench.change_reviewer(initials)


def _settings() -> Any:  # noqa: ANN401
    from qtpy.QtCore import QSettings

    return QSettings("micromeasure", "review")
