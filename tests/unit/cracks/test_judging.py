"""What a second look adds, on drawn lines whose answer is plain."""

import numpy as np
import pytest

from micromeasure.cracks.centreline import measure_line
from micromeasure.cracks.judging import second_features
from micromeasure.cracks.patch import Patch
from micromeasure.cracks.scoring import FEATURES, SECOND_FEATURES


def patch_with(*, pit=0.0, lips=0.0, step=0.0, noise=0.5):
    """Return a patch with a dark line along row 60, and what it was before a step was removed."""
    rng = np.random.default_rng(5)
    row, col = np.mgrid[:120, :200].astype(float)
    line = np.exp(-0.5 * ((row - 60) / 1.2) ** 2) * ((col > 40) & (col < 160))
    ridge = np.exp(-0.5 * ((np.abs(row - 60) - 5) / 1.5) ** 2) * ((col > 40) & (col < 160))
    hole = np.exp(-0.5 * (((row - 60) / 4) ** 2 + ((col - 100) / 4) ** 2))
    flat = 100 - 20 * line + lips * ridge - pit * hole + rng.normal(0, noise, row.shape)
    values = flat + step * np.abs(np.sin(col / 3.0))
    patch = Patch(
        values=flat.astype(np.float32), valid=np.ones(row.shape, np.uint8), um_per_px=1.0,
        quantum=0.0, to_image=np.eye(2, 3),
    )  # fmt: skip
    return patch, values.astype(np.float32)


def looked_at(*, scores=(0.5, 0.5), **drawn):
    patch, values = patch_with(**drawn)
    path = np.column_stack((np.arange(45.0, 156.0), np.full(111, 60.0)))
    line = measure_line(patch, path)
    row = second_features(line, np.arange(float(len(FEATURES))), scores, (patch.values, values))
    return dict(zip(SECOND_FEATURES, row, strict=True))


def test_scores_come_as_log_odds_and_features_by_name():
    found = looked_at(scores=(0.5, 0.9))
    assert found["first_odds"] == pytest.approx(0.0)
    assert found["second_odds"] == pytest.approx(np.log(9.0))
    for name in ("evidence", "fineness", "depth_variation", "aspect"):
        assert found[name] == FEATURES.index(name)


def test_certain_scores_stay_finite():
    found = looked_at(scores=(0.0, 1.0))
    assert np.isfinite(list(found.values())).all()


def test_a_pit_on_the_line_makes_a_peak():
    assert looked_at(pit=60.0)["peak"] > looked_at()["peak"] + 0.5


def test_ridges_beside_the_line_are_lips():
    # Twenty grey values of depth before smoothing; the ridge of ten is about half of that.
    assert looked_at(lips=10.0)["lips"] > looked_at()["lips"] + 0.3


def test_noise_makes_the_darkest_place_jump():
    assert looked_at(noise=12.0)["jitter"] > looked_at(noise=0.5)["jitter"] + 0.5


def test_what_was_removed_along_the_line_is_told():
    assert looked_at()["removed"] == pytest.approx(0.0, abs=1e-3)
    assert looked_at(step=20.0)["removed"] > 0.1
