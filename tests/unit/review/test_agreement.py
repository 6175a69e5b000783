import pytest

from micromeasure.review.agreement import agreements, kappa_of
from micromeasure.review.record import CONFIRM, DRAW, REJECT, UNDO, Entry


def entry(action: str, by: str, number: int, **fields: object) -> Entry:
    line = f"LINESTRING (10.00 {20 * number}.00, 90.00 {20 * number}.00)"
    given = {"centreline_px": line, "entry": f"{by}{number}{action}", "at": "2026-03-01T10:00:00Z"}
    return Entry(
        action=action, by=by, image="a.tif", image_sha256="ab", indication=f"i{number}",
        **{**given, **fields},
    )  # fmt: skip


def review(table: list[list[int]]) -> list[Entry]:
    """Return entries of two blind persons that give a raw table."""
    entries: list[Entry] = []
    number = 0
    for first, row in zip((CONFIRM, REJECT), table, strict=True):
        for second, count in zip((CONFIRM, REJECT), row, strict=True):
            for _ in range(count):
                number += 1
                entries += [entry(first, "AB", number), entry(second, "CD", number)]
    return entries


def test_raw_table_and_disagreements() -> None:
    (found,) = agreements(review([[5, 2], [1, 12]]))
    assert (found.first, found.second, found.n) == ("AB", "CD", 20)
    counts = (found.both_confirmed, found.first_only, found.second_only, found.both_rejected)
    assert counts == (5, 2, 1, 12)
    assert len(found.disagreements) == 3
    assert found.disagreements[0].opinions == (("AB", "confirmed"), ("CD", "rejected"))
    assert not found.disagreements[0].is_settled
    # By hand: p_o = 17/20, p_e = (7 * 6 + 13 * 14) / 400 = 0.56.
    assert found.kappa == pytest.approx((0.85 - 0.56) / (1 - 0.56))
    assert found.agreement_on_confirmed == pytest.approx(10 / 13)
    assert found.agreement_on_rejected == pytest.approx(24 / 27)


def test_settled_disagreement_still_counts_in_the_table() -> None:
    entries = [*review([[1, 1], [0, 1]]), entry(REJECT, "EF", 2, independent=False)]
    found = agreements(entries)[0]
    assert (found.first, found.second) == ("AB", "CD")
    assert found.first_only == 1
    assert found.disagreements[0].is_settled


def test_decision_in_sight_of_the_other_is_no_independent_one() -> None:
    entries = [entry(CONFIRM, "AB", 1), entry(CONFIRM, "CD", 1, independent=False)]
    assert agreements(entries)[0].n == 0


def test_decision_taken_back_does_not_count() -> None:
    first, second = entry(CONFIRM, "AB", 1), entry(CONFIRM, "CD", 1)
    undo = entry(UNDO, "CD", 1, undoes=second.entry)
    assert agreements([first, second, undo]) == ()


def test_crack_drawn_by_one_is_told_apart() -> None:
    drawn = entry(DRAW, "AB", 30, centreline_px="", after={
        "centreline_px": "LINESTRING (500.00 20.00, 590.00 20.00)"})  # fmt: skip
    (found,) = agreements([*review([[3, 0], [1, 3]]), drawn])
    assert found.drawn_by_one == 1
    assert found.n == 7


def test_one_person_has_nobody_to_agree_with() -> None:
    assert agreements([entry(CONFIRM, "AB", 1)]) == ()


@pytest.mark.parametrize("table", [[[0, 0], [0, 0]], [[0, 0], [0, 9]], [[4, 0], [0, 0]]])
def test_kappa_is_unknown_where_chance_explains_all(table: list[list[int]]) -> None:
    assert kappa_of(table) == (None, None, None)


def test_one_answer_throughout_by_one_person_gives_kappa_zero() -> None:
    assert kappa_of([[3, 0], [2, 0]])[0] == 0.0


def test_perfect_agreement_has_no_interval() -> None:
    assert kappa_of([[4, 0], [0, 5]]) == (1.0, None, None)
