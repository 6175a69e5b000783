"""Centres of ruled lines to a small part of a pixel, band by band along their length.

Every line is compared by least squares with one symmetric shape, found from all lines
together: a stripe with sharp edges seen through a Gaussian blur. The shape is symmetric, so
a symmetric line is located without bias whatever its true profile is.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.calibration.bands import FINE, Bands
from micromeasure.calibration.ground import Ground

FloatArray = NDArray[np.float64]

# Slope of the ground left after evening out, over half a window, as a share of a line's depth.
_SLOPE = 0.01
_PASSES = 2
_ENOUGH = 2000  # windows, for the two numbers of a shape
# How far width (its logarithm) and share of blur are searched: at first, and once they are known.
_FAR, _NEAR = (1.2, 0.45), (0.16, 0.16)
_SHAPE_DIGITS = 0.02
_SHAPE_OFFERS = 7
_GROUND_POINTS = 1000
_TAIL = 4.5  # a window reaches this many blurs beyond the stripe; further out is only noise
_FEWEST_FOR_NOISE = 5  # windows, for the noise of one line or band
_CLEAR = 4.0  # a line is there where its depth is this many standard uncertainties
_MISFIT = 6.0  # variance of a window's residuals in units of the noise; beyond: dust, an end
_SEEN = 0.9  # least share of a window's pixels that must lie inside the image


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """The profile of a line: a stripe seen through a Gaussian blur, depth 1.

    Attributes
    ----------
    width_px, sigma_px : float
        Width of the stripe and standard deviation of the blur, along X.
    """

    width_px: float
    sigma_px: float

    def at(self, distance_px: FloatArray) -> FloatArray:
        """Return the depth at distances from the centre."""
        return _stripe(distance_px, self.width_px, self.sigma_px)

    def slope(self, distance_px: FloatArray) -> FloatArray:
        """Return the derivative of the depth by distance."""
        z = (distance_px + np.array([[self.width_px], [-self.width_px]]) / 2) / self.sigma_px
        density = np.exp(-0.5 * z * z) / (np.sqrt(2 * np.pi) * self.sigma_px)
        return np.asarray(density[0] - density[1])


def _stripe(
    distance_px: FloatArray, width_px: float | FloatArray, sigma_px: float | FloatArray
) -> FloatArray:
    from scipy.special import ndtr

    half = width_px / 2
    return np.asarray(ndtr((distance_px + half) / sigma_px) - ndtr((distance_px - half) / sigma_px))


@dataclass(frozen=True, slots=True, kw_only=True)
class Centres:
    """What was measured of each line (first axis) in each band (second axis).

    Attributes
    ----------
    x_px : ndarray, shape (n_lines, n_bands)
        Centre in the sheared coordinate; NaN where nothing could be measured.
    u_px : ndarray
        Standard uncertainty from the noise of the pixels.
    depth : ndarray
        Contrast against the evened-out ground.
    u_depth : ndarray
    misfit : ndarray
        Variance of the residuals in units of the noise.
    shape : Shape
    noise : float
        Standard deviation of a pixel in the evened-out image.
    """

    x_px: FloatArray
    u_px: FloatArray
    depth: FloatArray
    u_depth: FloatArray
    misfit: FloatArray
    shape: Shape
    noise: float

    def clear(self) -> NDArray[np.bool_]:
        """Return where something shaped like a line stands clear of the noise."""
        with np.errstate(invalid="ignore"):
            deep = np.isfinite(self.x_px) & (self.depth > _CLEAR * self.u_depth)
            return np.asarray(deep & (self.misfit < _MISFIT))

    def usual_depth(self) -> float:
        """Return the depth of the clearer lines; NaN if there are none."""
        clear = self.clear()
        return float(np.percentile(self.depth[clear], 80)) if clear.any() else math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fit:
    shift_px: FloatArray
    depth: FloatArray
    var_shift: FloatArray
    var_depth: FloatArray
    variance: FloatArray
    noise2: float


def even_out(bands: Bands, ground: Ground, *, dark: bool) -> FloatArray:
    """Return the depth of the pattern in each sample; 0 in the open and where there is none.

    Notes
    -----
    Dark lines take away a share of the light, so they are divided by the ground; bright lines
    on a dark ground are light of their own, from which the ground is taken off.
    """
    import cv2

    n_samples = bands.sums.shape[1]
    step = max(16, n_samples // _GROUND_POINTS)  # the ground is smooth
    # One point more on each side, and each in the middle of its stretch, as resizing takes it.
    coarse = step * np.arange(-1, -(-n_samples // step) + 1) + (step - 1) / 2
    y = bands.y_px[:, None]
    level = ground.at(bands.origin_px + coarse / FINE - bands.tangent * (y - bands.y_middle), y)
    wide = cv2.resize(level, (step * len(coarse), len(y)), interpolation=cv2.INTER_LINEAR)
    behind = wide[:, step : step + n_samples]
    mean = bands.sums / np.maximum(bands.counts, 1.0)
    depth = 1.0 - mean / np.maximum(behind, 1e-3 * behind.max()) if dark else mean - behind
    return np.where(bands.counts > 0.0, depth, 0.0)


def measure_centres(
    bands: Bands, depth: FloatArray, places_px: FloatArray, pitch_px: float
) -> Centres:
    """Locate lines in every band.

    Parameters
    ----------
    bands : Bands
    depth : ndarray, shape (n_bands, n_samples)
        From `even_out`.
    places_px : ndarray, shape (n_lines, n_bands)
        Where the lines are expected, in the sheared coordinate, to a quarter of a pitch.
    pitch_px : float
        Smallest distance between lines, along X.

    Returns
    -------
    Centres
    """
    half = max(2, round(pitch_px / 2 * FINE))
    distance = np.arange(-half, half + 1) / FINE
    at = (places_px - bands.origin_px - bands.offset_px) * FINE
    index = np.rint(at).astype(np.intp)
    samples = _Samples.of(bands, depth, half)
    shape = Shape(width_px=0.25 * pitch_px, sigma_px=max(0.5, 0.08 * pitch_px))
    some = index[:: max(1, index.size // _ENOUGH)]
    shape = _common_shape(*samples.windows(some, half), distance, start=shape, span=_FAR)
    narrow = min(half, round((shape.width_px / 2 + _TAIL * shape.sigma_px) * FINE) + FINE)
    distance = distance[half - narrow : half + narrow + 1]
    values, weights = samples.windows(index, narrow)
    fit = _fit(values, weights, shape, distance)
    for _ in range(_PASSES):
        moved = np.rint(np.clip(np.nan_to_num(fit.shift_px), -pitch_px / 4, pitch_px / 4) * FINE)
        index = index + moved.astype(np.intp)
        values, weights = samples.windows(index, narrow)
        if pitch_px < distance[-1] + shape.width_px / 2 + 3 * shape.sigma_px:
            values -= _neighbours(fit.depth, shape, distance, pitch_px)
        shape = _common_shape(values, weights, distance, start=shape, span=_NEAR)
        fit = _fit(values, weights, shape, distance, before=fit)
    # Upright lines have whole pixels in their windows: at least so many, wherever they begin.
    seen = weights.sum(axis=-1) >= _SEEN * bands.rows * ((2 * narrow + 1) // FINE)
    x_px = index / FINE + fit.shift_px + bands.origin_px + bands.offset_px
    with np.errstate(invalid="ignore"):
        good = seen & (np.abs(x_px - places_px) < 0.35 * pitch_px) & (fit.var_shift > 0)
    noise2 = _local_noise(fit, seen)
    return Centres(
        x_px=np.where(good, x_px, np.nan),
        u_px=np.sqrt(noise2 * fit.var_shift),
        depth=fit.depth,
        u_depth=np.sqrt(noise2 * fit.var_depth),
        misfit=fit.variance / noise2,
        shape=shape,
        noise=math.sqrt(fit.noise2),
    )


def _local_noise(fit: _Fit, seen: NDArray[np.bool_]) -> FloatArray:
    """Return the noise variance of each window, as that of its line times that of its band.

    Evening out uneven light makes dark corners noisier; they hold the outermost lines, which
    bear most on the scale.
    """
    variance = np.where(seen, fit.variance, np.nan)
    whole = max(fit.noise2, 1e-12)
    parts = []
    for axis in (1, 0):
        enough = seen.sum(axis=axis, keepdims=True) >= _FEWEST_FOR_NOISE
        filled = np.where(enough, variance, whole)
        filled = np.where(np.isfinite(filled), filled, np.nan)
        parts.append(np.nanmedian(filled, axis=axis, keepdims=True) / whole)
    return np.asarray(whole * np.maximum(parts[0] * parts[1], 1e-6))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Samples:
    """Depth and number of pixels of every sample, with samples without weight on both sides."""

    values: FloatArray
    weights: FloatArray
    beside: int

    @classmethod
    def of(cls, bands: Bands, depth: FloatArray, half: int) -> "_Samples":
        # Windows that begin or end outside the image meet samples without weight.
        beside = ((0, 0), (half + 1, half + 1))
        return cls(
            values=np.pad(depth, beside), weights=np.pad(bands.counts, beside), beside=half + 1
        )

    def windows(self, index: NDArray[np.intp], half: int) -> tuple[FloatArray, FloatArray]:
        """Return values and weights around places, shape (n_lines, n_bands, n_samples)."""
        last = self.values.shape[1] - 2 * self.beside
        start = np.clip(index, -1, last) + self.beside - half
        row = np.arange(len(self.values))
        views = [
            np.lib.stride_tricks.sliding_window_view(a, 2 * half + 1, axis=1)
            for a in (self.values, self.weights)
        ]
        return views[0][row, start], views[1][row, start]


def _neighbours(
    depth: FloatArray, shape: Shape, distance: FloatArray, pitch_px: float
) -> FloatArray:
    """Return what the tails of the lines next to each line add to its window."""
    before, after = np.zeros_like(depth), np.zeros_like(depth)
    known = np.clip(np.nan_to_num(depth), 0.0, None)
    before[1:], after[:-1] = known[:-1], known[1:]
    return np.asarray(
        before[..., None] * shape.at(distance + pitch_px)
        + after[..., None] * shape.at(distance - pitch_px)
    )


def _common_shape(
    values: FloatArray,
    weights: FloatArray,
    distance: FloatArray,
    *,
    start: Shape,
    span: tuple[float, float],
) -> Shape:
    """Fit width and blur to the mean profile of the deeper windows."""
    half = float(distance[-1])
    inner, outer = np.abs(distance) < half / 4, np.abs(distance) > 3 * half / 4
    flat = [a.reshape(-1, a.shape[-1]) for a in (values, weights)]
    values, weights = (a[:: max(1, len(a) // _ENOUGH)] for a in flat)
    contrast = _mean(values, weights, inner) - _mean(values, weights, outer)
    known = contrast[np.isfinite(contrast)]
    if known.size == 0:
        return start
    chosen = np.nan_to_num(contrast) > 0.6 * np.percentile(known, 90)
    total = weights[chosen].sum(axis=0)
    mean = (weights[chosen] * values[chosen]).sum(axis=0) / np.maximum(total, 1e-9)
    mean, total = (mean + mean[::-1]) / 2, (total + total[::-1]) / 2
    return _fit_shape(mean, total, distance, start=start, span=span)


def _fit_shape(
    mean: FloatArray,
    weight: FloatArray,
    distance: FloatArray,
    *,
    start: Shape,
    span: tuple[float, float],
) -> Shape:
    """Search the shape on a grid that closes in on the best one.

    Width and blur trade off against each other; how wide the shape is in all (its standard
    deviation) and what share of that is blur do not, so these two are searched.
    """
    root = np.sqrt(weight / max(weight.max(), 1e-12))
    spread = math.hypot(start.width_px / math.sqrt(12), start.sigma_px)
    at = np.array([math.log(spread), start.sigma_px / spread if span is _NEAR else 0.55])
    reach = np.array(span)
    least, best = math.inf, start
    offsets = np.linspace(-1, 1, _SHAPE_OFFERS)
    square = np.stack(np.meshgrid(offsets, offsets, indexing="ij"), axis=-1).reshape(-1, 2)
    while reach[0] > _SHAPE_DIGITS:
        points = at + reach * square
        widths, sigmas = _shapes_of(points, float(distance[-1]))
        misfit = _shape_misfits(_stripe(distance, widths, sigmas), mean, root)
        k = int(np.argmin(misfit))
        if misfit[k] < least:
            least, at = float(misfit[k]), points[k]
            best = Shape(width_px=float(widths[k, 0]), sigma_px=float(sigmas[k, 0]))
        reach = reach / 2
    return best


def _shapes_of(points: FloatArray, reach_px: float) -> tuple[FloatArray, FloatArray]:
    """Return width and blur, px, each of shape (n, 1), for log spread and share of blur."""
    spread = np.minimum(np.exp(points[:, :1]), 0.6 * reach_px)
    blur = np.clip(points[:, 1:], 0.05, 0.999)
    return spread * np.sqrt(12 * (1 - blur * blur)), np.maximum(0.3, spread * blur)


def _shape_misfits(profiles: FloatArray, mean: FloatArray, root: FloatArray) -> FloatArray:
    """Return the sum of squares that each profile, one a row, leaves of the mean."""
    profiles = profiles * root
    target = root * mean
    # Depth and level are solved for exactly by 2 x 2 normal equations.
    ss, sm, mm = root @ root, root @ target, target @ target
    sp, pp, pm = profiles @ root, np.einsum("ij,ij->i", profiles, profiles), profiles @ target
    determinant = ss * pp - sp * sp
    good = determinant > 1e-12 * ss * pp
    safe = np.where(good, determinant, 1.0)
    level = (pp * sm - sp * pm) / safe
    deep = (ss * pm - sp * sm) / safe
    return np.asarray(np.where(good, mm - level * sm - deep * pm, np.inf))


def _mean(values: FloatArray, weights: FloatArray, part: NDArray[np.bool_]) -> FloatArray:
    total = weights[..., part].sum(axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray((values[..., part] * weights[..., part]).sum(axis=-1) / total)


def _fit(
    values: FloatArray,
    weights: FloatArray,
    shape: Shape,
    distance: FloatArray,
    *,
    before: _Fit | None = None,
) -> _Fit:
    """Fit level, slope, depth and shift of the shape to every window at once."""
    half = float(distance[-1])
    columns = np.stack(
        [np.ones_like(distance), distance / half, shape.at(distance), shape.slope(distance)]
    )
    above = np.triu_indices(4)
    sums = weights @ (columns[above[0]] * columns[above[1]]).T
    n = {
        pair: sums[..., i] for i, pair in enumerate(zip(*(v.tolist() for v in above), strict=True))
    }
    weighted = weights * values
    right = np.moveaxis(weighted @ columns.T, -1, 0)
    empty = n[0, 0] <= 0.0
    # A sloping ground looks like a shifted line. The little that evening out leaves is known
    # to be small, which is written as a prior: without it a narrow window loses most of its
    # information on the shift. Noise and depth for it come from the fit before.
    if before is None:
        n[1, 1] = n[1, 1] * 1e6
    else:
        usual = float(np.nanpercentile(before.depth, 90))
        n[1, 1] = n[1, 1] + max(before.noise2, 1e-12) / (_SLOPE * max(usual, 1e-6)) ** 2
    # Level and slope are eliminated first (their 2 x 2 block of the normal equations), then
    # depth and shift are solved for: explicit formulas, since tens of thousands of small
    # systems would spend their time in calls of a general solver.
    first = _inverse2(n[0, 0], n[0, 1], n[1, 1])
    to_depth = _times2(first, n[0, 2], n[1, 2])
    to_shift = _times2(first, n[0, 3], n[1, 3])
    second = _inverse2(
        n[2, 2] - n[0, 2] * to_depth[0] - n[1, 2] * to_depth[1],
        n[2, 3] - n[0, 2] * to_shift[0] - n[1, 2] * to_shift[1],
        n[3, 3] - n[0, 3] * to_shift[0] - n[1, 3] * to_shift[1],
    )
    rest = (
        right[2] - to_depth[0] * right[0] - to_depth[1] * right[1],
        right[3] - to_shift[0] * right[0] - to_shift[1] * right[1],
    )
    depth, moved = _times2(second, *rest)
    level, slope = _times2(
        first,
        right[0] - n[0, 2] * depth - n[0, 3] * moved,
        right[1] - n[1, 2] * depth - n[1, 3] * moved,
    )
    explained = level * right[0] + slope * right[1] + depth * right[2] + moved * right[3]
    squares = np.einsum("...i,...i->...", weighted, values) - explained
    freedom = np.maximum((weights > 0).sum(axis=-1) - 4.0, 1.0)
    variance = np.maximum(squares, 0.0) / freedom
    deep = np.where(depth > 1e-9, depth, np.nan)
    return _Fit(
        shift_px=-moved / deep,
        depth=np.where(empty, np.nan, depth),
        # Where a window holds too little to tell, rounding leaves nonsense: unknown, then.
        var_shift=np.where(second[2] > 0, second[2], np.nan) / deep**2,
        var_depth=np.where(second[0] > 0, second[0], np.nan),
        variance=variance,
        noise2=float(np.median(variance[~empty])) if not empty.all() else 1.0,
    )


def _inverse2(a: FloatArray, b: FloatArray, c: FloatArray) -> tuple[FloatArray, ...]:
    """Return the inverse of symmetric 2 x 2 matrices [[a, b], [b, c]], as its three entries."""
    determinant = a * c - b * b
    safe = np.where(determinant > 1e-12 * a * c, determinant, np.inf)
    return c / safe, -b / safe, a / safe


def _times2(
    matrix: tuple[FloatArray, ...], x: FloatArray, y: FloatArray
) -> tuple[FloatArray, FloatArray]:
    a, b, c = matrix
    return a * x + b * y, b * x + c * y
