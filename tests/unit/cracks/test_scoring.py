import numpy as np
import pytest

from micromeasure.cracks.scoring import (
    FEATURES,
    SECOND_FEATURES,
    card_from,
    hat_basis,
    score_cards,
)


def flat_card(**changes):
    flat = {name: {"knots": [0.0, 1.0], "heights": [0.0, 0.0]} for name in FEATURES}
    return card_from({"curves": flat, "pairs": [], "intercept": 0.0} | changes, FEATURES)


def rows(**values):
    row = np.zeros((1, len(FEATURES)))
    for name, value in values.items():
        row[0, FEATURES.index(name)] = value
    return row


def test_a_flat_card_says_nothing():
    assert flat_card().score(rows(length=0.5)) == pytest.approx(0.5)


def test_a_pair_adds_its_table_interpolated_between_the_entries():
    table = {
        "features": ["length", "tilt"], "knots": [[0.0, 2.0], [0.0, 1.0]],
        "heights": [[0.0, 1.0], [2.0, 5.0]],
    }  # fmt: skip
    card = flat_card(pairs=[table])
    for length, tilt, wanted in ((0, 0, 0), (2, 1, 5), (1, 0.5, 2), (9, 9, 5), (0, 0.25, 0.25)):
        score = card.score(rows(length=length, tilt=tilt))
        assert np.log(score / (1 - score)) == pytest.approx(wanted)


def test_hats_add_up_to_one_everywhere():
    hats = hat_basis(np.linspace(-3, 9, 50), np.array([0.0, 1.0, 4.0, 5.0]))
    assert hats.sum(axis=1) == pytest.approx(1.0)
    assert hats.min() >= 0


@pytest.mark.parametrize(("look", "names"), [("first", FEATURES), ("second", SECOND_FEATURES)])
def test_the_cards_of_the_package_are_whole_and_say_what_they_were_fitted_to(look, names):
    assert "fitted to" in score_cards().provenance
    card = getattr(score_cards(), look)
    assert len(card.knots) == len(names)
    assert all((np.diff(knots) > 0).all() for knots in card.knots)
    scores = card.score(np.zeros((3, len(names))))
    assert ((scores >= 0) & (scores <= 1)).all()


def test_a_stronger_longer_line_scores_higher_than_a_weak_short_one():
    typical = {
        "aspect": 3.0, "width": 1.2, "depth_variation": 0.15, "continuity": 0.7, "roughness": 0.3,
        "straightness": 0.92, "turning": 2.8, "fineness": -0.2, "surround": 1.5, "runs_on": 0.3,
    }  # fmt: skip
    weak = rows(response=1.0, evidence=2.6, length=-0.3, contrast=1.0, **typical)
    strong = rows(response=2.2, evidence=4.5, length=1.0, contrast=2.5, **typical)
    odds = [score / (1 - score) for score in score_cards().first.score(np.vstack((weak, strong)))]
    assert odds[1] > 5 * odds[0]


def test_the_second_look_follows_the_first_ones_opinion():
    typical = [0.0, 0.0, 3.9, 0.0, 0.15, 3.0, -0.5, 0.4, 0.1, 0.02]
    rows_ = np.array([typical] * 3)
    rows_[:, :2] = np.array([[-2.0], [0.0], [2.0]])
    scores = score_cards().second.score(rows_)
    assert (np.diff(scores) > 0.1).all()
