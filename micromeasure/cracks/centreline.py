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
# How far a line may lie from the traced path, and how much it costs to turn.
_STRAY_PX = 3.5
_STIFFNESS = 0.6
_END_WINDOW_PX = 22
# Darkening of the best way where there is no line, in spreads of a sample of darkening.
_CHANCE_DEPTH = 0.8
# Uncertainty of an end cut by the border, and factor of that of a free end.
_U_CUT_PX = 0.3
# Blur of the optics that also rounds a zigzag; an image sampled as it should be has about this.
_OPTICS_PX = 1.25
_U_STEP = 6.0


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


def measure_line(
    patch: Patch, path: FloatArray, *, stray_px: float = _STRAY_PX
) -> Centreline | None:
    """Measure one traced line.

    Parameters
    ----------
    patch : Patch
    path : ndarray, shape (n, 2)
        Rough course ``u v``, within `stray_px` of the line.
    stray_px : float
        How far from the path the line is looked for.

    Returns
    -------
    Centreline or None
        None where nothing dark runs along the path.
    """
    window, shift = _window(patch, path)
    noise = _surface_noise(window)
    path = _extended(_resampled(path - shift, 1.0), _EXTENSION_PX)
    sigma = 1.0
    curve = _follow(window, path, sigma, stray_px)
    width = _typical_width(window, curve)
    if width > 4.0:
        # A wide line is followed in an image smoothed to its own width.
        sigma = min(0.3 * width, 4.0)
        curve = _follow(window, path, sigma, stray_px)
        width = _typical_width(window, curve)
    side = 0.75 * width + 2.0 * sigma
    depths, tilts, rims, level = _contrast(window, curve, sigma, side)
    inside = patch.in_band(curve.points + shift)
    # Noise and texture offer a dark way almost anywhere: its darkening is no sign of a line.
    null = _CHANCE_DEPTH * noise * _sample_noise(sigma)
    ends = _find_ends(depths, inside, null, noise * _sample_noise(sigma))
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


def _surface_noise(window: Image) -> float:
    """Return the pixel noise that would disturb a line as much as noise and texture do here."""
    smooth = _blur(window, 1.0)
    rough = smooth - _blur(smooth, 3.0)
    spread = float(np.median(np.abs(rough[::2, ::2]))) / 0.6745
    # White noise smoothed with a standard deviation of one pixel keeps 1/(2 sqrt(pi)) of itself;
    # of a texture, about three quarters disturbs a line (found on rendered surfaces).
    return max(pixel_noise(window), 0.75 * spread * 2 * math.sqrt(math.pi))


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


def _follow(window: Image, path: FloatArray, sigma: float, stray: float) -> _Curve:
    """Return the dark line near a path: the best smooth way, then its exact bottom."""
    smooth = _blur(window, sigma)
    # Every second profile is enough for the course; the bottom is found in each.
    rough = _best_way(smooth, path[::2], stray)
    base = _resampled(rough.points, 1.0)
    start = _Curve(base=base, normal=_normals(base), offset=np.zeros(len(base)))
    return _bottom(smooth, start, sigma)


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
    for _ in range(3):
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
    depths: FloatArray, inside: NDArray[np.bool_], null: float, noise: float
) -> tuple[float, float, float, float, int] | None:
    """Return first and last place along the line, their uncertainties and the open ends.

    The line is the stretch over which the darkening exceeds its half level by most in sum; the
    half level lies midway between the darkening inside and what the best way shows where no line
    is (`null`). Gaps of a broken line are passed over where what follows outweighs them.
    """
    n = len(depths)
    plateau = float(np.median(depths[_EXTENSION_PX : n - _EXTENSION_PX]))
    if plateau <= 0:
        return None
    null = min(max(null, 0.0), 0.6 * plateau)
    half = np.full(n, 0.5 * (plateau + null))
    smooth = _smoothed(depths, 0.7)
    run = _heaviest_run(smooth - half, inside)
    if run is None or run[1] - run[0] < 3:
        return None
    # The half level at each end is that of the stretch just inside it.
    window = min(_END_WINDOW_PX, run[1] - run[0])
    levels = (
        float(np.median(smooth[run[0] : run[0] + window + 1])),
        float(np.median(smooth[run[1] - window : run[1] + 1])),
    )
    levels = tuple(0.5 * (np.clip(level, 0.5 * plateau, 2 * plateau) + null) for level in levels)
    half = np.interp(np.arange(n), run, levels)
    run = _heaviest_run(smooth - half, inside) or run
    if run[1] - run[0] < 3:
        return None
    first, open_first = _crossing(smooth - half, inside, run[0])
    last, open_last = _crossing((smooth - half)[::-1], inside[::-1], n - 1 - run[1])
    u_ends = [
        _U_CUT_PX if is_open else _u_end(level - null, noise)
        for level, is_open in zip(levels, (open_first, open_last), strict=True)
    ]
    return first, n - 1 - last, u_ends[0], u_ends[1], open_first + open_last


def _heaviest_run(excess: FloatArray, inside: NDArray[np.bool_]) -> tuple[int, int] | None:
    """Return first and last index of the stretch of greatest sum that lies inside throughout."""
    total = np.concatenate(([0.0], np.cumsum(np.where(inside, excess, -1e9))))
    lowest = np.minimum.accumulate(total[:-1])
    gain = total[1:] - lowest
    last = int(gain.argmax())
    if gain[last] <= 0:
        return None
    first = int(total[: last + 1].argmin())
    return first, last


def _crossing(excess: FloatArray, inside: NDArray[np.bool_], first: int) -> tuple[float, int]:
    """Return where the half level is crossed before an index, and 1 if the border cuts it."""
    if first == 0 or not inside[first - 1]:
        return float(first), 1
    outer, inner = excess[first - 1], excess[first]
    if inner <= outer:
        return first - 0.5, 0
    return first - float(np.clip(inner / (inner - outer), 0.0, 1.0)), 0


def _u_end(step: float, noise: float) -> float:
    """Return the standard uncertainty of an end, px, from noise over the step of darkening.

    A step in noise is found to within the square of their ratio, times the distance over which
    the noise is alike; the factor was found on rendered cracks.
    """
    return _U_STEP * (noise / max(step, 1e-9)) ** 2


def _typical_width(window: Image, curve: _Curve) -> float:
    """Return the full width at half depth of the mean cross profile, px."""
    normal = _normals(_smoothed(curve.points, 2.0))
    offsets = np.arange(-10.0, 10.01, 0.5)
    points = curve.points[::2, None, :] + offsets[None, :, None] * normal[::2, None, :]
    profile = sample(window, points).mean(axis=0)
    outer = np.abs(offsets) > 6
    ground = np.polyval(np.polyfit(offsets[outer], profile[outer], 1), offsets)
    dark = ground - profile
    middle = len(offsets) // 2
    peak = middle - 3 + int(dark[middle - 3 : middle + 4].argmax())
    half = 0.5 * dark[peak]
    if half <= 0:
        return 2.4
    sides = (dark[peak:], dark[peak::-1])
    return max(float(sum(_first_below(side, half) for side in sides)) * 0.5, 1.2)


def _first_below(side: FloatArray, level: float) -> float:
    """Return after how many samples a profile falls below a level, interpolated."""
    below = np.flatnonzero(side < level)
    if len(below) == 0:
        return float(len(side) - 1)
    k = int(below[0])
    return float(k - (level - side[k]) / max(side[k - 1] - side[k], 1e-9))


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
    each = n // stations
    mean = profile[: each * stations].reshape(stations, each, -1).mean(axis=1)
    fits = fit_profiles(offsets, mean)
    amplitude, centre, spread = fits[:, 0], fits[:, 1], fits[:, 2]
    good = (amplitude > 0) & (np.abs(centre) < 3) & (spread > 0.3) & (spread < 7)
    # Sampling between pixels widens a profile by a variance of 1/6 on average.
    return np.asarray(2.354820 * np.sqrt(np.maximum(spread[good] ** 2 - 1 / 6, 0.09)))


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
        weighted = (jacobian * weight[None, :, None]).transpose(0, 2, 1)
        normal = weighted @ jacobian
        trace = np.trace(normal, axis1=1, axis2=2)[:, None, None]
        normal += np.eye(5) * (2e-4 * trace + 1e-9)
        right = weighted @ (profiles - model)[..., None]
        step = np.linalg.solve(normal, right)[..., 0]
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
    # What smoothing takes from a zigzag is seen by smoothing a little more, and extrapolated.
    more = 1.0
    smoother = polyline_length(_smoothed(line, more))
    added_smoother = added * (sigma**2 / (sigma**2 + more**2)) ** 1.5
    plain, less = raw / (1 + added), smoother / (1 + added_smoother)
    lost = max(plain - less, 0.0) * (sigma**2 + _OPTICS_PX**2) / more**2
    length = plain + min(lost, 0.1 * plain)
    smooth = _smoothed(line, min(10.0, len(line) / 6))
    rough = math.sqrt(max(float(np.mean(((line - smooth) ** 2).sum(axis=1))) - u_place**2, 0.0))
    return length, math.hypot(raw * added, 0.3 * (length - plain)), rough
