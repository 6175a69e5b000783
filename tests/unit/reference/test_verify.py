import csv
from dataclasses import replace

import numpy as np
import pytest
import tifffile

from micromeasure.calibration.file import SCHEMA, Calibration
from micromeasure.errors import StudyError
from micromeasure.estimate import Component, Estimate
from micromeasure.reference.calibration_check import verify_calibrations
from micromeasure.reference.campaign import Campaign
from micromeasure.reference.trial import Conditions, Promise, Trial, TrialSet, Truth
from micromeasure.reference.trial_study import write_study
from micromeasure.reference.verify import judge, wrong_answers
from micromeasure.reference.verify_page import write_record
from micromeasure.tables.reading import Result

PROMISE = Promise(
    quantity="film_thickness", statistic="mean", condition="ideal", step_name="px",
    bias=0.02, p95=0.5, bound_ratio=1.3,
)  # fmt: skip
STEP, BOUND = 0.25, 0.01


def trial(value, **changes):
    truth = Truth(
        quantity="film_thickness", feature="film", statistic="mean", value=value, step=STEP,
        bound=BOUND,
    )  # fmt: skip
    plain = Trial(
        condition="ideal", pixels=np.zeros((4, 6), np.uint8), truths=(truth,), um_per_px=(0.25, 0.3)
    )
    return replace(plain, **changes)


def result(image, value, u, flags=()):
    return Result(
        image=image,
        quantity="film_thickness",
        feature="film",
        statistic="mean",
        estimate=Estimate(value=value, unit="um", components=(Component(name="edge", u=u),)),
        flags=flags,
    )


def judged(errors_um, u=BOUND, flags=(), **changes):
    trials = {f"{i}.tif": trial(10.0, **changes) for i in range(len(errors_um))}
    results = [
        result(f"{i}.tif", 10.0 + error, u, flags)
        for i, error in enumerate(errors_um)
        if not np.isnan(error)
    ]
    (verdict,) = judge([PROMISE], trials, results)
    return verdict


def normal(n=500, scale=BOUND, seed=7):
    return np.random.default_rng(seed).normal(0.0, scale, n)


def test_honest_results_hold_every_promise():
    verdict = judged(normal())
    assert verdict.broken == ()
    assert verdict.n == 500
    assert verdict.bound_ratio == pytest.approx(1.0, abs=0.1)
    assert 0.93 <= verdict.coverage <= 0.97
    assert verdict.scatter == pytest.approx(BOUND / STEP, rel=0.1)


@pytest.mark.parametrize(
    ("errors", "options", "sentence"),
    [
        (normal() + 0.05 * STEP, {}, "bias is"),
        (normal(scale=2 * BOUND), {}, "times the Cramér–Rao bound"),
        (normal(scale=STEP), {"u": STEP}, "errors exceed 0.5 px"),
        (normal(), {"u": 0.7 * BOUND}, "stated 95 % intervals hold the truth"),
        (np.where(np.arange(500) % 10 == 0, np.nan, normal()), {}, "could not be measured"),
        (normal(), {"flags_due": ("saturated",)}, "500 due flags were not raised"),
    ],
)
def test_each_kind_of_broken_promise_is_named(errors, options, sentence):
    assert any(sentence in fault for fault in judged(errors, **options).broken)


def test_due_flags_that_were_raised_are_no_fault():
    assert judged(normal(), flags=("saturated",), flags_due=("saturated",)).broken == ()


def test_chance_alone_seldom_breaks_a_promise():
    broken = sum(bool(judged(normal(n=60, seed=seed)).broken) for seed in range(200))
    assert broken <= 3


def test_wild_errors_are_counted():
    errors = normal()
    errors[3] = 6 * BOUND
    assert judged(errors).wild == 1


def test_images_that_should_fail_and_gave_a_number():
    trials = {"a.tif": trial(1.0, must_fail=True), "b.tif": trial(1.0, must_fail=True)}
    assert wrong_answers(trials, [result("b.tif", 1.0, 0.1)]) == ["b.tif"]


def small_set():
    def trials(n, conditions, rng):
        for _ in range(n):
            pixels = rng.integers(0, 255, (20, 30)).astype(np.uint8)
            yield trial(5.0, pixels=pixels, manifest={"section_tilt_deg": "3"})

    def calibration(um_per_px, shape):
        return Calibration(
            schema=SCHEMA, id="c", um_per_px=um_per_px, u_um_per_px=(0.0, 0.0),
            image_size_px=(shape[1], shape[0]),
        )  # fmt: skip

    return TrialSet(
        name="small",
        measure={"quantity": "film_thickness", "layers": ["film"]},
        trials=trials,
        calibration=calibration,
        promises=(PROMISE,),
    )


def test_reference_images_are_written_as_a_study_with_their_truth(tmp_path):
    folder = tmp_path / "study"
    trials = write_study(
        small_set(), folder, 3, conditions=Conditions(), rng=np.random.default_rng(1)
    )
    assert sorted(trials) == [f"small_{i:05d}.tif" for i in range(3)]
    assert tifffile.imread(folder / "images" / "small_00001.tif").shape == (20, 30)
    lines = (folder / "truth.csv").read_text(encoding="utf-8").splitlines()
    rows = list(csv.DictReader(lines))
    assert [float(row["truth"]) for row in rows] == [5.0] * 3
    manifest = (folder / "images.csv").read_text(encoding="utf-8")
    assert "section_tilt_deg" in manifest
    assert 'quantity = "film_thickness"' in (folder / "study.toml").read_text(encoding="utf-8")


def test_one_set_alone_sees_the_same_images_and_a_wrong_name_is_refused(tmp_path):
    name = next(iter(Campaign(conditions=Conditions(), seed=1).sets())).name
    alone = Campaign(conditions=Conditions(), seed=1, only=name)
    (trial_set,) = alone.sets()
    assert alone._rng(trial_set.name).random() == alone._rng(trial_set.name).random()
    with pytest.raises(StudyError, match="--only: found 'flim'; did you mean"):
        Campaign(conditions=Conditions(), seed=1, only="flim").sets()


@pytest.mark.parametrize(("name", "start"), [("a.html", "<!doctype html>"), ("a.md", "# What is")])
def test_the_record_names_every_promise_and_what_was_broken(tmp_path, name, start):
    verdicts = [judged(normal()), judged(normal() + STEP)]
    campaign = Campaign(conditions=Conditions(blur_px=1.5), seed=1)
    write_record(tmp_path / name, verdicts, campaign)
    text = (tmp_path / name).read_text(encoding="utf-8")
    assert text.startswith(start)
    assert text.count("film_thickness mean") >= 2
    assert "blur 1.5 px" in text
    assert "src='http" not in text


def test_a_calibration_is_verified_from_its_images():
    conditions = Conditions(um_per_px=1.0, blur_px=1.0, noise=0.01)
    (verdict,) = verify_calibrations(1, conditions=conditions, rng=np.random.default_rng(2))
    assert (verdict.n, verdict.failures) == (2, 0)
    assert verdict.p95 < 60.0
