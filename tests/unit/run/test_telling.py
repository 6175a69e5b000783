"""What a person reads: the table at the end, the progress line, the log."""

import io
import json
from pathlib import Path

import pytest

from micromeasure.errors import ResultsError
from micromeasure.quantities.film_thickness import FilmThicknessSettings
from micromeasure.run.events import Ended, Kept, Measured, Note, Started
from micromeasure.run.progress import json_log, progress_line
from micromeasure.run.summary import failures_shown, results_shown
from micromeasure.run.task import ImageResult, MeasureResult
from micromeasure.study.model import Measure, Study
from micromeasure.tables.columns import FAILURES_TABLE, MEASUREMENTS_TABLE
from micromeasure.tables.writing import csv_line


def study():
    settings = FilmThicknessSettings()
    measure = Measure(number=1, quantity="film_thickness", view="film-section", settings=settings)
    return Study(
        path=Path("study.toml"), title="T", images=Path("images"), calibrations={},
        measures=(measure,), comparisons=(), reference="", evidence=(), records=(), jobs=(),
    )  # fmt: skip


def write(folder, rows):
    header = MEASUREMENTS_TABLE.header
    lines = [csv_line(header), *(csv_line([row.get(c, "") for c in header]) for row in rows)]
    (folder / "measurements.csv").write_bytes("".join(lines).encode())


def row(number, level, **more):
    return {
        "image": f"{number}.tif", "specimen": f"K{number}", "revision": "KM"[number % 2],
        "view": "film-section", "quantity": "film_thickness", "feature": "diaphragm",
        "statistic": "mean", "value": str(level), "unit": "um", "low_95": str(level - 0.5),
        "high_95": str(level + 0.5), **more,
    }  # fmt: skip


def test_a_small_study_is_shown_row_by_row(tmp_path):
    rows = [
        row(0, 24.1234, specimen="'=K0"),
        row(1, 25.0, statistic="sd"),
        row(1, 25.0, quantity="feret_max"),
        row(1, 0.0, value="", low_95="3.2", high_95=""),
    ]
    write(tmp_path, rows)
    shown = results_shown(tmp_path, study())
    assert [r[:2] + r[4:7] for r in shown.rows] == [
        ("0.tif", "=K0", "24.12", "0.50", "µm"),
        ("1.tif", "K1", "> 3.2", "–", "µm"),
    ]


def test_a_large_study_is_shown_by_revision_and_view(tmp_path):
    rows = [row(n, 24 + n % 2 + 0.01 * (n % 4), flags="few-profiles" * (n == 6)) for n in range(60)]
    rows.append(row(0, 99.0, state="pressed"))
    write(tmp_path, rows)
    shown = results_shown(tmp_path, study())
    assert [r[:4] for r in shown.rows] == [
        ("film_thickness", "diaphragm", "film-section", "K"),
        ("film_thickness", "diaphragm", "film-section", "M"),
        ("film_thickness", "diaphragm", "film-section pressed", "K"),
    ]
    # 24.00 and 24.02 fifteen times each: mean 24.01, sd 0.01 * sqrt(30 / 29).
    assert shown.rows[0][4:] == ("30", "24.010", "0.010", "24.000", "24.020", "µm", "1")
    assert shown.rows[2][4:7] == ("1", "99", "–")


def test_only_the_first_failures_are_shown(tmp_path):
    lines = [csv_line(FAILURES_TABLE.header)]
    lines += [csv_line([f"{n}.tif", "v", "film_thickness", "no film"]) for n in range(14)]
    (tmp_path / "failures.csv").write_bytes("".join(lines).encode())
    shown = failures_shown(tmp_path)
    assert len(shown.rows) == 10
    assert shown.title == "not measured: 14; 4 more in failures.csv"


def result(image="a.tif", reasons=()):
    one = MeasureResult(
        slot="film_thickness", quantity="film_thickness", method="1", key="k", final=True,
        outcome="{}", reasons=reasons,
    )  # fmt: skip
    return ImageResult(number=0, image=image, measures=(one,), seconds=0.25)


EVENTS = (
    Started(3),
    Kept(),
    Measured(result()),
    Measured(result("b.tif", ("no film",))),
    Note("A decision has no place."),
    Ended("finished"),
)


def test_without_a_terminal_only_notes_are_said_at_once():
    stream = io.StringIO()
    with progress_line(stream, is_terminal=False) as watch:
        for event in EVENTS:
            watch(event)
    assert stream.getvalue() == "A decision has no place.\n"


def test_without_a_terminal_a_line_now_and_then(monkeypatch):
    monkeypatch.setattr("micromeasure.run.progress._QUIET_STEP_S", 0.0)
    stream = io.StringIO()
    with progress_line(stream, is_terminal=False) as watch:
        for event in EVENTS:
            watch(event)
    first, second, _ = stream.getvalue().splitlines()
    assert first.startswith("2/3, ")
    assert second.startswith("3/3, ")
    assert second.endswith("images/s, 1 failed")


def test_on_a_terminal_one_line_tells_all(monkeypatch):
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("COLUMNS", "120")
    stream = io.StringIO()
    with progress_line(stream, is_terminal=True) as watch:
        for event in EVENTS:
            watch(event)
    assert "3/3" in stream.getvalue()
    assert "1 failed" in stream.getvalue()
    assert "images/s" in stream.getvalue()


def test_the_log_has_one_object_a_line(tmp_path):
    path = tmp_path / "run.jsonl"
    with json_log(path) as watch:
        for event in EVENTS:
            watch(event)
    events = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    assert [e["event"] for e in events] == ["started", "image", "image", "note", "ended"]
    assert events[2]["failures"] == ["no film"]
    assert events[1]["seconds"] == 0.25
    assert all(e["time"].endswith("+00:00") for e in events)


def test_errors_of_the_run_are_not_taken_for_errors_of_the_log(tmp_path):
    with pytest.raises(PermissionError), json_log(tmp_path / "run.jsonl"):
        raise PermissionError


def test_a_log_that_cannot_be_written(tmp_path):
    with (
        pytest.raises(ResultsError, match="the log cannot be written"),
        json_log(tmp_path / "absent" / "run.jsonl"),
    ):
        pass
