"""The ruler for free checks: distance, angle, radius, and the distance of two edges.

Points set by hand carry no uncertainty of their own that could be known, so their results state
none; edges are located in the pixels and state theirs. Everything is computed in micrometres.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from micromeasure.errors import MeasurementError
from micromeasure.estimate import Component, Estimate
from micromeasure.micrograph.image import Micrograph
from micromeasure.outcome import FloatArray

# An edge is looked for this far on both sides of a point, and over this many parallel lines.
_REACH_PX = 15
_GROUPS, _LINES_EACH = 5, 3
# An edge must rise by this many standard deviations of one averaged sample.
_LEAST_STEP = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One result of the ruler.

    Attributes
    ----------
    quantity : str
        As in `measurements.csv`, such as ``distance_by_hand``.
    estimate : Estimate
        Its components are None where points were set by hand.
    points_px : ndarray of float, shape (n, 2)
        What was measured between: the points as set, or the edges found.
    course_px : ndarray of float, shape (m, 2)
        What is to be drawn.
    """

    quantity: str
    estimate: Estimate
    points_px: FloatArray
    course_px: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Tool:
    """One kind of reading.

    Attributes
    ----------
    name : str
        As among the keys of the viewer.
    title : str
        For people.
    points : int
        How many points it needs.
    read : callable
        ``(micrograph, points) -> Reading``.
    """

    name: str
    title: str
    points: int
    read: Callable[[Micrograph, FloatArray], Reading]


def distance(micrograph: Micrograph, points_px: FloatArray) -> Reading:
    """Measure the distance of two points set by hand, um."""
    (x, y) = _um(micrograph, points_px[1] - points_px[0])
    return _by_hand("distance_by_hand", math.hypot(x, y), "um", points_px)


def angle(micrograph: Micrograph, points_px: FloatArray) -> Reading:
    """Measure the angle at the second of three points set by hand, 0 to 180 degrees.

    Raises
    ------
    MeasurementError
        If two of the points coincide.
    """
    first, second = _um(micrograph, points_px[[0, 2]] - points_px[1])
    if not first.any() or not second.any():
        message = "Two of the three points coincide; an angle needs three different points."
        raise MeasurementError(message)
    cross = first[0] * second[1] - first[1] * second[0]
    value = math.degrees(math.atan2(abs(cross), float(first @ second)))
    return _by_hand("angle_by_hand", value, "deg", points_px)


def radius(micrograph: Micrograph, points_px: FloatArray) -> Reading:
    """Measure the radius of the circle through three points set by hand, um.

    Raises
    ------
    MeasurementError
        If the points lie on a straight line.
    """
    a, b, c = _um(micrograph, points_px)
    doubled_area = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
    sides = math.dist(a, b) * math.dist(b, c) * math.dist(c, a)
    if abs(doubled_area) < 1e-9 * max(sides, 1e-12) ** (2 / 3):
        message = "The three points lie on a straight line; no circle passes through them."
        raise MeasurementError(message)
    value = sides / (2.0 * abs(doubled_area))
    course = _circle(np.array([a, b, c]), value) / np.asarray(micrograph.calibration.um_per_px)
    return _by_hand("radius_by_hand", value, "um", points_px, course=course)


def edge_distance(micrograph: Micrograph, points_px: FloatArray) -> Reading:
    """Measure the distance of two edges, one near each of two points, um.

    Each edge is located at the half-way level between the plateaus on its two sides, along the
    line through the points, in profiles averaged over a few parallel lines; the scatter between
    groups of these lines is its standard uncertainty.

    Raises
    ------
    MeasurementError
        If the points are too close together, or there is no edge near one of them.
    """
    start, step_px = points_px[0], points_px[1] - points_px[0]
    length_px = float(np.hypot(*step_px))
    reach = min(_REACH_PX, math.floor(0.45 * length_px))
    if reach < 4:
        message = "The two points are closer than ten pixels; edges so close cannot be told apart."
        raise MeasurementError(message)
    along = step_px / length_px
    places, spreads = [], []
    for number, at in enumerate((0.0, length_px)):
        place, spread = _edge(micrograph, start + at * along, along, reach)
        if math.isnan(place):
            message = (
                f"There is no clear edge within {reach} pixels of the "
                f"{('first', 'second')[number]} point; set it on the edge."
            )
            raise MeasurementError(message)
        places.append(at + place)
        spreads.append(spread)
    edges = start + np.outer(places, along)
    um_along = float(np.hypot(*_um(micrograph, along)))
    value = abs(places[1] - places[0]) * um_along
    scale = micrograph.calibration.scale_component(value, tuple(_um(micrograph, along)))
    parts = [
        Component(name=f"{word} edge", u=spread * um_along, dof=_GROUPS - 1, kind="A",
                  source="scatter between groups of parallel profiles")
        for word, spread in zip(("first", "second"), spreads, strict=True)
    ]  # fmt: skip
    components = None if scale is None else (scale, *parts)
    estimate = Estimate(value=value, unit="um", components=components)
    return Reading(
        quantity="edge_distance_by_hand", estimate=estimate, points_px=edges, course_px=edges
    )


TOOLS = {
    tool.name: tool
    for tool in (
        Tool(name="distance", title="Distance", points=2, read=distance),
        Tool(name="angle", title="Angle", points=3, read=angle),
        Tool(name="radius", title="Radius", points=3, read=radius),
        Tool(name="edges", title="Distance of two edges", points=2, read=edge_distance),
    )
}


def _by_hand(
    quantity: str,
    value: float,
    unit: str,
    points_px: FloatArray,
    *,
    course: FloatArray | None = None,
) -> Reading:
    estimate = Estimate(value=value, unit=unit, components=None)
    drawn = points_px if course is None else course
    return Reading(quantity=quantity, estimate=estimate, points_px=points_px, course_px=drawn)


def _um(micrograph: Micrograph, offsets_px: FloatArray) -> FloatArray:
    return np.asarray(offsets_px, float) * micrograph.calibration.um_per_px


def _circle(points_um: FloatArray, radius_um: float) -> FloatArray:
    """Return a circle through three points as a closed line, um."""
    (ax, ay), (bx, by), (cx, cy) = points_um
    doubled = 2 * (ax * (by - cy) + bx * (cy - ay) + cx * (ay - by))
    squares = (points_um**2).sum(axis=1)
    x = (squares * np.array([by - cy, cy - ay, ay - by])).sum() / doubled
    y = (squares * np.array([cx - bx, ax - cx, bx - ax])).sum() / doubled
    turn = np.linspace(0, 2 * math.pi, 181)
    return np.column_stack([x + radius_um * np.cos(turn), y + radius_um * np.sin(turn)])


def _edge(
    micrograph: Micrograph, at_px: FloatArray, along: FloatArray, reach: int
) -> tuple[float, float]:
    """Return an edge's place along the line and its standard uncertainty, pixels; NaN for none."""
    profiles = _profiles(micrograph, at_px, along, reach)
    if not np.isfinite(profiles).all():
        return math.nan, math.nan
    places = np.arange(-reach, reach + 1.0)
    mean = profiles.mean(axis=0)
    fitted = _fit(places, mean, None)
    if fitted is None:
        return math.nan, math.nan
    place, spread, step, noise = fitted
    if abs(place) > reach - 2 or abs(step) < _LEAST_STEP * noise:
        return math.nan, math.nan
    each = [
        one[0]
        for group in np.split(profiles, _GROUPS)
        if (one := _fit(places, group.mean(axis=0), (place, spread))) is not None
    ]
    if len(each) < _GROUPS:
        return math.nan, math.nan
    return place, float(np.std(each, ddof=1)) / math.sqrt(_GROUPS)


def _profiles(
    micrograph: Micrograph, at_px: FloatArray, along: FloatArray, reach: int
) -> FloatArray:
    """Sample parallel lines, one pixel apart; NaN outside the image; shape (lines, samples)."""
    import cv2

    across = np.array([-along[1], along[0]])
    count = _GROUPS * _LINES_EACH
    steps = np.arange(-reach, reach + 1.0)
    offsets = np.arange(count) - (count - 1) / 2
    points = at_px + offsets[:, None, None] * across + steps[None, :, None] * along
    points = (points - micrograph.origin_px).astype(np.float32)
    # Linear sampling is exact on a ramp; the cubic one of this library is not.
    return np.asarray(
        cv2.remap(
            micrograph.grey(), points[..., 0], points[..., 1], cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT, borderValue=math.nan,
        ),
        dtype=np.float64,
    )  # fmt: skip


def _fit(
    places: FloatArray, values: FloatArray, start: tuple[float, float] | None
) -> tuple[float, float, float, float] | None:
    """Fit a blurred step; return place, spread, height and noise, or None where it fails."""
    from scipy.optimize import least_squares
    from scipy.special import erf

    if start is None:
        smooth = np.convolve(values, (0.25, 0.5, 0.25), mode="same")
        slope = np.gradient(smooth)[2:-2]
        # Of several edges the one nearest to the point, unless another is far clearer.
        weight = np.abs(slope) * np.exp(-((places[2:-2] / places[-1]) ** 2))
        start = (float(places[2:-2][np.argmax(weight)]), 1.5)
    near = np.abs(places - start[0]) <= max(6.0, 4 * abs(start[1]))
    x, y = places[near], values[near]

    def misfit(unknowns: FloatArray) -> FloatArray:
        place, spread, low, step = unknowns
        model = low + step / 2 * (1 + erf((x - place) / (math.sqrt(2) * abs(spread) + 1e-9)))
        return np.asarray(model - y)

    found = least_squares(misfit, (*start, y[0], y[-1] - y[0]), method="lm", max_nfev=400)
    if not found.success:
        return None
    place, spread, _, step = found.x
    noise = math.sqrt(2 * found.cost / max(1, len(x) - 4))
    return float(place), float(abs(spread)), float(step), noise
