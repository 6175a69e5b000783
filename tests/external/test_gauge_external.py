"""Gauge studies and analyses of variance, against published data.

The data and their sources are in tests/data/published_comparisons.json; levels as there.
"""

import json
import math
from pathlib import Path

import numpy as np
import pytest

from micromeasure.compare.gauge import crossed_study, precision_at, repeated_study
from micromeasure.compare.specimens import Group, Specimen, spread
from micromeasure.estimate import Estimate

PUBLISHED = json.loads(
    (Path(__file__).parents[1] / "data" / "published_comparisons.json").read_text()
)


def lines_of(result):
    return {line.source: line for line in result.lines}


def test_manual_of_measurement_systems_analysis():
    # AIAG MSA, 4th ed. (2010), worked example (level B: read in two public test suites).
    expected = PUBLISHED["grr_aiag"]
    values = np.array(expected["data"]).reshape(10, 3, 3)
    found = crossed_study(values)
    lines = lines_of(found)
    for source, key in (
        ("part", "SS_part"), ("operator", "SS_oper"), ("interaction", "SS_int"),
        ("repeat", "SS_rep"), ("total", "SS_total"),
    ):  # fmt: skip
        assert lines[source].sum_of_squares == pytest.approx(expected["anova"][key], abs=5e-5)
    assert lines["interaction"].f == pytest.approx(0.434, abs=5e-4)
    assert lines["interaction"].p == pytest.approx(0.974, abs=5e-4)
    assert found.is_pooled
    assert found.repeatability_sd == pytest.approx(expected["pooled"]["EV"], abs=5e-6)
    assert found.reproducibility_sd == pytest.approx(expected["pooled"]["AV"], abs=5e-6)
    assert found.gauge_sd == pytest.approx(expected["pooled"]["GRR"], abs=5e-6)
    assert found.part_sd == pytest.approx(expected["pooled"]["PV"], abs=5e-6)
    assert 100 * found.gauge_sd / found.total_sd == pytest.approx(27.86, abs=5e-3)
    # The manual's 4.861 categories are cut to a whole number.
    assert found.categories == 4
    assert found.repeatability_dof == 78


def test_manual_without_pooling():
    values = np.array(PUBLISHED["grr_aiag"]["data"]).reshape(10, 3, 3)
    found = crossed_study(values, pool_above=1.0)
    assert not found.is_pooled
    assert found.repeatability_sd == pytest.approx(0.214435, abs=5e-7)
    lines = lines_of(found)
    assert lines["part"].f == pytest.approx(492.291, abs=5e-3)
    assert lines["operator"].f == pytest.approx(79.406, abs=5e-3)


def test_a_real_interaction_is_kept():
    # Houf and Burman (1988), data as in the SAS/STAT VARCOMP example (level C).
    expected = PUBLISHED["grr_houf_burman"]
    found = crossed_study(np.array(expected["data"], dtype=float).reshape(10, 3, 3))
    assert not found.is_pooled
    assert lines_of(found)["interaction"].f == pytest.approx(expected["F_int"], abs=5e-6)
    sds = (
        found.repeatability_sd, found.interaction_sd, found.operator_sd, found.part_sd
    )  # fmt: skip
    wanted = [expected["var"][key] for key in ("rep", "int", "oper", "part")]
    assert [sd**2 for sd in sds] == pytest.approx(wanted, abs=5e-6)


@pytest.mark.parametrize("material", [0, 1, 3, 4])
def test_glucose_interlaboratory_study(material):
    # ASTM E691-99, Table 1 (level C).
    expected = PUBLISHED["e691_glucose"]
    values = np.array(expected["rows"])[:, material + 1].reshape(8, 3)
    found = precision_at(values)
    stats = expected["stats_as_in_file"]
    assert found.mean == pytest.approx(stats["mean"][material], abs=5e-5)
    assert found.repeatability_sd == pytest.approx(stats["sr"][material], abs=5e-5)
    assert found.reproducibility_sd == pytest.approx(stats["sR"][material], abs=5e-5)
    assert found.limit_r == pytest.approx(2.8 * found.repeatability_sd, rel=0.011)


def test_negative_variance_between_laboratories_is_zero():
    # Material A of the same study: the printed reproducibility equals the repeatability.
    values = np.array(PUBLISHED["e691_glucose"]["rows"])[:, 1].reshape(8, 3)
    found = precision_at(values)
    assert found.between_sd == 0.0
    assert found.reproducibility_sd == found.repeatability_sd


def test_a_misprint_is_found_by_its_scatter():
    # Material C holds 148.30 where 138.30 fits the printed statistics (level C).
    expected = PUBLISHED["e691_glucose"]
    values = np.array(expected["rows"])[:, 3].reshape(8, 3)
    found = precision_at(values)
    assert found.cochran_p < 0.05
    assert found.straggler == 3
    values[3, 1] = 138.30
    mended, wanted = precision_at(values), expected["stats_C_with_138_30"]
    assert mended.cochran_p > 0.05
    assert mended.repeatability_sd == pytest.approx(wanted["sr"], abs=5e-7)
    assert mended.reproducibility_sd == pytest.approx(wanted["sR"], abs=5e-7)


def certified(name, shift=0.0):
    data = PUBLISHED["strd_anova"]["sets"][name]
    groups = [np.array(g) + shift for g in data["groups"].values()]
    return data, repeated_study(groups)


@pytest.mark.parametrize(("name", "digits"), [("SiRstv", 12), ("AtmWtAg", 9), ("SmLs01", 13)])
def test_certified_analysis_of_variance(name, digits):
    # NIST Statistical Reference Datasets, analysis of variance (level A). AtmWtAg shares seven
    # leading digits between all its values, which leaves about nine in F.
    data, found = certified(name)
    lines = lines_of(found)
    assert lines["part"].f == pytest.approx(data["F"], rel=10.0**-digits)
    assert found.repeatability_sd == pytest.approx(data["residual_sd"], rel=10.0**-digits)


@pytest.mark.parametrize(("shift", "digits"), [(1e6 - 1, 9), (1e12 - 1, 3)])
def test_certified_analysis_with_many_leading_digits(shift, digits):
    # SmLs04 and SmLs07 are SmLs01 with 7 and 13 leading digits; the certified F is 21. Binary
    # numbers hold the data of the last to three digits only.
    _, found = certified("SmLs01", shift)
    assert lines_of(found)["part"].f == pytest.approx(21.0, rel=10.0**-digits)


def test_voltage_standard_over_ten_days():
    # JCGM 100:2008, H.5, Table H.9 (level B; component between days from memory, recomputed). The
    # table gives means and standard deviations of five readings; we rebuild readings with these.
    means = np.array([172, 116, 13, 144, 106, 31, 60, 125, 163, 41], dtype=float)  # uV above 10 V
    sds = np.array([60, 77, 111, 101, 67, 93, 80, 73, 88, 86], dtype=float)
    pattern = np.array([-2.0, -1.0, 0.0, 1.0, 2.0]) / math.sqrt(2.5)
    days = [mean + sd * pattern for mean, sd in zip(means, sds, strict=True)]
    found = repeated_study(days)
    assert found.repeatability_sd == pytest.approx(85, abs=0.5)
    assert lines_of(found)["part"].f == pytest.approx(2.2615, abs=5e-4)
    assert lines_of(found)["part"].dof == 9
    assert found.repeatability_dof == 40
    assert found.part_sd == pytest.approx(43, abs=0.5)
    group = Group(
        revision="K",
        specimens=tuple(
            Specimen(
                name=str(i), estimate=Estimate(value=float(d.mean()), unit="uV"),
                positions=tuple(d),
            )
            for i, d in enumerate(days)
        ),
    )  # fmt: skip
    parts = spread(group)
    assert parts.means_sd == pytest.approx(57, abs=0.5)
    assert parts.within_sd == pytest.approx(85, abs=0.5)
    assert parts.between_sd == pytest.approx(43, abs=0.5)
    assert parts.means_sd / math.sqrt(10) == pytest.approx(18, abs=0.5)
