"""The rendered sample study tells the story it is meant to tell."""

import pytest

from micromeasure.quantities.optical_density import DensitySettings, measure_optical_density
from micromeasure.quantities.relative_opacity import (
    RelativeOpacitySettings,
    measure_relative_opacity,
)
from micromeasure.reference.transmission import (
    SAMPLE_BITS,
    SAMPLE_PAIR_REGIONS,
    as_micrograph,
    sample_images,
)


@pytest.fixture(scope="module")
def sample():
    return {image.name: image for image in sample_images()}


@pytest.fixture(scope="module")
def micrographs(sample):
    return {
        name: as_micrograph(image.pixels, bits=SAMPLE_BITS, name=name)
        for name, image in sample.items()
    }


@pytest.fixture(scope="module")
def frames(micrographs):
    return {field: (micrographs[f"{field}.tif"],) for field in ("open_light", "dark", "opaque")}


def test_every_film_of_the_sample_is_right(sample, micrographs, frames):
    films = [image for image in sample.values() if image.view == "film-transmitted"]
    assert len(films) == 6
    for image in films:
        outcome = measure_optical_density(micrographs[image.name], DensitySettings(), frames)
        row = outcome.measurements[0]
        assert row.estimate.value == pytest.approx(image.density, abs=0.001)
        assert row.flags == ()


def test_the_pair_compares_both_lots(micrographs, frames):
    settings = RelativeOpacitySettings(regions=dict(SAMPLE_PAIR_REGIONS), reference="K")
    outcome = measure_relative_opacity(micrographs["pair_K_M.tif"], settings, frames)
    assert outcome.measurements[0].estimate.value == pytest.approx(0.83 / 0.80, abs=0.01)
