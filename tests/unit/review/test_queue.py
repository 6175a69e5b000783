from dataclasses import replace
from pathlib import Path

import pytest

from micromeasure.errors import ResultsError, StudyError
from micromeasure.review.candidates import Candidate, in_order
from micromeasure.review.opening import Opened, open_review
from micromeasure.review.queue import Queue, Rules
from micromeasure.review.record import CONFIRM, REJECT, REMARK, append, read_record

IMAGES = {"a.tif": "aa", "b.tif": "bb"}


def candidate(number: int, image: str = "a.tif", score: float = 0.5, **changes) -> Candidate:
    start = Candidate(
        indication=f"i{number}", image=image, image_sha256=IMAGES[image],
        centreline_px=f"LINESTRING (10.00 {20 * number}.00, 90.00 {20 * number}.00)",
        numbers={"score": score, "length_um": 10.0 * number},
    )  # fmt: skip
    return replace(start, **changes)


def queue(record: Path, *candidates: Candidate, **rules) -> Queue:
    given = {"reviewer": "AB", **rules}
    return Queue(candidates, record=record, images=IMAGES, rules=Rules(**given))


@pytest.fixture
def record(tmp_path: Path) -> Path:
    return tmp_path / "study.decisions.jsonl"


def test_clearest_first_or_image_after_image() -> None:
    one, two, three = candidate(1, score=0.2), candidate(2, "b.tif", 0.9), candidate(3, score=0.6)
    assert in_order([one, two, three], "score", IMAGES) == [two, three, one]
    assert in_order([one, two, three], "image", IMAGES) == [three, one, two]


@pytest.mark.parametrize("initials", ["", "two words", "_x", "a" * 17, "x/y"])
def test_initials_that_could_not_be_told_apart_are_refused(initials: str) -> None:
    with pytest.raises(StudyError, match="must be initials"):
        Rules(reviewer=initials)


def test_refused_decision_leaves_queue_and_record_alone(record: Path) -> None:
    items = queue(record, candidate(1))
    with pytest.raises(ResultsError, match="not the one that was measured"):
        items.decide(CONFIRM, shown_sha256="other")
    assert not record.exists()
    assert items.standing(items.current).decision == "candidate"


def test_empty_queue_says_so(record: Path) -> None:
    items = queue(record)
    assert items.progress() == "no indications to decide"
    assert items.current is None
    assert not items.go_to_undecided()
    with pytest.raises(ResultsError, match="no indication to decide on"):
        items.decide(CONFIRM, shown_sha256="aa")


def test_image_without_indications_can_be_drawn_in_but_not_decided(record: Path) -> None:
    blank = candidate(1, "b.tif", indication="", centreline_px="", numbers={})
    items = queue(record, blank)
    with pytest.raises(ResultsError, match="nothing was found in this image"):
        items.decide(REJECT, shown_sha256="bb")
    drawn = {"centreline_px": "LINESTRING (1.00 2.00, 30.00 4.00)", "length_um": 15.0}
    items.draw(drawn, shown_sha256="bb")
    assert items.current.by_person
    assert items.standing(items.current).decision == "confirmed"
    assert items.progress() == "2 of 2, 1 of 1 indications decided"


def test_what_comes_next_is_told_for_reading_ahead(record: Path) -> None:
    items = queue(record, candidate(1, "b.tif", 0.9), candidate(2, "a.tif", 0.5))
    assert items.upcoming(5) == ["b.tif", "a.tif"]
    items.move(1)
    assert items.upcoming(1) == ["a.tif"]


def test_going_on_wraps_round_to_what_was_passed_over(record: Path) -> None:
    items = queue(record, *(candidate(n, score=1 - n / 10) for n in range(1, 4)))
    items.move(1)
    items.decide(CONFIRM, shown_sha256="aa")
    assert items.go_to_undecided()
    items.decide(CONFIRM, shown_sha256="aa")
    assert items.go_to_undecided()
    assert items.position == 0


def test_remark_keeps_the_decision(record: Path) -> None:
    items = queue(record, candidate(1))
    items.decide(CONFIRM, shown_sha256="aa")
    items.decide(REMARK, shown_sha256="aa", remark="at the burr")
    standing = items.standing(items.current)
    assert (standing.decision, standing.remark) == ("confirmed", "at the burr")
    assert read_record(record).entries[-1].before == {"remark": ""}


def test_candidate_keeps_its_decision_under_a_new_name(record: Path) -> None:
    queue(record, candidate(1)).decide(REJECT, shown_sha256="aa")
    again = queue(record, candidate(1, indication="renamed"))
    assert again.standing(again.current).decision == "rejected"


def test_opened_study_lists_images_without_indications(study: Path) -> None:
    rows = (study / "results" / "indications.csv").read_text(encoding="utf-8").splitlines()
    kept = [row for row in rows if "fold-0001" not in row]
    (study / "results" / "indications.csv").write_text("\n".join(kept) + "\n", encoding="utf-8")
    blanks = [c for c in open_review(study).candidates if c.is_blank]
    assert [c.image for c in blanks] == ["lot-k/fold-0001.tif"]
    assert blanks[0].specimen == "K1"


def test_study_without_results_is_one_sentence(study: Path) -> None:
    (study / "results" / "indications.csv").unlink()
    with pytest.raises(ResultsError, match=r"there are no results yet .* micromeasure run STUDY"):
        open_review(study)


def test_line_that_is_none_is_refused_with_its_row(study: Path) -> None:
    path = study / "results" / "indications.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("LINESTRING (", "LINE ("))
    with pytest.raises(ResultsError, match=r"indications\.csv, row 2, centreline_px: found 'LINE"):
        open_review(study)


def test_record_of_a_newer_version_is_refused_before_a_window_opens(opened: Opened) -> None:
    opened.record.write_text('{"schema": 9, "software": "9.0"}\n', encoding="utf-8")
    with pytest.raises(ResultsError, match="newer version"):
        open_review(opened.study.path)


def test_another_persons_entries_are_taken_up_when_opened(record: Path) -> None:
    first = queue(record, candidate(1))
    first.decide(CONFIRM, shown_sha256="aa")
    entry = read_record(record).entries[0]
    append(record, replace(entry, entry="", by="CD", action=REJECT, independent=False))
    again = queue(record, candidate(1))
    assert again.standing(again.current).decided_by == "CD"
