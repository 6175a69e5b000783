"""Finding the edges of the layers in profiles that were aligned along the film."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.errors import MeasurementError
from micromeasure.film.follow import Course, band_offsets, robust_polynomial
from micromeasure.film.frame import Frame

FloatArray = NDArray[np.float64]

ROWS_PER_BAND = 12
N_BANDS = 32
SCALE_PX = 1.5  # blur of the derivative that finds edges
LEAST_SIGNIFICANCE = 7.0  # response of an edge over the noise of the bands' median
AMBIGUITY = 0.6  # a further edge this strong against the weakest one asked for is a doubt


@dataclass(frozen=True, slots=True, kw_only=True)
class Stack:
    """Where the layers' edges are, to about a pixel.

    Attributes
    ----------
    rows : ndarray of float, shape (n_bands,)
        Frame rows of the bands.
    edges_px : ndarray of float, shape (n_edges, n_bands)
        Column of each edge there.
    contrast : ndarray of float, shape (n_edges,)
        Response of the derivative at each edge, signed; positive gets brighter to the right.
    clear_px : tuple of two floats
        Distance to the next structure left of the first and right of the last edge.
    significance : float
        Response of the weakest edge over noise.
    """

    rows: FloatArray
    edges_px: FloatArray
    contrast: FloatArray
    clear_px: tuple[float, float]
    significance: float


def find_stack(frame: Frame, course: Course, n_edges: int) -> Stack:
    """Find the edges that bound the layers.

    Parameters
    ----------
    frame : Frame
    course : Course
        How the film runs.
    n_edges : int
        Number of layers plus one.

    Returns
    -------
    Stack

    Raises
    ------
    MeasurementError
        If the image shows fewer or clearly more edges than asked for.

    Notes
    -----
    Profiles are averaged in bands along the film; of each band the derivative is taken, and at
    each place across the film the median over the bands. A speck, a scratch or a loose stretch
    touches a few bands only and does not reach the median.
    """
    bands = _sample_bands(frame, course)
    response, reach = _derivative(bands), 8
    for degree in (3, 5):
        extra, weight = band_offsets(response, np.median(response, axis=0), reach)
        moves = robust_polynomial(bands.rows, extra * bands.stretch, weight, degree)
        course = Course(
            turned=course.turned,
            rows=bands.rows,
            shift_px=bands.course_px + moves - _middle(frame),
            coherence=course.coherence,
        )
        bands = _sample_bands(frame, course)
        response, reach = _derivative(bands), 5
    return _pick(response, bands, n_edges)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Bands:
    """Profiles averaged in bands: rows, means, where inside the image, course, stretch.

    `stretch` is how many columns a step of one across the film is in each band, against the
    mean over the bands; `first` is the step number of the profiles' first value.
    """

    rows: FloatArray
    means: FloatArray
    valid: NDArray[np.bool_]
    course_px: FloatArray
    stretch: FloatArray
    first: int


def _middle(frame: Frame) -> float:
    return 0.5 * (frame.shape[1] - 1)


def _sample_bands(frame: Frame, course: Course) -> _Bands:
    """Sample rows along the course and average them to bands."""
    n_rows, n_cols = frame.shape
    n_bands = min(N_BANDS, n_rows // 4)
    per_band = min(ROWS_PER_BAND, n_rows // n_bands)
    row = np.unique(np.linspace(0, n_rows - 1, n_bands * per_band).astype(np.intp))
    row = row[: n_bands * (row.size // n_bands)]
    at = np.interp(row, course.rows, course.shift_px) + _middle(frame)
    # A course that leaves the span of its bands goes on straight.
    at += _beyond_ends(row.astype(np.float64), course)
    slope = np.interp(row, course.rows, np.gradient(course.shift_px, course.rows))
    stretch = np.sqrt(1.0 + slope**2)
    stretch /= stretch.mean()
    reach = math.ceil(n_cols + np.ptp(at))
    u = np.arange(-reach, reach + 1)
    col = at[:, None] + u[None, :] * stretch[:, None]
    seen = ((col >= 0) & (col <= n_cols - 2)).mean(axis=0) > 0.3
    u, col = u[seen], col[:, seen]
    whole = np.floor(col).astype(np.intp)
    valid = (whole >= 0) & (whole + 1 < n_cols)
    whole = np.clip(whole, 0, n_cols - 2)
    share = (col - whole).astype(np.float32)
    left = frame.take(row[:, None], whole)
    profiles = left + share * (frame.take(row[:, None], whole + 1) - left)
    weight = valid.reshape(n_bands, -1, valid.shape[1])
    count = weight.sum(axis=1)
    total = (profiles.reshape(weight.shape) * weight).sum(axis=1, dtype=np.float64)
    return _Bands(
        rows=row.reshape(n_bands, -1).mean(axis=1),
        means=total / np.maximum(count, 1),
        valid=count > 0.5 * weight.shape[1],
        course_px=at.reshape(n_bands, -1).mean(axis=1),
        stretch=stretch.reshape(n_bands, -1).mean(axis=1),
        first=int(u[0]),
    )


def _beyond_ends(row: FloatArray, course: Course) -> FloatArray:
    first = (course.shift_px[1] - course.shift_px[0]) / (course.rows[1] - course.rows[0])
    last = (course.shift_px[-1] - course.shift_px[-2]) / (course.rows[-1] - course.rows[-2])
    before = np.minimum(row - course.rows[0], 0.0)
    after = np.maximum(row - course.rows[-1], 0.0)
    return np.asarray(first * before + last * after)


def _derivative(bands: _Bands) -> FloatArray:
    """Return the derivative of a Gaussian, scaled so that a sharp step gives its height."""
    import cv2

    # Outside the image the last value goes on, so that the border is no edge.
    filled = _fill_ends(np.where(bands.valid, bands.means, np.nan))
    half = math.ceil(4 * SCALE_PX)
    k = np.arange(-half, half + 1)
    kernel = k / SCALE_PX**2 * np.exp(-0.5 * (k / SCALE_PX) ** 2)
    kernel /= np.sum(np.abs(kernel)) / 2.0
    response = cv2.filter2D(filled, cv2.CV_64F, kernel[None, :], borderType=cv2.BORDER_REPLICATE)
    inner = cv2.erode(bands.valid.astype(np.uint8), np.ones((1, 2 * half + 1), np.uint8)) > 0
    return np.asarray(response * inner)


def _fill_ends(rows: FloatArray) -> FloatArray:
    for row in rows:
        good = np.flatnonzero(np.isfinite(row))
        if good.size:
            row[: good[0]], row[good[-1] :] = row[good[0]], row[good[-1]]
        else:
            row[:] = 0.0
    return rows


def _pick(response: FloatArray, bands: _Bands, n_edges: int) -> Stack:
    valid = bands.valid
    typical = _median_inside(response, valid)
    noise = _noise(response, typical, valid)
    peaks = _peaks(typical)
    strength = np.abs(typical[peaks])
    order = np.argsort(strength)[::-1]
    peaks, strength = peaks[order], strength[order]
    clear = int(np.count_nonzero(strength > LEAST_SIGNIFICANCE * noise))
    clear = int(np.count_nonzero(strength[:clear] > 0.04 * strength[0])) if clear else 0
    _check_count(strength, clear, n_edges)
    others = np.sort(peaks[n_edges:clear])
    chosen = np.sort(peaks[:n_edges])
    before, after = others[others < chosen[0]], others[others > chosen[-1]]
    edges = bands.course_px + (bands.first + chosen[:, None]) * bands.stretch
    edges += np.stack(
        [_own_moves(response, typical, bands, chosen=chosen, k=k) for k in range(n_edges)]
    )
    return Stack(
        rows=bands.rows,
        edges_px=edges,
        contrast=typical[chosen],
        clear_px=(
            float(chosen[0] - before[-1]) if before.size else float(chosen[0]),
            float(after[0] - chosen[-1]) if after.size else float(typical.size - 1 - chosen[-1]),
        ),
        significance=float(strength[n_edges - 1] / noise),
    )


def _own_moves(
    response: FloatArray,
    typical: FloatArray,
    bands: _Bands,
    *,
    chosen: NDArray[np.intp],
    k: int,
) -> FloatArray:
    """Return how far one edge departs in each band from the common course."""
    gaps = np.abs(chosen - chosen[k])
    apart = int(np.min(gaps[gaps > 0]))
    reach = min(5, max(1, apart // 3))
    half = reach + min(6, max(2, apart // 2))
    window = slice(max(0, chosen[k] - half), chosen[k] + half + 1)
    extra, weight = band_offsets(response[:, window], typical[window], reach)
    return robust_polynomial(bands.rows, extra * bands.stretch, weight, 4)


def _check_count(strength: FloatArray, clear: int, n_edges: int) -> None:
    if clear < n_edges:
        message = (
            f"Found {clear} edge{'s' * (clear != 1)} along the film where {n_edges - 1} "
            f"layer{'s' * (n_edges != 2)} need {n_edges}; check the layers named in the study, "
            "the focus and the contrast, or give a region."
        )
        raise MeasurementError(message)
    if clear > n_edges and strength[n_edges] > AMBIGUITY * strength[n_edges - 1]:
        alike = int(np.count_nonzero(strength[:clear] > AMBIGUITY * strength[n_edges - 1]))
        message = (
            f"Found {alike} edges of like contrast along the film where {n_edges - 1} "
            f"layer{'s' * (n_edges != 2)} need {n_edges}; name every layer in the study or give "
            "a region that holds only the layers named."
        )
        raise MeasurementError(message)


def _median_inside(response: FloatArray, valid: NDArray[np.bool_]) -> FloatArray:
    enough = valid.mean(axis=0) >= 0.3
    inside = np.where(valid, response, np.nan)
    typical = np.zeros(response.shape[1])
    if enough.any():
        typical[enough] = np.nanmedian(inside[:, enough], axis=0)
    return typical


def _noise(response: FloatArray, typical: FloatArray, valid: NDArray[np.bool_]) -> float:
    """Return the standard deviation of the bands' median where there is no edge."""
    count = np.maximum(valid.sum(axis=0), 1)
    scatter = np.abs(response - typical)[valid]
    of_one = 1.4826 * float(np.median(scatter)) if scatter.size else 0.0
    # sqrt(pi / 2): the median's standard deviation against the mean's.
    white = of_one * math.sqrt(math.pi / 2.0 / float(np.median(count)))
    # What is common to all bands, such as an uneven background, counts as well.
    common = 1.4826 * float(np.median(np.abs(typical[typical != 0.0]))) if typical.any() else 0.0
    return max(white, common, 1e-12)


def _peaks(typical: FloatArray) -> NDArray[np.intp]:
    size = np.abs(typical)
    inner = (size[1:-1] >= size[:-2]) & (size[1:-1] > size[2:]) & (size[1:-1] > 0.0)
    # Neighbours of one sign within the filter's own width are one edge.
    found = np.flatnonzero(inner) + 1
    order = found[np.argsort(size[found])[::-1]]
    kept: list[int] = []
    for p in order:
        if all(abs(p - q) > SCALE_PX or typical[p] * typical[q] < 0.0 for q in kept):
            kept.append(int(p))
    return np.array(kept, dtype=np.intp)
