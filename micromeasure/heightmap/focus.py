"""A height map from a focus stack, slice by slice, in memory that does not grow with the slices.

What is in focus has the strongest grey-level gradients. Their energy is averaged over blocks of
pixels; per block only the greatest energy so far, its slice and the energies two slices around
it are kept. The peak is then interpolated to a fraction of the step.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.errors import MeasurementError
from micromeasure.outcome import FloatArray

Energy = NDArray[np.float32]

# Energies are averaged over blocks of so many pixels, then over so many blocks each way.
BLOCK_PX = 4
SMOOTHING_BLOCKS = 5
# Slices kept on each side of the sharpest one.
_SIDE = 2
# A peak less than this share above the floor is no focus but noise.
MIN_CONFIDENCE = 0.5
_MIN_SLICES = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusMap:
    """Where each block of the image is in focus.

    Attributes
    ----------
    slice_number : ndarray of float, shape (rows, cols)
        Interpolated slice number from 0, NaN where none is clear.
    confidence : ndarray of float, shape (rows, cols)
        Share of the peak's energy that stands above the floor, 0 to 1.
    block_px : int
        Pixels of the image per entry, each way.
    n_slices : int
    """

    slice_number: FloatArray
    confidence: FloatArray
    block_px: int
    n_slices: int

    def centres_px(self) -> tuple[FloatArray, FloatArray]:
        """Return x and y of the block centres in pixels, shapes (cols,) and (rows,)."""
        rows, cols = self.slice_number.shape
        half = (self.block_px - 1) / 2
        places = np.arange(max(rows, cols), dtype=np.float64) * self.block_px + half
        return places[:cols], places[:rows]


class _Peaks:
    """The greatest energy of each block and its neighbours in the stack."""

    def __init__(self, shape: tuple[int, int]) -> None:
        self.best = np.full(shape, -1.0, dtype=np.float32)
        self.where = np.zeros(shape, dtype=np.int32)
        self.floor = np.full(shape, np.inf, dtype=np.float32)
        # Energies of the slices -2, -1, +1, +2 from the best; NaN where the stack ends.
        self.around = {d: np.full(shape, np.nan, dtype=np.float32) for d in (-2, -1, 1, 2)}
        self._recent: list[Energy] = []
        self.count = 0

    def add(self, energy: Energy) -> None:
        """Take one slice into account."""
        k = self.count
        for back in range(1, min(_SIDE, k) + 1):
            follows = self.where == k - back
            np.copyto(self.around[back], energy, where=follows)
        better = energy > self.best
        np.copyto(self.best, energy, where=better)
        np.copyto(self.where, k, where=better, casting="same_kind")
        for back in range(1, _SIDE + 1):
            earlier = self._recent[-back] if back <= len(self._recent) else np.float32(np.nan)
            np.copyto(self.around[-back], earlier, where=better)
            np.copyto(self.around[back], np.float32(np.nan), where=better)
        np.minimum(self.floor, energy, out=self.floor)
        self._recent = [*self._recent[-(_SIDE - 1) :], energy]
        self.count += 1


def map_focus(slices: Iterable[NDArray[Any]], *, block_px: int = BLOCK_PX) -> FocusMap:
    """Find for each block of an image the slice in which it is sharpest.

    Parameters
    ----------
    slices : iterable of ndarray, shape (rows, cols)
        Grey values, in order of height; read one after the other and not kept.
    block_px : int
        Block size.

    Returns
    -------
    FocusMap

    Raises
    ------
    MeasurementError
        If there are too few slices, or their sizes differ.

    Notes
    -----
    Focus measure: energy of differences over two pixels both ways (after Brenner 1976), the
    energy of noise taken off as the least energy seen in the block. The logarithm of the peak
    is close to a parabola; it is fitted by least squares to five slices, each weighted by the
    square of its energy.
    """
    peaks, size = None, (0, 0)
    for image in slices:
        if peaks is None:
            size = image.shape[0], image.shape[1]
            if min(size) < 4 * block_px:
                message = (
                    f"slices are {size[1]} x {size[0]} px; at least {4 * block_px} px are needed"
                )
                raise MeasurementError(message)
            peaks = _Peaks((size[0] // block_px, size[1] // block_px))
            meter = _Meter(size, block_px)
        if image.shape[:2] != size:
            message = (
                f"slice {peaks.count + 1} is {image.shape[1]} x {image.shape[0]} px, the first one "
                f"{size[1]} x {size[0]} px; all slices of a stack have one size"
            )
            raise MeasurementError(message)
        peaks.add(meter.energy(image))
    if peaks is None or peaks.count < _MIN_SLICES:
        found = 0 if peaks is None else peaks.count
        message = f"the focus stack has {found} slices; at least {_MIN_SLICES} are needed"
        raise MeasurementError(message)
    return _interpolated(peaks, block_px)


class _Meter:
    """Measures the energy of slices of one size; its buffers are used again for each slice."""

    def __init__(self, size: tuple[int, int], block_px: int) -> None:
        self._blocks = size[0] // block_px, size[1] // block_px
        rows, cols = (count * block_px for count in self._blocks)
        # Differences over two pixels lack the outermost ones, which stay 0.
        self._squares = np.zeros((rows, cols), dtype=np.float32)
        self._size = rows, cols

    def energy(self, image: NDArray[Any]) -> Energy:
        """Return the gradient's energy averaged over blocks and their neighbours."""
        import cv2

        rows, cols = self._size
        image = image[:rows, :cols]
        if image.dtype not in {np.dtype(np.uint8), np.dtype(np.uint16)}:
            image = image.astype(np.float32)
        across = cv2.absdiff(image[1:-1, 2:], image[1:-1, :-2])
        down = cv2.absdiff(image[2:, 1:-1], image[:-2, 1:-1])
        self._squares.fill(0.0)
        inner = self._squares[1:-1, 1:-1]
        cv2.accumulateSquare(across, inner)
        cv2.accumulateSquare(down, inner)
        blocks = self._blocks[::-1]
        mean = cv2.resize(self._squares, blocks, interpolation=cv2.INTER_AREA)
        window = (SMOOTHING_BLOCKS, SMOOTHING_BLOCKS)
        smoothed = cv2.GaussianBlur(mean, window, 0, borderType=cv2.BORDER_REFLECT)
        return np.asarray(smoothed, dtype=np.float32)


def _interpolated(peaks: _Peaks, block_px: int) -> FocusMap:
    floor, best = peaks.floor.astype(float), peaks.best.astype(float)
    above = best - floor
    confidence = np.where(best > 0, above / np.maximum(best, 1e-12), 0.0)
    offsets = (-2, -1, 0, 1, 2)
    energies = [above if d == 0 else peaks.around[d].astype(float) - floor for d in offsets]
    stack = np.stack(energies)
    # A neighbour at the floor has no logarithm; it is left out.
    usable = np.isfinite(stack) & (stack > 0.05 * above)
    values = np.log(np.where(usable, stack, 1.0) / np.maximum(above, 1e-12))
    weights = np.where(usable, (stack / np.maximum(above, 1e-12)) ** 2, 0.0)
    shift, bends = _parabola_top(np.array(offsets, dtype=float), values, weights)
    inside = (peaks.where > 0) & (peaks.where < peaks.count - 1)
    clear = inside & bends & (np.abs(shift) <= 1.0) & (confidence >= MIN_CONFIDENCE)
    number = np.where(clear, peaks.where + shift, np.nan)
    return FocusMap(
        slice_number=number, confidence=confidence, block_px=block_px, n_slices=peaks.count
    )


def _parabola_top(
    x: FloatArray, values: FloatArray, weights: FloatArray
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return the top of a weighted least-squares parabola per block, and whether there is one."""
    x = x[:, None, None]
    s = [np.sum(weights * x**p, axis=0) for p in range(5)]
    t = [np.sum(weights * x**p * values, axis=0) for p in range(3)]
    # Cramer's rule for the symmetric system of a + b x + c x².
    det = s[0] * (s[2] * s[4] - s[3] ** 2) - s[1] * (s[1] * s[4] - s[2] * s[3])
    det = det + s[2] * (s[1] * s[3] - s[2] ** 2)
    b = s[0] * (t[1] * s[4] - t[2] * s[3]) - t[0] * (s[1] * s[4] - s[2] * s[3])
    b = b + s[2] * (s[1] * t[2] - s[2] * t[1])
    c = s[0] * (s[2] * t[2] - s[3] * t[1]) - s[1] * (s[1] * t[2] - s[2] * t[1])
    c = c + t[0] * (s[1] * s[3] - s[2] ** 2)
    bends = (det > 1e-9) & (c < 0)
    return np.where(bends, -b / np.where(bends, 2 * c, 1.0), 0.0), bends


def grey_slices(slices: Iterable[NDArray[Any]]) -> Iterator[NDArray[Any]]:
    """Return slices with one value a pixel; colour becomes the luminance of ITU-R BT.709."""
    weights = np.array([[0.2126, 0.7152, 0.0722]], dtype=np.float32)
    for image in slices:
        if image.ndim == 2:
            yield image
        else:
            import cv2

            yield cv2.transform(image, weights)
