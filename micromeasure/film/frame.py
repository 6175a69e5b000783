"""An image seen so that the film runs from top to bottom and every row is a profile across it."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.micrograph.response import Response

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

LUMINANCE = (0.2126, 0.7152, 0.0722)


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """Pixels of the searched region, rows across the film.

    Attributes
    ----------
    pixels : ndarray, shape (rows, cols) or (rows, cols, 3)
        The region as stored, not turned and not copied.
    turned : bool
        Whether rows and columns change places: profiles then run down the image's columns.
    origin_px : tuple of two ints
        Column and row of ``pixels[0, 0]`` in the whole image.
    um_per_px : tuple of two floats
        Scale in the image's x and y.
    response : Response or None
        Turns stored values into light; None where they are proportional to it.
    """

    pixels: NDArray[Any]
    turned: bool
    origin_px: tuple[int, int]
    um_per_px: tuple[float, float]
    response: Response | None = None

    @property
    def shape(self) -> tuple[int, int]:
        """Number of profiles and of pixels in each."""
        rows, cols = self.pixels.shape[:2]
        return (cols, rows) if self.turned else (rows, cols)

    @property
    def um_per_row(self) -> float:
        """Distance of neighbouring profiles."""
        return self.um_per_px[0] if self.turned else self.um_per_px[1]

    @property
    def um_per_col(self) -> float:
        """Distance of neighbouring pixels in a profile."""
        return self.um_per_px[1] if self.turned else self.um_per_px[0]

    def take(self, rows: IntArray, cols: IntArray) -> NDArray[np.float32]:
        """Return pixel values at profile rows and columns, as light.

        Parameters
        ----------
        rows, cols : ndarray of int, broadcasting to shape (n, m)
            Must lie inside the frame.

        Returns
        -------
        ndarray of float32, shape (n, m)
        """
        height, width = self.pixels.shape[:2]
        flat = cols * width + rows if self.turned else rows * width + cols
        stored = self.pixels.reshape(height * width, *self.pixels.shape[2:])
        values = np.take(stored, flat, axis=0)
        if self.response is not None and self.response.table is not None:
            values = np.take(self.response.table, values)
        elif self.response is not None and self.response.decode is not None:
            values = self.response.decode(values)
        if values.ndim == 3:
            values = values.astype(np.float32) @ np.array(LUMINANCE, dtype=np.float32)
        return np.asarray(values, dtype=np.float32)

    def image_points(self, rows: FloatArray, cols: FloatArray) -> FloatArray:
        """Return full-image points ``x y`` of profile rows and columns, shape (n, 2)."""
        x, y = (rows, cols) if self.turned else (cols, rows)
        return np.column_stack([x + self.origin_px[0], y + self.origin_px[1]])
