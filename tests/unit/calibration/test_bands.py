import numpy as np
import pytest

from micromeasure.calibration.bands import FINE, cut_bands


@pytest.mark.parametrize("tangent", [0.0, 0.035, -0.6])
@pytest.mark.parametrize("every", [1, 3])
@pytest.mark.parametrize("kind", [np.uint8, np.uint16, np.float64])
def test_every_pixel_looked_at_is_counted_once(tangent, every, kind):
    image = np.random.default_rng(2).integers(0, 255, (97, 61)).astype(kind)
    bands = cut_bands(image, tangent, 20.0, every=every)
    assert bands.sums.sum() == pytest.approx(image[::every].astype(float).sum(), rel=1e-6)
    assert bands.counts.sum() == image[::every].size
    assert bands.rows.sum() == len(image[::every])


def test_pixels_lie_where_their_line_of_sight_meets_the_middle_row():
    tangent = 0.137
    y, x = np.mgrid[0:90, 0:70].astype(np.float64)
    sheared = x + tangent * (y - 44.5)
    bands = cut_bands(sheared, tangent, 15.0)
    seen = bands.counts > 0
    at = bands.origin_px + np.arange(bands.sums.shape[1]) / FINE
    off = bands.sums[seen] / bands.counts[seen] - np.broadcast_to(at, seen.shape)[seen]
    assert np.abs(off).max() < 0.5 / FINE + 1e-4
    assert off.mean() == pytest.approx(bands.offset_px.mean(), abs=1e-3)
