"""What the tests of the viewer share.

Run with: xvfb-run -a -s "-screen 0 1600x1200x24" pytest tests/viewer
"""

import importlib.util
import os
import sys
import warnings
from pathlib import Path

import pytest

from micromeasure.review.opening import Opened, open_review

sys.path.insert(0, str(Path(__file__).parents[1] / "data" / "review"))

HAS_NAPARI = importlib.util.find_spec("napari") is not None
HAS_SCREEN = bool(os.environ.get("DISPLAY"))

if HAS_NAPARI:
    # Imported once with their own warnings let pass, which are errors elsewhere in these tests.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Leave out what cannot work here: all without napari, windows without pytest-qt or screen."""
    needs_window = collection_path.name in {"test_window.py", "test_plugin.py"}
    has_window = HAS_SCREEN and config.pluginmanager.hasplugin("pytest-qt")
    if collection_path.name.startswith("test_") and (
        not HAS_NAPARI or (needs_window and not has_window)
    ):
        return True
    return None


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Let pass the warnings of napari, its plugin manager and Qt; ours stay errors."""
    here = Path(__file__).parent
    for item in items:
        if here in item.path.parents:
            for module in ("napari", "npe2", "pydantic", "vispy", "app_model", "superqt", "qtpy"):
                item.add_marker(pytest.mark.filterwarnings(f"ignore:::{module}"))
            for kind in ("DeprecationWarning", "FutureWarning", "PendingDeprecationWarning"):
                item.add_marker(pytest.mark.filterwarnings(f"ignore::{kind}"))


@pytest.fixture
def study(tmp_path: Path) -> Path:
    from made_study import make_study

    return make_study(tmp_path / "study")


@pytest.fixture
def opened(study: Path) -> Opened:
    return open_review(study)


@pytest.fixture(autouse=True)
def own_settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep stored initials, and napari's settings, out of the home of whoever runs the tests."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
