import csv
import json
from pathlib import Path

import pytest

from micromeasure.cli.main import main
from micromeasure.review.export import export_decisions
from micromeasure.review.opening import Opened, open_review
from micromeasure.review.queue import Queue, Rules
from micromeasure.review.record import CONFIRM, REJECT, SET_ASIDE, Entry, append


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def reviewed(opened: Opened, reviewer: str, actions: list[str], **rules: object) -> Queue:
    queue = Queue(
        opened.candidates, record=opened.record, images=opened.images,
        rules=Rules(reviewer=reviewer, **rules),
    )  # fmt: skip
    for action in actions:
        queue.decide(action, shown_sha256=queue.current.image_sha256)
        queue.move(1)
    return queue


def test_every_entry_is_a_row_with_its_place(opened: Opened) -> None:
    queue = reviewed(opened, "AB", [CONFIRM, REJECT])
    queue.undo()
    append(opened.record, Entry(
        action=SET_ASIDE, by="AB", image="lot-k/fold-0001.tif",
        image_sha256="changed", quantity="candidate_count", feature="fold", statistic="value",
        remark="=dust",
    ))  # fmt: skip
    files, pairs = export_decisions(opened)
    assert [file.name for file in files] == ["decisions.csv"]
    assert pairs == ()
    found = rows(files[0])
    assert [row["action"] for row in found] == ["confirm", "reject", "undo", "set-aside"]
    assert [row["stands"] for row in found] == ["yes", "taken back", "", "yes"]
    assert [row["place"] for row in found] == ["identity", "", "", "unmatched"]
    assert found[0]["indication_now"] == found[0]["indication"]
    assert json.loads(found[0]["after"]) == {"decision": "confirmed"}
    assert "is not the file it was" in found[3]["reason"]
    assert found[3]["remark"] == "'=dust"  # no spreadsheet runs it


def test_agreement_and_disagreements_are_written(opened: Opened) -> None:
    reviewed(opened, "AB", [CONFIRM, CONFIRM, REJECT, REJECT])
    reviewed(open_review(opened.study.path), "CD", [CONFIRM, REJECT, REJECT, REJECT], blind=True)
    files, pairs = export_decisions(opened)
    assert [f.name for f in files] == ["decisions.csv", "agreement.csv", "disagreements.csv"]
    (row,) = rows(files[1])
    assert (row["first"], row["second"], row["n"]) == ("AB", "CD", "4")
    assert [row[c] for c in ("both_confirmed", "first_only", "second_only", "both_rejected")] == [
        "1", "1", "0", "2"
    ]  # fmt: skip
    # p_o = 3/4, p_e = (2 * 1 + 2 * 3) / 16 = 1/2.
    assert float(row["kappa"]) == pytest.approx(0.5)
    (differs,) = rows(files[2])
    assert (differs["first_decision"], differs["second_decision"]) == ("confirmed", "rejected")
    assert differs["settled"] == "no"
    assert pairs[0].n == 4


def test_command_exports_and_prints_the_agreement(
    opened: Opened, capsys: pytest.CaptureFixture[str]
) -> None:
    reviewed(opened, "AB", [CONFIRM, REJECT])
    reviewed(open_review(opened.study.path), "CD", [CONFIRM, CONFIRM], blind=True)
    assert main(["review", str(opened.study.path.parent), "--export"]) == 0
    out = capsys.readouterr().out
    assert "decisions.csv" in out
    assert "AB and CD: 2 indications decided by both; confirmed by both 1" in out
    assert "1 to be settled." in out


def test_command_joins_the_record_of_another_computer(
    opened: Opened, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    reviewed(opened, "AB", [CONFIRM])
    theirs = tmp_path / "theirs.jsonl"
    opened.record.rename(theirs)
    assert main(["review", str(opened.study.path), "--join", str(theirs)]) == 0
    assert "1 entries added" in capsys.readouterr().out
    assert opened.record.exists()


@pytest.mark.parametrize(
    ("spoil", "sentence"),
    [
        (lambda o: (o.folder / "indications.csv").unlink(), "there are no results yet"),
        (lambda o: o.record.write_text('{"schema": 2}\n'), "newer version"),
        (lambda o: o.record.mkdir(), "cannot be read"),
    ],
)
def test_what_is_wrong_is_one_sentence_and_exit_2(
    opened: Opened, spoil, sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:
    spoil(opened)
    assert main(["review", str(opened.study.path), "--export"]) == 2
    error = capsys.readouterr().err
    assert sentence in error
    assert error.count("\n") == 1


def test_without_the_viewer_the_command_says_how_to_get_it(
    opened: Opened, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import importlib.util

    real = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util, "find_spec", lambda name, *a: None if name == "napari" else real(name, *a)
    )
    assert main(["review", str(opened.study.path), "--reviewer", "AB"]) == 2
    assert 'pip install "micromeasure[viewer]"' in capsys.readouterr().err


def test_without_a_screen_the_command_says_so(
    opened: Opened, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("napari")
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr("sys.platform", "linux")
    assert main(["review", str(opened.study.path), "--reviewer", "AB"]) == 2
    assert "There is no screen to open the viewer on" in capsys.readouterr().err


def test_edited_record_is_pointed_out(opened: Opened, capsys: pytest.CaptureFixture[str]) -> None:
    reviewed(opened, "AB", [CONFIRM, REJECT, REJECT])
    text = opened.record.read_text(encoding="utf-8")
    opened.record.write_text(text.replace('"confirm"', '"reject"'), encoding="utf-8")
    assert main(["review", str(opened.study.path), "--export"]) == 0
    assert "does not match the line after it" in capsys.readouterr().err
