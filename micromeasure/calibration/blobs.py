"""Finding the elements of a grid (dots, squares, fields between crossed lines) and their centres.

The elements are compared by least squares with one shape, fitted to all of them together.
"""

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.calibration.element import Element, fit_element, refine_element
from micromeasure.calibration.ground import Ground

FloatArray = NDArray[np.float64]

_SEARCH_PX = 1_500_000  # found on an image reduced to this size, if that is fine enough
_RESOLVED_PX = 2.5  # least half width of an element on the level on which it is found
_BETTER = 1.15
_LEAST_AREA = 12  # px on the image searched
_FEWEST = 9
_ALIKE = (0.6, 1.6)  # area of an element in units of the usual one
_BLURS = (0.8, 2.0)  # px; the wider one is for images that noise would tear into specks
_MOST = 0.6
_OFFSETS = (-2, -1, 0, 1)  # quarters of a pixel by which a centre misses a pixel's
_TAPER_PX = 2.0
_PHASES = 4  # the mean element is sampled at quarters of a pixel
_MARGIN_PX = 3
_IN_CACHE = 150_000  # pixels worked on at a time
_ENOUGH_FOR_NOISE = 500
_ENOUGH_PIXELS = 6_000_000  # in all windows together


@dataclass(frozen=True, slots=True, kw_only=True)
class Blobs:
    """Elements found.

    Attributes
    ----------
    centre_px : ndarray, shape (n, 2)
        ``x y``.
    u_px : ndarray, shape (n,)
        Standard uncertainty of each coordinate from noise.
    radius_px : float
        Half the side of the square that holds an element.
    dark : bool
    share : float
        Share of the area of everything of their polarity that lies within the image.
    element : Element or None
        Their common shape; None before they are located.
    """

    centre_px: FloatArray
    u_px: FloatArray
    radius_px: float
    dark: bool
    share: float
    element: Element | None = None


def find_blobs(image: NDArray[np.uint8]) -> Blobs | None:
    """Find equal, separate elements and locate them to the nearest pixel or so.

    Parameters
    ----------
    image : ndarray of uint8, shape (rows, cols)
        From `in_256_steps`.

    Returns
    -------
    Blobs or None
        None if there are fewer than nine equal elements. `u_px` is not filled.
    """
    import cv2

    levels = [image]
    while levels[-1].size > _SEARCH_PX:
        rows, cols = levels[-1].shape
        small = cv2.resize(levels[-1], (cols // 2, rows // 2), interpolation=cv2.INTER_AREA)
        levels.append(np.asarray(small))
    best: Blobs | None = None
    for level in reversed(levels):
        ratio = np.array([image.shape[1] / level.shape[1], image.shape[0] / level.shape[0]])
        found = _on_one_level(level.astype(np.float32), ratio)
        if found is None:
            continue
        if best is None or len(found.centre_px) > _BETTER * len(best.centre_px):
            best = found
        # Smaller elements may hide in what is seen too coarsely: then a finer level decides.
        if best.share > _MOST and found.radius_px > _RESOLVED_PX * float(ratio.max()):
            break
    return best


def _on_one_level(small: NDArray[np.float32], ratio: FloatArray) -> Blobs | None:
    """Return the elements found in a reduced image, in pixels of the whole one."""
    best: Blobs | None = None
    for sigma in _BLURS:
        for blobs in _both_polarities(small, sigma):
            if best is None or len(blobs.centre_px) > _BETTER * len(best.centre_px):
                best = blobs
        if best is not None and best.share > _MOST:
            break
    return best and dataclasses.replace(
        best,
        centre_px=(best.centre_px + 0.5) * ratio - 0.5,
        radius_px=best.radius_px * float(ratio.max()),
    )


def _both_polarities(small: NDArray[np.float32], sigma: float) -> list[Blobs]:
    import cv2

    rows, cols = small.shape
    window = 2 * (min(rows, cols) // 8) + 1
    smooth = cv2.GaussianBlur(small, (0, 0), sigma)
    uneven = smooth - cv2.blur(small, (window, window), borderType=cv2.BORDER_REFLECT)
    low, high = np.percentile(uneven[::3, ::3], [0.5, 99.5])
    if high <= low:
        return []
    # The saturating conversion takes the absolute value: what is below 0 must be cut off first.
    digits = cv2.convertScaleAbs(np.maximum(uneven - low, 0.0), alpha=255.0 / (high - low))
    level, above = cv2.threshold(digits, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    del level
    found = []
    for dark, mask in ((True, cv2.bitwise_not(above)), (False, above)):
        blobs = _equal_elements(mask, dark=dark)
        if blobs is not None:
            found.append(blobs)
    return found


def _equal_elements(mask: NDArray[Any], *, dark: bool) -> Blobs | None:
    import cv2

    rows, cols = mask.shape
    _, _, stats, centre = cv2.connectedComponentsWithStats(mask, connectivity=4)
    stats, centre = stats[1:], centre[1:]
    left, top, width, height, area = (stats[:, i].astype(np.float64) for i in range(5))
    whole = (left > 0) & (top > 0) & (left + width < cols) & (top + height < rows)
    whole &= (area >= _LEAST_AREA) & (np.maximum(width, height) < 2.2 * np.minimum(width, height))
    whole &= area > 0.35 * width * height
    if whole.sum() < _FEWEST:
        return None
    # The usual area is the one that holds most of the elements' total area, so that a crowd
    # of specks does not outvote the elements.
    order = np.argsort(area[whole])
    heap = np.cumsum(area[whole][order])
    usual = area[whole][order][np.searchsorted(heap, heap[-1] / 2)]
    alike = whole & (area > _ALIKE[0] * usual) & (area < _ALIKE[1] * usual)
    if alike.sum() < _FEWEST:
        return None
    side = float(np.median(np.maximum(width, height)[alike]))
    return Blobs(
        centre_px=centre[alike],
        u_px=np.full(int(alike.sum()), np.nan),
        radius_px=side / 2,
        dark=dark,
        share=float(area[alike].sum() / max(area.sum(), 1.0)),
    )


def locate_blobs(
    grey: NDArray[Any],
    blobs: Blobs,
    *,
    pitch_px: float,
    turn_rad: float,
    light: Ground,
    element: Element | None = None,
) -> Blobs:
    """Locate elements by comparing each with the shape common to all.

    Parameters
    ----------
    grey : ndarray, shape (rows, cols)
    blobs : Blobs
        Centres to within a pixel or two.
    pitch_px : float
        Distance between neighbours: no window reaches further than half of it.
    turn_rad : float
        Direction of the grid.
    light : Ground
        Brightness of the lighter parts: light that falls off across an element would shift it.
    element : Element or None
        The common shape if it is known; the centres are then known to a few tenths of a pixel.

    Returns
    -------
    Blobs
        The same elements; `u_px` is infinite where the window reaches out of the image, or where
        one differs from all others. `element` is their shape.
    """
    reach = int(min(np.ceil(blobs.radius_px + _MARGIN_PX), max(2.0, pitch_px / 2)))
    centre = blobs.centre_px
    rows, cols = grey.shape
    inside = ((centre > reach + 1) & (centre < np.array([cols, rows]) - reach - 2)).all(axis=1)
    if not inside.any():
        return dataclasses.replace(blobs, u_px=np.full(len(centre), np.inf))
    centre = centre[inside]
    u_px = np.full(len(centre), np.inf)
    shape: Element | None = None
    for _ in range(2 if element is None else 1):
        windows = _Windows.of(grey, centre, light, reach)
        shape = element or _common_element(windows, blobs, turn_rad, shape)
        shift, u_px = _shifts(windows, shape)
        centre = windows.centre_px + np.clip(shift, -1.0, 1.0)
    all_centre = blobs.centre_px.copy()
    all_u = np.full(len(all_centre), np.inf)
    all_centre[inside], all_u[inside] = centre, u_px
    return dataclasses.replace(blobs, centre_px=all_centre, u_px=all_u, element=shape)


def _common_element(
    windows: "_Windows", blobs: Blobs, turn_rad: float, before: Element | None
) -> Element:
    mean, count = _mean_image(windows)
    if before is not None:
        return refine_element(mean, count, _PHASES, before)
    return fit_element(mean, count, _PHASES, half_px=blobs.radius_px, turn_rad=turn_rad)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Windows:
    """Square windows of pixels about elements, each centred to a quarter of a pixel.

    Attributes
    ----------
    views : ndarray, shape (rows, cols, n, side)
        Every window of the image, or every second row of it.
    start : ndarray of int, shape (n, 2)
        First column and row of each element's window.
    phase : ndarray of int, shape (n, 2)
        By how many quarters of a pixel the element's centre misses the window's.
    light, slope : ndarray, shape (n,) and (n, 2)
        Brightness of the light at the element, and its relative change for a pixel.
    """

    views: NDArray[Any]
    every: int
    start: NDArray[np.intp]
    phase: NDArray[np.intp]
    light: FloatArray
    slope: FloatArray

    @classmethod
    def of(cls, grey: NDArray[Any], centre: FloatArray, light: Ground, reach: int) -> "_Windows":
        quarter = np.rint(centre * _PHASES).astype(np.intp)
        whole = (quarter + _PHASES // 2) // _PHASES
        x, y = whole.T.astype(np.float64)
        levels = light.at(
            x + reach * np.array([0, 1, -1, 0, 0])[:, None],
            y + reach * np.array([0, 0, 0, 1, -1])[:, None],
        )
        middle = np.maximum(levels[0], 1e-3 * float(np.abs(levels[0]).max()))
        slope = np.stack([levels[1] - levels[2], levels[3] - levels[4]], axis=1)
        side = 2 * reach + 1
        # Very many large elements tell enough by every second row, in half the time.
        every = 2 if len(centre) * side * side > _ENOUGH_PIXELS else 1
        views = np.lib.stride_tricks.sliding_window_view(grey, (side, side))
        return cls(
            views=views[:, :, ::every],
            every=every,
            start=whole - reach,
            phase=quarter - whole * _PHASES,
            light=middle,
            slope=slope / (2 * reach * middle[:, None]),
        )

    @property
    def centre_px(self) -> FloatArray:
        return self.start + self.reach + self.phase / _PHASES

    @property
    def reach(self) -> int:
        return int(self.views.shape[3]) // 2

    def by_phase(self) -> Iterator[tuple[int, int, NDArray[np.intp]]]:
        """Yield both phases and the elements that have them."""
        for px in _OFFSETS:
            for py in _OFFSETS:
                members = np.flatnonzero((self.phase == (px, py)).all(axis=1))
                if len(members):
                    yield px, py, members

    def pixels(
        self, members: NDArray[np.intp]
    ) -> Iterator[tuple[NDArray[np.intp], NDArray[np.float32]]]:
        """Yield the pixels of elements, a row an element, some elements at a time."""
        pieces = 1 + len(members) * self.views[0, 0].size // _IN_CACHE
        for some in np.array_split(members, pieces):
            x, y = self.start[some].T
            yield some, self.views[y, x].reshape(len(some), -1).astype(np.float32)


def _mean_image(windows: _Windows) -> tuple[FloatArray, FloatArray]:
    """Return the mean element on a grid of quarter pixels, and the pixels behind each sample."""
    reach = windows.reach
    side = _PHASES * (2 * reach + 2) + 1
    middle = side // 2
    sums, counts = np.zeros((side, side)), np.zeros((side, side))
    across = _PHASES * np.arange(-reach, reach + 1)
    for px, py, members in windows.by_phase():
        place = np.ix_(middle - py + across[:: windows.every], middle - px + across)
        for some, pixels in windows.pixels(members):
            share = pixels / windows.light[some, None].astype(np.float32)
            share -= share.mean(axis=1, keepdims=True)
            sums[place] += share.sum(axis=0).reshape(-1, len(across))
            counts[place] += len(some)
    return sums / np.maximum(counts, 1.0), counts


def _shifts(windows: _Windows, element: Element) -> tuple[FloatArray, FloatArray]:
    """Return shifts against the quarter-pixel places, shape (n, 2), and their uncertainty.

    Notes
    -----
    Light that falls off across an element brightens one flank of it, which looks like a shift.
    The slope of the light is known, so that its part is taken off.
    """
    n = len(windows.start)
    shift = np.zeros((n, 2))
    variance = np.full(n, np.nan)
    inverse_of = np.zeros(n)
    for px, py, members in windows.by_phase():
        shape = _Shape.of(element, windows, px / _PHASES, py / _PHASES)
        for some, pixels in windows.pixels(members):
            solution = (pixels @ shape.solver).astype(np.float64)
            by_light = solution[:, 1:2] * windows.slope[some]
            solution -= by_light @ shape.lit
            model = np.concatenate([solution, by_light], axis=1).astype(np.float32)
            residual = (pixels[:, shape.some] - model @ shape.columns) * shape.weight
            residual /= windows.light[some, None].astype(np.float32)
            variance[some] = np.einsum("ij,ij->i", residual, residual) / residual.shape[1]
            depth = solution[:, 1] / windows.light[some]
            inverse_of[some] = shape.inverse / depth**2
            shift[some] = -solution[:, 2:4] / solution[:, 1:2]
    noise2 = float(np.median(variance))
    u = np.full(n, np.inf)
    same = variance < 4.0 * noise2
    u[same] = np.sqrt(variance[same] * inverse_of[same])
    return shift, u


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shape:
    """The linear fit of an element at one phase of the pixels.

    Attributes
    ----------
    solver : ndarray, shape (n_pixels, 6)
        Makes level, height, both slopes and both tilts of the ground of the pixels.
    lit : ndarray, shape (2, 6)
        What light that changes by 1 for a pixel in x, in y, adds to them for height 1.
    inverse : float
        Variance of a shift for height 1 and noise 1.
    some : slice
        Pixels that suffice to tell the noise.
    columns, weight : ndarray, shape (8, n) and (n,)
        At these, all that is fitted and the two effects of the light; and the window.
    """

    solver: NDArray[np.float32]
    lit: FloatArray
    inverse: float
    some: slice
    columns: NDArray[np.float32]
    weight: NDArray[np.float32]

    @classmethod
    def of(cls, element: Element, windows: _Windows, px: float, py: float) -> "_Shape":
        reach = windows.reach
        step = np.arange(-reach, reach + 1)
        dx, dy = (v.ravel() for v in np.meshgrid(step - px, step[:: windows.every] - py))
        height = element.at(dx, dy)
        columns = np.stack(
            [np.ones_like(height), height, *element.slopes(dx, dy), dx / reach, dy / reach]
        )
        lit = np.stack([height * dx, height * dy])
        # A window that fades out about the element's own centre, not the pixel's, keeps what
        # the shape does not describe from pulling to one side.
        edge = np.maximum(np.abs(dx), np.abs(dy))
        weight = np.clip((reach + 0.5 - edge) / _TAPER_PX, 0.0, 1.0)
        inverse = np.linalg.pinv((columns * weight) @ columns.T)
        solver = (columns * weight).T @ inverse
        # An odd step touches every column of the window in turn.
        some = slice(None, None, max(1, len(dx) // _ENOUGH_FOR_NOISE) | 1)
        return cls(
            solver=solver.astype(np.float32),
            lit=lit @ solver,
            inverse=float(inverse[2, 2] + inverse[3, 3]) / 2,
            some=some,
            columns=np.concatenate([columns, lit])[:, some].astype(np.float32),
            weight=weight[some].astype(np.float32),
        )
