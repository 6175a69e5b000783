"""What the tests of the review share."""

import sys
from pathlib import Path

import pytest

from micromeasure.review.opening import Opened, open_review

sys.path.insert(0, str(Path(__file__).parents[2] / "data" / "review"))


@pytest.fixture
def study(tmp_path: Path) -> Path:
    from made_study import make_study

    return make_study(tmp_path / "study")


@pytest.fixture
def opened(study: Path) -> Opened:
    return open_review(study)
