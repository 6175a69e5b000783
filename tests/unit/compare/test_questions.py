import pytest

from micromeasure.compare.questions import Plan, compare_all
from micromeasure.compare.verdicts import DIFFERS, NOT_RESOLVED, SAME
from micromeasure.errors import StudyError
from micromeasure.estimate import Component, Estimate
from micromeasure.study.model import Comparison as Asked
from micromeasure.tables.reading import Result

K = (310.1, 311.0, 309.5, 310.6)
NEAR = (310.4, 310.9, 309.8, 310.3)
FAR = (330.2, 331.0, 329.8, 330.5)


def only(comparisons):
    (found,) = comparisons
    return found


def plan(**more):
    asked = more.pop("asked", (Asked(quantity="dome_height", tolerance=5.0, unit="um"),))
    return Plan(asked=asked, revisions=("K", "M"), **more)


def test_clear_difference(revision):
    found = only(compare_all([*revision("K", K), *revision("M", FAR)], plan()))
    assert found.verdict == DIFFERS
    assert found.difference == pytest.approx(20.075)
    assert "the difference exceeds the tolerance" in found.remarks
    assert (found.n, found.n_reference) == (4, 4)


def test_same_within_tolerance(revision):
    found = only(compare_all([*revision("K", K), *revision("M", NEAR)], plan()))
    assert found.verdict == SAME
    assert found.high_90 < 5.0
    assert found.smallest_tolerance == max(abs(found.low_90), abs(found.high_90))


def test_without_tolerance_sameness_is_never_claimed(revision):
    asked = (Asked(quantity="dome_height"),)
    found = only(compare_all([*revision("K", K), *revision("M", NEAR)], plan(asked=asked)))
    assert found.verdict == NOT_RESOLVED


def test_real_but_small_difference_is_the_same_for_the_purpose(revision):
    shifted = tuple(v + 3.0 for v in K)
    asked = (Asked(quantity="dome_height", tolerance=10.0, unit="um"),)
    found = only(compare_all([*revision("K", K), *revision("M", shifted)], plan(asked=asked)))
    assert found.p < 0.05
    assert found.verdict == SAME
    assert "a difference is there, and smaller than the tolerance" in found.remarks


def test_wide_scatter_is_not_resolved(revision):
    found = only(
        compare_all([*revision("K", (300, 320, 310)), *revision("M", (305, 330, 290))], plan())
    )
    assert found.verdict == NOT_RESOLVED


def test_single_specimen_is_not_resolved_but_has_its_measurement_uncertainty(revision):
    found = only(compare_all([*revision("K", K), *revision("M", FAR[:1], u=0.5)], plan()))
    assert found.verdict == NOT_RESOLVED
    assert found.p is None
    assert found.standard_uncertainty is None
    assert found.difference == pytest.approx(FAR[0] - sum(K) / 4)
    assert found.measurement_uncertainty == pytest.approx((0.5**2 + 0.1**2 / 4) ** 0.5)
    assert "one specimen of M" in found.remarks[0]


def test_positions_are_no_specimens(result, revision):
    rows = revision("K", K)
    rows += [result("M", "M0", v, position=str(i)) for i, v in enumerate(FAR)]
    assert only(compare_all(rows, plan())).verdict == NOT_RESOLVED


def test_values_set_aside_do_not_count(result, revision):
    rows = [*revision("K", K), *revision("M", NEAR)]
    rows.append(result("M", "M9", 900.0, flags=("set-aside",)))
    found = only(compare_all(rows, plan()))
    assert (found.n, found.verdict) == (4, SAME)


def test_lower_limit_is_no_number(revision):
    limit = Result(
        revision="M", specimen="M9", quantity="dome_height",
        estimate=Estimate(value=None, unit="um", low_limit=400.0),
    )  # fmt: skip
    found = only(compare_all([*revision("K", K), *revision("M", FAR), limit], plan()))
    assert found.verdict == NOT_RESOLVED
    assert "lower limits" in found.remarks[0]
    assert found.difference is None


def test_uncalibrated_scale_allows_no_tolerance(revision):
    more = {"u": None, "flags": ("uncalibrated",), "calibration": ""}
    same = only(compare_all([*revision("K", K, **more), *revision("M", NEAR, **more)], plan()))
    assert same.verdict == NOT_RESOLVED
    # One wrong scale cannot make a difference out of none.
    far = only(compare_all([*revision("K", K, **more), *revision("M", FAR, **more)], plan()))
    assert far.verdict == DIFFERS


def test_unlike_uncalibrated_scales_allow_no_difference_either(revision):
    more = {"u": None, "flags": ("uncalibrated",)}
    rows = revision("K", K, **more, calibration="")
    rows += revision("M", FAR, **more, calibration="other")
    assert only(compare_all(rows, plan())).verdict == NOT_RESOLVED


def test_unstated_uncertainty_is_said(revision):
    rows = [*revision("K", K, u=None), *revision("M", FAR, u=None)]
    found = only(compare_all(rows, plan()))
    assert found.verdict == DIFFERS
    assert any("uncertainty of the measurement not stated" in r for r in found.remarks)
    assert found.measurement_uncertainty is None


def test_values_without_scatter_are_not_resolved(revision):
    rows = [*revision("K", (85.0, 85.0, 85.0)), *revision("M", (86.0, 86.0, 86.0))]
    found = only(compare_all(rows, plan()))
    assert found.verdict == NOT_RESOLVED
    assert "rounded too coarsely" in found.remarks[-1]


def test_shared_scale_widens_what_is_far_apart(revision):
    rows = [*revision("K", K, scale=0.05), *revision("M", FAR, scale=0.05)]
    found = only(compare_all(rows, plan()))
    assert found.shared_uncertainty == pytest.approx(0.05 * found.difference, rel=1e-2)


def test_tolerance_in_percent_of_the_reference(revision):
    asked = (Asked(quantity="dome_height", tolerance=2.0, unit="percent"),)
    rows = [*revision("K", K), *revision("M", NEAR)]
    found = only(compare_all(rows, plan(asked=asked)))
    assert found.verdict == SAME
    assert found.tolerance == pytest.approx(0.02 * found.mean_reference)
    exact = (Asked(quantity="dome_height", tolerance=found.tolerance, unit="um"),)
    absolute = only(compare_all(rows, plan(asked=exact)))
    assert found.p_equivalence == pytest.approx(absolute.p_equivalence, rel=0.3)


def test_tolerance_in_millimetres(revision):
    asked = (Asked(quantity="dome_height", tolerance=0.005, unit="mm"),)
    rows = [*revision("K", K), *revision("M", NEAR)]
    assert only(compare_all(rows, plan(asked=asked))).tolerance == pytest.approx(5.0)


def test_tolerance_in_a_foreign_unit_is_refused(revision):
    asked = (Asked(quantity="dome_height", tolerance=5.0, unit="deg"),)
    with pytest.raises(StudyError, match="found tolerance_deg, but dome_height is in 'um'"):
        compare_all([*revision("K", K), *revision("M", NEAR)], plan(asked=asked))


def test_many_questions_are_corrected(revision):
    rows = [*revision("K", (10.0, 10.4, 9.7)), *revision("M", (11.2, 11.6, 11.0))]
    single = only(compare_all(rows, plan(asked=(Asked(quantity="dome_height"),))))
    assert single.verdict == DIFFERS
    for i in range(9):
        rows += revision("K", (1.0, 2.0, 3.0), quantity=f"other_{i}")
        rows += revision("M", (3.0, 1.0, 2.1), quantity=f"other_{i}")
    # What the study did not ask takes nothing away from what it asked.
    first = compare_all(rows, plan(asked=(Asked(quantity="dome_height"),)))[0]
    assert first.p_holm == pytest.approx(single.p)
    everything = compare_all(rows, plan(asked=()))
    dome = next(c for c in everything if c.question.quantity == "dome_height")
    assert dome.p_holm == pytest.approx(min(1.0, 10 * single.p))
    assert dome.verdict == NOT_RESOLVED
    assert "as a single question: differs; not so after correction for their number" in dome.remarks


def test_three_revisions_with_the_reference_or_in_all_pairs(revision):
    rows = [*revision("K", K), *revision("M", NEAR), *revision("N", FAR)]
    asked = (Asked(quantity="dome_height", tolerance=5.0, unit="um"),)
    three = ("K", "M", "N")
    found = compare_all(rows, Plan(asked=asked, revisions=three, reference="M"))
    assert [(c.question.revision, c.question.reference) for c in found] == [("K", "M"), ("N", "M")]
    assert [c.verdict for c in found] == [SAME, DIFFERS]
    assert len(compare_all(rows, Plan(asked=asked, revisions=three, all_pairs=True))) == 3


def test_unmeasured_question_is_answered_not_resolved(revision):
    asked = (Asked(quantity="crack_length"),)
    found = compare_all([*revision("K", K), *revision("M", NEAR)], plan(asked=asked))[0]
    assert found.verdict == NOT_RESOLVED
    assert found.remarks == ("no such value is in the results",)


def test_missing_revision_is_named_where_it_was_imaged(revision):
    rows = revision("K", K, view="side")
    imaged = plan(views={"K": {"side"}, "M": {"side"}})
    assert only(compare_all(rows, imaged)).remarks == ("no value of M",)
    assert compare_all(rows, plan(views={"K": {"side"}, "M": {"top"}})) == ()


def test_states_are_questions_of_their_own(revision):
    rows = []
    for state in ("free", "pressed"):
        rows += revision("K", K, state=state) + revision("M", FAR, state=state)
    found = compare_all(rows, plan())
    assert [c.question.state for c in found] == ["free", "pressed"]


def test_main_statistic_is_compared_unless_another_is_asked(revision):
    rows = []
    for statistic, add in (("sd", 0.0), ("mean", 1.0), ("min", 2.0)):
        for name, values in (("K", K), ("M", FAR)):
            rows += revision(name, [v + add for v in values], statistic=statistic)
    assert only(compare_all(rows, plan())).question.statistic == "mean"
    asked = (Asked(quantity="dome_height", statistic="min"),)
    assert compare_all(rows, plan(asked=asked))[0].question.statistic == "min"


def test_counts_come_with_presence(revision):
    rows = revision("K", (0.0, 0.0, 1.0, 0.0), quantity="confirmed_count", unit="1", u=None)
    rows += revision("M", (4.0, 6.0, 3.0, 5.0), quantity="confirmed_count", unit="1", u=None)
    asked = (Asked(quantity="crack_length"),)
    rate, presence = compare_all(
        rows, plan(asked=asked, accompanied={"crack_length": ("confirmed_count",)})
    )
    assert rate.verdict == DIFFERS
    assert rate.ratio == pytest.approx(18.0)
    assert rate.ratio_low_95 > 1.0
    assert presence.question.statistic == "present"
    assert presence.mean == 1.0
    assert presence.mean_reference == 0.25


def test_candidates_are_never_called_cracks(revision):
    rows = revision("K", (0.0, 1.0), quantity="candidate_count", unit="1", u=None)
    rows += revision("M", (9.0, 8.0), quantity="candidate_count", unit="1", u=None)
    for found in compare_all(rows, plan(asked=())):
        assert "not cracks" in found.remarks[0]


def test_confirmed_indications_answer_where_there_are_any(revision):
    rows = []
    for quantity in ("candidate_count", "confirmed_count"):
        for name in ("K", "M"):
            rows += revision(name, (1.0, 2.0, 0.0), quantity=quantity, unit="1", u=None)
    known = {"crack_length": ("candidate_count", "confirmed_count")}
    found = compare_all(rows, plan(asked=(Asked(quantity="crack_length"),), accompanied=known))
    assert [c.question.quantity for c in found if c.question.is_asked] == ["confirmed_count"]


def test_results_in_words():
    def word(name, i, text):
        return Result(
            revision=name, specimen=f"{name}{i}", quantity="polymer", text=text,
            estimate=Estimate(value=None, unit=""), brought_in="spectra.csv",
        )  # fmt: skip

    rows = [word("K", i, "PET") for i in range(5)] + [word("M", i, "PBT") for i in range(5)]
    found = only(compare_all(rows, plan(asked=())))
    assert found.verdict == DIFFERS
    assert found.p == pytest.approx(2 / 252)
    assert found.remarks[0] == "K: PET 5 of 5; M: PBT 5 of 5"
    few = only(compare_all(rows[:3] + rows[5:8], plan(asked=())))
    assert few.verdict == NOT_RESOLVED
    assert "cannot give a probability below" in few.remarks[1]


def test_films_of_one_image_are_compared_with_one(revision):
    rows = revision(
        "", (1.31, 1.28, 1.34, 1.30), quantity="relative_opacity", feature="M", unit="1", u=0.01
    )
    found = only(compare_all(rows, plan(asked=())))
    assert (found.question.revision, found.question.reference) == ("M", "K")
    assert found.difference == pytest.approx(0.3075)
    assert found.ratio == pytest.approx(1.3075)
    assert found.verdict == DIFFERS


def test_ratio_to_the_reference_keeps_its_scatter_once():
    densities = {"K": (1.00, 1.10, 0.95, 1.05), "M": (2.0, 2.2, 2.1, 2.05)}
    base = sum(densities["K"]) / 4
    spread = (sum((v - base) ** 2 for v in densities["K"]) / 3 / 4) ** 0.5

    def rows(divisor, own):
        return [
            Result(
                revision=name, specimen=f"{name}{i}", quantity="relative_opacity",
                estimate=Estimate(
                    value=v / divisor, unit="1",
                    components=(
                        Component(name="noise", u=1e-6),
                        Component(name="reference", u=v / divisor * spread / base, shared=own),
                    ),
                ),
            )
            for name, values in densities.items()
            for i, v in enumerate(values)
        ]  # fmt: skip

    found = only(compare_all(rows(base, "reference:K:film"), plan(asked=())))
    # To first order u² = u(M)²/K² + (M/K)² u(K)²/K².
    m = sum(densities["M"]) / 4
    u_m = (sum((v - m) ** 2 for v in densities["M"]) / 3 / 4) ** 0.5
    expected = ((u_m / base) ** 2 + (m / base * spread / base) ** 2) ** 0.5
    assert found.standard_uncertainty == pytest.approx(expected, rel=1e-9)
