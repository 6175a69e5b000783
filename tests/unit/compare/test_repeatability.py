import csv

import numpy as np
import pytest

from micromeasure.compare.repeatability import gauge_studies
from micromeasure.compare.repeatability_table import write_repeatability
from micromeasure.errors import StudyError
from micromeasure.report.gauge_figure import gauge_figure
from micromeasure.study.model import Comparison as Asked


@pytest.fixture
def crossed(result):
    rng = np.random.default_rng(6)

    def rows(*, operators=("AB", "CD", "EF"), parts=5, repeats=2):
        return [
            result(
                "K", str(p), 300.0 + 4 * p + rng.normal(0, 0.5), image=f"{p}{o}{n}.tif",
                extra={"operator": o, "repeat": str(n)},
            )
            for p in range(parts)
            for o in operators
            for n in range(repeats)
        ]  # fmt: skip

    return rows


def test_operators_come_from_the_manifest(crossed):
    (study,) = gauge_studies(
        crossed(), asked=[Asked(quantity="dome_height", tolerance=6.0, unit="um")]
    )
    assert study.operators == ("AB", "CD", "EF")
    assert (study.result.n_parts, study.result.n_repeats) == (5, 2)
    assert study.tolerance == 6.0
    assert study.share_of_tolerance == pytest.approx(6 * study.result.gauge_sd / 12.0)
    assert len(study.levels) == 5


def test_automatic_runs_need_no_operator(crossed):
    (study,) = gauge_studies(crossed(operators=("",), repeats=3))
    assert study.result.reproducibility_sd is None
    assert study.remarks == ("no operator named: reproducibility cannot be told",)
    assert study.levels == ()


def test_gap_in_a_crossed_study_is_named(crossed):
    with pytest.raises(StudyError, match="found 5 parts, and EF measured K 4 1 times"):
        gauge_studies(crossed()[:-1])


def test_nothing_repeated(crossed):
    with pytest.raises(StudyError, match="nothing was measured twice"):
        gauge_studies(crossed(operators=("AB",), repeats=1))


def test_table_and_figure(crossed, tmp_path):
    studies = gauge_studies(crossed())
    path = write_repeatability(tmp_path, studies)
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["part"] for row in rows] == ["", "K 0", "K 1", "K 2", "K 3", "K 4"]
    assert float(rows[0]["repeatability_sd"]) == pytest.approx(studies[0].result.repeatability_sd)
    assert rows[0]["interaction"] in {"pooled", "kept"}
    assert rows[1]["categories"] == ""
    figure = gauge_figure(studies[0])
    assert figure.count("<polygon") + figure.count("<circle") >= 30
    assert "EF" in figure
