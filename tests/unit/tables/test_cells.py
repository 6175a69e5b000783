"""Cells of result files."""

import csv
import io
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from micromeasure.tables.cells import count_cell, dof_cell, number_cell, restored_text, text_cell
from micromeasure.tables.writing import csv_line


@pytest.mark.parametrize(
    ("value", "cell"),
    [
        (None, ""),
        (math.nan, ""),
        (math.inf, ""),
        (0.0, "0"),
        (51.230000000000004, "51.23"),
        (1 / 3, "0.3333333333"),
        (1.5e-7, "1.5e-07"),
        (-12.0, "-12"),
    ],
)
def test_numbers_are_readable_and_unknown_ones_empty(value, cell):
    assert number_cell(value) == cell


@given(st.floats(-1e300, 1e300))
def test_a_number_comes_back_to_ten_digits(value):
    assert float(number_cell(value)) == pytest.approx(value, rel=6e-10, abs=0)


def test_known_without_doubt_differs_from_unknown():
    assert dof_cell(math.inf) == "INF"
    assert float(dof_cell(math.inf)) == math.inf
    assert dof_cell(203.0) == "203"
    assert count_cell(None) == ""
    assert count_cell(0) == "0"


@pytest.mark.parametrize(
    "text", ["=1+1", "+cmd|'/c calc'!A0", "-2+3", "@SUM(A1)", "\t=1", "\r=1", "=", "'=1"]
)
def test_no_text_is_run_as_a_formula(text):
    assert text_cell(text)[0] == "'"
    assert restored_text(text_cell(text)) == text


@pytest.mark.parametrize("text", ["-1", "+0.5e3", "-.5", "K-1", "", "'quoted", "a=b", "–5"])
def test_harmless_texts_stay_as_they_are(text):
    assert text_cell(text) == text
    assert restored_text(text) == text


@given(st.text(max_size=12))
def test_every_text_comes_back(text):
    assert restored_text(text_cell(text)) == text


@given(
    st.lists(st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0")), min_size=1)
)
def test_every_row_is_one_record_of_rfc_4180(cells):
    line = csv_line(cells)
    assert line.endswith("\r\n")
    assert next(csv.reader(io.StringIO(line, newline=""))) == cells
