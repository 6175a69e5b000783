"""Finding the edges of the layers in profiles that were aligned along the film."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from micromeasure.errors import MeasurementError
from micromeasure.film.follow import Course, band_offsets, robust_polynomial
from micromeasure.film.frame import Frame

FloatArray = NDArray[np.float64]

ROWS_PER_BAND = 2
MOST_PASSES = 2
SEARCH_PX = 8
STANDING_PX = 2.0  # the last look bridges smaller moves
PIXELS_LOOKED_AT = 600_000  # of the last look, which decides which edges there are
N_BANDS = 32
MOST_PEAKS = 48
LEAST_SEEN = 0.2  # share of the bands in which a place across the film must be inside the image
SCALE_PX = 1.5  # blur of the derivative that finds edges
FINE_SCALE_PX = 0.7  # tells edges apart that lie within two blur widths
COARSE_SCALE_PX = 3.0  # finds weak, blurred edges in noise
LEAST_SIGNIFICANCE = 7.0  # response of an edge over the noise of the bands' median
WEAK_SIGNIFICANCE = 20.0
LEAST_SHARE = 0.04  # weaker responses than this share of the strongest are no edges of a layer
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
    seen : ndarray of bool, shape (n_edges, n_bands)
        Whether the edge lies inside the image there.
    contrast : ndarray of float, shape (n_edges,)
        Response of the derivative at each edge, signed; positive gets brighter to the right.
    clear_px : tuple of two floats
        Distance to the next structure left of the first and right of the last edge.
    significance : float
        Response of the weakest edge over noise.
    """

    rows: FloatArray
    edges_px: FloatArray
    seen: NDArray[np.bool_]
    contrast: FloatArray
    clear_px: tuple[float, float]
    significance: float

    @property
    def width_px(self) -> float:
        """Median distance of the outermost edges along the rows."""
        return float(np.median(self.edges_px[-1] - self.edges_px[0]))


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
    for _ in range(MOST_PASSES):
        bands = _sample_bands(frame, course, ROWS_PER_BAND)
        response = _derivative(bands)
        extra, weight = band_offsets(response, np.median(response, axis=0), SEARCH_PX)
        moves = robust_polynomial(bands.rows, extra * bands.stretch, weight, 4)
        course = replace(course, rows=bands.rows, shift_px=bands.course_px + moves - _middle(frame))
        if float(np.max(np.abs(moves))) < STANDING_PX:
            break
    last_look = max(4, PIXELS_LOOKED_AT // (N_BANDS * frame.shape[1]))
    bands = _sample_bands(frame, course, last_look)
    found = _look(bands, SCALE_PX)
    if found.clear < n_edges:
        # One broad step may be two that nearly touch, or the edges may drown in noise.
        for scale_px in (FINE_SCALE_PX, COARSE_SCALE_PX):
            other = _look(bands, scale_px)
            if other.clear == n_edges:
                found = other
                break
    elif _is_ambiguous(found, n_edges) and found.significance[n_edges - 1] < WEAK_SIGNIFICANCE:
        # Edges hardly above the noise are told from it at a coarser scale.
        found = _look(bands, COARSE_SCALE_PX)
    _check_count(found, n_edges)
    return _stack_of(found, bands, n_edges)


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


def _sample_bands(frame: Frame, course: Course, rows_per_band: int) -> _Bands:
    """Sample rows along the course and average them to bands."""
    n_rows, n_cols = frame.shape
    n_bands = min(N_BANDS, n_rows // 4)
    row = _band_rows(n_rows, n_bands, rows_per_band)
    at = np.interp(row, course.rows, course.shift_px) + _middle(frame)
    # A course that leaves the span of its bands goes on straight.
    at += _beyond_ends(row.astype(np.float64), course)
    slope = np.interp(row, course.rows, np.gradient(course.shift_px, course.rows))
    stretch = np.sqrt(1.0 + slope**2)
    stretch /= stretch.mean()
    widest = float(stretch.min())
    u = np.arange(-math.ceil(at.max() / widest), math.ceil((n_cols - at.min()) / widest))
    some = slice(None, None, max(1, row.size // n_bands))
    spots = at[some, None] + u * stretch[some, None]
    u = u[((spots >= 0) & (spots <= n_cols - 2)).mean(axis=0) > LEAST_SEEN].astype(np.float32)
    col = at[:, None].astype(np.float32) + u * stretch[:, None].astype(np.float32)
    # The nearest pixel will do: rows of a band lie at all fractions of a pixel.
    whole = np.rint(col, out=col).astype(np.intp)
    # Negative numbers turn into huge ones: one comparison tells both ends.
    valid = whole.view(np.uintp) < n_cols
    np.clip(whole, 0, n_cols - 1, out=whole)
    profiles = frame.take(row[:, None], whole)
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


def _band_rows(n_rows: int, n_bands: int, per_band: int) -> NDArray[np.intp]:
    """Return the rows of all bands, in order: close together within a band.

    In an image that is read down its columns, neighbouring rows of the frame share the memory
    that the processor fetches at once.
    """
    height = n_rows // n_bands
    per_band = min(per_band, height)
    apart = min(2, height // per_band)
    centres = (np.arange(n_bands) * n_rows) // n_bands + height // 2
    offsets = (np.arange(per_band) - per_band // 2) * apart
    return (centres[:, None] + offsets).ravel()


def _beyond_ends(row: FloatArray, course: Course) -> FloatArray:
    first = (course.shift_px[1] - course.shift_px[0]) / (course.rows[1] - course.rows[0])
    last = (course.shift_px[-1] - course.shift_px[-2]) / (course.rows[-1] - course.rows[-2])
    before = np.minimum(row - course.rows[0], 0.0)
    after = np.maximum(row - course.rows[-1], 0.0)
    return np.asarray(first * before + last * after)


def _derivative(bands: _Bands, scale_px: float = SCALE_PX) -> FloatArray:
    """Return the derivative of a Gaussian, scaled so that a sharp step gives its height."""
    import cv2

    # Outside the image the last value goes on, so that the border is no edge.
    filled = _fill_ends(np.where(bands.valid, bands.means, np.nan))
    half = math.ceil(4 * scale_px)
    k = np.arange(-half, half + 1)
    kernel = k / scale_px**2 * np.exp(-0.5 * (k / scale_px) ** 2)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """Edges seen at one scale, strongest first; `clear` of them stand out of the noise."""

    response: FloatArray
    typical: FloatArray
    peaks: NDArray[np.intp]
    strength: FloatArray
    significance: FloatArray
    clear: int


def _look(bands: _Bands, scale_px: float) -> _Found:
    response = _derivative(bands, scale_px)
    typical = _median_inside(response, bands.valid)
    peaks = _peaks(typical, scale_px)
    strength = np.abs(typical[peaks])
    significance = strength / _noise(response, typical, bands.valid)[peaks]
    seen = (significance > LEAST_SIGNIFICANCE) & (
        strength > LEAST_SHARE * strength.max(initial=0.0)
    )
    # Edges come first, strongest first; what does not stand out of the noise follows.
    order = np.lexsort((-strength, ~seen))
    return _Found(
        response=response,
        typical=typical,
        peaks=peaks[order],
        strength=strength[order],
        significance=significance[order],
        clear=int(np.count_nonzero(seen)),
    )


def _stack_of(found: _Found, bands: _Bands, n_edges: int) -> Stack:
    others = np.sort(found.peaks[n_edges : found.clear])
    chosen = np.sort(found.peaks[:n_edges])
    before, after = others[others < chosen[0]], others[others > chosen[-1]]
    edges = bands.course_px + (bands.first + chosen[:, None]) * bands.stretch
    edges += np.stack([_own_moves(found, bands, chosen=chosen, k=k) for k in range(n_edges)])
    last = found.typical.size - 1
    return Stack(
        rows=bands.rows,
        edges_px=edges,
        seen=bands.valid[:, chosen].T,
        contrast=found.typical[chosen],
        clear_px=(
            float(chosen[0] - before[-1]) if before.size else float(chosen[0]),
            float(after[0] - chosen[-1]) if after.size else float(last - chosen[-1]),
        ),
        significance=float(found.significance[n_edges - 1]),
    )


def _own_moves(
    found: _Found,
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
    extra, weight = band_offsets(found.response[:, window], found.typical[window], reach)
    return robust_polynomial(bands.rows, extra * bands.stretch, weight, 4)


def _is_ambiguous(found: _Found, n_edges: int) -> bool:
    """Return whether more edges are about as strong as the weakest one asked for."""
    if found.clear <= n_edges:
        return False
    return bool(found.strength[n_edges] > AMBIGUITY * found.strength[n_edges - 1])


def _check_count(found: _Found, n_edges: int) -> None:
    asked = f"{n_edges - 1} layer{'s need' if n_edges != 2 else ' needs'} {n_edges}"
    if found.clear < n_edges:
        message = (
            f"Found {found.clear} edge{'s' * (found.clear != 1)} along the film where {asked}; "
            "check the layers named in the study, the focus and the contrast, or give a region."
        )
        raise MeasurementError(message)
    if _is_ambiguous(found, n_edges):
        least = AMBIGUITY * found.strength[n_edges - 1]
        alike = int(np.count_nonzero(found.strength[: found.clear] > least))
        message = (
            f"Found {alike} edges of like contrast along the film where {asked}; name every "
            "layer in the study or give a region that holds only the layers named."
        )
        raise MeasurementError(message)


def _median_inside(response: FloatArray, valid: NDArray[np.bool_]) -> FloatArray:
    enough = valid.mean(axis=0) >= LEAST_SEEN
    ordered = np.sort(np.where(valid, response, np.inf), axis=0)
    count = np.maximum(valid.sum(axis=0), 1)
    columns = np.arange(response.shape[1])
    middle = 0.5 * (ordered[(count - 1) // 2, columns] + ordered[count // 2, columns])
    return np.asarray(np.where(enough, middle, 0.0), dtype=np.float64)


def _noise(response: FloatArray, typical: FloatArray, valid: NDArray[np.bool_]) -> FloatArray:
    """Return the standard deviation of the bands' median at each place, without edges."""
    count = np.maximum(valid.sum(axis=0), 1)
    scatter = np.abs(response - typical)[valid]
    of_one = 1.4826 * float(np.median(scatter)) if scatter.size else 0.0
    # sqrt(pi / 2): the median's standard deviation against the mean's.
    white = of_one * np.sqrt(math.pi / 2.0 / count)
    # What is common to all bands, such as an uneven background, counts as well.
    well_seen = (typical != 0.0) & (count >= 0.7 * count.max())
    common = 1.4826 * float(np.median(np.abs(typical[well_seen]))) if well_seen.any() else 0.0
    return np.asarray(np.maximum(np.maximum(white, common), 1e-12), dtype=np.float64)


def _peaks(typical: FloatArray, scale_px: float) -> NDArray[np.intp]:
    size = np.abs(typical)
    inner = (size[1:-1] >= size[:-2]) & (size[1:-1] > size[2:]) & (size[1:-1] > 0.0)
    # Neighbours of one sign within the filter's own width are one edge.
    found = np.flatnonzero(inner) + 1
    order = found[np.argsort(size[found])[::-1]][:MOST_PEAKS]
    kept: list[int] = []
    for p in order:
        if all(abs(p - q) > scale_px or typical[p] * typical[q] < 0.0 for q in kept):
            kept.append(int(p))
    return np.array(kept, dtype=np.intp)
