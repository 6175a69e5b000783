import numpy as np
import pytest

from micromeasure.cracks.summary import summarise_indications
from micromeasure.estimate import Component, Estimate
from micromeasure.outcome import Indication


def indication(length_um, fold="fold"):
    return Indication(
        fold=fold,
        length=Estimate(
            value=length_um, unit="um",
            components=(
                Component(name="scale", u=0.01 * length_um, shared="scale:t"),
                Component(name="end location", u=1.0),
            ),
        ),
        width_um=2.0, angle_to_fold_deg=10.0, distance_to_fold_um=5.0, contrast=0.2, score=0.7,
        centreline_px=np.array([(0.0, 0.0), (1.0, 0.0)]),
    )  # fmt: skip


def values(rows, fold="fold"):
    return {row.quantity: row.estimate.value for row in rows if row.feature == fold}


def test_candidates_and_confirmed_are_counted_apart_and_rejected_nowhere():
    decided = [
        (indication(50.0), "candidate"),
        (indication(80.0), "confirmed"),
        (indication(30.0), "confirmed"),
        (indication(500.0), "rejected"),
    ]
    assert values(summarise_indications(decided, folds=["fold"])) == {
        "candidate_count": 1, "candidate_length_total": 50.0, "candidate_length_max": 50.0,
        "confirmed_count": 2, "confirmed_length_total": 110.0, "confirmed_length_max": 80.0,
    }  # fmt: skip


def test_the_scale_is_shared_and_adds_up_while_ends_do_not():
    rows = summarise_indications(
        [(indication(80.0), "confirmed"), (indication(20.0), "confirmed")], folds=["fold"]
    )
    total = next(row.estimate for row in rows if row.quantity == "confirmed_length_total")
    assert total.standard_uncertainty == pytest.approx(np.hypot(1.0, np.sqrt(2.0)))


def test_each_searched_fold_has_its_rows_even_with_nothing_found():
    rows = summarise_indications([(indication(80.0, "left"), "candidate")], folds=["left", "right"])
    assert values(rows, "right")["candidate_count"] == 0
    assert values(rows, "left")["candidate_length_max"] == 80.0
    nothing = [row for row in rows if row.feature == "right"]
    assert all(row.estimate.standard_uncertainty is None for row in nothing)
    assert all(row.n == 0 for row in nothing)


def test_before_review_only_candidates_are_listed():
    rows = summarise_indications(
        [(indication(80.0), "candidate")], folds=["fold"], flags=("fold-found",),
        with_confirmed=False,
    )  # fmt: skip
    assert {row.quantity for row in rows} == {
        "candidate_count", "candidate_length_total", "candidate_length_max"
    }  # fmt: skip
    assert all(row.flags == ("fold-found",) for row in rows)
