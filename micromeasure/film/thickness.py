"""Local thickness along a layer, in micrometres, and what it varies by.

Thickness is the distance between two edges along the normal of their mid-line. Lengths and
directions are worked out in micrometres, since a pixel may be longer one way than the other.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.edges.spline import local_line
from micromeasure.errors import MeasurementError
from micromeasure.film.frame import Frame
from micromeasure.film.locate import MIN_ROWS, LocatedGroup

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


LONE_LIMIT = 5.0  # standard deviations


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerThickness:
    """One layer along its mid-line, one entry a row of the frame.

    Attributes
    ----------
    rows : ndarray of float, shape (n,)
        Frame rows of the mid-line's points.
    middle_px, lower_px, upper_px : ndarray, shape (n,)
        Columns of the mid-line and of its two edges in the same rows.
    distance_um : ndarray, shape (n,)
        Length along the mid-line.
    thickness_um : ndarray, shape (n,)
        Local thickness, each row for itself; NaN where a row was left out.
    noise_um : float
        Standard deviation of one row's thickness from noise alone.
    u_mean_um : float
        Standard uncertainty of the mean from edge location.
    good : ndarray of bool, shape (n,)
    visible_rows : int
        Rows in which the mid-line lies inside the image, measured or not.
    normal : tuple of two floats
        Mean squares of the normal's components in the image's x and y, in micrometre space.
    um_per_px_across : float
        Length of a pixel along the normal.
    inflation : float
        Variance of a mean of neighbouring rows against that of independent rows.
    """

    rows: FloatArray
    middle_px: FloatArray
    lower_px: FloatArray
    upper_px: FloatArray
    distance_um: FloatArray
    thickness_um: FloatArray
    noise_um: float
    u_mean_um: float
    good: BoolArray
    visible_rows: int
    normal: tuple[float, float]
    um_per_px_across: float
    inflation: float


def layer_thickness(frame: Frame, groups: list[LocatedGroup], layer: int) -> LayerThickness:
    """Return the local thickness of one layer.

    Parameters
    ----------
    frame : Frame
    groups : list of LocatedGroup
        All edges of the stack.
    layer : int
        Number of the layer, from the left: it lies between edges `layer` and `layer` + 1.
    """
    edges = [_on_common_rows(frame, groups, layer + side) for side in (0, 1)]
    um_per_step = frame.um_per_row * groups[0].every
    along_um = np.arange(edges[0].good.size, dtype=np.float64) * um_per_step
    middle = 0.5 * (edges[0].course_um + edges[1].course_um)
    half = max(8, middle.size // 16)
    slope = np.gradient(local_line(middle, np.ones_like(middle), half), along_um)
    feet = [_foot(along_um, edge.course_um, middle, slope) for edge in edges]
    secant = np.sqrt(1.0 + slope**2)
    thickness = feet[1] - feet[0]
    whole = np.ones(thickness.size, dtype=bool)
    good = whole.copy()
    for edge, foot, sign in zip(edges, feet, (-1.0, 1.0), strict=True):
        row = (along_um - foot * slope / secant - along_um[0]) / um_per_step
        nearest = np.rint(row).astype(np.intp)
        whole &= (nearest >= 0) & (nearest < thickness.size)
        nearest = np.clip(nearest, 0, thickness.size - 1)
        thickness += sign * edge.offset_um[nearest] / secant
        whole &= edge.seen[nearest]
        good &= edge.good[nearest]
    # Near its ends the film's normal meets one edge only outside the image.
    _check_length(int(np.count_nonzero(whole)))
    kept = np.flatnonzero(whole)
    cut = slice(kept[0], kept[-1] + 1)
    good &= whole
    stretch = slope * frame.um_per_col / frame.um_per_row
    scale = float(np.mean((frame.um_per_col / secant * np.sqrt(1.0 + stretch**2))[cut]))
    row_var, mean_var, factor = _variances(groups, layer)
    width_um = (frame.shape[1] - 1) * frame.um_per_col
    distance = np.concatenate([[0.0], np.cumsum(secant[cut][1:])]) * um_per_step
    return LayerThickness(
        rows=along_um[cut] / frame.um_per_row,
        middle_px=middle[cut] / frame.um_per_col,
        lower_px=edges[0].course_um[cut] / frame.um_per_col,
        upper_px=edges[1].course_um[cut] / frame.um_per_col,
        distance_um=distance,
        thickness_um=np.where(good, thickness, np.nan)[cut],
        noise_um=math.sqrt(row_var) * scale,
        u_mean_um=math.sqrt(mean_var) * scale,
        good=good[cut],
        visible_rows=int(np.count_nonzero((middle >= 0.0) & (middle <= width_um))),
        normal=_normal(frame, slope[cut]),
        um_per_px_across=scale,
        inflation=factor,
    )


def _check_length(rows: int) -> None:
    if rows < MIN_ROWS:
        message = (
            f"The two edges of a layer are seen together over {rows} px only, at least "
            f"{MIN_ROWS} are needed; give a larger region."
        )
        raise MeasurementError(message)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Edge:
    """An edge on all rows that are used: smooth course and row-wise offset, um."""

    course_um: FloatArray
    offset_um: FloatArray
    seen: BoolArray
    good: BoolArray


def _on_common_rows(frame: Frame, groups: list[LocatedGroup], edge: int) -> _Edge:
    found = next(g for g in groups if edge in g.edges)
    i = found.edges.index(edge)
    n = -(-frame.shape[0] // found.every)
    course, offset, good = np.full(n, np.nan), np.zeros(n), np.zeros(n, dtype=bool)
    at = found.group.rows // found.every
    between = np.arange(at[0], at[-1] + 1)
    course[between] = np.interp(between, at, found.group.course_px[i] * frame.um_per_col)
    _extend(course, at)
    # The offset is kept along the row, where pixels are counted; the caller turns it.
    offset[at] = found.offset_px[i] / found.group.cosine * frame.um_per_col
    good[at] = found.good
    seen = np.zeros(n, dtype=bool)
    seen[at] = True
    return _Edge(course_um=course, offset_um=offset, seen=seen, good=good)


def _extend(course: FloatArray, at: NDArray[np.intp]) -> None:
    """Carry a course on beyond its rows by its own bend, in place.

    A steep thick film shows its two edges in different rows; the mid-line between them needs
    both. Where a course is only carried on, nothing is measured.
    """
    n = course.size
    t = 2.0 * (np.arange(n) - at[0]) / max(int(at[-1] - at[0]), 1) - 1.0
    fit = np.polynomial.chebyshev.chebfit(t[at], course[at], 3)
    trend = np.polynomial.chebyshev.chebval(t, fit)
    for rows, end in ((slice(0, at[0]), at[0]), (slice(at[-1] + 1, n), at[-1])):
        course[rows] = trend[rows] + (course[end] - trend[end])


def _foot(
    along_um: FloatArray, course_um: FloatArray, middle: FloatArray, slope: FloatArray
) -> FloatArray:
    """Return the signed distance along the mid-line's normal to a curve (Newton's method)."""
    secant = np.sqrt(1.0 + slope**2)
    lean = np.gradient(local_line(course_um, np.ones_like(course_um), 8), along_um)
    t = (course_um - middle) / secant
    for _ in range(4):
        at = along_um - t * slope / secant
        gap = middle + t / secant - np.interp(at, along_um, course_um)
        # Beyond the ends the curve goes on straight.
        gap -= lean[0] * np.minimum(at - along_um[0], 0.0)
        gap -= lean[-1] * np.maximum(at - along_um[-1], 0.0)
        t -= gap * secant / (1.0 + slope * np.interp(at, along_um, lean))
    return np.asarray(t)


def _variances(groups: list[LocatedGroup], layer: int) -> tuple[float, float, float]:
    """Return variances of one row and of the mean thickness, px², and the inflation."""
    sides = [next(g for g in groups if layer + side in g.edges) for side in (0, 1)]
    if sides[0] is sides[1]:
        i = sides[0].edges.index(layer)
        contrast = np.array([-1.0, 1.0])
        row = np.median(sides[0].row_cov_px2[:, i : i + 2, i : i + 2], axis=0)
        mean = sides[0].mean_cov_px2[i : i + 2, i : i + 2]
        return (
            float(contrast @ row @ contrast),
            float(contrast @ mean @ contrast),
            sides[0].inflation,
        )
    row_var = mean_var = weighted = 0.0
    for side, found in enumerate(sides):
        i = found.edges.index(layer + side)
        own = float(np.median(found.row_cov_px2[:, i, i]))
        row_var += own
        mean_var += float(found.mean_cov_px2[i, i])
        weighted += own * found.inflation
    return row_var, mean_var, weighted / row_var


def _normal(frame: Frame, slope: FloatArray) -> tuple[float, float]:
    across = float(np.mean(1.0 / (1.0 + slope**2)))
    return (1.0 - across, across) if frame.turned else (across, 1.0 - across)


@dataclass(frozen=True, slots=True, kw_only=True)
class Variation:
    """How a layer's thickness varies, noise removed.

    Attributes
    ----------
    sd_um, u_sd_um : float
        The film's own standard deviation and its standard uncertainty.
    smooth_um : ndarray, shape (n,)
        Thickness averaged over `length_rows`, NaN where left out.
    min_um, max_um, u_extreme_um : float
        Ends of the smooth curve and the noise left in them.
    length_rows : int
        Length of the averaging.
    correlation_rows : float
        Length over which the film's own variation hangs together.
    """

    sd_um: float
    u_sd_um: float
    smooth_um: FloatArray
    min_um: float
    max_um: float
    u_extreme_um: float
    length_rows: int
    correlation_rows: float


def variation(layer: LayerThickness) -> Variation:
    """Separate the film's own variation from the noise of the measurement.

    Notes
    -----
    The trace is averaged by local straight lines over the length that makes Mallows' Cp
    smallest: the expected squared error against the true curve, made from the trace itself
    and the known noise. The variance of the noise left in the average is subtracted from the
    average's variance. Extremes are those of the average, drawn in by what noise adds to the
    spread. A profile far from the median of its neighbours has no weight here, so that one
    noisy profile cannot make an extreme.
    """
    good = layer.good & ~_lone_outliers(layer)
    values = np.where(good, layer.thickness_um, 0.0)
    weights = good.astype(np.float64)
    n = float(weights.sum())
    noise2 = layer.noise_um**2 * max(1.0, min(layer.inflation, 4.0))
    best, smooth, length = math.inf, values, 1
    half = 1
    while 2 * half + 1 <= max(5, int(n) // 3):
        trial = local_line(values, weights, half)
        trace = 1.0 / (2 * half + 1)
        misfit = float(np.sum(weights * (values - trial) ** 2)) / n
        risk = misfit + 2.0 * noise2 * trace
        if risk < best:
            best, smooth, length = risk, trial, 2 * half + 1
        half = max(half + 1, int(half * 1.5))
    used = smooth[good]
    left = noise2 / length
    spread = float(np.var(used))
    own = max(spread - left, 0.0)
    blocks = max(n / length, 2.0)
    correlation = _correlation_rows(used, length)
    u_variance = math.sqrt(2.0 * left**2 / blocks + 4.0 * own * left / blocks)
    sd = math.sqrt(own)
    u_sd = u_variance / (2.0 * sd) if sd > math.sqrt(u_variance) else math.sqrt(u_variance)
    shrink = math.sqrt(own / spread) if spread > 0.0 else 0.0
    mean = float(used.mean())
    return Variation(
        sd_um=sd,
        u_sd_um=u_sd,
        smooth_um=np.where(good, smooth, np.nan),
        min_um=mean + shrink * (float(used.min()) - mean),
        max_um=mean + shrink * (float(used.max()) - mean),
        u_extreme_um=math.sqrt(left),
        length_rows=length,
        correlation_rows=correlation,
    )


def _lone_outliers(layer: LayerThickness) -> BoolArray:
    """Return which profiles stand far off the median of the seven around them."""
    at = np.flatnonzero(layer.good)
    values = np.pad(layer.thickness_um[at], 3, mode="edge")
    median = np.median(np.lib.stride_tricks.sliding_window_view(values, 7), axis=1)
    gap = np.abs(layer.thickness_um[at] - median)
    usual = max(1.4826 * float(np.median(gap)), 1e-12)
    odd = np.zeros(layer.good.size, dtype=bool)
    odd[at[gap > LONE_LIMIT * usual]] = True
    return odd


def _correlation_rows(values: FloatArray, length: int) -> float:
    """Return the sum of the autocorrelation up to its first zero, at least `length`."""
    x = values - values.mean()
    size = 1 << (2 * x.size - 1).bit_length()
    spectrum = np.fft.rfft(x, size)
    correlation = np.fft.irfft(spectrum * np.conj(spectrum), size)[: x.size // 2]
    if correlation.size < 2 or correlation[0] <= 0.0:
        return float(length)
    correlation = correlation / correlation[0]
    first = int(np.argmax(correlation <= 0.0)) or correlation.size
    return max(float(length), float(2.0 * correlation[:first].sum() - 1.0))
