"""The data package is valid for the reference library of its standard.

Source: Data Package and Table Schema (Open Knowledge Foundation, specs.frictionlessdata.io), as
implemented by the library `frictionless`. It runs in a process of its own, where its own
deprecation warnings are nobody's errors.
"""

import importlib.util
import json
import subprocess
import sys

import pytest

from micromeasure.estimate import Component, Estimate
from micromeasure.micrograph.image import ImageRecord
from micromeasure.outcome import Measurement, Outcome
from micromeasure.tables.columns import TABLES
from micromeasure.tables.package import package_text
from micromeasure.tables.rows import Finished, measurement_rows, uncertainty_rows
from micromeasure.tables.writing import CsvFile

pytestmark = pytest.mark.skipif(
    importlib.util.find_spec("frictionless") is None, reason="the library is not installed"
)
VALIDATE = """
import json, sys, frictionless
report = frictionless.validate(sys.argv[1])
errors = report.flatten(["rowNumber", "fieldName", "type", "note"])
print(json.dumps({"valid": report.valid, "errors": errors}))
"""


def validated(folder):
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", VALIDATE, "datapackage.json"],
        cwd=folder, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return json.loads(done.stdout)


@pytest.fixture
def folder(tmp_path):
    components = (
        Component(name="noise", u=0.1, dof=9.0, kind="A"),
        Component(name="scale", u=0.2, shared="scale:b"),
    )
    measurements = (
        Measurement(
            feature="film", statistic="mean", n=12,
            estimate=Estimate(value=50.25, unit="um", components=components),
        ),
        Measurement(
            feature="film", statistic="max",
            estimate=Estimate(value=None, unit="um", low_limit=60.0), flags=("lower-limit",),
        ),
    )  # fmt: skip
    finished = Finished(
        record=ImageRecord(image="a, b.tif", specimen='=say("K")', extra={"bath": "-2"}),
        quantity="film_thickness", outcome=Outcome(measurements=measurements),
        method="film thickness 1", software="micromeasure 0.1.0",
    )  # fmt: skip
    rows = {
        "measurements.csv": measurement_rows(finished, ["bath"]),
        "uncertainty.csv": uncertainty_rows(finished),
    }
    digests = []
    for table in TABLES:
        header = (*table.header, "bath") if table.carries_extra else table.header
        with CsvFile(tmp_path / table.file, header) as file:
            for row in rows.get(table.file, ()):
                file.add(row)
        digests.append((table, file.sha256))
    text = package_text(title="T", tables=digests, extra_columns=["bath"])
    (tmp_path / "datapackage.json").write_text(text, encoding="utf-8")
    return tmp_path


def test_it_is_valid(folder):
    assert validated(folder) == {"valid": True, "errors": []}


def test_a_spoilt_cell_is_found(folder):
    path = folder / "measurements.csv"
    path.write_bytes(path.read_bytes().replace(b"50.25", b"fifty"))
    found = validated(folder)
    assert not found["valid"]
    assert "hash-count" in {kind for _, _, kind, _ in found["errors"]}
