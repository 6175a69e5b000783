"""Results of invented studies, made in one line."""

import pytest

from micromeasure.estimate import Component, Estimate
from micromeasure.tables.reading import Result


def _result(revision, specimen, value, *, u=0.1, scale=0.0, shared="scale:a", unit="um", **more):
    components = None
    if u is not None:
        components = (Component(name="edge", u=u),)
        if scale:
            components += (Component(name="scale", u=scale * value, shared=shared),)
    return Result(
        revision=revision,
        specimen=specimen,
        estimate=Estimate(value=value, unit=unit, components=components),
        **{"quantity": "dome_height", "statistic": "value", "calibration": "a", **more},
    )


@pytest.fixture
def result():
    """Return a maker of one row."""
    return _result


@pytest.fixture
def revision():
    """Return a maker of the rows of one revision, one specimen a value."""

    def rows(name, values, **more):
        return [_result(name, f"{name}{i}", v, **more) for i, v in enumerate(values)]

    return rows
