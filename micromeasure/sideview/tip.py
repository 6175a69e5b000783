"""The lowest point of a thin sheet's tip, from a model of the whole end of the strip.

On a thin sheet the end face is too short to be fitted by itself: blur rounds it from both
corners. Its two surfaces are long and well known, though, so the end is modelled as the strip
between them, cut off by a straight face and rounded at both corners, and fitted to the pixels.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from micromeasure.outcome import FloatArray
from micromeasure.sideview.arc import into_frame
from micromeasure.sideview.descent import Minimum, descend
from micromeasure.sideview.outline import Outline
from micromeasure.sideview.wedge import blurred_wedge, sliver

# Surfaces are taken from so many blur widths behind the end, over so many thicknesses.
_CLEAR_SIGMA = 3.0
_SURFACE_THICKNESSES = 2.0
# The rounding of the lower corner comes before its surface.
_ROUNDING_SHARE = 0.4
_MAX_FACE_DEG = 35.0
# Pixels the model is fitted to, at most; more are thinned out.
_FIRST_PIXELS = 160
_MAX_PIXELS = 600
# Pixels closer than this may err alike.
_CORRELATION_PX = 4.5
# Root mean square misfit, as a share of the step, above which the end is of another shape.
_MAX_MISFIT = 0.12


@dataclass(frozen=True, slots=True, kw_only=True)
class Tip:
    """The end of a strip.

    Attributes
    ----------
    low_um : ndarray of float, shape (2,)
        Its lowest point.
    u_along_um, u_across_um : float
        Standard uncertainties along the base line and across it.
    centre_um : ndarray of float, shape (2,)
        Centre of the rounding above that point.
    radius_um : float
    misfit : float
        Root mean square of what the model leaves, as a share of the step.
    """

    low_um: FloatArray
    u_along_um: float
    u_across_um: float
    centre_um: FloatArray
    radius_um: float
    misfit: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Strip:
    """Axes of the strip: `forward` to its end, `left` across; both edges as offsets to the left.

    `u_edge` is the standard uncertainty of where an edge passes the end.
    """

    origin: FloatArray
    forward: FloatArray
    left: FloatArray
    left_edge: float
    right_edge: float
    u_edge: float = 0.0


def fit_tip(outline: Outline, index: int, along: FloatArray, thickness_um: float) -> Tip | None:
    """Fit the end of a strip whose lowest point is near an outline point.

    Parameters
    ----------
    outline : Outline
    index : int
        Outline point near the lowest point.
    along : ndarray of float, shape (2,)
        Unit vector along the base line, to the right.
    thickness_um : float
        Rough thickness of the sheet.

    Returns
    -------
    Tip or None
        None where no strip with two straight parallel surfaces ends here.
    """
    tips = [
        _fit_side(outline, index, along, thickness_um=thickness_um, face=face) for face in (-1, 1)
    ]
    found = [tip for tip in tips if tip is not None]
    if not found:
        return None
    best = min(found, key=lambda tip: tip.misfit)
    # Blur hides less than its width of a corner; a low point further off is another shape's.
    across = np.array([-along[1], along[0]])
    off = abs(float((best.low_um - outline.points_um[index]) @ across))
    blur = outline.sigma_um
    sound = best.misfit < _MAX_MISFIT and off < 2 * blur + outline.pixel_um
    return best if sound and best.u_across_um < blur else None


def _fit_side(
    outline: Outline, index: int, along: FloatArray, *, thickness_um: float, face: int
) -> Tip | None:
    """Fit with the end face behind the point (1) or before it (-1) along the outline."""
    strip = _strip(outline, index, thickness_um, face)
    if strip is None:
        return None
    width = strip.left_edge - strip.right_edge
    blur = outline.pixel_blur_um
    middle = strip.origin + strip.left * (strip.left_edge + strip.right_edge) / 2
    at, values = outline.pixels_near(middle, 0.8 * width + 4 * blur)
    rest = at - strip.origin
    grid = np.column_stack([rest @ strip.forward, rest @ strip.left])
    near = (grid[:, 1] < strip.left_edge + 3 * blur) & (grid[:, 1] > strip.right_edge - 3 * blur)
    # The face is where the outline is farthest forward, give or take its slope.
    near &= np.abs(grid[:, 0]) < 0.5 * width + 4 * blur
    if near.sum() < 40:
        return None
    grid, values = grid[near], values[near]
    found = _least_squares(*_thinned(grid, values, _FIRST_PIXELS), strip, blur)
    # Once more with the pixels along the face alone; the rest only tells the levels.
    face_at = found.x[0] - grid[:, 1] * math.tan(found.x[1])
    close = np.abs(grid[:, 0] - face_at) < 3.5 * blur + found.x[2]
    grid, values = _thinned(grid[close], values[close], _MAX_PIXELS)
    found = _least_squares(grid, values, strip, blur, start=found.x)
    variance = float(found.rest @ found.rest) / max(len(values) - 5, 1)
    inflation = _inflation(found.rest, grid / outline.pixel_um)
    covariance = found.covariance(variance * inflation)
    solution = _Solution(
        x=found.x, jacobian=found.jacobian, variance=variance * inflation, strip=strip
    )
    misfit = math.sqrt(variance) / abs(outline.step)
    u_radius = math.sqrt(covariance[2, 2])
    if solution.x[2] > max(4 * u_radius, 1.5 * blur):
        return _lowest(solution.x, covariance, strip, along, misfit=misfit)
    rests = [_misfit(np.array([*found.x[:2], r]), grid, values, strip=strip, blur=blur)
             for r in (0.0, blur)]  # fmt: skip
    return _lowest_of_many(solution, rests, blur, along, misfit=misfit)


def fit_standing_tip(
    outline: Outline, point_um: FloatArray, along: FloatArray, *, forward: FloatArray,
    width_um: float,
) -> tuple[FloatArray, float] | None:  # fmt: skip
    """Fit the end of a strip that stands on a support.

    Light between the end's face and the support tells the face, though no edge there is clean.

    Parameters
    ----------
    outline : Outline
    point_um : ndarray of float, shape (2,)
        Where the strip's middle line meets the support's edge.
    along : ndarray of float, shape (2,)
        Unit vector along the support, to the right.
    forward : ndarray of float, shape (2,)
        Unit vector along the strip, downwards.
    width_um : float
        The strip's width.

    Returns
    -------
    low_um : ndarray of float, shape (2,)
    u_along_um : float
        Or None in place of both where the pixels show no such end.
    """
    from scipy.special import ndtr

    blur, up = outline.pixel_blur_um, np.array([-along[1], along[0]])
    left = np.array([-forward[1], forward[0]])
    strip = _Strip(
        origin=point_um, forward=forward, left=left, left_edge=width_um / 2,
        right_edge=-width_um / 2,
    )  # fmt: skip
    at, values = outline.pixels_near(point_um, width_um + 4 * blur)
    height = (at - point_um) @ up
    grid = np.column_stack([(at - point_um) @ forward, (at - point_um) @ left])
    near = (np.abs(grid[:, 1]) < width_um / 2 + 3 * blur) & (height > -2 * blur)
    near &= height < width_um * abs(float(left @ up)) + 3 * blur
    if near.sum() < 40:
        return None
    grid, values, height = grid[near], values[near], height[near]
    grid, chosen = _thinned(grid, np.arange(len(values), dtype=float), _MAX_PIXELS)
    picked = chosen.astype(np.intp)
    values, ground = values[picked], ndtr(-height[picked] / blur)

    def misfit(ends: FloatArray) -> FloatArray:
        return np.array([_misfit(_on_ground(x, strip, along), grid, values, strip=strip,
                                 blur=blur, ground=ground) for x in ends])  # fmt: skip

    limit = math.radians(_MAX_FACE_DEG)
    found = min(
        (
            descend(misfit, np.array([0.0, radius]), np.array([3e-4, 3e-3 * blur]), rounds=10,
                    bounds=(np.array([-limit, 0.0]), np.array([limit, 0.5 * width_um])))
            for radius in (0.3 * blur, 0.25 * width_um)
        ),
        key=lambda m: float(m.rest @ m.rest),
    )  # fmt: skip
    variance = float(found.rest @ found.rest) / max(len(values) - 4, 1)
    if math.sqrt(variance) > _MAX_MISFIT * abs(outline.step):
        return None
    inflation = _inflation(found.rest, grid / outline.pixel_um)
    covariance = found.covariance(variance * inflation)
    ends = found.x + np.vstack([np.zeros(2), np.diag([1e-4, 1e-3 * blur])])
    lows = np.array([_low_point(_on_ground(x, strip, along), strip, along)[0] for x in ends])
    slope = (lows[1:] - lows[0]) @ along / np.array([1e-4, 1e-3 * blur])
    return lows[0], math.sqrt(max(0.0, float(slope @ covariance @ slope)))


def _on_ground(x: FloatArray, strip: _Strip, along: FloatArray) -> FloatArray:
    """Return face offset, angle and rounding of an end of given angle and rounding on a support."""
    up = np.array([-along[1], along[0]])
    end = np.array([0.0, *x])
    low, _, _ = _low_point(end, strip, along)
    return np.array([float((low - strip.origin) @ up) / -float(strip.forward @ up), *x])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Solution:
    """A least-squares end of a strip with the variance of a pixel, correlation included."""

    x: FloatArray
    jacobian: FloatArray
    variance: float
    strip: _Strip


def _lowest_of_many(
    solution: _Solution, rests: list[FloatArray], blur: float, along: FloatArray, *, misfit: float
) -> Tip:
    """Return the mean lowest point over all roundings that the pixels allow.

    What a small rounding takes from the image goes with the square of its radius, so that near
    a sharp corner no slope tells the radius. Face and squared radius are fitted linearly; then
    every radius from 0 counts by its likelihood.
    """
    sharp, rounded = rests
    columns = np.column_stack([solution.jacobian[:, :2], (rounded - sharp) / blur**2])
    covariance = np.linalg.pinv(columns.T @ columns) * solution.variance
    if not covariance[2, 2] > 0:
        return _lowest(solution.x, np.zeros((3, 3)), solution.strip, along, misfit=misfit)
    fitted = -covariance @ (columns.T @ sharp) / solution.variance
    u_square = math.sqrt(covariance[2, 2])
    # The linear law in the square holds to about two blur widths.
    radii = np.linspace(0.0, min(2.5 * blur, 0.5 * _width(solution.strip)), 25)
    weights = np.exp(-0.5 * ((radii**2 - fitted[2]) / u_square) ** 2)
    # Before any look at it small radii are likelier than large ones, each decade alike down to a
    # fifth of the blur.
    weights = weights / (radii + 0.2 * blur)
    weights = weights / weights.sum() if weights.sum() > 0 else np.eye(25)[-1]
    follow = covariance[:2, 2] / covariance[2, 2]
    own = covariance[:2, :2] - np.outer(follow, covariance[:2, 2])
    full = np.zeros((3, 3))
    full[:2, :2] = own
    solutions = [
        np.array([*(solution.x[:2] + fitted[:2] + follow * (r * r - fitted[2])), r]) for r in radii
    ]
    points = np.array([_low_point(x, solution.strip, along)[0] for x in solutions])
    k = int(np.argmax(weights))
    likeliest = _lowest(solutions[k], full, solution.strip, along, misfit=misfit)
    point, across = weights @ points, np.array([-along[1], along[0]])
    spread = [
        math.sqrt(float(weights @ ((points - point) @ axis) ** 2)) for axis in (along, across)
    ]
    radius = float(weights @ radii)
    return Tip(
        low_um=point, centre_um=point + radius * across, radius_um=radius, misfit=misfit,
        u_along_um=math.hypot(spread[0], likeliest.u_along_um),
        u_across_um=math.hypot(spread[1], likeliest.u_across_um),
    )  # fmt: skip


def _width(strip: _Strip) -> float:
    return strip.left_edge - strip.right_edge


def _strip(outline: Outline, index: int, thickness: float, face: int) -> _Strip | None:
    """Fit the two parallel surfaces that end here."""
    clear = _CLEAR_SIGMA * outline.sigma_um + outline.pixel_um
    reach = max(_SURFACE_THICKNESSES * thickness, 12 * outline.pixel_um)
    # One surface starts at the point, the other one sheet's thickness further on.
    behind = _ROUNDING_SHARE * thickness + clear
    first, _ = outline.stretch(index, *sorted((-face * behind, -face * (behind + reach))))
    beyond = 1.3 * thickness + clear
    second, _ = outline.stretch(index, *sorted((face * beyond, face * (beyond + reach))))
    if min(len(first), len(second)) < 10:
        return None
    one, two = outline.points_um[first], outline.points_um[second]
    origin = outline.points_um[index]
    away = (one.mean(axis=0) + two.mean(axis=0)) / 2 - origin
    forward = -away / np.hypot(*away)
    # A common direction by least squares: each surface about its own middle.
    for _ in range(2):
        both = [into_frame(part, origin, forward) for part in (one, two)]
        slope = sum(float(np.sum((p[:, 0] - p[:, 0].mean()) * p[:, 1])) for p in both) / sum(
            float(np.sum((p[:, 0] - p[:, 0].mean()) ** 2)) for p in both
        )
        turn = math.atan(slope)
        left = np.array([-forward[1], forward[0]])
        forward = math.cos(turn) * forward + math.sin(turn) * left
    left = np.array([-forward[1], forward[0]])
    edges, spreads = [], []
    for part in (one, two):
        across = into_frame(part, origin, forward)[:, 1]
        edges.append(float(np.median(across)))
        spreads.append(float(np.std(across)))
    # Bent or tapering surfaces are no strip of this kind.
    if max(spreads) > 0.12 * outline.pixel_um + 3 * outline.noise.scatter:
        return None
    if not 0.6 * thickness < abs(edges[0] - edges[1]) < 1.5 * thickness:
        return None
    return _Strip(
        origin=origin, forward=forward, left=left, left_edge=max(edges), right_edge=min(edges),
        u_edge=_u_edge(outline, min(len(one), len(two)), reach, behind),
    )  # fmt: skip


def _u_edge(outline: Outline, n: int, reach: float, behind: float) -> float:
    """Return the standard uncertainty of where a surface, fitted behind the end, passes it."""
    mean = outline.noise.scatter * math.sqrt(outline.noise.inflation / n)
    # A common slope of two surfaces over `reach`, with the lever from their middle to the end.
    slope = mean * math.sqrt(6) / reach
    return math.hypot(mean, slope * (reach / 2 + behind), outline.edge_model_um)


def _inflation(rest: FloatArray, places_px: FloatArray) -> float:
    """Return how many times the variance grows because neighbouring pixels err alike.

    A texture of the metal is no white noise: the correlations of all pairs closer than some
    pixels are summed.
    """
    from scipy.spatial import cKDTree

    pairs = cKDTree(places_px).query_pairs(_CORRELATION_PX, output_type="ndarray")
    power = float(rest @ rest)
    if power <= 0 or len(pairs) == 0:
        return 1.0
    return max(1.0, 1.0 + 2.0 * float(rest[pairs[:, 0]] @ rest[pairs[:, 1]]) / power)


def _thinned(grid: FloatArray, values: FloatArray, most: int) -> tuple[FloatArray, FloatArray]:
    """Keep so many pixels at most, evenly spread."""
    count = len(values)
    if count <= most:
        return grid, values
    chosen = np.linspace(0, count - 1, most).astype(np.intp)
    return grid[chosen], values[chosen]


def _least_squares(
    grid: FloatArray, values: FloatArray, strip: _Strip, blur: float, *,
    start: FloatArray | None = None,
) -> Minimum:  # fmt: skip
    width = strip.left_edge - strip.right_edge
    limit = math.radians(_MAX_FACE_DEG)
    first = np.array([0.0, 0.0, min(0.15 * width, blur)]) if start is None else start
    # What only tells where to look next need not settle as finely.
    step = np.array([1e-3 * blur, 3e-4, 3e-3 * blur]) * (20 if start is None else 1)
    bounds = np.array([-width, -limit, 0.0]), np.array([width, limit, 0.5 * width])
    return descend(
        lambda ends: np.array([_misfit(x, grid, values, strip=strip, blur=blur) for x in ends]),
        first, step, bounds=bounds, rounds=8,
    )  # fmt: skip


def _misfit(
    x: FloatArray,
    grid: FloatArray,
    values: FloatArray,
    *,
    strip: _Strip,
    blur: float,
    ground: FloatArray | float = 0.0,
) -> FloatArray:
    """Return what a strip with face offset x[0], face angle x[1] and rounding x[2] leaves.

    `ground` is the blurred share of a support.
    """
    model = _blurred_end(x, grid, strip, blur) + ground
    # The two levels by the regression line.
    shape, grey = model - model.mean(), values - values.mean()
    rest: FloatArray = grey - shape * (shape @ grey / max(float(shape @ shape), 1e-12))
    return rest


def _corners(x: FloatArray, strip: _Strip) -> list[tuple[FloatArray, FloatArray, float]]:
    """Return vertex, bisector into the metal and half angle of both corners, in strip axes."""
    offset, angle, _ = x
    corners = []
    face = np.array([-math.sin(angle), math.cos(angle)])
    for edge, sign in ((strip.left_edge, -1.0), (strip.right_edge, 1.0)):
        vertex = np.array([offset - edge * math.tan(angle), edge])
        bisector = np.array([-1.0, 0.0]) + sign * face
        bisector /= np.hypot(*bisector)
        corners.append((vertex, bisector, math.acos(float(np.clip(-bisector[0], -1, 1)))))
    return corners


def _blurred_end(x: FloatArray, grid: FloatArray, strip: _Strip, blur: float) -> FloatArray:
    """Return the blurred share of metal: a strip is the part a wedge has before its neighbour."""
    (left, into_left, half_left), (right, into_right, half_right) = _corners(x, strip)
    local = _local(grid, left, into_left)
    inside = blurred_wedge(local[:, 0] / blur, local[:, 1] / blur, half_left)
    # The wedge at the left corner reaches on beyond the right edge; that part is a wedge whose
    # angle is the right corner's supplement.
    beyond_bisector = np.array([-1.0, 0.0]) + np.array([math.sin(x[1]), -math.cos(x[1])])
    beyond_bisector /= np.hypot(*beyond_bisector)
    local = _local(grid, right, beyond_bisector)
    inside -= blurred_wedge(local[:, 0] / blur, local[:, 1] / blur, math.pi / 2 - half_right)
    for vertex, bisector, half in ((left, into_left, half_left), (right, into_right, half_right)):
        local = _local(grid, vertex, bisector)
        # What rounding takes away is blurred no further than this.
        near = np.hypot(*local.T) < 1.5 * x[2] + 4 * blur
        a, b = local[near].T
        inside[near] -= sliver(a, b, half=half, radius=float(x[2]), blur=blur)
    return inside


def _local(grid: FloatArray, vertex: FloatArray, bisector: FloatArray) -> FloatArray:
    return into_frame(grid, vertex, bisector)


def _low_point(
    x: FloatArray, strip: _Strip, along: FloatArray, which: int | None = None
) -> tuple[FloatArray, FloatArray, int]:
    """Return the lowest point, the centre of the rounding above it and which corner it is."""
    radius, across = float(x[2]), np.array([-along[1], along[0]])
    centres = []
    for vertex, bisector, half in _corners(x, strip):
        centre = vertex + radius / math.sin(half) * bisector
        centres.append(strip.origin + centre[0] * strip.forward + centre[1] * strip.left)
    k = int(np.argmin([float(c @ across) for c in centres])) if which is None else which
    return centres[k] - radius * across, centres[k], k


def _lowest(
    x: FloatArray, covariance: FloatArray, strip: _Strip, along: FloatArray, *, misfit: float
) -> Tip:
    across = np.array([-along[1], along[0]])

    point, centre, which = _low_point(x, strip, along)
    steps = np.array([1e-3, 1e-4, 1e-3])
    gradient = np.array(
        [
            (_low_point(x + step * np.eye(3)[k], strip, along, which)[0] - point) / step
            for k, step in enumerate(steps)
        ]
    )
    # Each edge moves the point as well.
    shift = 1e-3 * _width(strip)
    edges = np.array(
        [
            (_low_point(x, moved, along, which)[0] - point) / shift * strip.u_edge
            for moved in (
                replace(strip, left_edge=strip.left_edge + shift),
                replace(strip, right_edge=strip.right_edge + shift),
            )
        ]
    )
    u_along, u_across = (
        math.sqrt(max(0.0, float(g @ covariance @ g)) + float(e @ e))
        for g, e in ((gradient @ axis, edges @ axis) for axis in (along, across))
    )
    other = _low_point(x, strip, along, 1 - which)[0] - point
    u_along = math.hypot(u_along, _either(float(other @ along), float(other @ across), u_across))
    return Tip(
        low_um=point, u_along_um=u_along, u_across_um=u_across, centre_um=centre,
        radius_um=float(x[2]), misfit=misfit,
    )  # fmt: skip


def _either(apart: float, higher: float, u_height: float) -> float:
    """Return the standard deviation of which of two corners is the lower one.

    Where the end's face lies nearly level, noise decides.
    """
    share = 0.5 * math.erfc(higher / max(2 * u_height, 1e-12))
    return abs(apart) * math.sqrt(share * (1 - share))
