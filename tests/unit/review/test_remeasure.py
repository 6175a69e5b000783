import math
from dataclasses import replace

import numpy as np
import pytest

from micromeasure.errors import MeasurementError
from micromeasure.estimate import Component, Estimate
from micromeasure.review.cases import standing
from micromeasure.review.opening import Opened
from micromeasure.review.remeasure import (
    crack_measure,
    drawn_values,
    estimate_of,
    estimate_values,
    fold_marks_of,
    indication_of,
    marks_measured,
    measure_again,
    measure_drawn,
    redrawable,
)
from micromeasure.review.shelf import Shelf

IMAGE = "lot-k/fold-0001.tif"


@pytest.fixture
def micrograph(opened: Opened):
    shelf = Shelf(opened.study.jobs)
    yield shelf.plate(IMAGE).micrograph
    shelf.close()


def test_estimate_comes_back_from_the_record() -> None:
    estimate = Estimate(
        value=41.5, unit="um",
        components=(
            Component(name="scale", u=0.1, shared="scale:a", source="calibration a"),
            Component(name="end location", u=0.5, dof=4.0, kind="A"),
        ),
    )  # fmt: skip
    assert estimate_of(estimate_values(estimate)) == estimate
    assert estimate_values(estimate)["components"][0]["dof"] is None
    unknown = Estimate(value=3.0, unit="um", components=None)
    assert estimate_of(estimate_values(unknown)) == unknown


def test_drawn_line_is_measured_by_the_code_of_the_batch(opened: Opened, micrograph) -> None:
    candidate = next(c for c in opened.candidates if c.image == IMAGE)
    line = np.array([p.split() for p in candidate.centreline_px[12:-1].split(", ")], float)
    marks = fold_marks_of(opened.jobs()[IMAGE], micrograph)
    (of_cracks,) = marks.values()
    drawn = measure_drawn(micrograph, line, marks=of_cracks, score=0.7)
    truth = candidate.numbers["length_um"]
    assert drawn["length_um"] == pytest.approx(truth, rel=0.08)
    assert drawn["u_length_um"] > 0
    assert drawn["fold"] == "fold"
    assert drawn["score"] == 0.7
    back = indication_of(drawn)
    assert back.length.value == drawn["length_um"]
    assert back.length.standard_uncertainty == pytest.approx(drawn["u_length_um"])
    # The fold runs along y = 138; the line lies above it.
    middle = line[:, 1].mean()
    assert drawn["distance_to_fold_um"] == pytest.approx(abs(middle - 138) * 0.52, abs=3)


def test_unknown_numbers_are_none_in_the_record(micrograph) -> None:
    points = np.array([[60.0, 250.0], [140.0, 252.0]])
    drawn = measure_drawn(micrograph, points, marks=(), score=None)
    assert drawn["score"] is None
    assert drawn["angle_to_fold_deg"] is None
    assert math.isnan(indication_of(drawn).score)
    assert drawn_values(indication_of(drawn), micrograph)["length_um"] == drawn["length_um"]


def test_line_that_leaves_the_image_is_refused(micrograph) -> None:
    with pytest.raises(MeasurementError, match="leaves the image"):
        measure_drawn(micrograph, np.array([[60.0, 250.0], [900.0, 252.0]]), marks=(), score=None)


def test_fold_and_region_may_be_drawn_anew(opened: Opened, micrograph) -> None:
    measure = crack_measure(opened.jobs()[IMAGE])
    assert redrawable(measure) == {"region": "rectangle", "fold": "segment"}
    whole = measure_again(micrograph, measure, {}, {})
    # The manifest's fold gives way to a person's.
    moved = measure_again(micrograph, measure, {}, {"fold": (0.0, 260.0, 419.0, 260.0)})
    assert len(whole.indications) >= 2
    assert len(moved.indications) < len(whole.indications)
    part = measure_again(micrograph, measure, {}, {"region": (0.0, 0.0, 150.0, 299.0)})
    assert 0 < len(part.indications) < len(whole.indications)


def test_marks_of_every_measure_are_prepared(opened: Opened, micrograph) -> None:
    marks = marks_measured(opened.jobs()[IMAGE], micrograph)
    assert {mark.role for mark in marks[1]} >= {"fold", "band", "candidate"}


def test_image_that_cannot_be_measured_has_no_marks(opened: Opened, micrograph) -> None:
    job = opened.jobs()[IMAGE]
    away = replace(micrograph, record=replace(micrograph.record, fold=(0, 9000, 419, 9000)))
    assert marks_measured(job, away) == {1: ()}


def test_case_without_decisions_stands_as_a_candidate() -> None:
    from micromeasure.review.cases import Case

    assert standing(Case(image="a", image_sha256="b")).decision == "candidate"
