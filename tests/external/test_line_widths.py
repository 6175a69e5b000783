"""Widths of the lines of a 1951 resolution target, measured in rendered images of them.

Line pairs per millimetre: MIL-STD-150A, from a public table (level A: read there and
recomputed); see `tests/data/published_lines.json`.
"""

import json
from pathlib import Path

import numpy as np
import pytest

from micromeasure.calibration.file import SCHEMA, Calibration, Light
from micromeasure.film.line_width import line_width
from micromeasure.micrograph.image import Header, ImageRecord, Micrograph
from micromeasure.reference.micrometer import Rulings, View, render

PUBLISHED = json.loads(
    (Path(__file__).parents[1] / "data" / "published_lines.json").read_text(encoding="utf-8")
)["usaf1951"]["lp_per_mm"]
SCALE = (0.25, 0.252)
SCALED = Calibration(
    schema=SCHEMA, id="c", um_per_px=SCALE, u_um_per_px=(1e-5, 1e-5), light=Light(transfer="linear")
)


@pytest.mark.parametrize("group", ["4", "5", "6"])
def test_the_published_table_follows_its_formula(group):
    for element, printed in enumerate(PUBLISHED[group], 1):
        assert 2 ** (int(group) + (element - 1) / 6) == pytest.approx(printed, rel=1e-12)


@pytest.mark.parametrize(("group", "element"), [("4", 6), ("5", 1), ("5", 4), ("6", 1), ("6", 5)])
@pytest.mark.parametrize("bright", [False, True])
def test_a_line_measures_half_a_published_line_pair(group, element, bright):
    width_um = 500.0 / PUBLISHED[group][element - 1]
    line = Rulings(
        pitch_um=1000.0, width_um=width_um, first=0, last=0, lengths_um=(900.0, 900.0, 900.0)
    )
    view = View(size_px=(230, 190), um_per_px=SCALE, rotation_deg=4.0, blur_um=0.4, bits=12,
                centre_um=(1.3, 450.0), contrast=0.7)  # fmt: skip
    image = render(line, view, np.random.default_rng(element), bright=bright)
    micrograph = Micrograph(
        pixels=image, calibration=SCALED, record=ImageRecord(image="line.tif"),
        header=Header(format="TIFF", width_px=230, height_px=190, channels=1, dtype="uint16",
                      bits=12),
    )  # fmt: skip
    measured, u, is_dark = line_width(micrograph)
    assert is_dark is not bright
    assert measured == pytest.approx(width_um, abs=max(4 * u, 0.005))
    assert u < 0.02
