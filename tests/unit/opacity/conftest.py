"""A small bench that hands out frames as micrographs; images are never square."""

import numpy as np
import pytest

from micromeasure.reference.transmission import Bench, Camera, as_micrograph

SHAPE = (96, 160)


class Desk:
    """A bench with its random numbers and its habits."""

    def __init__(self, seed=5, bits=12, transfer="linear", **bench):
        camera = bench.pop("camera", Camera(bits=bits))
        self.bench = Bench(**{"shape": SHAPE, "camera": camera, **bench})
        self.rng = np.random.default_rng(seed)
        self.transfer = transfer
        self.count = 0

    def frame(self, scene, *, lamp=1.0, exposure=1.0, known=True, **more):
        self.count += 1
        return as_micrograph(
            self.bench.frame(scene, self.rng, lamp=lamp, exposure=exposure),
            bits=self.bench.camera.bits,
            name=f"frame{self.count}",
            transfer=self.transfer,
            exposure_s=0.01 * exposure if known else None,
            **more,
        )

    def companions(self, *, exposure=1.0, opaque=None, dark=True, opens=1):
        frames = {
            "open_light": tuple(self.frame(1.0, exposure=exposure) for _ in range(opens)),
        }
        if dark:
            frames["dark"] = (self.frame(0.0, lamp=0.0),)
        if opaque is not None:
            frames["opaque"] = (self.frame(opaque),)
        return frames


def _beside_strip(transmittance, strip_px=48, shape=SHAPE):
    scene = np.full(shape, float(transmittance))
    scene[:, :strip_px] = 1.0
    return scene


@pytest.fixture
def desk():
    return Desk()


@pytest.fixture
def make_desk():
    return Desk


@pytest.fixture
def beside_strip():
    return _beside_strip
