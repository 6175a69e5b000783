"""The sub-pixel centreline of a dark line, where it ends, how long and how wide it is.

The line is followed in an image smoothed by a small Gaussian: first by the cheapest smooth way
across its sampled cross profiles, then by a parabola through the three samples at the bottom of
each. Its length is the length of that curve, less what noise adds to it, plus what smoothing took
from it; its ends are where the darkening falls to half of what it is just inside.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.cracks.patch import Image, Patch
from micromeasure.outcome import FloatArray

# Beyond the traced ends the line is looked for along its own heading over this length.
_EXTENSION_PX = 12
_SAMPLE_PX = 0.5
# The line may stray this far from the traced path, and turn by this much from sample to sample.
_STRAY_PX = 3.5
_STIFFNESS = 0.6
_END_WINDOW_PX = 22


@dataclass(frozen=True, slots=True, kw_only=True)
class Centreline:
    """A measured line, in working pixels of its patch.

    Attributes
    ----------
    points : ndarray, shape (n, 2)
        ``u v``, about one a pixel, end to end.
    length_px : float
        Length of the curve, corrected.
    u_path_px, u_ends_px : float
        Standard uncertainty of the length from the course of the line and from its ends.
    depth : float
        Median darkening at the middle against both sides, grey values, after smoothing.
    depths : ndarray, shape (n,)
        Darkening along the line.
    noise : float
        Standard deviation of one smoothed sample of darkening.
    level : float
        Median grey value beside the line.
    width_px : float
        Median full width at half depth, blur included.
    widths_px : ndarray
        Widths at several places.
    tilt : float
        Median difference between the two sides over the darkening: an edge, not a line, above 1.
    rims : float
        Greatest median brightness beside the line above its surroundings over the darkening.
    roughness_px : float
        How far the line strays from a smooth curve (rms), noise taken out.
    open_ends : int
        Ends that lie on the border of the band or the image.
    """

    points: FloatArray
    length_px: float
    u_path_px: float
    u_ends_px: float
    depth: float
    depths: FloatArray
    noise: float
    level: float
    width_px: float
    widths_px: FloatArray
    tilt: float
    rims: float
    roughness_px: float
    open_ends: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Curve:
    """A line through cross profiles: base points, normals and offsets along them."""

    base: FloatArray
    normal: FloatArray
    offset: FloatArray

    @property
    def points(self) -> FloatArray:
        return self.base + self.offset[:, None] * self.normal


def measure_line(patch: Patch, path: FloatArray) -> Centreline | None:
    """Measure one traced line.

    Parameters
    ----------
    patch : Patch
    path : ndarray, shape (n, 2)
        Rough course ``u v``, a pixel or two from the line.

    Returns
    -------
    Centreline or None
        None where nothing dark runs along the path.
    """
    window, shift = _window(patch, path)
    noise = pixel_noise(window)
    path = _extended(_resampled(path - shift, 1.0), _EXTENSION_PX)
    sigma = 1.0
    curve = _follow(window, path, sigma)
    width = _typical_width(window, curve)
    if width > 4.0:
        # A wide line is followed in an image smoothed to its own width.
        sigma = min(0.3 * width, 4.0)
        curve = _follow(window, path, sigma)
        width = _typical_width(window, curve)
    side = 0.75 * width + 2.0 * sigma
    depths, tilts, rims, level = _contrast(window, curve, sigma, side)
    inside = patch.in_band(curve.points + shift)
    ends = _find_ends(depths, inside, noise * _sample_noise(sigma), sigma)
    if ends is None:
        return None
    return _assemble((window, shift), curve, (depths, tilts, rims, level), (ends, noise, sigma))


def pixel_noise(values: Image) -> float:
    """Return the pixel-to-pixel noise from differences that cancel planes (Immerkær, 1996)."""
    import cv2

    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], dtype=np.float32)
    rough = cv2.filter2D(values, cv2.CV_32F, kernel)[1:-1, 1:-1]
    if rough.size == 0:
        return 0.0
    return float(np.median(np.abs(rough))) / 0.6745 / 6.0


def polyline_length(points: FloatArray) -> float:
    """Return the length of a polyline in the unit of its points."""
    steps = np.diff(points, axis=0)
    return float(np.hypot(steps[:, 0], steps[:, 1]).sum())


def _window(patch: Patch, path: FloatArray) -> tuple[Image, FloatArray]:
    rows, cols = patch.values.shape
    reach = _EXTENSION_PX + 16
    low = np.maximum(np.floor(path.min(axis=0)).astype(int) - reach, 0)
    high = np.minimum(np.ceil(path.max(axis=0)).astype(int) + reach + 1, (cols, rows))
    return patch.values[low[1] : high[1], low[0] : high[0]], low.astype(float)


def _resampled(points: FloatArray, step: float) -> FloatArray:
    """Return the same line, smoothed over its pixel stairs, with points at even distances."""
    if len(points) > 4:
        points = _smoothed(points, min(2.0, len(points) / 6))
    s = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))))
    n = max(2, round(s[-1] / step) + 1)
    at = np.linspace(0.0, s[-1], n)
    return np.column_stack((np.interp(at, s, points[:, 0]), np.interp(at, s, points[:, 1])))


def _smoothed(values: FloatArray, sigma: float) -> FloatArray:
    """Return values smoothed along the first axis; straight ends stay where they are."""
    if sigma <= 0.05:
        return values
    reach = max(1, math.ceil(4 * sigma))
    columns = values if values.ndim == 2 else values[:, None]
    n = len(columns)
    index = np.arange(1, reach + 1)
    # Odd reflection about each end point keeps a straight line straight.
    head = 2 * columns[0] - columns[np.minimum(index, n - 1)][::-1]
    tail = 2 * columns[-1] - columns[np.maximum(n - 1 - index, 0)]
    padded = np.vstack((head, columns, tail))
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    kernel /= kernel.sum()
    result = np.column_stack([np.convolve(column, kernel, mode="valid") for column in padded.T])
    return result if values.ndim == 2 else result[:, 0]


def _extended(points: FloatArray, length: int) -> FloatArray:
    """Return the line prolonged straight at both ends along its last few pixels."""
    reach = min(8, len(points) - 1)
    steps = np.arange(1, length + 1)[:, None]
    first = points[0] - points[reach]
    last = points[-1] - points[-1 - reach]
    first /= max(float(np.hypot(*first)), 1e-9)
    last /= max(float(np.hypot(*last)), 1e-9)
    return np.vstack((points[0] + steps[::-1] * first, points, points[-1] + steps * last))


def _normals(points: FloatArray) -> FloatArray:
    tangent = np.gradient(points, axis=0)
    tangent /= np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-9)[:, None]
    return np.column_stack((-tangent[:, 1], tangent[:, 0]))


def sample(values: Image, points: FloatArray) -> FloatArray:
    """Return values at points ``u v`` of any leading shape, linearly interpolated."""
    import cv2

    flat = points.reshape(len(points), -1, 2).astype(np.float32)
    found = cv2.remap(
        values, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(found, dtype=float).reshape(points.shape[:-1])


def _blur(window: Image, sigma: float) -> Image:
    import cv2

    return np.asarray(cv2.GaussianBlur(window, (0, 0), sigma), dtype=np.float32)


def _follow(window: Image, path: FloatArray, sigma: float) -> _Curve:
    """Return the dark line near a path: twice the best smooth way, then its exact bottom."""
    smooth = _blur(window, sigma)
    curve = _best_way(smooth, path, _STRAY_PX)
    curve = _best_way(smooth, _resampled(curve.points, 1.0), 2.0)
    return _bottom(smooth, curve, sigma)


def _best_way(smooth: Image, base: FloatArray, stray: float) -> _Curve:
    """Return the way of least summed grey value and bending across the profiles."""
    normal = _normals(base)
    offsets = np.arange(-stray, stray + 1e-9, _SAMPLE_PX)
    grid = base[:, None, :] + offsets[None, :, None] * normal[:, None, :]
    profile = sample(smooth, grid)
    profile = profile - profile.max(axis=1, keepdims=True)
    scale = float(np.median(-profile.min(axis=1)))
    cost = profile / max(scale, 1e-6)
    bend = _STIFFNESS * ((offsets[:, None] - offsets[None, :]) ** 2)
    total = cost[0]
    choice = np.zeros(cost.shape, dtype=np.intp)
    for i in range(1, len(cost)):
        ways = total[None, :] + bend
        choice[i] = ways.argmin(axis=1)
        total = ways[np.arange(len(offsets)), choice[i]] + cost[i]
    pick = int(total.argmin())
    chosen = np.zeros(len(cost), dtype=np.intp)
    for i in range(len(cost) - 1, -1, -1):
        chosen[i] = pick
        pick = int(choice[i, pick])
    return _Curve(base=base, normal=normal, offset=offsets[chosen])


def _bottom(smooth: Image, curve: _Curve, sigma: float) -> _Curve:
    """Move each point to the bottom of the parabola through three samples of its profile."""
    h = max(0.7, 0.7 * sigma)
    offset = curve.offset
    for _ in range(2):
        points = curve.base + offset[:, None] * curve.normal
        around = [sample(smooth, points + k * h * curve.normal) for k in (-1.0, 0.0, 1.0)]
        slope = 0.5 * (around[2] - around[0])
        bend = around[0] - 2 * around[1] + around[2]
        typical = max(float(np.median(bend)), 1e-6)
        # Where the profile is flat, a parabola's bottom may lie anywhere: the step is damped.
        step = -slope * h / np.maximum(bend, 0.5 * typical)
        offset = offset + np.clip(step, -0.6, 0.6)
    return _Curve(base=curve.base, normal=curve.normal, offset=offset)


def _sample_noise(sigma: float) -> float:
    """Return the noise of one smoothed darkening in units of the pixel noise."""
    return math.sqrt(1.5) / (2 * math.sqrt(math.pi) * max(sigma, 0.5))


def _contrast(
    window: Image, curve: _Curve, sigma: float, side: float
) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Return darkening, side-to-side difference, rim brightness along the line and the level."""
    smooth = _blur(window, sigma)
    points, normal = curve.points, _normals(_smoothed(curve.points, 2.0))
    middle = sample(smooth, points)
    left, right = sample(smooth, points - side * normal), sample(smooth, points + side * normal)
    far_left = sample(smooth, points - 2 * side * normal)
    far_right = sample(smooth, points + 2 * side * normal)
    depths = 0.5 * (left + right) - middle
    rims = np.maximum(left - far_left, right - far_right)
    return depths, left - right, rims, float(np.median(0.5 * (left + right)))


def _find_ends(
    depths: FloatArray, inside: NDArray[np.bool_], noise: float, sigma: float
) -> tuple[float, float, float, float, int] | None:
    """Return first and last place along the line, their uncertainties and the open ends.

    Each end is where the darkening, smoothed just enough to stand clear of noise, falls to half
    of its median over the stretch inside of it.
    """
    n = len(depths)
    core = depths[_EXTENSION_PX : n - _EXTENSION_PX]
    plateau = float(np.median(core))
    if plateau <= 0:
        return None
    # At half level the smoothed noise should be a sixth of the darkening or less.
    need = 6 * noise / plateau
    along = float(np.clip(need**2 * sigma / 1.0, 0.7, 5.0))
    smooth = _smoothed(depths, along)
    noise_smooth = noise * math.sqrt(sigma / math.hypot(sigma, along))
    run = _main_run((smooth > 0.5 * plateau) & inside)
    if run is None:
        return None
    blur = math.hypot(sigma, along)
    first, u_first, open_first = _end(smooth, inside, run, (noise_smooth, blur))
    back = (n - 1 - run[1], n - 1 - run[0])
    last, u_last, open_last = _end(smooth[::-1], inside[::-1], back, (noise_smooth, blur))
    last = n - 1 - last
    if last - first < 3:
        return None
    return first, last, u_first, u_last, open_first + open_last


def _main_run(dark: NDArray[np.bool_]) -> tuple[int, int] | None:
    """Return the longest dark stretch; gaps of a broken line within it are passed over."""
    edges = np.diff(np.concatenate(([0], dark.astype(np.int8), [0])))
    starts, stops = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    if len(starts) == 0:
        return None
    runs = [[int(starts[0]), int(stops[0])]]
    for start, stop in zip(starts[1:], stops[1:], strict=True):
        gap, before, after = start - runs[-1][1] - 1, runs[-1][1] - runs[-1][0], stop - start
        if gap <= 14 and gap < 1.5 * max(4, min(before, after)):
            runs[-1][1] = int(stop)
        else:
            runs.append([int(start), int(stop)])
    best = max(runs, key=lambda run: run[1] - run[0])
    return best[0], best[1]


def _end(
    smooth: FloatArray,
    inside: NDArray[np.bool_],
    run: tuple[int, int],
    spread: tuple[float, float],
) -> tuple[float, float, int]:
    """Return place and uncertainty of the first end of a run, and 1 if it is cut by the border."""
    first, last = run
    noise, blur = spread
    if first == 0 or not inside[first - 1]:
        return float(first), 0.5, 1
    stop = min(last, first + _END_WINDOW_PX)
    start = min(first + 4, (first + stop) // 2)
    plateau = float(np.median(smooth[start : stop + 1]))
    half = 0.5 * plateau
    # The local half level may lie a little further in or out than that of the whole line.
    i = first
    while i > 0 and smooth[i - 1] > half and inside[i - 1]:
        i -= 1
    while i < stop and smooth[i] < half:
        i += 1
    if i == 0:
        return 0.0, 1.0, 0
    fall = smooth[i] - smooth[i - 1]
    place = i - (smooth[i] - half) / fall if fall > 0 else float(i)
    slope = max(fall, plateau / (math.sqrt(2 * math.pi) * (blur + 1.0)) * 0.5)
    return float(np.clip(place, i - 1, i)), noise / slope, 0


def _typical_width(window: Image, curve: _Curve) -> float:
    """Return the median full width at half depth of the line."""
    widths = _widths(window, curve.points, stations=1)
    return float(np.median(widths)) if len(widths) else 2.4


def _widths(window: Image, points: FloatArray, *, stations: int) -> FloatArray:
    """Return full widths at half depth at several places, from fitted cross profiles.

    Profiles are averaged over the stretch between stations and fitted by a Gaussian on a sloping
    ground; all stations at once by Gauss-Newton steps.
    """
    n = len(points)
    stations = max(1, min(stations, n // 4))
    normal = _normals(_smoothed(points, 1.5))
    offsets = np.arange(-11.0, 11.01, 1.0)
    profile = sample(window, points[:, None, :] + offsets[None, :, None] * normal[:, None, :])
    parts = np.array_split(profile, stations, axis=0)
    mean = np.stack([np.median(part, axis=0) if len(part) > 2 else part[0] for part in parts])
    fits = fit_profiles(offsets, mean)
    amplitude, centre, spread = fits[:, 0], fits[:, 1], fits[:, 2]
    good = (amplitude > 0) & (np.abs(centre) < 3) & (spread > 0.3) & (spread < 7)
    return np.asarray(2.354820 * spread[good])


def fit_profiles(offsets: FloatArray, profiles: FloatArray) -> FloatArray:
    """Fit dark Gaussians on a sloping ground to cross profiles.

    Parameters
    ----------
    offsets : ndarray, shape (m,)
        Places across the line.
    profiles : ndarray, shape (n, m)
        Grey values.

    Returns
    -------
    ndarray, shape (n, 5)
        Depth, place, standard deviation, ground level and slope of each.
    """
    weight = np.exp(-0.5 * (offsets / 6.0) ** 2)
    ground = np.quantile(profiles, 0.7, axis=1)
    near = np.abs(offsets) < 2
    depth = np.maximum(ground - profiles[:, near].min(axis=1), 1e-6)
    fit = np.column_stack(
        (depth, np.zeros(len(depth)), np.full(len(depth), 1.4), ground, np.zeros(len(depth)))
    )
    for _ in range(8):
        a, c, s = (fit[:, k : k + 1] for k in range(3))
        t = (offsets - c) / s
        bell = np.exp(-0.5 * t**2)
        model = fit[:, 3:4] + fit[:, 4:5] * offsets - a * bell
        jacobian = np.stack(
            (-bell, -a * bell * t / s, -a * bell * t**2 / s,
             np.ones_like(bell), np.broadcast_to(offsets, bell.shape)), axis=2,
        )  # fmt: skip
        weighted = jacobian * weight[None, :, None]
        normal = np.einsum("nmi,nmj->nij", weighted, jacobian)
        normal += np.eye(5) * (1e-3 * np.einsum("nii->n", normal)[:, None, None] / 5 + 1e-9)
        right = np.einsum("nmi,nm->ni", weighted, profiles - model)
        step = np.linalg.solve(normal, right[..., None])[..., 0]
        step[:, 1] = np.clip(step[:, 1], -0.7, 0.7)
        step[:, 2] = np.clip(step[:, 2], -0.5, 0.7)
        fit = fit + step
        fit[:, 2] = np.clip(fit[:, 2], 0.25, 8.0)
    return fit


def _assemble(
    place: tuple[Image, FloatArray],
    curve: _Curve,
    contrast: tuple[FloatArray, FloatArray, FloatArray, float],
    found: tuple[tuple[float, float, float, float, int], float, float],
) -> Centreline:
    window, shift = place
    depths, tilts, rims, level = contrast
    (first, last, u_first, u_last, open_ends), noise, sigma = found
    points = curve.points
    index = np.arange(len(points))
    at = np.concatenate(([first], np.arange(math.floor(first) + 1, math.ceil(last)), [last]))
    line = np.column_stack([np.interp(at, index, points[:, k]) for k in (0, 1)])
    kept = slice(math.ceil(first), math.floor(last) + 1)
    depth = float(np.median(depths[kept]))
    length, u_path, roughness = _corrected_length(line, depth, noise, sigma)
    widths = _widths(window, line, stations=max(3, min(9, len(line) // 8)))
    stretches = np.array_split(np.abs(_smoothed(tilts[kept], 3.0)), 3)
    return Centreline(
        points=line + shift,
        length_px=length,
        u_path_px=u_path,
        u_ends_px=math.hypot(u_first, u_last),
        depth=depth,
        depths=depths[kept],
        noise=noise * _sample_noise(sigma),
        level=level,
        width_px=float(np.median(widths)) if len(widths) else 2.354820 * sigma,
        widths_px=widths,
        tilt=float(np.median([np.median(part) for part in stretches if len(part)])) / depth
        if depth > 0
        else 9.0,
        rims=float(np.median(rims[kept])) / depth if depth > 0 else 0.0,
        roughness_px=roughness,
        open_ends=open_ends,
    )


def _corrected_length(
    line: FloatArray, depth: float, noise: float, sigma: float
) -> tuple[float, float, float]:
    """Return length, its uncertainty from the line's course, and the line's roughness.

    Notes
    -----
    White noise of spread s in an image smoothed by a Gaussian of spread σ moves the bottom of a
    dark line of depth a and smoothed spread σ_t by s σ_t² / (2 √(2π) σ² a) (rms); along the line
    the error has the correlation exp(−d²/4σ²), so that its slope has the variance u²/2σ², half of
    which is added to the length in proportion.
    """
    spread_squared = 2.0 * sigma**2
    u_place = noise * spread_squared / (2 * math.sqrt(2 * math.pi) * sigma**2 * max(depth, 1e-9))
    u_place = min(u_place, 1.5)
    raw = polyline_length(line)
    added = u_place**2 / (4 * sigma**2)
    length = raw / (1 + added)
    smooth = _smoothed(line, min(10.0, len(line) / 6))
    rough = math.sqrt(max(float(np.mean(((line - smooth) ** 2).sum(axis=1))) - u_place**2, 0.0))
    return length, raw * added, rough
