"""From pixels of a window to micrometres with y upwards, and back."""

from dataclasses import dataclass

import numpy as np

from micromeasure.calibration.file import Calibration
from micromeasure.outcome import FloatArray

# Distortion is small: each round takes the error down by the share that it turns lengths.
_ROUNDS = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """Where a window lies in its image, and how long its pixels are.

    Attributes
    ----------
    calibration : Calibration
        Its distortion, if any, is undone.
    origin_px : tuple of two ints
        Column and row of the window's first pixel in the whole image.
    """

    calibration: Calibration
    origin_px: tuple[int, int] = (0, 0)

    @property
    def um_per_px(self) -> tuple[float, float]:
        """Scale in x and y."""
        return self.calibration.um_per_px

    @property
    def pixel_um(self) -> float:
        """Geometric mean of a pixel's two sides."""
        return float(np.sqrt(np.prod(self.um_per_px)))

    def to_um(self, points_px: FloatArray) -> FloatArray:
        """Return points of the window, shape (n, 2), in micrometres with y upwards."""
        whole = np.asarray(points_px, dtype=np.float64) + np.array(self.origin_px, dtype=float)
        points: FloatArray = self.calibration.to_um(whole) * np.array([1.0, -1.0])
        return points

    def to_px(self, points_um: FloatArray) -> FloatArray:
        """Return points in micrometres as pixels of the window."""
        sx, sy = self.um_per_px
        straight = np.asarray(points_um, dtype=np.float64) * np.array([1 / sx, -1 / sy])
        seen = straight
        if self.calibration.distortion is not None:
            for _ in range(_ROUNDS):
                seen = seen + straight - self.calibration.undistorted(seen)
        points: FloatArray = seen - np.array(self.origin_px, dtype=float)
        return points
