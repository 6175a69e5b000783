"""The sub-pixel centreline of a dark line, where it ends, how long and how wide it is.

The line is followed in an image smoothed by a small Gaussian: first by the cheapest smooth way
across its sampled cross profiles, then by a parabola through the three samples at the bottom of
each. Its length is the length of that curve, less what noise adds to it, plus what smoothing took
from it; its ends are where the darkening falls to half of what it is just inside.
"""

import math
from dataclasses import dataclass

import numpy as np

from micromeasure.cracks.cross_profiles import (
    line_widths,
    median,
    normals,
    sample,
    smoothed,
    typical_width,
)
from micromeasure.cracks.line_ends import EXTENSION_PX, Ends, find_ends
from micromeasure.cracks.patch import Image, Patch
from micromeasure.outcome import FloatArray

# A line that is still dark where its extension stops is followed on, so many times.
_EXTENSIONS = 3
_SAMPLE_PX = 0.5
# Noise is taken from the surroundings of the middle of a line, to this distance.
_NOISE_PX = 100
# How far a line may lie from the traced path, and how much it costs to turn.
STRAY_PX = 3.5
_STIFFNESS = 0.6
# How well that is known what smoothing took from a zigzag, as a share of it: courses of one and
# the same jaggedness lose very different lengths (found on rendered cracks).
_U_LOST = 2.0
# Blur of the optics that also rounds a zigzag; an image sampled as it should be has about this.
_OPTICS_PX = 1.25


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
class Curve:
    """A line through cross profiles: base points, normals and offsets along them."""

    base: FloatArray
    normal: FloatArray
    offset: FloatArray

    @property
    def points(self) -> FloatArray:
        """Points of the line, shape (n, 2)."""
        return self.base + self.offset[:, None] * self.normal


def measure_line(
    patch: Patch, path: FloatArray, *, stray_px: float = STRAY_PX
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
    path = resampled(path - shift, 1.0)
    noise = surface_noise(window, path[len(path) // 2])
    ground, sigma = Smoothings(window), 1.0
    for _ in range(_EXTENSIONS):
        sigma, curve, width = followed(ground, extended(path, EXTENSION_PX), stray_px, sigma)
        contrast = contrast_along(ground.by(sigma), curve, 0.75 * width + 2.0 * sigma)
        inside = patch.in_band(curve.points + shift)
        ends = find_ends(contrast[0], inside, noise * sample_noise(sigma))
        if ends is None:
            return None
        found = (ends, noise, sigma)
        # A line that is still dark where the path stops is followed on.
        n = len(curve.offset)
        if not (ends.first < 1.5 and inside[0]) and not (ends.last > n - 2.5 and inside[-1]):
            break
        path = resampled(curve.points, 1.0)
    return assembled((window, shift), curve, contrast, found)


class Smoothings:
    """An image and what it becomes by smoothing, each made once."""

    def __init__(self, values: Image) -> None:
        self.values = values
        self._made: dict[float, Image] = {}

    def by(self, sigma: float) -> Image:
        """Return the image smoothed by a Gaussian."""
        if sigma not in self._made:
            self._made[sigma] = blurred(self.values, sigma)
        return self._made[sigma]


def followed(
    ground: Smoothings, path: FloatArray, stray: float, sigma: float = 1.0
) -> tuple[float, Curve, float]:
    """Return the smoothing a line is followed with, the line and its width."""
    curve = follow(ground.by(sigma), path, sigma, stray)
    width = typical_width(ground.values, curve.points)
    if sigma == 1.0 and width > 4.0:
        # A wide line is followed in an image smoothed to its own width.
        sigma = min(0.3 * width, 4.0)
        curve = follow(ground.by(sigma), path, sigma, stray)
        width = typical_width(ground.values, curve.points)
    return sigma, curve, width


def pixel_noise(values: Image) -> float:
    """Return the pixel-to-pixel noise from differences that cancel planes (Immerkær, 1996)."""
    import cv2

    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], dtype=np.float32)
    rough = cv2.filter2D(values, cv2.CV_32F, kernel)[1:-1, 1:-1]
    if rough.size == 0:
        return 0.0
    # A quarter of the values tells the median well enough.
    return median(np.abs(rough[::2, ::2])) / 0.6745 / 6.0


def surface_noise(whole: Image, place: FloatArray) -> float:
    """Return the pixel noise that would disturb a line as much as noise and texture do here."""
    low = np.maximum(np.round(place).astype(int) - _NOISE_PX, 0)
    window = whole[low[1] : low[1] + 2 * _NOISE_PX, low[0] : low[0] + 2 * _NOISE_PX]
    smooth = blurred(window, 1.0)
    rough = smooth - blurred(smooth, 3.0)
    spread = median(np.abs(rough[::2, ::2])) / 0.6745
    # White noise smoothed with a standard deviation of one pixel keeps 1/(2 sqrt(pi)) of itself;
    # of a texture, about three quarters disturbs a line (found on rendered surfaces).
    return max(pixel_noise(window), 0.75 * spread * 2 * math.sqrt(math.pi))


def polyline_length(points: FloatArray) -> float:
    """Return the length of a polyline in the unit of its points."""
    steps = np.diff(points, axis=0)
    return float(np.hypot(steps[:, 0], steps[:, 1]).sum())


def _window(patch: Patch, path: FloatArray) -> tuple[Image, FloatArray]:
    rows, cols = patch.values.shape
    reach = _EXTENSIONS * EXTENSION_PX + 16
    low = np.maximum(np.floor(path.min(axis=0)).astype(int) - reach, 0)
    high = np.minimum(np.ceil(path.max(axis=0)).astype(int) + reach + 1, (cols, rows))
    return patch.values[low[1] : high[1], low[0] : high[0]], low.astype(float)


def resampled(points: FloatArray, step: float) -> FloatArray:
    """Return the same line, smoothed over its pixel stairs, with points at even distances."""
    if len(points) > 4:
        points = smoothed(points, min(2.0, len(points) / 6))
    s = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))))
    n = max(2, round(s[-1] / step) + 1)
    at = np.linspace(0.0, s[-1], n)
    return np.column_stack((np.interp(at, s, points[:, 0]), np.interp(at, s, points[:, 1])))


def extended(points: FloatArray, length: int) -> FloatArray:
    """Return the line prolonged straight at both ends along its last few pixels."""
    reach = min(8, len(points) - 1)
    steps = np.arange(1, length + 1)[:, None]
    first = points[0] - points[reach]
    last = points[-1] - points[-1 - reach]
    first /= max(float(np.hypot(*first)), 1e-9)
    last /= max(float(np.hypot(*last)), 1e-9)
    return np.vstack((points[0] + steps[::-1] * first, points, points[-1] + steps * last))


def blurred(window: Image, sigma: float) -> Image:
    """Return values smoothed by a Gaussian."""
    import cv2

    return np.asarray(cv2.GaussianBlur(window, (0, 0), sigma), dtype=np.float32)


def follow(smooth: Image, path: FloatArray, sigma: float, stray: float) -> Curve:
    """Return the dark line near a path: the best smooth way, then its exact bottom."""
    # Every second profile is enough for the course; the bottom is found in each.
    rough = _best_way(smooth, path[::2], stray)
    base = resampled(rough.points, 1.0)
    start = Curve(base=base, normal=normals(base), offset=np.zeros(len(base)))
    return _bottom(smooth, start, sigma)


def _best_way(smooth: Image, base: FloatArray, stray: float) -> Curve:
    """Return the way of least summed grey value and bending across the profiles."""
    normal = normals(base)
    offsets = np.arange(-stray, stray + 1e-9, _SAMPLE_PX)
    grid = base[:, None, :] + offsets[None, :, None] * normal[:, None, :]
    profile = sample(smooth, grid)
    profile = profile - profile.max(axis=1, keepdims=True)
    scale = median(-profile.min(axis=1))
    cost = profile / max(scale, 1e-6)
    bend = _STIFFNESS * ((offsets[:, None] - offsets[None, :]) ** 2)
    total = cost[0]
    choice = np.zeros(cost.shape, dtype=np.intp)
    ways = np.empty_like(bend)
    flat, rows = ways.ravel(), np.arange(len(offsets)) * len(offsets)
    for i in range(1, len(cost)):
        np.add(total, bend, out=ways)
        ways.argmin(axis=1, out=choice[i])
        total = flat.take(rows + choice[i]) + cost[i]
    pick = int(total.argmin())
    chosen, back = [], choice.tolist()
    for i in range(len(cost) - 1, -1, -1):
        chosen.append(pick)
        pick = back[i][pick]
    chosen.reverse()
    return Curve(base=base, normal=normal, offset=offsets[chosen])


def _bottom(smooth: Image, curve: Curve, sigma: float) -> Curve:
    """Move each point to the bottom of the parabola through three samples of its profile."""
    h = max(0.7, 0.7 * sigma)
    offset = curve.offset
    for _ in range(3):
        points = curve.base + offset[:, None] * curve.normal
        step_across = h * curve.normal
        around = sample(smooth, np.stack((points - step_across, points, points + step_across)))
        slope = 0.5 * (around[2] - around[0])
        bend = around[0] - 2 * around[1] + around[2]
        typical = max(median(bend), 1e-6)
        # Where the profile is flat, a parabola's bottom may lie anywhere: the step is damped.
        step = -slope * h / np.maximum(bend, 0.5 * typical)
        offset = offset + np.clip(step, -0.6, 0.6)
    return Curve(base=curve.base, normal=curve.normal, offset=offset)


def sample_noise(sigma: float) -> float:
    """Return the noise of one smoothed darkening in units of the pixel noise."""
    return math.sqrt(1.5) / (2 * math.sqrt(math.pi) * max(sigma, 0.5))


def contrast_along(
    smooth: Image, curve: Curve, side: float
) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Return darkening, side-to-side difference, rim brightness along the line and the level."""
    points, normal = curve.points, normals(smoothed(curve.points, 2.0))
    places = np.array((-2.0, -1.0, 0.0, 1.0, 2.0))[:, None, None] * side * normal
    far_left, left, middle, right, far_right = sample(smooth, points + places)
    depths = 0.5 * (left + right) - middle
    rims = np.maximum(left - far_left, right - far_right)
    return depths, left - right, rims, median(0.5 * (left + right))


def assembled(
    place: tuple[Image, FloatArray],
    curve: Curve,
    contrast: tuple[FloatArray, FloatArray, FloatArray, float],
    found: tuple[Ends, float, float],
) -> Centreline:
    """Return a line between its ends, with its length, widths and features."""
    window, shift = place
    depths, tilts, rims, level = contrast
    ends, noise, sigma = found
    first, last = ends.first, ends.last
    points = curve.points
    index = np.arange(len(points))
    at = np.concatenate(([first], np.arange(math.floor(first) + 1, math.ceil(last)), [last]))
    line = np.column_stack([np.interp(at, index, points[:, k]) for k in (0, 1)])
    kept = slice(math.ceil(first), math.floor(last) + 1)
    depth = median(depths[kept])
    length, u_path, roughness = _corrected_length(line, depth, noise, sigma)
    widths = line_widths(window, line, stations=max(3, min(9, len(line) // 8)))
    stretches = np.array_split(np.abs(smoothed(tilts[kept], 3.0)), 3)
    return Centreline(
        points=line + shift,
        length_px=length,
        u_path_px=u_path,
        u_ends_px=ends.u_px,
        depth=depth,
        depths=depths[kept],
        noise=noise * sample_noise(sigma),
        level=level,
        width_px=median(widths) if len(widths) else 2.354820 * sigma,
        widths_px=widths,
        tilt=median(np.array([median(part) for part in stretches if len(part)])) / depth
        if depth > 0
        else 9.0,
        rims=median(rims[kept]) / depth if depth > 0 else 0.0,
        roughness_px=roughness,
        open_ends=ends.n_open,
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
    # What smoothing takes from a zigzag is seen by smoothing more, and extrapolated. By less than
    # two pixels more, what noise is left would be extrapolated with it.
    more = 2.0
    smoother = polyline_length(smoothed(line, more))
    added_smoother = added * (sigma**2 / (sigma**2 + more**2)) ** 1.5
    plain, less = raw / (1 + added), smoother / (1 + added_smoother)
    lost = max(plain - less, 0.0) * (sigma**2 + _OPTICS_PX**2) / more**2
    length = plain + min(lost, 0.1 * plain)
    smooth = smoothed(line, min(10.0, len(line) / 6))
    rough = math.sqrt(max(float(np.mean(((line - smooth) ** 2).sum(axis=1))) - u_place**2, 0.0))
    return length, math.hypot(raw * added, _U_LOST * (length - plain)), rough
