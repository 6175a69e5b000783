"""Studies of tiny images for testing the engine."""

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

STAND = Path(__file__).parent / "stand"
sys.path.insert(0, str(STAND))

from bench_study import Bench  # noqa: E402  # found by the line above


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(folder=tmp_path)


@pytest.fixture
def stand(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Register the test quantity in this process for one test."""
    monkeypatch.syspath_prepend(str(STAND))
    import micromeasure.quantities as registry

    before = registry._modules
    import stand_quantity

    stand_quantity.register()
    yield
    registry._modules = before
    registry.quantities.cache_clear()
    registry.derivations.cache_clear()
