"""Outcomes survive the ledger exactly; keys change with what matters and with nothing else."""

import dataclasses
import datetime as dt
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from micromeasure.calibration.file import Calibration
from micromeasure.estimate import Component, Estimate
from micromeasure.micrograph.image import ImageRecord
from micromeasure.outcome import Failure, Indication, Measurement, Outcome, Trace
from micromeasure.quantities.declare import Quantity, Settings
from micromeasure.run import keys
from micromeasure.run.keys import Requests, measure_key
from micromeasure.run.plain import outcome_from_text, outcome_text
from micromeasure.run.worker import trace_text
from micromeasure.study.model import Job, Measure

finite = st.floats(allow_nan=False, allow_infinity=False)
components = st.builds(
    Component,
    name=st.text(max_size=5),
    u=finite,
    dof=st.one_of(st.just(math.inf), st.floats(1, 1e6)),
    shared=st.one_of(st.none(), st.text(max_size=5)),
    kind=st.sampled_from("AB"),
    source=st.text(max_size=5),
)
estimates = st.builds(
    Estimate,
    value=st.one_of(st.none(), finite),
    unit=st.just("um"),
    components=st.one_of(st.none(), st.lists(components, max_size=3).map(tuple)),
    low_limit=st.one_of(st.none(), finite),
)
measurements = st.builds(
    Measurement,
    feature=st.text(max_size=5),
    statistic=st.sampled_from(["mean", "sd"]),
    estimate=estimates,
    n=st.one_of(st.none(), st.integers(0, 10**9)),
    flags=st.lists(st.sampled_from(["saturated", "few-profiles"]), max_size=2).map(tuple),
    quantity=st.one_of(st.none(), st.just("crown_radius")),
)


@given(st.lists(measurements, max_size=3).map(tuple))
def test_measurements_come_back_bit_for_bit(many):
    outcome = Outcome(measurements=many, failures=(Failure(reason="r", feature="f"),), caption="µ")
    assert outcome_from_text(outcome_text(outcome)) == outcome


def test_indications_and_facts_come_back():
    line = np.array([[0.1, 1 / 3], [2.0, 5.0]])
    one = Indication(
        fold="left", length=Estimate(value=1.0, unit="um"), width_um=1.0, angle_to_fold_deg=2.0,
        distance_to_fold_um=3.0, contrast=0.1, score=0.2, centreline_px=line,
        branches_px=(line[:1], np.empty((0, 2))),
    )  # fmt: skip
    facts = {"sum": np.float64(0.1), "count": np.int64(3), "row": line[0], "deep": {"a": [1, "b"]}}
    back = outcome_from_text(outcome_text(Outcome(indications=(one,), facts=facts)))
    assert np.array_equal(back.indications[0].centreline_px, line)
    assert [b.shape for b in back.indications[0].branches_px] == [(1, 2), (0, 2)]
    assert back.facts == {"sum": 0.1, "count": 3, "row": [0.1, 1 / 3], "deep": {"a": [1, "b"]}}


def test_facts_that_are_no_plain_data_are_refused():
    with pytest.raises(TypeError, match="which is not plain data"):
        outcome_text(Outcome(facts={"path": Path("x")}))


@pytest.fixture
def job(monkeypatch):
    quantity = Quantity(
        name="q", title="q", unit="um", settings=Settings, measure=lambda *_: Outcome(), method="1"
    )
    monkeypatch.setattr(keys, "quantities", lambda: {"q": quantity})
    calibration = Calibration(
        schema=1, id="b", um_per_px=(0.5, 0.52), made=dt.date(2026, 2, 11), fit={"lines": 5}
    )
    return Job(
        number=3,
        record=ImageRecord(image="a.tif", specimen="K-1", extra={"bath": "3"}),
        path=Path("/images/a.tif"),
        calibration=calibration,
        measures=(Measure(number=1, quantity="q", view="v", settings=Settings()),),
    )


def digest(job):
    return Requests().digests(job)


def test_labels_and_places_do_not_change_a_key(job):
    record = dataclasses.replace(job.record, specimen="K-9", revision="M", position="b")
    moved = dataclasses.replace(job, record=record, number=7, path=Path("/elsewhere/a.tif"))
    renumbered = dataclasses.replace(job.measures[0], number=4)
    assert digest(moved) == digest(job)
    assert digest(dataclasses.replace(job, measures=(renumbered,))) == digest(job)


@pytest.mark.parametrize(
    "change",
    [
        {"image": "b.tif"},
        {"state": "pressed"},
        {"taken": dt.date(2026, 3, 1)},
        {"section_tilt_deg": 1.0},
        {"region": (0.0, 0.0, 5.0, 5.0)},
        {"fold": (0.0, 0.0, 5.0, 5.0)},
        {"extra": {"bath": "4"}},
    ],
)
def test_every_field_that_may_matter_changes_the_key(job, change):
    other = dataclasses.replace(job, record=dataclasses.replace(job.record, **change))
    assert digest(other) != digest(job)


def test_calibration_and_settings_change_the_key(job):
    scale = dataclasses.replace(job.calibration, um_per_px=(0.5, 0.53))
    settings = Settings(region=(0.0, 0.0, 5.0, 5.0))
    measure = dataclasses.replace(job.measures[0], settings=settings)
    digests = {
        digest(job),
        digest(dataclasses.replace(job, calibration=scale)),
        digest(dataclasses.replace(job, calibration=None)),
        digest(dataclasses.replace(job, measures=(measure,))),
    }
    assert len(digests) == 4


def test_what_the_manifest_says_about_a_companion_frame_changes_the_key(job):
    frame = Path("/images/open.tif")
    used = dataclasses.replace(job, frames={(job.measures[0].number, "open_light"): (frame,)})
    digests = {digest(used)}
    for exposure in ("0.01", "0.02"):
        record = ImageRecord(image="open.tif", extra={"exposure_s": exposure})
        digests.add(digest(dataclasses.replace(used, frame_records={frame: record})))
    assert len(digests) == 3


def test_the_method_changes_the_key(job, monkeypatch):
    before = digest(job)
    quantity = dataclasses.replace(keys.quantities()["q"], method="2")
    monkeypatch.setattr(keys, "quantities", lambda: {"q": quantity})
    assert digest(job) != before


def test_contents_of_image_and_frames_change_the_key():
    made = {
        measure_key("r", "image", {}),
        measure_key("r", "other", {}),
        measure_key("s", "image", {}),
        measure_key("r", "image", {"dark": ["d"]}),
        measure_key("r", "image", {"dark": ["e"]}),
        measure_key("r", "image", {"open": ["d"]}),
    }
    assert len(made) == 6
    assert measure_key("r", "i", {"dark": ("d",)}) == measure_key("r", "i", {"dark": ["d"]})


def test_traces_are_csv_with_empty_cells_for_gaps():
    columns = {
        "distance_um": np.array([0.0, 1 / 3, -2e-9]),
        "height_um": np.array([np.nan, -np.inf, 12345678.9]),
    }
    text = trace_text(Trace(name="film, top", columns=columns))
    assert text == "distance_um,height_um\r\n0,\r\n0.3333333,\r\n-2e-09,1.234568e+07\r\n"
    nothing = {"a_um": np.empty(0), "b_um": np.empty(0)}
    assert trace_text(Trace(name="x", columns=nothing)) == "a_um,b_um\r\n"
