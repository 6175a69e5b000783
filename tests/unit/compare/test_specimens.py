import numpy as np
import pytest

from micromeasure.compare.specimens import group, spread
from micromeasure.errors import ResultsError
from micromeasure.estimate import Estimate
from micromeasure.tables.reading import Result


def test_repeats_are_averaged_within_positions_first(result):
    rows = [
        result("K", "1", 10.0, position="left"),
        result("K", "1", 12.0, position="left"),
        result("K", "1", 20.0, position="right"),
    ]
    (specimen,) = group("K", rows).specimens
    assert specimen.positions == (11.0, 20.0)
    assert specimen.estimate.value == pytest.approx(15.5)


def test_images_without_position_are_positions_of_their_own(result):
    rows = [result("K", "1", v) for v in (1.0, 2.0, 6.0)]
    (specimen,) = group("K", rows).specimens
    assert specimen.positions == (1.0, 2.0, 6.0)


def test_scale_does_not_average_down(result):
    rows = [result("K", "1", 100.0, u=1.0, scale=0.01) for _ in range(4)]
    (specimen,) = group("K", rows).specimens
    assert specimen.estimate.standard_uncertainty == pytest.approx(np.hypot(0.5, 1.0))


def test_units_must_agree(result):
    rows = [result("K", "1", 1.0), result("K", "1", 1.0, unit="mm")]
    with pytest.raises(ResultsError, match="found the units mm and um"):
        group("K", rows)


def test_lower_limit_makes_the_specimen_one(result):
    limit = Result(
        revision="K", specimen="1", quantity="optical_density",
        estimate=Estimate(value=None, unit="1", low_limit=3.5),
    )  # fmt: skip
    found = group("K", [limit, result("K", "1", 3.0, unit="1"), result("K", "2", 3.1, unit="1")])
    assert found.n_limits == 1
    assert found.specimens[0].estimate.low_limit == 3.0
    assert list(found.values) == [3.1]


def test_unbalanced_positions_give_the_right_components(result):
    rng = np.random.default_rng(5)
    between, within = [], []
    for _ in range(400):
        rows = []
        for s in range(6):
            truth = rng.normal(0, 2.0)
            count = rng.integers(1, 5)
            rows += [result("K", str(s), truth + rng.normal(0, 1.0)) for _ in range(count)]
        parts = spread(group("K", rows))
        between.append(parts.between_sd**2)
        if parts.within_sd is not None:
            within.append(parts.within_sd**2)
    assert np.mean(within) == pytest.approx(1.0, rel=0.05)
    assert np.mean(between) == pytest.approx(4.0, rel=0.12)


def test_single_specimen_has_no_spread(result):
    parts = spread(group("K", [result("K", "1", 3.0)]))
    assert (parts.means_sd, parts.between_sd, parts.within_sd) == (None, None, None)
