"""The sub-pixel centreline of a dark line, where it ends, how long and how wide it is.

The line is followed in an image smoothed by a small Gaussian: first by the cheapest smooth way
across its sampled cross profiles, then by a parabola through the three samples at the bottom of
each. Its length is the length of that curve, less what noise adds to it, plus what smoothing took
from it; its ends are where the darkening falls to half of what it is just inside.
"""

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from micromeasure.cracks.cross_profiles import (
    Sizes,
    line_widths,
    median,
    medians,
    normals,
    parted,
    sample_across,
    sizes_of,
    smoothed,
    spread_points,
    typical_widths,
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
# Long lines are followed in stretches of about so many profiles, which overlap by so many at both
# ends: there the best way has long forgotten where it started.
_STRETCH = 96
_OVERLAP = 24
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


# A smoothed image and the place of its first pixel.
Place = tuple[Image, FloatArray]
# A line through its profiles, what was seen along it, its ends, the noise and the smoothing.
Found = tuple["Curve", Contrast, Ends, float, float]


def _measured(
    patch: Patch, whole: Smoothings, paths: list[FloatArray], stray: float
) -> list[Centreline | None]:
    """Measure several lines at once in an image that holds them all."""
    own = [Smoothings(*_window(patch, path)) for path in paths]
    paths = parted(*_resampled(np.concatenate(paths), sizes_of(paths), 1.0))
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
        again = parted(*_resampled(np.concatenate(courses), sizes_of(courses), 1.0))
        for k, path in zip(active, again, strict=True):
            paths[k] = path
    lines: list[Centreline | None] = [None] * len(own)
    for k, line in zip(found, _assembled(patch.values, list(found.values())), strict=True):
        lines[k] = line
    return lines


def followed(
    ground: Smoothings, path: FloatArray, stray: float, sigma: float = 1.0
) -> tuple[float, "Curve", float]:
    """Return the smoothing a line is followed with, the line and its width."""
    sigmas, curves, widths = _followed((ground, [ground]), [path], stray, np.array([sigma]))
    return float(sigmas[0]), curves[0], float(widths[0])


def _followed(
    grounds: tuple[Smoothings, list[Smoothings]],
    paths: list[FloatArray],
    stray: float,
    sigmas: FloatArray,
) -> tuple[FloatArray, list["Curve"], FloatArray]:
    """Return the smoothing each line is followed with, the lines and their widths.

    Grounds are an image that holds all lines and, for each line, the part around it.
    """
    curves = _follow(_places(grounds, sigmas), paths, sigmas, stray)
    widths = _widths(grounds[0], curves)
    wide = np.flatnonzero((sigmas == 1.0) & (widths > 4.0))
    if len(wide):
        # A wide line is followed in an image smoothed to its own width.
        sigmas = sigmas.copy()
        sigmas[wide] = np.minimum(0.3 * widths[wide], 4.0)
        places = _places((grounds[0], [grounds[1][k] for k in wide]), sigmas[wide])
        again = _follow(places, [paths[k] for k in wide], sigmas[wide], stray)
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


def _widths(ground: Smoothings, curves: list["Curve"]) -> FloatArray:
    courses = [curve.points for curve in curves]
    return typical_widths(ground.values, np.concatenate(courses) - ground.shift, sizes_of(courses))


def _sampled(
    places: list[Place], lines: tuple[FloatArray, FloatArray, Sizes], offsets: FloatArray
) -> FloatArray:
    """Return values across several lines, each in its own image.

    Lines are points and normals, shape (N, 2), and sizes; offsets along the normals have the shape
    (m,) or (N, m), the values (N, m).
    """
    points, normal, sizes = lines
    image, shift = places[0]
    if all(other is image for other, _ in places):
        return sample_across(image, points - shift, normal, offsets).astype(float)
    each = np.broadcast_to(offsets, (len(points), offsets.shape[-1]))
    parts = zip(places, *(parted(part, sizes) for part in (points, normal, each)), strict=True)
    return np.concatenate(
        [
            sample_across(image, points - shift, normal, offsets)
            for (image, shift), points, normal, offsets in parts
        ]
    ).astype(float)


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
    return _resampled(points, np.array([len(points)]), step)[0]


def _resampled(points: FloatArray, sizes: Sizes, step: float) -> tuple[FloatArray, Sizes]:
    """Return the same of several lines end to end, and their new sizes."""
    sigmas = np.where(sizes > 4, np.minimum(2.0, sizes / 6), 0.0)
    if np.ptp(sigmas) == 0:
        points = smoothed(points, float(sigmas[0]), sizes)
    else:
        parts = zip(parted(points, sizes), sigmas.tolist(), strict=True)
        points = np.concatenate([smoothed(part, sigma) for part, sigma in parts])
    # Lengths run on from line to line, with a gap of one before each.
    steps = np.hypot(*np.diff(points, axis=0, prepend=points[:1]).T)
    first = np.cumsum(sizes) - sizes
    steps[first] = 1.0
    s = np.cumsum(steps)
    start, length = s[first], s[first + sizes - 1] - s[first]
    sizes = np.maximum(2, np.rint(length / step).astype(np.intp) + 1)
    local = np.arange(int(sizes.sum())) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    at = np.repeat(start, sizes) + local * np.repeat(length / (sizes - 1), sizes)
    at = np.minimum(at, np.repeat(start + length, sizes))
    return np.column_stack([np.interp(at, s, points[:, k]) for k in (0, 1)]), sizes


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
    return _follow([place] * len(paths), paths, np.full(len(paths), sigma), stray)


def _follow(
    places: list[Place], paths: list[FloatArray], sigmas: FloatArray, stray: float
) -> list[Curve]:
    """Return the dark lines near paths, each followed in its own image."""
    # Every second profile is enough for the course; the bottom is found in each.
    every, sizes = spread_points(sizes_of(paths))
    rough = _best_ways(places, np.concatenate(paths)[every], sizes, stray)
    base, sizes = _resampled(rough.points, sizes, 1.0)
    normal = normals(base, sizes)
    offset = _bottoms(places, (base, normal), sizes, sigmas)
    return [
        Curve(base=base, normal=normal, offset=offset)
        for base, normal, offset in zip(
            parted(base, sizes), parted(normal, sizes), parted(offset, sizes), strict=True
        )
    ]


def _best_ways(places: list[Place], base: FloatArray, sizes: Sizes, stray: float) -> Curve:
    """Return the ways of least summed grey value and bending across the profiles of each line."""
    normal = normals(base, sizes)
    offsets = np.arange(-stray, stray + 1e-9, _SAMPLE_PX)
    profile = _sampled(places, (base, normal, sizes), offsets)
    profile -= profile.max(axis=1, keepdims=True)
    scale = medians(-profile.min(axis=1), sizes)
    cost = profile / np.repeat(np.maximum(scale, 1e-6), sizes)[:, None]
    bend = _STIFFNESS * ((offsets[:, None] - offsets[None, :]) ** 2)
    # In stretches, all of which take their steps together: long lines need no more of these.
    rows, sizes, is_core = _stretches(sizes)
    chosen = _cheapest_ways(cost[rows], sizes, bend)[is_core]
    return Curve(base=base, normal=normal, offset=offsets[chosen])


def _stretches(sizes: Sizes) -> tuple[NDArray[np.intp], Sizes, NDArray[np.bool_]]:
    """Cut lines into stretches that overlap: where a way began does not tell far along it.

    Returns the rows of all stretches end to end, the sizes of these, and which rows are a
    stretch's own. In the order of the lines each row is one stretch's own.
    """
    firsts, lasts, n_before, n_own = [], [], [], []
    start = 0
    for size in sizes.tolist():
        cuts = np.linspace(0, size, max(1, round(size / _STRETCH)) + 1).astype(int).tolist()
        for low, high in pairwise(cuts):
            first = max(0, low - _OVERLAP)
            firsts.append(start + first)
            lasts.append(start + min(size, high + _OVERLAP))
            n_before.append(low - first)
            n_own.append(high - low)
        start += size
    first, last, before, own = (np.array(part) for part in (firsts, lasts, n_before, n_own))
    sizes = last - first
    local = np.arange(int(sizes.sum())) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    rows = local + np.repeat(first, sizes)
    local -= np.repeat(before, sizes)
    return rows, sizes, (local >= 0) & (local < np.repeat(own, sizes))


def _cheapest_ways(cost: FloatArray, sizes: Sizes, bend: FloatArray) -> NDArray[np.intp]:
    """Return the column of each row of costs, shape (N, m), on the cheapest way down each line.

    A step from column j to column i, or back, adds ``bend[i, j]``. All lines take their k-th step
    together.
    """
    # The longest first: those that have a k-th row are then the first few.
    order = np.argsort(-sizes, kind="stable")
    n, m = int(sizes.max()), len(bend)
    alive = np.searchsorted(-sizes[order], -np.arange(n), side="left")
    # All first rows, then all second ones, and so on.
    step = np.repeat(np.arange(n), alive)
    first = np.cumsum(alive) - alive
    rows = (np.cumsum(sizes) - sizes)[order][np.arange(len(cost)) - first[step]] + step
    cost_at = cost[rows]
    spans = list(zip(first.tolist(), alive.tolist(), strict=True))
    # Least cost of the ways to each column, shape (lines, m) for each k.
    totals = [cost_at[: len(sizes)]]
    # From, line, to: the least is then taken over long rows.
    ways = np.empty((m, len(sizes), m))
    turns = bend[:, None, :]
    for start, going in spans[1:]:
        reached = np.add(totals[-1][:going].T[:, :, None], turns, out=ways[:, :going])
        totals.append(np.minimum.reduce(reached, axis=0) + cost_at[start : start + going])
    chosen = np.empty(len(cost), dtype=np.intp)
    pick = np.empty(len(sizes), dtype=np.intp)
    before = 0
    for total, (start, going) in zip(reversed(totals), reversed(spans), strict=True):
        # Lines that go on have picked the next column; the others end here.
        pick[:before] = (total[:before] + bend[pick[:before]]).argmin(axis=1)
        if going > before:
            pick[before:going] = total[before:].argmin(axis=1)
        chosen[start : start + going] = pick[:going]
        before = going
    found = np.empty_like(chosen)
    found[rows] = chosen
    return found


def _bottoms(
    places: list[Place], lines: tuple[FloatArray, FloatArray], sizes: Sizes, sigmas: FloatArray
) -> FloatArray:
    """Return how far the bottom of the parabola through three samples lies from each point."""
    base, normal = lines
    h = np.repeat(np.maximum(0.7, 0.7 * sigmas), sizes)
    steps = h[:, None] * np.array((-1.0, 0.0, 1.0))
    offset = np.zeros(len(base))
    for _ in range(3):
        around = _sampled(places, (base, normal, sizes), offset[:, None] + steps)
        left, middle, right = around.T
        slope = 0.5 * (right - left)
        bend = left - 2 * middle + right
        typical = np.repeat(np.maximum(medians(bend, sizes), 1e-6), sizes)
        # Where the profile is flat, a parabola's bottom may lie anywhere: the step is damped.
        step = -slope * h / np.maximum(bend, 0.5 * typical)
        offset = offset + np.clip(step, -0.6, 0.6)
    return offset


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
    across = _sampled(places, (points, normal, sizes), offsets)
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
