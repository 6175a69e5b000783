"""The engine in this process: what is done again and what is not, and what is written."""

import csv
import hashlib
import io
import json
import os
import shutil
import time

import pytest

from micromeasure.errors import ResultsError
from micromeasure.review.record import Entry, append_all, record_path
from micromeasure.run import worker
from micromeasure.run.engine import run_study, write_again
from micromeasure.run.events import Ended, Kept, Measured, Note, Started
from micromeasure.run.ledger import Ledger
from micromeasure.run.lock import locked
from micromeasure.run.options import Options
from micromeasure.study.load import load_study
from micromeasure.tables.cells import restored_text

HERE = Options(jobs=0)
pytestmark = pytest.mark.usefixtures("stand")


def go(bench, options=HERE):
    events = []
    summary = run_study(
        load_study(bench.folder), out=bench.out, options=options, watch=events.append
    )
    return summary, events


def rows(bench, name):
    return list(csv.DictReader(io.StringIO(bench.text(name), newline="")))


@pytest.fixture(autouse=True)
def _old_files(bench, monkeypatch):
    """Let files count as settled: they were made a moment ago."""
    monkeypatch.setattr("micromeasure.run.task._SETTLED_NS", -1)


def test_everything_promised_is_written(bench):
    bench.images(5, do=["", "fail"])
    summary, events = go(bench)
    assert (summary.images, summary.measured, summary.kept) == (5, 5, 0)
    assert summary.written.failures == 1
    names = {p.name for p in bench.out.iterdir()}
    assert names >= {
        "measurements.csv", "uncertainty.csv", "failures.csv", "indications.csv",
        "datapackage.json", "run.json", "overlays", "profiles",
    }  # fmt: skip
    assert len(list((bench.out / "overlays").iterdir())) == 5
    assert len(list((bench.out / "profiles").iterdir())) == 4
    assert [type(e) for e in events] == [Started, *[Measured] * 5, Ended]


def test_rows_are_in_the_order_of_the_manifest(bench):
    bench.images(6)
    bench.rows.reverse()
    bench.write()
    go(bench)
    images = [r["image"] for r in rows(bench, "measurements.csv") if r["image"]]
    assert images == [row["image"] for row in bench.rows for _ in range(2)]


def test_derived_rows_come_last_and_name_no_image(bench):
    bench.images(5)
    go(bench)
    found = rows(bench, "measurements.csv")
    derived = [r for r in found if r["quantity"] == "stand_mean_level"]
    assert found[-len(derived) :] == derived
    assert [(r["image"], r["specimen"], r["n"]) for r in derived] == [
        ("", "K-0", "2"), ("", "M-0", "2"), ("", "K-1", "1"),
    ]  # fmt: skip
    of_k0 = [
        float(r["value"]) for r in found if r["specimen"] == "K-0" and r["statistic"] == "mean"
    ]
    assert float(derived[0]["value"]) == pytest.approx(sum(of_k0) / 2, rel=1e-9)


def test_a_second_run_measures_nothing_and_writes_the_same(bench):
    bench.images(4, do=["", "fail"])
    go(bench)
    before = bench.tables()
    summary, events = go(bench)
    assert (summary.measured, summary.kept) == (0, 4)
    assert sum(isinstance(e, Kept) for e in events) == 4
    assert bench.tables() == before


def test_only_what_changed_is_measured_again(bench):
    bench.images(4)
    go(bench)
    shutil.copy(bench.folder / "images/plate_00003.tif", bench.folder / "images/plate_00001.tif")
    summary, _ = go(bench)
    assert (summary.measured, summary.kept) == (1, 3)


def test_a_touched_file_is_read_but_not_measured(bench, monkeypatch):
    bench.images(3)
    go(bench)
    os.utime(bench.folder / "images/plate_00001.tif", ns=(5, 5))
    monkeypatch.setattr(worker, "read_micrograph", None)  # decoding would fail now
    summary, events = go(bench)
    (event,) = (e for e in events if isinstance(e, Measured))
    assert event.result.measures == ()
    assert summary.kept == 2
    assert go(bench)[0].kept == 3


def test_corrected_labels_cost_nothing_and_reach_the_rows(bench):
    bench.images(3)
    go(bench)
    bench.rows[0]["specimen"] = "K-9"
    bench.write()
    summary, _ = go(bench)
    assert summary.kept == 3
    assert rows(bench, "measurements.csv")[0]["specimen"] == "K-9"


def test_a_new_setting_measures_all_again(bench):
    bench.images(3)
    go(bench)
    first = float(rows(bench, "measurements.csv")[0]["value"])
    bench.settings = "gain = 2.0\n"
    bench.write()
    assert go(bench)[0].measured == 3
    assert float(rows(bench, "measurements.csv")[0]["value"]) == pytest.approx(2 * first)


def test_a_second_measure_leaves_the_first_alone(bench):
    bench.images(3)
    go(bench)
    old = (bench.out / "overlays/plate_00000.tif.stand_level.jpg").stat().st_mtime_ns
    bench.settings = '\n[[measure]]\nquantity = "stand_level"\nview = "plate"\ngain = 3.0\n'
    bench.write()
    _, events = go(bench)
    slots = {m.slot for e in events if isinstance(e, Measured) for m in e.result.measures}
    assert slots == {"stand_level-2"}
    assert (bench.out / "overlays/plate_00000.tif.stand_level.jpg").stat().st_mtime_ns == old
    means = [r for r in rows(bench, "measurements.csv") if r["statistic"] == "mean"]
    assert float(means[1]["value"]) == pytest.approx(3 * float(means[0]["value"]))


def test_a_removed_overlay_comes_back(bench):
    bench.images(2)
    go(bench)
    overlay = bench.out / "overlays/plate_00001.tif.stand_level.jpg"
    overlay.unlink()
    assert go(bench)[0].measured == 1
    assert overlay.stat().st_size


def test_companion_frames_belong_to_the_key(bench):
    bench.images(3)
    dark = bench.folder / "images/dark.tif"
    shutil.copy(bench.folder / "images/plate_00002.tif", dark)
    bench.settings = 'dark = "dark.tif"\n'
    bench.write()
    go(bench)
    assert go(bench)[0].kept == 3
    assert float(rows(bench, "measurements.csv")[4]["value"]) == pytest.approx(0, abs=1e-3)
    shutil.copy(bench.folder / "images/plate_00001.tif", dark)
    assert go(bench)[0].measured == 3
    assert float(rows(bench, "measurements.csv")[2]["value"]) == pytest.approx(0, abs=1e-3)


def test_a_missing_frame_fails_the_measure_not_the_run(bench, monkeypatch):
    bench.images(2)
    shutil.copy(bench.folder / "images/plate_00001.tif", bench.folder / "images/dark.tif")
    bench.settings = 'dark = "dark.tif"\n'
    bench.write()
    study = load_study(bench.folder)
    (bench.folder / "images/dark.tif").unlink()
    summary = run_study(study, out=bench.out, options=HERE, watch=lambda _: None)
    assert summary.written.failures == 2
    assert "dark.tif: cannot be read" in rows(bench, "failures.csv")[0]["reason"]


def test_faults_of_the_image_are_kept_faults_of_the_program_tried_again(bench):
    bench.images(4, do=["fail", "bug", "nan", ""])
    go(bench)
    reasons = {r["image"]: r["reason"] for r in rows(bench, "failures.csv")}
    assert reasons == {
        "plate_00000.tif": "there is nothing here to measure",
        "plate_00001.tif": "fault in the program (IndexError: index out of range); "
        "please report it",
        "plate_00002.tif": "plate: mean did not come out as a finite number",
    }
    summary, _ = go(bench)
    assert (summary.measured, summary.kept) == (1, 3)
    assert "nan" not in bench.text("measurements.csv").lower().replace(",nan\r\n", "\r\n")


def test_a_vanished_and_a_damaged_image_have_their_rows(bench):
    bench.images(4)
    study = load_study(bench.folder)
    (bench.folder / "images/plate_00001.tif").unlink()
    (bench.folder / "images/plate_00002.tif").write_bytes(b"II*\0 and no more")
    summary = run_study(study, out=bench.out, options=HERE, watch=lambda _: None)
    reasons = {r["image"]: r["reason"] for r in rows(bench, "failures.csv")}
    assert "plate_00001.tif: cannot be read (No such file" in reasons["plate_00001.tif"]
    assert "is damaged or not an image" in reasons["plate_00002.tif"]
    assert summary.written.failures == 2


def test_an_image_that_changes_while_it_is_read(bench, monkeypatch):
    bench.images(2)
    read = worker.read_micrograph

    def growing(path, **given):
        micrograph = read(path, **given)
        if path.name == "plate_00001.tif":
            with path.open("ab") as file:
                file.write(b"more")
        return micrograph

    monkeypatch.setattr(worker, "read_micrograph", growing)
    go(bench)
    (failure,) = rows(bench, "failures.csv")
    assert "changed while it was being read" in failure["reason"]
    monkeypatch.setattr(worker, "read_micrograph", read)
    summary, _ = go(bench)
    assert (summary.measured, summary.written.failures) == (1, 0)


def test_too_many_pixels_are_refused_before_decoding(bench):
    bench.images(2)
    summary, _ = go(bench, Options(jobs=0, max_pixels=100))
    assert summary.written.failures == 2
    assert go(bench)[0].measured == 2


def test_fresh_measures_all_again(bench):
    bench.images(3)
    go(bench)
    assert go(bench, Options(jobs=0, fresh=True))[0].measured == 3


def test_a_second_run_at_the_same_time_is_refused(bench):
    bench.images(1)
    bench.out.mkdir()
    with locked(bench.out), pytest.raises(ResultsError, match="another run is writing here"):
        go(bench)


def test_a_folder_that_cannot_be_made(bench):
    bench.images(1)
    bench.out.write_text("a file where the folder should be")
    with pytest.raises(ResultsError, match=r"cannot be written .* what was finished is kept"):
        go(bench)


def test_a_full_disk_ends_the_run_with_a_sentence(bench, monkeypatch):
    bench.images(3)
    wrote = worker.replace_file

    def full(path, data):
        if "00001" in path.name:
            raise OSError(28, "No space left on device")
        wrote(path, data)

    monkeypatch.setattr(worker, "replace_file", full)
    with pytest.raises(ResultsError, match="No space left on device"):
        go(bench)
    monkeypatch.setattr(worker, "replace_file", wrote)
    summary, _ = go(bench)
    assert (summary.kept, summary.measured) == (1, 2)


def test_a_share_that_stalls_is_not_waited_for(bench, monkeypatch):
    bench.images(2)
    go(bench)
    monkeypatch.setattr("micromeasure.run.patience.stamp_of", lambda _: time.sleep(30))
    with pytest.raises(ResultsError, match=r"no answer from its disk or share within 0\.2 s"):
        go(bench, Options(jobs=0, image_timeout_s=0.2))


def test_run_json_holds_what_it_takes_to_repeat(bench):
    bench.images(2)
    go(bench)
    run = json.loads(bench.text("run.json"))
    assert run["study"]["measures"][0]["method"] == "stand level 1"
    assert run["study"]["measures"][0]["settings"]["gain"] == 1.0
    assert run["study"]["derived"] == {"stand_mean_level": "stand mean 1"}
    assert run["calibrations"]["bench"]["um_per_px"] == [0.5, 0.52]
    assert set(run["results"]) == {
        "measurements.csv", "uncertainty.csv", "failures.csv", "indications.csv",
    }  # fmt: skip
    assert run["environment"]["libraries"]["numpy"]
    assert "apostrophe" in run["notes"]["cells"]


def test_the_files_are_as_the_data_package_says(bench):
    bench.settings = "crack = true\n"
    bench.images(4, do=["", "fail"])
    go(bench)
    package = json.loads(bench.text("datapackage.json"))
    for resource in package["resources"]:
        data = (bench.out / resource["path"]).read_bytes()
        assert resource["hash"] == "sha256:" + hashlib.sha256(data).hexdigest()
        _check_against_schema(data.decode(), resource["schema"]["fields"])


def _check_against_schema(text, fields):
    header, *body = csv.reader(io.StringIO(text, newline=""))
    assert header == [f["name"] for f in fields]
    convert = {"number": float, "integer": int, "string": str}
    for row in body:
        for cell, field in zip(row, fields, strict=True):
            limits = field.get("constraints", {})
            assert cell or not limits.get("required"), field["name"]
            if cell:
                convert[field["type"]](cell)
                assert cell in limits.get("enum", [cell])


def test_names_that_look_like_formulas_are_neutralised(bench):
    bench.images(2)
    bench.rows[0]["specimen"] = "=HYPERLINK(0)"
    bench.rows[1]["specimen"] = "@SUM(A1)"
    bench.write()
    go(bench)
    for name in ("measurements.csv", "uncertainty.csv"):
        cells = [r["specimen"] for r in rows(bench, name)]
        assert not any(c.startswith(("=", "@")) for c in cells)
        assert {restored_text(c) for c in cells} == {"=HYPERLINK(0)", "@SUM(A1)"}


def test_decisions_reach_the_rows_without_measuring(bench):
    bench.settings = "crack = true\n"
    bench.images(2)
    go(bench)
    first, second = rows(bench, "indications.csv")
    assert (first["decision"], first["decided_by"]) == ("candidate", "")
    given = {"by": "ab", "image": first["image"], "image_sha256": first["image_sha256"]}
    study = load_study(bench.folder)
    append_all(
        record_path(study.path),
        [
            Entry(action="confirm", centreline_px=first["centreline_px"], remark="deep", **given),
            Entry(
                action="set-aside", quantity="stand_level", feature="plate", statistic="mean",
                remark="dust", **given,
            ),
            Entry(
                action="confirm", by="ab", image="gone.tif", image_sha256="00",
                centreline_px=first["centreline_px"],
            ),
        ],
    )  # fmt: skip
    written = write_again(study, out=bench.out)
    first, second = rows(bench, "indications.csv")
    assert (first["decision"], first["decided_by"], first["remark"]) == ("confirmed", "ab", "deep")
    assert second["decision"] == "candidate"
    flags = [r["flags"] for r in rows(bench, "measurements.csv")]
    assert flags[:3] == ["set-aside", "lower-limit", ""]
    (note,) = written.notes
    assert "gone.tif is kept but has no place in these results" in note
    summary, events = go(bench, Options(jobs=0, fresh=True))
    assert rows(bench, "indications.csv")[0]["decision"] == "confirmed"
    assert [e.sentence for e in events if isinstance(e, Note)] == list(summary.written.notes)


def test_what_an_interrupted_run_has_done_can_be_written(bench, monkeypatch):
    bench.images(4)
    store = Ledger.store

    def stopping(ledger, result, **more):
        if result.number == 2:
            raise KeyboardInterrupt
        store(ledger, result, **more)

    monkeypatch.setattr(Ledger, "store", stopping)
    with pytest.raises(KeyboardInterrupt):
        go(bench)
    write_again(load_study(bench.folder), out=bench.out)
    found = [(r["image"], r["n"]) for r in rows(bench, "measurements.csv")]
    assert found[::2] == [("plate_00000.tif", "204"), ("plate_00001.tif", "204"), ("", "1")]


def test_files_are_not_written_again_without_a_ledger(bench):
    bench.images(1)
    bench.out.mkdir()
    with pytest.raises(ResultsError, match="holds no ledger of a run"):
        write_again(load_study(bench.folder), out=bench.out)
    assert list(bench.out.iterdir()) == []


def test_a_region_drawn_by_a_person_is_measured_with(bench):
    bench.images(3)
    go(bench)
    row = rows(bench, "measurements.csv")[2]
    study = load_study(bench.folder)
    entry = Entry(
        action="redraw", by="ab", image=row["image"], image_sha256=row["image_sha256"],
        quantity="stand_level", after={"field": "region", "value": [1, 2, 9, 8]},
    )  # fmt: skip
    append_all(record_path(study.path), [entry])
    summary, _ = go(bench)
    assert (summary.measured, summary.kept) == (1, 2)
    flags = {r["image"]: r["flags"] for r in rows(bench, "measurements.csv")[::2]}
    assert flags["plate_00001.tif"] == "by-person"
    assert flags["plate_00000.tif"] == ""
    assert go(bench)[0].kept == 3


def test_finished_result_files_are_left_alone_until_something_changes(bench, monkeypatch):
    from micromeasure.run import engine

    bench.images(3)
    go(bench)
    first = bench.tables()
    stamp = (bench.out / "measurements.csv").stat().st_mtime_ns
    summary, _ = go(bench)
    assert (bench.out / "measurements.csv").stat().st_mtime_ns == stamp
    assert summary.written.rows["measurements.csv"] == 8
    (bench.out / "failures.csv").write_text("spoilt")
    go(bench)
    assert bench.tables() == first
    (bench.out / "uncertainty.csv").unlink()
    go(bench)
    assert bench.tables() == first
    monkeypatch.setattr(engine, "write_results", None)  # called for nothing but a change
    go(bench)


def test_a_folder_of_slices_is_one_image(bench):
    bench.images(3)
    folder = bench.folder / "images/stack"
    folder.mkdir()
    for row in bench.rows:
        shutil.move(bench.folder / "images" / row["image"], folder / row["image"])
    bench.rows = [{**bench.rows[0], "image": "stack", "z_step_um": "2.5"}]
    bench.write()
    assert go(bench)[0].measured == 1
    assert not rows(bench, "failures.csv")
    digest = rows(bench, "measurements.csv")[0]["image_sha256"]
    assert go(bench)[0].kept == 1
    shutil.copy(folder / "plate_00000.tif", folder / "plate_00002.tif")
    assert go(bench)[0].measured == 1
    assert rows(bench, "measurements.csv")[0]["image_sha256"] != digest
