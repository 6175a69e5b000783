import numpy as np
import pytest

from micromeasure.reference.micrometer import Rulings, View, render

SCALE = (0.412, 0.409)


@pytest.fixture
def ruled():
    """A function that renders a small ruled image and tells what is true of it."""

    def make(*, rotation_deg=2.0, seed=1, size_px=(420, 300), rulings=None, bright=False,
             dust=0, **view):  # fmt: skip
        artefact = rulings or Rulings(pitch_um=8.0, width_um=2.0, first=-40, last=40,
                                      lengths_um=(900.0, 900.0, 900.0))  # fmt: skip
        settings = {
            "um_per_px": SCALE, "blur_um": 0.5, "noise": 0.01, "centre_um": (1.3, 450.0),
            "rotation_deg": rotation_deg, "size_px": size_px,
        } | view  # fmt: skip
        rng = np.random.default_rng(seed)
        return render(artefact, View(**settings), rng, bright=bright, dust=dust)

    return make
