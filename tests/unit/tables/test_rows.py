"""Rows of result files, cell by cell."""

import csv
import json
import math

import numpy as np
import pytest

from micromeasure.estimate import Component, Estimate
from micromeasure.micrograph.image import ImageRecord
from micromeasure.outcome import Failure, Indication, Measurement, Outcome
from micromeasure.tables.columns import (
    INDICATIONS_TABLE,
    MEASUREMENTS_TABLE,
    TABLES,
    UNCERTAINTY_TABLE,
)
from micromeasure.tables.package import package_text
from micromeasure.tables.rows import (
    Finished,
    drawn_cells,
    failure_rows,
    indication_cells,
    indication_id,
    indication_row,
    line_string,
    measurement_rows,
    uncertainty_rows,
)
from micromeasure.tables.writing import CsvFile

RECORD = ImageRecord(
    image="K-1_a.tif", specimen="K-1", revision="K", position="a", view="film-section",
    calibration="bench", extra={"operator": "=me", "bath": "-2"},
)  # fmt: skip
NOISE = Component(name="edge location", u=0.3, dof=19, kind="A", source="scatter of profiles")
SCALE = Component(name="scale", u=0.4, shared="scale:bench", source="calibration bench")
LINE = np.array([[10.0, 20.0], [14.126, 23.0]])


def indication(**changes):
    given = {
        "fold": "left",
        "length": Estimate(value=12.5, unit="um", components=(NOISE,)),
        "width_um": 1.5,
        "angle_to_fold_deg": 80.0,
        "distance_to_fold_um": 3.0,
        "contrast": 0.2,
        "score": 0.9,
        "centreline_px": LINE,
    }
    return Indication(**{**given, **changes})


def finished(*measurements, **more):
    return Finished(
        record=RECORD,
        quantity="film_thickness",
        outcome=Outcome(measurements=measurements, **more),
        method="film thickness 1",
        software="micromeasure 0.1.0",
        calibration="bench",
        image_sha256="ab" * 32,
    )


def measurement(**estimate):
    given = {"value": 50.0, "unit": "um", "components": (NOISE, SCALE), **estimate}
    return Measurement(
        feature="diaphragm", statistic="mean", estimate=Estimate(**given), n=412,
        flags=("saturated", "few-profiles"),
    )  # fmt: skip


def one_row(one):
    (row,) = measurement_rows(finished(one), ("operator", "bath", "absent"))
    return dict(zip((*MEASUREMENTS_TABLE.header, "operator", "bath", "absent"), row, strict=True))


def test_a_measurement_carries_all_it_was_made_from():
    row = one_row(measurement())
    assert row["image"] == "K-1_a.tif"
    assert (row["value"], row["unit"], row["standard_uncertainty"]) == ("50", "um", "0.5")
    assert row["flags"] == "saturated few-profiles"
    assert (row["n"], row["calibration"], row["image_sha256"]) == ("412", "bench", "ab" * 32)
    assert (row["operator"], row["bath"], row["absent"]) == ("'=me", "-2", "")


def test_the_interval_uses_the_effective_degrees_of_freedom():
    row = one_row(measurement())
    # 0.5^4 / (0.3^4 / 19) = 146.6, cut to 146; t(0.975, 146) = 1.97635 (tables of Student's t).
    assert float(row["high_95"]) - 50 == pytest.approx(1.97635 * 0.5, rel=1e-5)
    assert 50 - float(row["low_95"]) == pytest.approx(1.97635 * 0.5, rel=1e-5)


def test_an_unknown_uncertainty_is_empty_never_zero():
    row = one_row(measurement(components=None))
    assert (row["standard_uncertainty"], row["low_95"], row["high_95"]) == ("", "", "")
    assert row["value"] == "50"


def test_a_lower_limit_has_a_low_end_only():
    row = one_row(measurement(value=None, components=None, low_limit=3.2))
    cells = (row["value"], row["standard_uncertainty"], row["low_95"], row["high_95"])
    assert cells == ("", "", "3.2", "")


def test_a_measurement_may_name_its_own_quantity():
    one = Measurement(
        feature="crown", statistic="value", quantity="crown_radius",
        estimate=Estimate(value=1.0, unit="um"),
    )  # fmt: skip
    assert one_row(one)["quantity"] == "crown_radius"


def test_the_budget_has_one_row_a_component():
    rows = [
        dict(zip(UNCERTAINTY_TABLE.header, row, strict=True))
        for row in uncertainty_rows(finished(measurement()))
    ]
    assert [r["component"] for r in rows] == ["edge location", "scale"]
    assert [r["dof"] for r in rows] == ["19", "INF"]
    assert [r["shared"] for r in rows] == ["", "scale:bench"]
    squares = sum(float(r["standard_uncertainty"]) ** 2 for r in rows)
    assert math.sqrt(squares) == pytest.approx(0.5)


def test_a_partial_failure_names_its_feature():
    rows = list(failure_rows(finished(failures=(Failure(reason="too thin", feature="rim"),))))
    assert rows == [["K-1_a.tif", "film-section", "film_thickness", "rim: too thin"]]


def test_a_centreline_is_wkt():
    assert line_string(LINE) == "LINESTRING (10.00 20.00, 14.13 23.00)"
    assert line_string(np.array([[-0.001, 5.0]])) == "LINESTRING (0.00 5.00, 0.00 5.00)"
    assert line_string(np.empty((0, 2))) == "LINESTRING EMPTY"


def test_an_indication_keeps_its_name_while_image_and_line_stay():
    name = indication_id("ab", indication())
    assert name == indication_id("ab", indication(score=0.1))
    assert name != indication_id("cd", indication())
    assert name != indication_id("ab", indication(fold="right"))
    assert name != indication_id("ab", indication(centreline_px=LINE + 1))


def test_what_a_person_drew_stands_in_the_place_of_what_was_found():
    drawn = drawn_cells({"length_um": 20.25, "contrast": None, "um_per_px": [1, 2]})
    row = indication_row(
        finished(),
        "name",
        {**indication_cells(indication()), **drawn},
        ("confirmed", "ab", "2026-03-01T10:00:00+00:00", "=seen"),
    )
    cells = dict(zip(INDICATIONS_TABLE.header, row, strict=True))
    assert (cells["length_um"], cells["contrast"], cells["width_um"]) == ("20.25", "", "1.5")
    assert (cells["decision"], cells["remark"]) == ("confirmed", "'=seen")


def test_a_file_appears_only_when_it_is_whole(tmp_path):
    path = tmp_path / "rows.csv"
    path.write_text("before")
    with pytest.raises(csv.Error), CsvFile(path, ["a"]) as file:
        file.add(None)
    assert path.read_text() == "before"
    assert list(tmp_path.iterdir()) == [path]
    with CsvFile(path, ["a"]) as file:
        file.add(["x,y"])
    assert path.read_bytes() == b'a\r\n"x,y"\r\n'


def test_the_package_describes_every_column():
    package = json.loads(
        package_text(title="T", tables=[(t, "00") for t in TABLES], extra_columns=["operator"])
    )
    by_name = {r["name"]: r for r in package["resources"]}
    assert set(by_name) == {"measurements", "uncertainty", "failures", "indications"}
    fields = [f["name"] for f in by_name["measurements"]["schema"]["fields"]]
    assert fields == [*MEASUREMENTS_TABLE.header, "operator"]
    for resource in package["resources"]:
        assert resource["path"].endswith(".csv")
        assert all(f["description"] for f in resource["schema"]["fields"])


def test_rows_have_as_many_cells_as_the_header():
    assert len(next(uncertainty_rows(finished(measurement())))) == len(UNCERTAINTY_TABLE.header)
    row = indication_row(finished(), "n", indication_cells(indication()), ("candidate", "", "", ""))
    assert len(row) == len(INDICATIONS_TABLE.header)
