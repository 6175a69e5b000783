"""The sub-pixel centreline of a dark line, where it ends, how long and how wide it is.

The line is followed in an image smoothed by a small Gaussian: first by the cheapest smooth way
across its sampled cross profiles, then by a parabola through the three samples at the bottom of
each. Its length is the length of that curve, less what noise adds to it, plus what smoothing took
from it; its ends are where the darkening falls to half of what it is just inside.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from micromeasure.cracks.cross_profiles import (
    line_widths,
    median,
    normals,
    parted,
    sizes_of,
    smoothed,
    typical_widths,
)
from micromeasure.cracks.following import (
    Curve,
    Place,
    follow_lines,
    resampled_lines,
    sampled,
)
from micromeasure.cracks.line_ends import EXTENSION_PX, Ends, find_ends
from micromeasure.cracks.patch import Image, Patch
from micromeasure.outcome import FloatArray

# A line that is still dark where its extension stops is followed on, so many times.
_EXTENSIONS = 3
# Noise is taken from the surroundings of the middle of a line, to this distance.
_NOISE_PX = 100
# How far a line may lie from the traced path.
STRAY_PX = 3.5
# How well that is known what smoothing took from a zigzag, as a share of it: courses of one and
# the same jaggedness lose very different lengths (found on rendered cracks).
_U_LOST = 2.0
# Blur of the optics that also rounds a zigzag; an image sampled as it should be has about this.
_OPTICS_PX = 1.25
# Length of lines that are measured together; more would only take more memory.
_BATCH_PX = 12000.0

# Darkening, side-to-side difference and rim brightness along a line, and the level beside it.
Contrast = tuple[FloatArray, FloatArray, FloatArray, float]


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
    return _measured(patch, Smoothings(*_window(patch, path)), [path], stray_px)[0]


def measure_lines(
    patch: Patch, paths: list[FloatArray], *, stray_px: float = STRAY_PX
) -> list[Centreline | None]:
    """Measure many traced lines, each as `measure_line` does it alone.

    Parameters
    ----------
    patch : Patch
    paths : list of ndarray, shape (n, 2)
    stray_px : float

    Returns
    -------
    list of Centreline or None
    """
    whole = Smoothings(patch.values)
    lengths = np.array([polyline_length(path) for path in paths])
    found: list[Centreline | None] = [None] * len(paths)
    # Lines of like length together: the shorter ones wait for the longest.
    order = np.argsort(-lengths, kind="stable")
    batches = np.cumsum(lengths[order]) // _BATCH_PX
    for number in np.unique(batches):
        batch = order[batches == number].tolist()
        lines = _measured(patch, whole, [paths[k] for k in batch], stray_px)
        for k, line in zip(batch, lines, strict=True):
            found[k] = line
    return found


class Smoothings:
    """An image and what it becomes by smoothing, each made once.

    Parameters
    ----------
    values : ndarray of float32, shape (rows, cols)
    shift : ndarray, shape (2,), or None
        ``u v`` of the first pixel, in the frame of the points that are sampled.
    """

    def __init__(self, values: Image, shift: FloatArray | None = None) -> None:
        self.values = values
        self.shift = np.zeros(2) if shift is None else shift
        self._made: dict[float, Image] = {}

    def by(self, sigma: float) -> Image:
        """Return the image smoothed by a Gaussian."""
        if sigma not in self._made:
            self._made[sigma] = blurred(self.values, sigma)
        return self._made[sigma]


# A line through its profiles, what was seen along it, its ends, the noise and the smoothing.
Found = tuple[Curve, Contrast, Ends, float, float]


def _measured(
    patch: Patch, whole: Smoothings, paths: list[FloatArray], stray: float
) -> list[Centreline | None]:
    """Measure several lines at once in an image that holds them all."""
    own = [Smoothings(*_window(patch, path)) for path in paths]
    paths = parted(*resampled_lines(np.concatenate(paths), sizes_of(paths), 1.0))
    noises = [
        surface_noise(ground.values, path[len(path) // 2] - ground.shift)
        for ground, path in zip(own, paths, strict=True)
    ]
    sigmas = np.ones(len(paths))
    found: dict[int, Found] = {}
    active = list(range(len(paths)))
    for _ in range(_EXTENSIONS):
        grounds = (whole, [own[k] for k in active])
        longer = [extended(paths[k], EXTENSION_PX) for k in active]
        sigmas[active], curves, widths = _followed(grounds, longer, stray, sigmas[active])
        contrasts = _contrasts(
            _places(grounds, sigmas[active]), curves, 0.75 * widths + 2.0 * sigmas[active]
        )
        sizes = sizes_of([curve.offset for curve in curves])
        inside = patch.in_band(np.concatenate([curve.points for curve in curves]))
        unfinished = []
        for k, curve, contrast, is_inside in zip(
            active, curves, contrasts, parted(inside, sizes), strict=True
        ):
            ends = find_ends(contrast[0], is_inside, noises[k] * sample_noise(sigmas[k]))
            if ends is None:
                found.pop(k, None)
                continue
            found[k] = (curve, contrast, ends, noises[k], float(sigmas[k]))
            # A line that is still dark where the path stops is followed on.
            last = len(curve.offset) - 1
            if (ends.first < 1.5 and is_inside[0]) or (ends.last > last - 1.5 and is_inside[-1]):
                unfinished.append(k)
        active = unfinished
        if not active:
            break
        courses = [found[k][0].points for k in active]
        again = parted(*resampled_lines(np.concatenate(courses), sizes_of(courses), 1.0))
        for k, path in zip(active, again, strict=True):
            paths[k] = path
    lines: list[Centreline | None] = [None] * len(own)
    for k, line in zip(found, _assembled(patch.values, list(found.values())), strict=True):
        lines[k] = line
    return lines


def followed(
    ground: Smoothings, path: FloatArray, stray: float, sigma: float = 1.0
) -> tuple[float, Curve, float]:
    """Return the smoothing a line is followed with, the line and its width."""
    sigmas, curves, widths = _followed((ground, [ground]), [path], stray, np.array([sigma]))
    return float(sigmas[0]), curves[0], float(widths[0])


def _followed(
    grounds: tuple[Smoothings, list[Smoothings]],
    paths: list[FloatArray],
    stray: float,
    sigmas: FloatArray,
) -> tuple[FloatArray, list[Curve], FloatArray]:
    """Return the smoothing each line is followed with, the lines and their widths.

    Grounds are an image that holds all lines and, for each line, the part around it.
    """
    curves = follow_lines(_places(grounds, sigmas), paths, sigmas, stray)
    widths = _widths(grounds[0], curves)
    wide = np.flatnonzero((sigmas == 1.0) & (widths > 4.0))
    if len(wide):
        # A wide line is followed in an image smoothed to its own width.
        sigmas = sigmas.copy()
        sigmas[wide] = np.minimum(0.3 * widths[wide], 4.0)
        places = _places((grounds[0], [grounds[1][k] for k in wide]), sigmas[wide])
        again = follow_lines(places, [paths[k] for k in wide], sigmas[wide], stray)
        widths[wide] = _widths(grounds[0], again)
        for k, curve in zip(wide.tolist(), again, strict=True):
            curves[k] = curve
    return sigmas, curves, widths


def _places(grounds: tuple[Smoothings, list[Smoothings]], sigmas: FloatArray) -> list[Place]:
    """Return what each line is followed in: only the least smoothing is made for all at once."""
    whole, parts = grounds
    return [
        (ground.by(sigma), ground.shift)
        for ground, sigma in (
            (whole if sigma == 1.0 else part, sigma)
            for part, sigma in zip(parts, sigmas.tolist(), strict=True)
        )
    ]


def _widths(ground: Smoothings, curves: list[Curve]) -> FloatArray:
    courses = [curve.points for curve in curves]
    return typical_widths(ground.values, np.concatenate(courses) - ground.shift, sizes_of(courses))


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
    # A quarter of the values tells the spread, and what they vary about, well enough.
    smooth = np.ascontiguousarray(blurred(window, 1.0)[::2, ::2])
    spread = median(np.abs(smooth - blurred(smooth, 1.5))) / 0.6745
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
    return resampled_lines(points, np.array([len(points)]), step)[0]


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
    return follow_all(smooth, [path], sigma, stray)[0]


def follow_all(smooth: Image, paths: list[FloatArray], sigma: float, stray: float) -> list[Curve]:
    """Return the dark lines near several paths, each as `follow` gives it, for less time."""
    place = (smooth, np.zeros(2))
    return follow_lines([place] * len(paths), paths, np.full(len(paths), sigma), stray)


def sample_noise(sigma: float) -> float:
    """Return the noise of one smoothed darkening in units of the pixel noise."""
    return math.sqrt(1.5) / (2 * math.sqrt(math.pi) * max(sigma, 0.5))


def contrast_along(smooth: Image, curve: Curve, side: float) -> Contrast:
    """Return darkening, side-to-side difference, rim brightness along the line and the level."""
    return _contrasts([(smooth, np.zeros(2))], [curve], np.array([side]))[0]


def _contrasts(places: list[Place], curves: list[Curve], sides: FloatArray) -> list[Contrast]:
    """Return the same of several lines, each with its own distance of the sides."""
    points = np.concatenate([curve.points for curve in curves])
    sizes = sizes_of([curve.offset for curve in curves])
    normal = normals(smoothed(points, 2.0, sizes), sizes)
    offsets = np.repeat(sides, sizes)[:, None] * np.arange(-2.0, 2.1)
    across = sampled(places, (points, normal, sizes), offsets)
    far_left, left, middle, right, far_right = across.T
    beside = 0.5 * (left + right)
    parts = (
        parted(values, sizes)
        for values in (
            beside - middle, left - right, np.maximum(left - far_left, right - far_right), beside,
        )
    )  # fmt: skip
    return [
        (depths, tilts, rims, median(level))
        for depths, tilts, rims, level in zip(*parts, strict=True)
    ]


def assembled(
    place: tuple[Image, FloatArray],
    curve: Curve,
    contrast: Contrast,
    found: tuple[Ends, float, float],
) -> Centreline:
    """Return a line between its ends, with its length, widths and features.

    The curve lies in a window of the patch, whose first pixel is at the place's second part.
    """
    window, shift = place
    line = _assembled(window, [(curve, contrast, *found)])[0]
    return replace(line, points=line.points + shift)


def _assembled(values: Image, found: list[Found]) -> list[Centreline]:
    """Return lines between their ends, with their lengths, widths and features."""
    if not found:
        return []
    lines = [_between(curve.points, ends) for curve, _, ends, _, _ in found]
    stations = [max(3, min(9, len(line) // 8)) for line in lines]
    widths = line_widths(values, lines, stations)
    return [_finished(*parts) for parts in zip(found, lines, widths, strict=True)]


def _between(points: FloatArray, ends: Ends) -> FloatArray:
    """Return a line from its first to its last end, with the whole points between."""
    inner = np.arange(math.floor(ends.first) + 1, math.ceil(ends.last))
    at = np.concatenate(([ends.first], inner, [ends.last]))
    index = np.arange(len(points))
    return np.column_stack([np.interp(at, index, points[:, k]) for k in (0, 1)])


def _finished(found: Found, line: FloatArray, widths: FloatArray) -> Centreline:
    """Return a line from what was found along it."""
    _, (depths, tilts, rims, level), ends, noise, sigma = found
    kept = slice(math.ceil(ends.first), math.floor(ends.last) + 1)
    depth = median(depths[kept])
    length, u_path, roughness = _corrected_length(line, depth, noise, sigma)
    stretches = np.array_split(np.abs(smoothed(tilts[kept], 3.0)), 3)
    return Centreline(
        points=line,
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
