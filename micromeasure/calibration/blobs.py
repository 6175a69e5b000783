"""Finding the elements of a grid (dots, squares, fields between crossed lines) and their centres.

The elements are compared by least squares with one shape, fitted to all of them together.
"""

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.calibration.element import Element, fit_element, refine_element
from micromeasure.calibration.ground import Ground

FloatArray = NDArray[np.float64]

_SEARCH_PX = 1_500_000  # found on an image reduced to about this size, if that is fine enough
_LEAST_AREA = 12  # px on the image searched
_FEWEST = 9
_ALIKE = (0.6, 1.6)  # area of an element in units of the usual one
_BLURS = (0.8, 2.0)  # px; the wider one is for images that noise would tear into specks
_MOST = 0.6
_OFFSETS = (-2, -1, 0, 1)  # quarters of a pixel by which a centre misses a pixel's
_TAPER_PX = 2.0
_PHASES = 4  # the mean element is sampled at quarters of a pixel
_MARGIN_PX = 3


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
    bulge_px2 : float
        See `Element.bulge_px2`; 0 before they are located.
    """

    centre_px: FloatArray
    u_px: FloatArray
    radius_px: float
    dark: bool
    share: float
    bulge_px2: float = 0.0


def find_blobs(grey: NDArray[Any]) -> Blobs | None:
    """Find equal, separate elements and locate them to the nearest few tenths of a pixel.

    Parameters
    ----------
    grey : ndarray, shape (rows, cols)

    Returns
    -------
    Blobs or None
        None if there are fewer than nine equal elements. `u_px` is not filled.
    """
    import cv2

    rows, cols = grey.shape
    factor = max(1, int(np.sqrt(rows * cols / _SEARCH_PX)))
    for reduction in sorted({factor, 1}, reverse=True):
        size = (cols // reduction, rows // reduction)
        small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA).astype(np.float32)
        best: Blobs | None = None
        for sigma in _BLURS:
            for blobs in _both_polarities(small, sigma):
                if best is None or len(blobs.centre_px) > 1.15 * len(best.centre_px):
                    best = blobs
            if best is not None and best.share > _MOST:
                break
        if best is not None:
            ratio = np.array([cols / size[0], rows / size[1]])
            return Blobs(
                centre_px=(best.centre_px + 0.5) * ratio - 0.5,
                u_px=np.full(len(best.centre_px), np.nan),
                radius_px=best.radius_px * float(ratio.max()),
                dark=best.dark,
                share=best.share,
            )
    return None


def _both_polarities(small: NDArray[np.float32], sigma: float) -> list[Blobs]:
    import cv2

    rows, cols = small.shape
    window = 2 * (min(rows, cols) // 8) + 1
    smooth = cv2.GaussianBlur(small, (0, 0), sigma)
    uneven = smooth - cv2.blur(small, (window, window), borderType=cv2.BORDER_REFLECT)
    low, high = np.percentile(uneven[::3, ::3], [0.5, 99.5])
    if high <= low:
        return []
    digits = np.clip((uneven - low) * (255.0 / (high - low)), 0, 255).astype(np.uint8)
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
    grey: NDArray[Any], blobs: Blobs, *, pitch_px: float, turn_rad: float, light: Ground
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

    Returns
    -------
    Blobs
        The same elements; `u_px` is infinite where the window reaches out of the image, or where
        one differs from all others.
    """
    reach = int(min(np.ceil(blobs.radius_px + _MARGIN_PX), max(2.0, pitch_px / 2)))
    centre = blobs.centre_px
    rows, cols = grey.shape
    inside = ((centre > reach + 1) & (centre < np.array([cols, rows]) - reach - 2)).all(axis=1)
    if not inside.any():
        return dataclasses.replace(blobs, u_px=np.full(len(centre), np.inf))
    centre = centre[inside]
    offsets = np.arange(-reach, reach + 1)
    u_px = np.full(len(centre), np.inf)
    element: Element | None = None
    views = np.lib.stride_tricks.sliding_window_view(grey, (2 * reach + 1, 2 * reach + 1))
    for _ in range(2):
        quarter = np.rint(centre * _PHASES).astype(np.intp)
        whole = (quarter + _PHASES // 2) // _PHASES
        phase = quarter - whole * _PHASES
        start = whole - reach
        patch = views[start[:, 1], start[:, 0]] / _local_light(light, whole, offsets)
        mean, count = _mean_image(patch, phase, reach)
        if element is None:
            element = fit_element(mean, count, _PHASES, half_px=blobs.radius_px, turn_rad=turn_rad)
        else:
            element = refine_element(mean, count, _PHASES, element)
        shift, u_px = _shifts(patch, phase, element, reach)
        centre = quarter / _PHASES + np.clip(shift, -1.0, 1.0)
    all_centre = blobs.centre_px.copy()
    all_u = np.full(len(all_centre), np.inf)
    all_centre[inside], all_u[inside] = centre, u_px
    bulge_px2 = 0.0 if element is None else element.bulge_px2
    return dataclasses.replace(blobs, centre_px=all_centre, u_px=all_u, bulge_px2=bulge_px2)


def _local_light(
    light: Ground, whole: NDArray[np.intp], offsets: NDArray[np.intp]
) -> NDArray[np.float32]:
    """Return the light over each element's window, as a plane through it."""
    x, y = whole[:, 0].astype(np.float64), whole[:, 1].astype(np.float64)
    reach = float(offsets[-1])
    middle = light.at(x, y)
    slope_x = (light.at(x + reach, y) - light.at(x - reach, y)) / (2 * reach)
    slope_y = (light.at(x, y + reach) - light.at(x, y - reach)) / (2 * reach)
    across = slope_x[:, None] * offsets
    down = middle[:, None] + slope_y[:, None] * offsets
    down = np.maximum(
        down, 1e-3 * float(np.abs(middle).max()) + np.abs(across).max(axis=1)[:, None]
    )
    return np.asarray(down[:, :, None].astype(np.float32) + across[:, None, :].astype(np.float32))


def _mean_image(
    patch: NDArray[Any], phase: NDArray[np.intp], reach: int
) -> tuple[FloatArray, FloatArray]:
    """Return the mean element on a grid of quarter pixels, and the pixels behind each sample."""
    side = _PHASES * (2 * reach + 2) + 1
    middle = side // 2
    sums, counts = np.zeros((side, side)), np.zeros((side, side))
    level = patch.mean(axis=(1, 2), keepdims=True)
    for px in _OFFSETS:
        for py in _OFFSETS:
            members = (phase[:, 0] == px) & (phase[:, 1] == py)
            if not members.any():
                continue
            rows = middle - py + _PHASES * np.arange(-reach, reach + 1)
            cols = middle - px + _PHASES * np.arange(-reach, reach + 1)
            sums[np.ix_(rows, cols)] += (patch[members] - level[members]).sum(axis=0)
            counts[np.ix_(rows, cols)] += members.sum()
    return sums / np.maximum(counts, 1.0), counts


def _shifts(
    patch: NDArray[Any], phase: NDArray[np.intp], element: Element, reach: int
) -> tuple[FloatArray, FloatArray]:
    """Return shifts against the quarter-pixel places, shape (n, 2), and their uncertainty."""
    step = np.arange(-reach, reach + 1)
    tilt_x = np.broadcast_to(step, (len(step), len(step))).ravel() / reach
    tilt_y = np.broadcast_to(step[:, None], (len(step), len(step))).ravel() / reach
    shift = np.zeros((len(patch), 2))
    u = np.full(len(patch), np.inf)
    variance = np.full(len(patch), np.nan)
    inverse_of = np.zeros(len(patch))
    for px in _OFFSETS:
        for py in _OFFSETS:
            members = np.flatnonzero((phase[:, 0] == px) & (phase[:, 1] == py))
            if len(members) == 0:
                continue
            dx, dy = np.meshgrid(step - px / _PHASES, step - py / _PHASES)
            slope_x, slope_y = element.slopes(dx, dy)
            columns = np.stack(
                [np.ones(len(step) ** 2), element.at(dx, dy).ravel(), slope_x.ravel(),
                 slope_y.ravel(), tilt_x, tilt_y]
            )  # fmt: skip
            # A window that fades out about the element's own centre, not the pixel's, keeps what
            # the shape does not describe from pulling to one side.
            edge = np.maximum(np.abs(dx), np.abs(dy)).ravel()
            weight = np.clip((reach + 0.5 - edge) / _TAPER_PX, 0.0, 1.0)
            values = patch[members].reshape(len(members), -1)
            inverse = np.linalg.pinv((columns * weight) @ columns.T)
            solution = values @ (columns * weight).T @ inverse
            residual = (values - solution @ columns) * weight
            shift[members] = -solution[:, 2:4] / solution[:, 1:2]
            variance[members] = (residual**2).mean(axis=1)
            inverse_of[members] = (inverse[2, 2] + inverse[3, 3]) / 2 / solution[:, 1] ** 2
    noise2 = float(np.median(variance))
    same = variance < 4.0 * noise2
    u[same] = np.sqrt(variance[same] * inverse_of[same])
    return shift, u
