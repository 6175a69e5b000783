"""Drawn lines of known course on an even ground, with pixels of unequal size."""

import numpy as np
import pytest

from micromeasure.calibration.file import Calibration
from micromeasure.micrograph.image import Header, ImageRecord, Micrograph
from micromeasure.reference.metal_surface import Stroke, draw_coverage


class Drawing:
    """An image in the making; intensities are grey values of 8 bits."""

    def __init__(self, size=(420, 300), level=130.0, um_per_px=(0.8, 0.8), seed=1):
        self.shape = (size[1], size[0])
        self.image = np.full(self.shape, level, dtype=np.float64)
        self.um_per_px = um_per_px
        self.rng = np.random.default_rng(seed)

    def line(self, points, *, width=2.5, depth=40.0):
        points = np.asarray(points, dtype=float)
        stroke = Stroke(points_px=points, widths_px=np.full(len(points), width))
        self.image -= depth * draw_coverage(self.shape, [stroke])
        return self

    def micrograph(self, *, blur=1.0, noise=2.0, origin=(0, 0), **record):
        import cv2

        blurred = cv2.GaussianBlur(self.image, (0, 0), blur)
        noisy = blurred + self.rng.normal(0, noise, self.shape)
        pixels = np.clip(np.round(noisy), 0, 255).astype(np.uint8)
        return Micrograph(
            pixels=pixels,
            calibration=Calibration(
                schema=1, id="t", um_per_px=self.um_per_px, u_um_per_px=(0.0004, 0.0006)
            ),
            record=ImageRecord(image="drawn.tif", **record),
            header=Header(
                format="TIFF", width_px=self.shape[1], height_px=self.shape[0], channels=1,
                dtype="uint8", bits=8,
            ),
            origin_px=origin,
        )  # fmt: skip


@pytest.fixture
def drawing():
    return Drawing


def zigzag(start, end, *, steps=12, swing=3.0, seed=3):
    """A jagged line between two points."""
    rng = np.random.default_rng(seed)
    start, end = np.asarray(start, dtype=float), np.asarray(end, dtype=float)
    t = np.linspace(0, 1, steps + 1)[:, None]
    along = (end - start) / np.hypot(*(end - start))
    off = rng.normal(0, swing, (steps + 1, 1))
    off[[0, -1]] = 0
    return start + t * (end - start) + off * np.array([-along[1], along[0]])


@pytest.fixture
def jagged():
    return zigzag
