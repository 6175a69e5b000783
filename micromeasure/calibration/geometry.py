"""How an image differs from a map: radial distortion, binned and cropped camera modes."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.fields import declared

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Distortion:
    """Radial distortion: ``ideal = centre + (seen - centre)·(1 + k1·r²)``, r in pixels.

    The scale of the file holds at the centre.
    """

    k1_per_px2: float = declared("number", unit="1/px²", help="strength; 0 for none")
    centre_px: tuple[float, float] = declared("xy", unit="px", help="centre, x and y")
    u_k1_per_px2: float | None = declared(
        "number", None, unit="1/px²", low=0, help="standard uncertainty of the strength"
    )
    corner_scale_change: float | None = declared(
        "number", None, help="relative change of the radial scale in the furthest corner"
    )

    def undistorted(self, points_px: FloatArray) -> FloatArray:
        """Return where points would be seen without distortion.

        Parameters
        ----------
        points_px : ndarray, shape (..., 2)
            Points ``x y`` in full-image coordinates.

        Returns
        -------
        ndarray, shape (..., 2)
        """
        points = np.asarray(points_px, dtype=np.float64)
        away = points - np.asarray(self.centre_px)
        square = (away * away).sum(axis=-1, keepdims=True)
        return np.asarray(points + away * (self.k1_per_px2 * square))

    def stretch(self, point_px: tuple[float, float], direction: tuple[float, float]) -> float:
        """Return by what factor a short length seen at a point grows when distortion is undone.

        Parameters
        ----------
        point_px : tuple of two floats
            In full-image coordinates.
        direction : tuple of two floats
            Along the length, x and y; need not be of length 1.
        """
        away = np.asarray(point_px) - np.asarray(self.centre_px)
        along = np.asarray(direction) / np.hypot(*direction)
        jacobian = np.eye(2) * (1.0 + self.k1_per_px2 * float(away @ away))
        jacobian += 2.0 * self.k1_per_px2 * np.outer(away, away)
        return float(np.hypot(*(jacobian @ along)))

    def on(self, origin_px: tuple[float, float], binning: tuple[int, int]) -> "Distortion":
        """Return the same distortion in a cropped and binned image."""
        # Binning n puts the centre of pixel 0 at (n - 1)/2 of the unbinned image.
        centre = tuple(
            (c - o - (n - 1) / 2) / n
            for c, o, n in zip(self.centre_px, origin_px, binning, strict=True)
        )
        factor = float(binning[0] * binning[1])
        return Distortion(
            k1_per_px2=self.k1_per_px2 * factor,
            centre_px=(centre[0], centre[1]),
            u_k1_per_px2=None if self.u_k1_per_px2 is None else self.u_k1_per_px2 * factor,
            corner_scale_change=self.corner_scale_change,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraMode:
    """Another way to read the same sensor out: binned, cropped, or both."""

    binning: int = declared(
        "integer", 1, low=1, high=16, help="each pixel is the sum of so many by so many"
    )
    crop: tuple[float, float, float, float] | None = declared(
        "rectangle", None, unit="px",
        help="part of the calibrated image that is read out, x0 y0 x1 y1, edges included",
    )  # fmt: skip

    def size_px(self, whole_px: tuple[int, int]) -> tuple[int, int]:
        """Return the size of an image taken in this mode."""
        x0, y0, x1, y1 = self.crop or (0, 0, whole_px[0] - 1, whole_px[1] - 1)
        return (round(x1 - x0 + 1) // self.binning, round(y1 - y0 + 1) // self.binning)
