import numpy as np

from micromeasure.cracks.background import remove_background
from micromeasure.cracks.finding import find_candidates
from micromeasure.cracks.patch import cut_strip

FOLD = (10.0, 150.0, 410.0, 150.0)


def test_a_steep_slope_of_light_is_levelled_and_the_level_stays(drawing):
    slope = drawing()
    slope.image += np.linspace(-60, 60, slope.shape[1])[None, :]
    patch = cut_strip(slope.micrograph(noise=0.5), FOLD, band_um=80.0)
    flat = remove_background(patch)[30:-30, 60:-60]
    assert abs(float(np.median(flat)) - 130.0) < 3
    steps = np.diff(flat.mean(axis=0))
    assert np.abs(steps).max() < 0.6


def test_a_crack_on_a_slope_of_light_is_found(drawing, jagged):
    path = jagged((150, 90), (250, 100))
    slope = drawing(level=110.0).line(path, depth=14.0)
    slope.image += 40 / (1 + np.exp(-(np.arange(slope.shape[0])[:, None] - 100) / 8.0))
    patch = cut_strip(slope.micrograph(), FOLD, band_um=100.0)
    found = find_candidates(patch, min_length_um=16.0, max_width_um=10.0, threshold=0.3)
    assert len(found) == 1
    assert 80 < found[0].line.length_px < 140
