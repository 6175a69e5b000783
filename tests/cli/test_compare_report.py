"""The commands that answer, from the command line down to the files."""

import csv
import json

import pytest

from micromeasure.cli.main import main

STUDY = """\
schema = 1
title = "Domes"
images = "images"
manifest = "images.csv"

[[measure]]
quantity = "dome_height"

[[compare]]
quantity = "dome_height"
tolerance_um = 15
"""


@pytest.fixture
def study(tmp_path):
    """Return a study whose results were written by hand."""
    (tmp_path / "images").mkdir()
    results = tmp_path / "results"
    results.mkdir()
    (tmp_path / "study.toml").write_text(STUDY)
    header = [
        "image", "specimen", "revision", "position", "state", "view", "quantity", "feature",
        "statistic", "value", "unit", "standard_uncertainty", "low_95", "high_95", "n", "flags",
        "calibration", "image_sha256", "method", "software", "operator",
    ]  # fmt: skip
    manifest = [["image", "specimen", "revision", "view"]]
    rows = []
    for revision, centre in (("K", 340.0), ("M", 341.0)):
        for i in range(4):
            for operator in "ab":
                for repeat in range(2):
                    name = f"{revision}{i}{operator}{repeat}.tif"
                    value = centre + i + (0.3 if operator == "a" else 0.0) + 0.1 * repeat
                    manifest.append([name, f"{revision}{i}", revision, "side"])
                    rows.append(
                        [name, f"{revision}{i}", revision, "", "", "side", "dome_height", "crown",
                         "value", value, "um", 0.5, value - 1, value + 1, 900, "", "bench", "",
                         "m 1", "s 1", operator]
                    )  # fmt: skip
    for path, table in ((tmp_path / "images.csv", manifest),
                        (results / "measurements.csv", [header, *rows])):  # fmt: skip
        with path.open("w", newline="") as file:
            csv.writer(file).writerows(table)
    (results / "datapackage.json").write_text('{"resources": []}')
    return tmp_path


def test_compare_writes_table_and_plot_and_prints_verdicts(study, capsys):
    assert main(["compare", str(study)]) == 0
    out = capsys.readouterr().out
    assert "dome height, crown (side): M − K = 1.0 µm" in out
    assert "same within the stated tolerance" in out
    with (study / "results" / "comparisons.csv").open(newline="", encoding="utf-8") as file:
        (row,) = csv.DictReader(file)
    assert row["verdict"] == "same within the stated tolerance"
    assert (row["n"], row["n_positions"], row["question"]) == ("4", "16", "yes")
    assert float(row["difference"]) == pytest.approx(1.0)
    assert (study / "results" / "comparisons.svg").read_text(encoding="utf-8").startswith("<svg")
    package = json.loads((study / "results" / "datapackage.json").read_text(encoding="utf-8"))
    assert [r["path"] for r in package["resources"]] == ["comparisons.csv"]


def test_report_is_written(study, capsys):
    assert main(["report", str(study)]) == 0
    assert "report.html" in capsys.readouterr().out
    assert "Dome height, crown" in (study / "results" / "report.html").read_text(encoding="utf-8")


def test_repeatability_uses_operators(study, capsys):
    assert main(["repeatability", str(study)]) == 0
    out = capsys.readouterr().out
    assert "8 parts, 2 operators" in out
    assert "share of tolerance" in out
    assert (study / "results" / "repeatability-dome_height-crown-side.svg").is_file()


def test_export_writes_what_was_asked_for(study, capsys):
    assert main(["export", str(study), "--wide"]) == 0
    assert "measurements_wide.csv" in capsys.readouterr().out
    assert main(["export", str(study)]) == 2
    assert "give --wide, --parquet or both" in capsys.readouterr().err


@pytest.mark.parametrize("command", ["compare", "report", "repeatability"])
def test_nothing_is_written_before_a_run(study, capsys, command):
    (study / "results" / "measurements.csv").unlink()
    before = sorted(p.name for p in (study / "results").iterdir())
    assert main([command, str(study)]) == 2
    assert "run the study first" in capsys.readouterr().err
    assert sorted(p.name for p in (study / "results").iterdir()) == before
