"""The ledger keeps whole images, and says in one sentence what is wrong with it."""

import os
import sqlite3
import threading

import pytest

from micromeasure.errors import ResultsError
from micromeasure.run.ledger import Ledger, read_tally
from micromeasure.run.lock import is_locked, locked
from micromeasure.run.task import FileStamp, ImageResult, MeasureResult

NOW = "2026-03-01T10:00:00.000+00:00"


def result(image="a.tif", slot="q", key="k", **more):
    given = {"quantity": "q", "method": "1", "final": True, "outcome": "{}", "written": ("o.jpg",)}
    return ImageResult(
        number=0,
        image=image,
        image_sha256="ab",
        calibration="bench",
        stamps=(FileStamp(path=f"/{image}", size=10, mtime_ns=7, sha256="ab"),),
        measures=(MeasureResult(slot=slot, key=key, **{**given, **more}),),
    )


def store(ledger, *results):
    for one in results:
        ledger.store(one, finished_at=NOW, software="micromeasure 0.1.0")


def test_what_was_stored_is_known_to_the_next_run(tmp_path):
    with Ledger(tmp_path) as ledger:
        store(ledger, result())
    with Ledger(tmp_path) as ledger:
        known = ledger.known("a.tif")
        assert (known["q"].key, known["q"].written) == ("k", ("o.jpg",))
        assert ledger.sha256("/a.tif", 10, 7) == "ab"
        assert ledger.sha256("/a.tif", 11, 7) == ""
        assert ledger.sha256("/a.tif", 10, 8) == ""
        line = ledger.lines("a.tif")["q"]
        assert (line.calibration, line.software) == ("bench", "micromeasure 0.1.0")
    assert [p.name for p in tmp_path.iterdir()] == ["ledger.sqlite"]


def test_a_second_try_is_asked_for_where_the_first_says_so(tmp_path):
    with Ledger(tmp_path) as ledger:
        store(ledger, result(final=False, reasons=("lost",)))
        assert ledger.known("a.tif") == {}
        assert set(ledger.lines("a.tif")) == {"q"}
        store(ledger, result(key="k2"))
        assert ledger.known("a.tif")["q"].key == "k2"


def test_fresh_forgets(tmp_path):
    with Ledger(tmp_path) as ledger:
        store(ledger, result())
    with Ledger(tmp_path, fresh=True) as ledger:
        assert ledger.known("a.tif") == {}
        assert ledger.sha256("/a.tif", 10, 7) == ""


def test_another_process_can_read_how_far_it_is(tmp_path):
    with Ledger(tmp_path) as ledger:
        ledger.set_facts({"total": "5", "started": NOW})
        store(ledger, result(), result(image="b.tif", reasons=("no film", "no rim")))
        tally, facts = read_tally(tmp_path)
        assert (tally.images, tally.measures, tally.failed, tally.since_start) == (2, 2, 1, 2)
        assert facts["total"] == "5"


def test_an_interrupted_image_leaves_nothing_behind(tmp_path):
    with Ledger(tmp_path) as ledger:
        broken = result(outcome=None)
        with pytest.raises(ResultsError):
            store(ledger, broken)
        assert ledger.lines("a.tif") == {}
        assert ledger.sha256("/a.tif", 10, 7) == ""


def test_a_damaged_ledger_says_so(tmp_path):
    (tmp_path / "ledger.sqlite").write_bytes(b"no data base at all, but long enough" * 50)
    with pytest.raises(ResultsError, match=r"is damaged .* move it away"):
        Ledger(tmp_path)


def test_a_ledger_of_another_version_is_refused(tmp_path):
    with Ledger(tmp_path) as ledger:
        ledger.set_fact("schema", "99")
    with pytest.raises(ResultsError, match="schema 99, this one reads 1"):
        Ledger(tmp_path)


def test_a_full_disk_is_one_sentence_and_loses_nothing(tmp_path):
    with Ledger(tmp_path) as ledger:
        store(ledger, result())
        pages = ledger._base.execute("PRAGMA page_count").fetchone()[0]
        ledger._base.execute(f"PRAGMA max_page_count = {pages}")
        with pytest.raises(ResultsError, match=r"full.*what was finished is kept"):
            store(ledger, result(image="b.tif", outcome="x" * 100_000))
    with Ledger(tmp_path) as ledger:
        assert set(ledger.known("a.tif")) == {"q"}
        assert ledger.known("b.tif") == {}


def test_a_folder_without_a_ledger(tmp_path):
    with pytest.raises(ResultsError, match="holds no results of a run"):
        read_tally(tmp_path)


def test_the_lock_keeps_others_out_and_names_its_holder(tmp_path):
    assert not is_locked(tmp_path)
    with locked(tmp_path):
        assert is_locked(tmp_path)
        with (
            pytest.raises(ResultsError, match=f"process {os.getpid()} on .*--out"),
            locked(tmp_path),
        ):
            pass
    assert not is_locked(tmp_path)
    with locked(tmp_path):
        pass


def test_the_ledger_is_an_ordinary_data_base(tmp_path):
    with Ledger(tmp_path) as ledger:
        store(ledger, result())
    rows = []
    reader = threading.Thread(
        target=lambda: rows.extend(
            sqlite3.connect(tmp_path / "ledger.sqlite").execute("SELECT image FROM measures")
        )
    )
    reader.start()
    reader.join()
    assert rows == [("a.tif",)]
