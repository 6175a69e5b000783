import csv
import math

import pytest

from micromeasure.errors import ResultsError
from micromeasure.estimate import Component, Estimate
from micromeasure.micrograph.image import ImageRecord
from micromeasure.outcome import Measurement, Outcome
from micromeasure.tables.columns import FAILURES_TABLE, MEASUREMENTS_TABLE, UNCERTAINTY_TABLE
from micromeasure.tables.compared import COMPARISONS_TABLE
from micromeasure.tables.evidence import read_evidence
from micromeasure.tables.handover import write_parquet, write_wide
from micromeasure.tables.package import package_text, with_table
from micromeasure.tables.reading import read_failures, read_results
from micromeasure.tables.rows import Finished, measurement_rows, uncertainty_rows
from micromeasure.tables.writing import CsvFile

BUDGET = (
    Component(name="edge", u=0.03, dof=17.5, kind="A", source="residuals"),
    Component(name="scale", u=-0.02, shared="scale:bench", source="calibration bench"),
)
RECORD = ImageRecord(
    image="a/film 1.tif", specimen="=K1", revision="K", position="2", view="film-section",
    calibration="bench", extra={"operator": "AB"},
)  # fmt: skip
MEASUREMENTS = (
    Measurement(
        feature="diaphragm", statistic="mean", n=812, flags=("few-profiles",),
        estimate=Estimate(value=24.125, unit="um", components=BUDGET),
    ),
    Measurement(
        feature="diaphragm", statistic="sd", estimate=Estimate(value=0.2, unit="um"), n=812
    ),
    Measurement(
        feature="film", statistic="value", quantity="optical_density",
        estimate=Estimate(value=None, unit="1", low_limit=3.5), flags=("lower-limit",),
    ),
)  # fmt: skip


@pytest.fixture
def folder(tmp_path):
    finished = Finished(
        record=RECORD, quantity="film_thickness", outcome=Outcome(measurements=MEASUREMENTS),
        method="m 1", software="s 1", calibration="bench", image_sha256="ab",
    )  # fmt: skip
    header = (*MEASUREMENTS_TABLE.header, "operator")
    with CsvFile(tmp_path / MEASUREMENTS_TABLE.file, header) as file:
        for row in measurement_rows(finished, ["operator"]):
            file.add(row)
    with CsvFile(tmp_path / UNCERTAINTY_TABLE.file, UNCERTAINTY_TABLE.header) as file:
        for row in uncertainty_rows(finished):
            file.add(row)
    return tmp_path


def changed(path, old, new):
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8", newline="")


def test_estimates_come_back_with_their_components(folder):
    mean, sd, limit = read_results(folder)
    assert mean.estimate == MEASUREMENTS[0].estimate
    assert (mean.specimen, mean.image, mean.extra) == ("=K1", RECORD.image, {"operator": "AB"})
    assert mean.flags == ("few-profiles",)
    assert mean.n == 812
    assert sd.estimate.components is None
    assert (limit.quantity, limit.estimate.value, limit.estimate.low_limit) == (
        "optical_density", None, 3.5,
    )  # fmt: skip


def test_budget_that_does_not_add_up_is_not_trusted(folder):
    changed(folder / UNCERTAINTY_TABLE.file, ",0.03,", ",0.3,")
    mean = read_results(folder)[0]
    assert [c.name for c in mean.estimate.components] == ["stated"]
    assert mean.estimate.standard_uncertainty == pytest.approx(math.hypot(0.03, 0.02))


def test_missing_files_say_what_to_do(tmp_path):
    with pytest.raises(ResultsError, match="there is no such file; run the study first"):
        read_results(tmp_path)
    assert read_failures(tmp_path) == ()


def test_missing_column_is_named(folder):
    changed(folder / MEASUREMENTS_TABLE.file, "standard_uncertainty", "u")
    with pytest.raises(ResultsError, match="there is no column standard_uncertainty"):
        read_results(folder)


def test_cell_that_is_no_number_is_shown(folder):
    changed(folder / MEASUREMENTS_TABLE.file, "24.125", "24,125"[:2] + "x")
    with pytest.raises(ResultsError, match="row 2, value: found '24x'"):
        read_results(folder)


def test_too_many_cells_are_found(tmp_path):
    (tmp_path / FAILURES_TABLE.file).write_text("image,view,quantity,reason\na,b,c,d,e\n")
    with pytest.raises(ResultsError, match="row 2: found more cells than the header has columns"):
        read_failures(tmp_path)


def evidence(tmp_path, text):
    path = tmp_path / "hardness.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_evidence_takes_numbers_and_words(tmp_path):
    path = evidence(
        tmp_path,
        "specimen,revision,quantity,value,unit,standard_uncertainty,method,device\n"
        "K1,K,hardness,71.5,Shore D,0.4,durometer,D 7\nK1,K,polymer,PET,,,spectrum,F 2\n",
    )
    number, words = read_evidence(path)
    assert number.estimate.standard_uncertainty == 0.4
    assert (number.brought_in, number.statistic, number.extra) == (
        "hardness.csv", "value", {"device": "D 7"},
    )  # fmt: skip
    assert (words.text, words.estimate.value) == ("PET", None)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("specimen,revision,value\n1,K,3\n", "there is no column quantity"),
        ("specimen,revision,quantity,value\n1,,mass,3\n", "row 2: revision is empty"),
        (
            "specimen,revision,quantity,value,standard_uncertainty\n1,K,mass,3,0\n",
            "found 0; must be above 0, or empty",
        ),
    ],
)
def test_faulty_evidence_is_refused(tmp_path, text, message):
    with pytest.raises(ResultsError, match=message):
        read_evidence(evidence(tmp_path, text))


def test_wide_form_has_one_line_per_image(folder):
    with write_wide(folder).open(encoding="utf-8", newline="") as file:
        (line,) = csv.DictReader(file)
    assert line["film_thickness.diaphragm.mean [um]"] == "24.125"
    assert float(line["u.film_thickness.diaphragm.mean [um]"]) == pytest.approx(0.0360555)
    assert line["flags.film_thickness.diaphragm.mean"] == "few-profiles"
    assert line["optical_density.film.value [1]"] == "> 3.5"
    assert line["operator"] == "AB"
    assert "u.film_thickness.diaphragm.sd [um]" not in line


def test_wide_form_refuses_two_values_for_one_cell(folder):
    path = folder / MEASUREMENTS_TABLE.file
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    path.write_text("".join([*lines, lines[1]]), encoding="utf-8", newline="")
    with pytest.raises(ResultsError, match=r"has two rows for film_thickness\.diaphragm\.mean"):
        write_wide(folder)


def test_parquet_has_types_and_gaps(folder):
    parquet = pytest.importorskip("pyarrow.parquet")
    measurements, uncertainty = write_parquet(folder)
    table = parquet.read_table(measurements)
    assert table.column("value").to_pylist() == [24.125, 0.2, None]
    assert table.column("specimen").to_pylist()[0] == "=K1"
    assert table.column("n").to_pylist() == [812, 812, None]
    assert parquet.read_table(uncertainty).column("dof").to_pylist() == [17.5, math.inf]


def test_described_table_replaces_its_older_self():
    import json

    text = package_text(title="t", tables=[(FAILURES_TABLE, "aa")], extra_columns=())
    text = with_table(text, COMPARISONS_TABLE, "bb")
    text = with_table(text, COMPARISONS_TABLE, "cc")
    resources = json.loads(text)["resources"]
    assert [r["name"] for r in resources] == ["failures", "comparisons"]
    assert resources[1]["hash"] == "sha256:cc"
