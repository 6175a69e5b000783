from dataclasses import replace

import pytest

from micromeasure.review.cases import cases, standing
from micromeasure.review.merge import Found, Merged, merge
from micromeasure.review.record import (
    CONFIRM,
    CORRECT,
    DRAW,
    MEASURE,
    REDRAW,
    REJECT,
    REMARK,
    SET_ASIDE,
    UNDO,
    Entry,
)

IMAGE, DIGEST = "lot-k/fold-01.tif", "ab" * 32
LINE = "LINESTRING (10.00 20.00, 110.00 24.00)"
NEAR = "LINESTRING (12.00 21.00, 108.00 26.00)"
FAR = "LINESTRING (10.00 220.00, 110.00 224.00)"
HALF = "LINESTRING (10.00 20.00, 40.00 21.20)"


class Clerk:
    """Writes entries as a session would, with times and names of their own."""

    def __init__(self) -> None:
        self.entries: list[Entry] = []

    def __call__(self, action: str, by: str = "AB", **fields: object) -> Entry:
        n = len(self.entries)
        start = Entry(
            action=action, by=by, image=IMAGE, image_sha256=DIGEST, centreline_px=LINE,
            entry=f"e{n}", at=f"2026-03-01T10:00:{n:02d}.000Z", indication="old",
        )  # fmt: skip
        self.entries.append(replace(start, **fields))
        return self.entries[-1]


@pytest.fixture
def clerk() -> Clerk:
    return Clerk()


def merged(clerk: Clerk, *lines: str, images: dict[str, str] | None = None) -> Merged:
    found = [
        Found(image=IMAGE, indication=f"i{n}", centreline_px=line) for n, line in enumerate(lines)
    ]
    return merge(clerk.entries, found=found, images={IMAGE: DIGEST} if images is None else images)


def test_undecided_indications_are_candidates(clerk: Clerk) -> None:
    found = merged(clerk, LINE, FAR).judgements
    assert {key: j.standing.decision for key, j in found.items()} == {
        (IMAGE, "i0"): "candidate",
        (IMAGE, "i1"): "candidate",
    }


def test_decision_finds_the_same_line_whatever_its_name(clerk: Clerk) -> None:
    clerk(CONFIRM, remark="runs into the bend")
    judgement = merged(clerk, FAR, LINE).judgements[IMAGE, "i1"]
    assert judgement.match == "identity"
    stands = judgement.standing
    assert (stands.decision, stands.decided_by) == ("confirmed", "AB")
    assert stands.decided_at == "2026-03-01T10:00:00.000Z"
    assert stands.remark == "runs into the bend"


def test_decision_is_not_carried_by_the_name_alone(clerk: Clerk) -> None:
    clerk(CONFIRM, indication="i0")
    result = merged(clerk, FAR)
    assert result.judgements[IMAGE, "i0"].standing.decision == "candidate"
    assert len(result.unmatched) == 1
    assert "no indication found now overlaps" in result.unmatched[0].reason
    assert result.unmatched[0].standing is not None
    assert result.unmatched[0].standing.decision == "confirmed"


def test_line_found_anew_is_matched_by_overlap(clerk: Clerk) -> None:
    clerk(REJECT)
    judgement = merged(clerk, NEAR).judgements[IMAGE, "i0"]
    assert judgement.match == "overlap"
    assert judgement.overlap > 0.9
    assert judgement.standing.decision == "rejected"


def test_a_third_of_the_line_is_another_line(clerk: Clerk) -> None:
    clerk(CONFIRM)
    assert merged(clerk, HALF).judgements[IMAGE, "i0"].standing.decision == "candidate"


def test_two_decisions_never_share_one_indication(clerk: Clerk) -> None:
    clerk(CONFIRM)
    clerk(REJECT, centreline_px=FAR)
    result = merged(clerk, NEAR)
    assert result.judgements[IMAGE, "i0"].standing.decision == "confirmed"
    assert [u.standing.decision for u in result.unmatched if u.standing] == ["rejected"]


def test_changed_image_takes_no_decision(clerk: Clerk) -> None:
    clerk(CONFIRM)
    result = merged(clerk, LINE, images={IMAGE: "cd" * 32})
    assert result.judgements[IMAGE, "i0"].standing.decision == "candidate"
    assert "is not the file it was" in result.unmatched[0].reason


def test_renamed_image_takes_its_decisions_along(clerk: Clerk) -> None:
    clerk(CONFIRM)
    found = [Found(image="k/1.tif", indication="i0", centreline_px=LINE)]
    result = merge(clerk.entries, found=found, images={"k/1.tif": DIGEST, "k/2.tif": "ef" * 32})
    assert result.judgements["k/1.tif", "i0"].standing.decision == "confirmed"


def test_two_copies_of_a_lost_image_are_not_guessed_between(clerk: Clerk) -> None:
    clerk(CONFIRM)
    result = merge(clerk.entries, found=[], images={"a.tif": DIGEST, "b.tif": DIGEST})
    assert "several images are copies of it" in result.unmatched[0].reason


def test_undo_gives_the_decision_before(clerk: Clerk) -> None:
    clerk(CONFIRM)
    wrong = clerk(REJECT)
    clerk(UNDO, undoes=wrong.entry)
    assert merged(clerk, LINE).judgements[IMAGE, "i0"].standing.decision == "confirmed"


def test_remark_alone_decides_nothing(clerk: Clerk) -> None:
    clerk(REMARK, remark="look again in polarised light")
    stands = merged(clerk, LINE).judgements[IMAGE, "i0"].standing
    assert (stands.decision, stands.decided_by) == ("candidate", "")
    assert stands.remark == "look again in polarised light"


def test_correction_replaces_the_line_and_is_marked(clerk: Clerk) -> None:
    clerk(CORRECT, after={"centreline_px": NEAR, "length_um": 33.0})
    clerk(CONFIRM, centreline_px=NEAR)
    judgement = merged(clerk, LINE).judgements[IMAGE, "i0"]
    assert judgement.match == "identity"
    assert judgement.standing.decision == "confirmed"
    assert judgement.standing.flags == ("by-person",)
    assert judgement.standing.drawn == {"centreline_px": NEAR, "length_um": 33.0}


def test_drawn_crack_gets_a_row_of_its_own(clerk: Clerk) -> None:
    clerk(DRAW, centreline_px="", indication="p1", after={"centreline_px": FAR})
    result = merged(clerk, LINE)
    assert [(d.image, d.indication, d.standing.decision) for d in result.drawn] == [
        (IMAGE, "p1", "confirmed")
    ]
    assert result.unmatched == ()


def test_drawn_crack_that_the_program_finds_later_is_one_row(clerk: Clerk) -> None:
    clerk(DRAW, centreline_px="", indication="p1", after={"centreline_px": NEAR})
    result = merged(clerk, LINE)
    assert result.drawn == ()
    assert result.judgements[IMAGE, "i0"].standing.flags == ("by-person",)


def test_undone_drawing_is_gone(clerk: Clerk) -> None:
    drawn = clerk(DRAW, centreline_px="", after={"centreline_px": FAR})
    clerk(UNDO, undoes=drawn.entry)
    assert merged(clerk, LINE).drawn == ()


def test_later_decision_in_sight_of_the_first_stands(clerk: Clerk) -> None:
    clerk(CONFIRM)
    clerk(REJECT, by="CD", independent=False)
    stands = merged(clerk, LINE).judgements[IMAGE, "i0"].standing
    assert (stands.decision, stands.decided_by) == ("rejected", "CD")


def test_blind_persons_who_agree_decide_together(clerk: Clerk) -> None:
    clerk(CONFIRM)
    clerk(CONFIRM, by="CD")
    stands = merged(clerk, LINE).judgements[IMAGE, "i0"].standing
    assert (stands.decision, stands.decided_by) == ("confirmed", "AB CD")


def test_blind_persons_who_differ_leave_a_candidate(clerk: Clerk) -> None:
    clerk(CONFIRM, remark="sharp ends")
    clerk(REJECT, by="CD")
    stands = merged(clerk, LINE).judgements[IMAGE, "i0"].standing
    assert stands.decision == "candidate"
    assert stands.is_disputed
    assert stands.remark == "to be settled: AB confirmed, CD rejected; sharp ends"
    clerk(REJECT, by="EF", independent=False)
    stands = merged(clerk, LINE).judgements[IMAGE, "i0"].standing
    assert (stands.decision, stands.decided_by, stands.is_disputed) == ("rejected", "EF", False)


def test_entries_about_overlapping_lines_are_one_case(clerk: Clerk) -> None:
    clerk(CONFIRM)
    clerk(REJECT, centreline_px=NEAR, independent=False)
    (case,) = cases(clerk.entries)
    assert standing(case).decision == "rejected"


def test_measurement_set_aside_with_a_reason(clerk: Clerk) -> None:
    clerk(SET_ASIDE, quantity="dome_height", feature="crown", statistic="value", remark="dust")
    clerk(SET_ASIDE, quantity="film_thickness", feature="diaphragm", remark="torn")
    result = merged(clerk)
    assert result.is_set_aside(IMAGE, "dome_height", "crown", "value").remark == "dust"
    assert result.is_set_aside(IMAGE, "film_thickness", "diaphragm", "sd").remark == "torn"
    assert result.is_set_aside(IMAGE, "dome_height", "left foot", "value") is None


def test_set_aside_taken_back_is_gone(clerk: Clerk) -> None:
    aside = clerk(SET_ASIDE, quantity="dome_height", feature="crown", statistic="value")
    clerk(UNDO, undoes=aside.entry)
    assert merged(clerk).set_aside == {}


def test_set_aside_of_a_changed_image_is_listed(clerk: Clerk) -> None:
    clerk(SET_ASIDE, quantity="dome_height", feature="crown", statistic="value")
    result = merged(clerk, images={IMAGE: "cd" * 32})
    assert result.set_aside == {}
    assert len(result.unmatched) == 1


def test_last_redrawn_region_holds(clerk: Clerk) -> None:
    for x1 in (300, 400):
        after = {"field": "region", "value": [10, 20, x1, 90]}
        clerk(REDRAW, quantity="film_thickness", after=after)
    assert merged(clerk).redrawn[IMAGE, "film_thickness"].after["value"] == [10, 20, 400, 90]


def test_manual_measurement_follows_a_renamed_image(clerk: Clerk) -> None:
    clerk(MEASURE, quantity="distance_by_hand", after={"value": 12.5, "unit": "um"})
    result = merge(clerk.entries, found=[], images={"new.tif": DIGEST})
    assert [entry.image for entry in result.manual] == ["new.tif"]


def test_thousands_of_decisions_merge_without_comparing_all_with_all(clerk: Clerk) -> None:
    lines = [f"LINESTRING ({x}.00 {y}.00, {x + 20}.00 {y}.00)"
             for x in range(0, 3000, 40) for y in range(0, 400, 10)]  # fmt: skip
    for line in lines:
        clerk(CONFIRM, centreline_px=line)
    result = merged(clerk, *lines)
    assert all(j.match == "identity" for j in result.judgements.values())
    assert len(result.judgements) == 3000
