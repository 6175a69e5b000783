"""The worked example of the guide for developers is code that runs."""

import re
import sys
import types
from pathlib import Path

import numpy as np
import pytest

from micromeasure.calibration.file import nominal_calibration
from micromeasure.errors import MeasurementError
from micromeasure.fields import parse
from micromeasure.micrograph.image import Header, ImageRecord, Micrograph

ROOT = Path(__file__).parents[2]


@pytest.fixture
def grey_level(monkeypatch):
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    (source,) = re.findall(r"```python\n(.*?)```", text, flags=re.DOTALL)
    module = types.ModuleType("grey_level_example")
    # A dataclass looks its module up by name while it is made.
    monkeypatch.setitem(sys.modules, module.__name__, module)
    exec(compile(source, "DEVELOPERS.md", "exec"), module.__dict__)  # noqa: S102  # our own page
    return module.QUANTITIES[0]


def micrograph(pixels):
    rows, columns = pixels.shape
    return Micrograph(
        pixels=pixels,
        calibration=nominal_calibration((0.5, 0.4)),
        record=ImageRecord(image="a.tif"),
        header=Header(
            format="TIFF", width_px=columns, height_px=rows, channels=1, dtype="uint8", bits=8
        ),
    )


def test_the_example_quantity_measures(grey_level):
    problems = []
    settings = parse(
        grey_level.settings, {"region": [10, 5, 29, 24]}, where="study.toml", problems=problems
    )
    assert problems == []
    pixels = np.random.default_rng(3).integers(90, 111, (40, 60)).astype(np.uint8)
    (row,) = grey_level.measure(micrograph(pixels), settings, {}).measurements
    assert row.estimate.value == pytest.approx(pixels[5:25, 10:30].mean())
    assert row.estimate.standard_uncertainty == pytest.approx(pixels[5:25, 10:30].std(ddof=1) / 20)
    assert row.n == 400


def test_the_example_quantity_says_what_is_wrong(grey_level):
    with pytest.raises(MeasurementError, match="at least 100 are needed"):
        grey_level.measure(micrograph(np.ones((5, 7), np.uint8)), grey_level.settings(), {})
