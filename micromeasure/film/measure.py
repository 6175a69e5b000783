"""From a micrograph to the local thickness of every layer: the steps in their order."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.errors import MeasurementError
from micromeasure.film.fit import UNSETTLED
from micromeasure.film.follow import Course, follow_films
from micromeasure.film.frame import Frame
from micromeasure.film.locate import MIN_ROWS, LocatedGroup, locate_edges
from micromeasure.film.stack import Stack, find_stack
from micromeasure.film.thickness import LayerThickness, layer_thickness
from micromeasure.micrograph.image import Micrograph, Rectangle
from micromeasure.micrograph.response import Response

FloatArray = NDArray[np.float64]

CLEARLY_WIDER = 2.0  # a scratch across a film is a stack of edges too, but a thin one
CLEARLY_STRONGER = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredStack:
    """All layers of a stack as found in one image.

    Attributes
    ----------
    frame : Frame
    groups : list of LocatedGroup
    layers : list of LayerThickness
        In order, left to right or top to bottom.
    """

    frame: Frame
    groups: list[LocatedGroup]
    layers: list[LayerThickness]

    def step_at(self, edge: int) -> float:
        """Return the change of level at an edge, left to right (top to bottom)."""
        found = next(g for g in self.groups if edge in g.edges)
        return float(np.median(found.group.common.steps[found.edges.index(edge)]))

    def sigma_px(self, layer: int) -> float:
        """Return the blur at a layer's edges, px along the normal."""
        return max(g.sigma_px for g in self.groups if {layer, layer + 1} & set(g.edges))


def measure_stack(
    micrograph: Micrograph,
    n_layers: int,
    *,
    response: Response,
    region: Rectangle | None = None,
    direction_deg: float | None = None,
) -> MeasuredStack:
    """Find a stack of layers and measure its local thickness.

    Parameters
    ----------
    micrograph : Micrograph
    n_layers : int
    response : Response
        Camera response; the half-way level is that of light, not of stored values.
    region : tuple of four floats, optional
        ``x0 y0 x1 y1`` in full-image pixels.
    direction_deg : float, optional
        Direction of the film from x towards y; found if not given.

    Returns
    -------
    MeasuredStack

    Raises
    ------
    MeasurementError
        If no film or another number of edges is found, or what is found is doubtful.
    """
    pixels, origin = _cut_out(micrograph, region)
    courses = follow_films(pixels, direction_deg)
    if not courses:
        message = (
            "No direction prevails in the image, so no straight edges were found; check that they "
            "are in focus, or give a region (for a film, direction_deg as well)."
        )
        raise MeasurementError(message)
    frames = [
        Frame(
            pixels=pixels,
            turned=course.turned,
            origin_px=origin,
            um_per_px=micrograph.calibration.um_per_px,
            response=response,
        )
        for course in courses
    ]
    frame, stack = _likeliest(frames, courses, n_layers + 1)
    try:
        # A fit that runs away is caught by what comes out of it.
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            groups = locate_edges(frame, stack, micrograph.full_scale)
            layers = [layer_thickness(frame, groups, k) for k in range(n_layers)]
    except np.linalg.LinAlgError as error:
        raise MeasurementError(UNSETTLED) from error
    for layer in layers:
        _check_layer(layer)
    return MeasuredStack(frame=frame, groups=groups, layers=layers)


def _likeliest(frames: list[Frame], courses: list[Course], n_edges: int) -> tuple[Frame, Stack]:
    """Return the pattern that has the edges asked for; refuse a choice between two."""
    found: list[tuple[Frame, Stack, float]] = []
    refusal: MeasurementError | None = None
    for frame, course in zip(frames, courses, strict=True):
        try:
            stack = find_stack(frame, course, n_edges)
        except MeasurementError as error:
            refusal = refusal or error
            continue
        # A bent film has several directions; following each of them ends on the same film.
        if not any(_is_same(frame, stack, other) for other in found):
            found.append((frame, stack, course.share))
    if not found:
        raise refusal or MeasurementError(UNSETTLED)
    found.sort(key=lambda entry: entry[1].width_px, reverse=True)
    widest, others = found[0], found[1:]
    for other in others:
        wider = widest[1].width_px / other[1].width_px
        if wider < CLEARLY_WIDER and widest[2] < CLEARLY_STRONGER * other[2]:
            message = (
                f"Two patterns of {n_edges} edges cross in the image, {widest[1].width_px:.0f} "
                f"and {other[1].width_px:.0f} px wide; give direction_deg or a region."
            )
            raise MeasurementError(message)
    return widest[0], widest[1]


def _is_same(frame: Frame, stack: Stack, other: tuple[Frame, Stack, float]) -> bool:
    """Return whether two stacks lie on one another over most of the shorter one."""
    points, others = (
        f.image_points(s.rows, 0.5 * (s.edges_px[0] + s.edges_px[-1]))[s.seen.all(axis=0)]
        for f, s in ((frame, stack), other[:2])
    )
    if not (len(points) and len(others)):
        return False
    # Bands lie apart along the film: their distance must not count as distance of the films.
    dense = np.linspace(0.0, len(others) - 1.0, 20 * len(others))
    line = np.column_stack(
        [np.interp(dense, np.arange(len(others)), others[:, axis]) for axis in (0, 1)]
    )
    gaps = np.min(np.hypot(*(points[:, None, :] - line[None, :, :]).transpose(2, 0, 1)), axis=1)
    return bool(np.median(gaps) < 0.5 * max(stack.width_px, other[1].width_px))


def _cut_out(
    micrograph: Micrograph, region: Rectangle | None
) -> tuple[NDArray[np.generic], tuple[int, int]]:
    """Return the searched pixels and their origin in the whole image."""
    x0, y0 = micrograph.origin_px
    if region is None:
        return micrograph.pixels, (x0, y0)
    rows, cols = micrograph.pixels.shape[:2]
    left, top = (max(0, math.ceil(v - o)) for v, o in zip(region[:2], (x0, y0), strict=True))
    right, bottom = (
        min(n, math.floor(v - o) + 1)
        for v, o, n in zip(region[2:], (x0, y0), (cols, rows), strict=True)
    )
    if right - left < MIN_ROWS or bottom - top < MIN_ROWS:
        message = (
            f"The region {' '.join(f'{v:g}' for v in region)} holds {max(0, right - left)} by "
            f"{max(0, bottom - top)} px of the image, at least {MIN_ROWS} each way are needed; "
            "correct the region."
        )
        raise MeasurementError(message)
    # A contiguous copy of the region keeps the indexing of single pixels quick.
    cut = np.ascontiguousarray(micrograph.pixels[top:bottom, left:right])
    return cut, (x0 + left, y0 + top)


def _check_layer(layer: LayerThickness) -> None:
    """Refuse what contradicts itself: too few rows, no thickness, halves that disagree."""
    n = int(np.count_nonzero(layer.good))
    if n < MIN_ROWS:
        message = (
            f"Only {n} of {layer.good.size} profiles show both edges of a layer free of dust, "
            f"scratches and gaps, at least {MIN_ROWS} are needed; give a better region."
        )
        raise MeasurementError(message)
    values = layer.thickness_um[layer.good]
    if not math.isfinite(float(np.sum(values)) + layer.u_mean_um + layer.noise_um):
        raise MeasurementError(UNSETTLED)
    if float(np.median(values)) <= 0.0:
        message = "The edges found lie on one another; the layer is too thin for this objective."
        raise MeasurementError(message)
