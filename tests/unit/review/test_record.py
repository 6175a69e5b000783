import json
import os
import signal
import stat
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from micromeasure.errors import ResultsError
from micromeasure.review.record import (
    CONFIRM,
    REJECT,
    Entry,
    append,
    append_all,
    check_writable,
    join,
    read_record,
    record_path,
)

LINE = "LINESTRING (10.00 20.00, 60.00 24.00)"


def entry(**changes: object) -> Entry:
    start = Entry(
        action=CONFIRM, by="XY", image="lot-k/fold-01.tif", image_sha256="ab" * 32,
        indication="3f2a", centreline_px=LINE, shown={"score": 0.83, "length_um": 41.5},
        before={"decision": "candidate"}, after={"decision": "confirmed"}, remark="über Kante µ",
    )  # fmt: skip
    return replace(start, **changes)


def test_record_lies_beside_the_study_file() -> None:
    assert record_path(Path("a/study.toml")) == Path("a/study.decisions.jsonl")


def test_entry_comes_back_as_it_was_written(tmp_path: Path) -> None:
    path = tmp_path / "study.decisions.jsonl"
    written = append(path, entry())
    assert read_record(path).entries == (written,)
    assert written == replace(entry(), entry=written.entry, at=written.at)
    assert written.at.endswith("Z")
    line = json.loads(path.read_text(encoding="utf-8"))
    assert line["schema"] == 1
    assert line["software"]


def test_absent_record_is_empty(tmp_path: Path) -> None:
    assert read_record(tmp_path / "none.jsonl").entries == ()


def test_each_line_carries_the_digest_of_the_line_before(tmp_path: Path) -> None:
    path = tmp_path / "r.jsonl"
    for action in (CONFIRM, REJECT, CONFIRM):
        append(path, entry(action=action))
    assert read_record(path).doubts == ()
    text = path.read_text(encoding="utf-8").replace('"reject"', '"confirm"')
    path.write_text(text, encoding="utf-8")
    record = read_record(path)
    assert len(record.entries) == 3
    assert len(record.doubts) == 1
    assert "line 2: does not match the line after it" in record.doubts[0]


def test_removed_line_is_seen(tmp_path: Path) -> None:
    path = tmp_path / "r.jsonl"
    for _ in range(3):
        append(path, entry())
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(lines[0] + lines[2])
    assert len(read_record(path).doubts) == 1


@pytest.mark.parametrize("kept", [1, 40, 200])
def test_line_cut_short_is_left_out_and_writing_goes_on(tmp_path: Path, kept: int) -> None:
    path = tmp_path / "r.jsonl"
    first = append(path, entry())
    whole = path.read_bytes()
    path.write_bytes(whole + whole[:kept])
    record = read_record(path)
    assert record.entries == (first,)
    assert record.doubts == ("r.jsonl, line 2: was cut short and is left out.",)
    last = append(path, entry(action=REJECT))
    record = read_record(path)
    assert record.entries == (first, last)
    assert record.doubts == ("r.jsonl, line 2: was cut short and is left out.",)


def test_line_without_its_end_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "r.jsonl"
    first = append(path, entry())
    path.write_bytes(path.read_bytes()[:-1])
    assert read_record(path).entries == (first,)
    second = append(path, entry(action=REJECT))
    record = read_record(path)
    assert record.entries == (first, second)
    assert record.doubts == ()


def test_rubbish_in_the_middle_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "r.jsonl"
    append(path, entry())
    append(path, entry())
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(lines[0] + b"what is this\n" + lines[1])
    with pytest.raises(ResultsError, match=r"r\.jsonl, line 2: is not a whole entry; restore"):
        read_record(path)


def test_entry_without_a_person_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "r.jsonl"
    path.write_text('{"schema": 1, "action": "confirm"}\n', encoding="utf-8")
    with pytest.raises(ResultsError, match="line 1: an entry does not say who did what"):
        read_record(path)


def test_newer_format_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "r.jsonl"
    path.write_text('{"schema": 2, "software": "7.1"}\n', encoding="utf-8")
    with pytest.raises(ResultsError, match=r"newer version of micromeasure \(7\.1, format 2\)"):
        read_record(path)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_no_permission_is_one_sentence(tmp_path: Path) -> None:
    tmp_path.chmod(stat.S_IRUSR | stat.S_IXUSR)
    with pytest.raises(ResultsError, match="no permission"):
        check_writable(tmp_path / "r.jsonl")
    with pytest.raises(ResultsError, match="could not be written"):
        append(tmp_path / "r.jsonl", entry())


def test_place_that_cannot_be_written_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "r.jsonl").mkdir()
    with pytest.raises(ResultsError, match=r"could not be written \(Is a directory\); make"):
        append(tmp_path / "r.jsonl", entry())


WRITER = """
import sys
from dataclasses import replace
from pathlib import Path
from micromeasure.review.record import append, read_record

pattern = read_record(Path(sys.argv[1])).entries[0]
for number in range(50):
    append(Path(sys.argv[2]), replace(pattern, by=sys.argv[3], entry=f"{sys.argv[3]}{number}"))
"""


def test_two_writers_take_turns(tmp_path: Path) -> None:
    pattern, path = tmp_path / "pattern.jsonl", tmp_path / "r.jsonl"
    append(pattern, entry(by="AB"))
    writers = [
        subprocess.Popen([sys.executable, "-c", WRITER, str(pattern), str(path), by])
        for by in ("AB", "CD")
    ]
    assert [writer.wait() for writer in writers] == [0, 0]
    record = read_record(path)
    assert record.doubts == ()
    assert sorted(e.by for e in record.entries) == ["AB"] * 50 + ["CD"] * 50
    assert len({e.entry for e in record.entries}) == 100


def test_killed_writer_loses_nothing_it_reported(tmp_path: Path) -> None:
    path = tmp_path / "r.jsonl"
    program = (
        "import sys\nfrom pathlib import Path\n"
        "from micromeasure.review.record import Entry, append\n"
        "while True:\n"
        "    e = append(Path(sys.argv[1]), Entry(action='confirm', by='XY', image='a',"
        " image_sha256='b'))\n"
        "    print(e.entry, flush=True)\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", program, str(path)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    reported = [process.stdout.readline().strip() for _ in range(20)]
    process.send_signal(signal.SIGKILL)
    rest = process.stdout.read().splitlines()
    process.wait()
    process.stdout.close()
    kept = [e.entry for e in read_record(path).entries]
    assert kept[: len(reported)] == reported
    assert set(rest[:-1]) <= set(kept)


def test_records_of_two_computers_are_joined_once(tmp_path: Path) -> None:
    mine, theirs = tmp_path / "mine.jsonl", tmp_path / "theirs.jsonl"
    append(mine, entry(by="AB"))
    append_all(theirs, [entry(by="CD"), entry(by="CD", action=REJECT)])
    assert join(mine, theirs) == 2
    assert join(mine, theirs) == 0
    record = read_record(mine)
    assert [e.by for e in record.entries] == ["AB", "CD", "CD"]
    assert record.entries[1:] == read_record(theirs).entries
    assert record.doubts == ()


def test_joining_nothing_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(ResultsError, match="there is no such file"):
        join(tmp_path / "mine.jsonl", tmp_path / "theirs.jsonl")


def test_folder_without_permission_is_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(ResultsError, match=r"cannot be written there \(no permission\); ask for"):
        check_writable(tmp_path / "r.jsonl")
