"""Thickness of films and sheets in cross-section, layer by layer.

Definition: the distance between the two edges of a layer, along the normal of its local
mid-line, each edge at the half-way level between the plateaus on its two sides.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from micromeasure.calibration.file import Calibration
from micromeasure.edges.step import width_in_sigmas
from micromeasure.estimate import Component, Estimate, rounded
from micromeasure.fields import declared
from micromeasure.micrograph.image import Micrograph
from micromeasure.outcome import Mark, Measurement, Outcome, Trace
from micromeasure.quantities.declare import Frames, Quantity, Settings

if TYPE_CHECKING:
    from micromeasure.film.measure import MeasuredStack
    from micromeasure.film.thickness import LayerThickness, Variation

FloatArray = NDArray[np.float64]

# Standard deviation of a Gaussian as wide as the line image of an ideal aperture, in λ/NA.
DIFFRACTION_SIGMA = 0.22
OUT_OF_FOCUS = 2.5  # edges this many times wider than aperture and pixel predict
MANY_CLIPPED = 0.01
FEW_PROFILES = 0.5
MAX_MARK_POINTS = 800


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmThicknessSettings(Settings):
    """Settings of `film_thickness` and `sheet_thickness`."""

    layers: tuple[str, ...] = declared(
        "texts", ("film",), help="names of the layers, top to bottom or left to right"
    )
    direction_deg: float | None = declared(
        "number", None, unit="deg", low=-180, high=180,
        help="direction of the film from the x axis towards y; found in the image if not given",
    )  # fmt: skip

    def __post_init__(self) -> None:
        """Refuse two layers of one name."""
        if len(set(self.layers)) != len(self.layers):
            message = f"layers {', '.join(self.layers)}: a name occurs twice; name each once."
            raise ValueError(message)


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetThicknessSettings(FilmThicknessSettings):
    """Settings of `sheet_thickness`: as for films, with a name for a single sheet."""

    layers: tuple[str, ...] = declared(
        "texts", ("sheet",), help="names of the layers, top to bottom or left to right"
    )


def measure_thickness(
    micrograph: Micrograph, settings: FilmThicknessSettings, frames: Frames
) -> Outcome:
    """Measure the thickness of each layer of a film section.

    Parameters
    ----------
    micrograph : Micrograph
    settings : FilmThicknessSettings
    frames : mapping
        Not used.

    Returns
    -------
    Outcome
        ``mean``, ``sd``, ``min`` and ``max`` of each layer over the length measured, all as
        true thickness: apparent thickness times the cosine of the section tilt. ``sd`` is the
        film's own variation with the noise of the measurement taken out. ``min`` and ``max``
        are those of the local thickness averaged over the length that gives the smallest
        expected error; single noisy profiles do not make them.

    Raises
    ------
    MeasurementError
        If no film, or another number of edges than the layers ask for, or too few undisturbed
        profiles are found.
    """
    from micromeasure.film.measure import measure_stack
    from micromeasure.film.thickness import variation
    from micromeasure.micrograph.response import response_of

    record = micrograph.record
    stack = measure_stack(
        micrograph,
        len(settings.layers),
        response=response_of(micrograph),
        region=settings.region or record.region,
        direction_deg=settings.direction_deg,
    )
    stack = _freed_of_distortion(stack, micrograph.calibration)
    measurements: list[Measurement] = []
    traces: list[Trace] = []
    captions: list[str] = []
    facts: dict[str, object] = {}
    for k, name in enumerate(settings.layers):
        layer = stack.layers[k]
        vary = variation(layer)
        rows = _measurements(micrograph, stack, k, name=name, vary=vary)
        measurements.extend(rows)
        traces.append(_trace(name, stack, layer, vary=vary, factor=_cos_tilt(micrograph)))
        value, u = rounded(rows[0].estimate.value, rows[0].estimate.standard_uncertainty)
        captions.append(f"{name}: {value} µm, u = {u} µm")
        facts[name] = _layer_facts(stack, k, vary)
    return Outcome(
        measurements=tuple(measurements),
        traces=tuple(traces),
        marks=_marks(stack, settings.region or record.region),
        caption="\n".join(captions),
        facts=facts,
    )


def _freed_of_distortion(stack: "MeasuredStack", calibration: Calibration) -> "MeasuredStack":
    """Return a stack with its local thickness as long as it is, not as the objective shows it."""
    if calibration.distortion is None:
        return stack
    layers = [_stretched(stack, layer, calibration) for layer in stack.layers]
    return replace(stack, layers=layers)


def _stretched(
    stack: "MeasuredStack", layer: "LayerThickness", calibration: Calibration
) -> "LayerThickness":
    scale = np.asarray(calibration.um_per_px)
    middle = stack.frame.image_points(layer.rows, layer.middle_px) * scale
    along = np.gradient(middle, axis=0)
    normal = np.column_stack([-along[:, 1], along[:, 0]]) / np.hypot(*along.T)[:, None]
    half = 0.5 * float(np.nanmedian(layer.thickness_um)) * normal
    ends = [calibration.to_um((middle + sign * half) / scale) for sign in (1.0, -1.0)]
    stretch = np.hypot(*(ends[0] - ends[1]).T) / (2.0 * np.hypot(*half.T))
    return replace(layer, thickness_um=layer.thickness_um * stretch)


def _cos_tilt(micrograph: Micrograph) -> float:
    return math.cos(math.radians(micrograph.record.section_tilt_deg or 0.0))


def _measurements(
    micrograph: Micrograph, stack: "MeasuredStack", k: int, *, name: str, vary: "Variation"
) -> list[Measurement]:
    layer = stack.layers[k]
    cosine = _cos_tilt(micrograph)
    flags = _flags(micrograph, stack, k)
    apparent = float(np.average(layer.thickness_um[layer.good]))
    dark_edges = _dark_edges(stack, k)
    offset = micrograph.calibration.edge_offset_um or 0.0
    edge = [
        Component(
            name="edge location",
            u=layer.u_mean_um * cosine,
            kind="A",
            source="residuals of the fit, correlation along the film included",
        ),
        *_left_out(layer, vary, cosine),
    ]
    noise = Component(
        name="edge location", u=vary.u_extreme_um * cosine, kind="A", source="noise of the trace"
    )
    n = int(np.count_nonzero(layer.good))
    rows = []
    for statistic, value, own in (
        ("mean", apparent, edge),
        ("min", vary.min_um, [noise]),
        ("max", vary.max_um, [noise]),
    ):
        true = (value - dark_edges * offset) * cosine
        shared = _shared(micrograph, layer, true, dark_edges=dark_edges)
        rows.append(_row(name, statistic, true, own=own, shared=shared, n=n, flags=flags))
    spread = Component(
        name="edge location", u=vary.u_sd_um * cosine, kind="A", source="noise taken out of the sd"
    )
    sd = vary.sd_um * cosine
    scale = micrograph.calibration.scale_component(sd, _direction(layer))
    shared = None if scale is None else [scale]
    rows.insert(1, _row(name, "sd", sd, own=[spread], shared=shared, n=n, flags=flags))
    return rows


def _row(
    name: str,
    statistic: str,
    value: float,
    *,
    own: Sequence[Component],
    shared: Sequence[Component] | None,
    n: int,
    flags: tuple[str, ...],
) -> Measurement:
    components = None if shared is None else (*shared, *own)
    return Measurement(
        feature=name,
        statistic=statistic,
        estimate=Estimate(value=value, unit="um", components=components),
        n=n,
        flags=flags,
    )


def _shared(
    micrograph: Micrograph, layer: "LayerThickness", true_um: float, *, dark_edges: int
) -> list[Component] | None:
    """Return what the scale, the optics' edge offset and the section tilt contribute."""
    calibration = micrograph.calibration
    scale = calibration.scale_component(true_um, _direction(layer))
    if scale is None:
        return None
    components = [scale]
    cosine = _cos_tilt(micrograph)
    if calibration.u_edge_offset_um is not None:
        components.append(
            Component(
                name="edge offset",
                u=-dark_edges * calibration.u_edge_offset_um * cosine,
                shared=f"edge-offset:{calibration.id}",
                source=f"calibration {calibration.id}",
            )
        )
    tilt = _tilt_component(micrograph, true_um)
    return components if tilt is None else [*components, tilt]


def _tilt_component(micrograph: Micrograph, true_um: float) -> Component | None:
    """Return what the section tilt contributes, to second order in its uncertainty.

    Near zero tilt the first derivative of the cosine vanishes (JCGM 100, 5.1.2, note); there
    the cosine's own curvature gives the spread: its mean departs by u²/2, its standard
    deviation is u²/sqrt(2), together sqrt(3)/2 u².
    """
    record = micrograph.record
    if record.u_section_tilt_deg is None:
        return None
    tilt = math.radians(record.section_tilt_deg or 0.0)
    u = math.radians(record.u_section_tilt_deg)
    first, second = math.tan(tilt) * u, math.sqrt(0.75) * u * u
    return Component(name="section tilt", u=true_um * math.hypot(first, second), source="manifest")


def _direction(layer: "LayerThickness") -> tuple[float, float]:
    return math.sqrt(layer.normal[0]), math.sqrt(layer.normal[1])


def _dark_edges(stack: "MeasuredStack", k: int) -> int:
    """Return 2 for a layer darker than both neighbours, -2 for a brighter one, else 0.

    An edge that the optics show too far towards its bright side makes a dark layer too thick
    by that offset at each of its edges.
    """
    return int(np.sign(stack.step_at(k + 1)) - np.sign(stack.step_at(k)))


def _left_out(layer: "LayerThickness", vary: "Variation", cosine: float) -> list[Component]:
    """Return what the mean may differ by from that of all film in the image.

    Left out are spoilt stretches and, near the border, those that show one edge only.
    """
    n, used = layer.visible_rows, int(np.count_nonzero(layer.good))
    if used >= n or vary.sd_um == 0.0:
        return []
    # Pieces of the trace that vary on their own: few of them say little about how much the film
    # varies, and their spread about their own mean is too small.
    apart = max(2.0, used / vary.correlation_rows)
    u = vary.sd_um * math.sqrt((1.0 - used / n) / (apart - 1.0)) * cosine
    return [
        Component(
            name="stretches left out", u=u, dof=apart - 1.0, kind="A",
            source="the film's own variation along it",
        )
    ]  # fmt: skip


def _flags(micrograph: Micrograph, stack: "MeasuredStack", k: int) -> tuple[str, ...]:
    layer = stack.layers[k]
    sigma_um = stack.sigma_px(k) * layer.um_per_px_across
    thickness = float(np.mean(layer.thickness_um[layer.good]))
    light = micrograph.calibration.light
    flags = []
    if thickness < width_in_sigmas(0.1, 0.9) * sigma_um:
        flags.append("resolution-limited")
    if light.numerical_aperture is not None and light.wavelength_nm is not None:
        diffraction = DIFFRACTION_SIGMA * light.wavelength_nm / 1000.0 / light.numerical_aperture
        pixel = layer.um_per_px_across / math.sqrt(12.0)
        if sigma_um > OUT_OF_FOCUS * math.hypot(diffraction, pixel):
            flags.append("out-of-focus")
    touching = [g for g in stack.groups if {k, k + 1} & set(g.edges)]
    if max(g.clipped for g in touching) > MANY_CLIPPED:
        flags.append("saturated")
    if float(np.mean(layer.good)) < FEW_PROFILES:
        flags.append("few-profiles")
    return tuple(flags)


def _trace(
    name: str, stack: "MeasuredStack", layer: "LayerThickness", *, vary: "Variation", factor: float
) -> Trace:
    points = stack.frame.image_points(layer.rows, layer.middle_px)
    return Trace(
        name=name,
        columns={
            "distance_um": layer.distance_um,
            "thickness_um": layer.thickness_um * factor,
            "smooth_thickness_um": vary.smooth_um * factor,
            "x_px": points[:, 0],
            "y_px": points[:, 1],
        },
    )


def _layer_facts(stack: "MeasuredStack", k: int, vary: "Variation") -> dict[str, object]:
    layer = stack.layers[k]
    step_um = float(np.median(np.diff(layer.distance_um)))
    middle = stack.frame.image_points(layer.rows, layer.middle_px)
    run = (middle[-1] - middle[0]) * np.array(stack.frame.um_per_px)
    return {
        "direction_deg": math.degrees(math.atan2(run[1], run[0])) % 180.0,
        "edge_sigma_um": stack.sigma_px(k) * layer.um_per_px_across,
        "length_um": float(layer.distance_um[-1]),
        "profiles": int(layer.good.size),
        "share_used": float(np.mean(layer.good)),
        "smoothing_um": vary.length_rows * step_um,
        "correlation_length_um": vary.correlation_rows * step_um,
        "noise_of_one_profile_um": layer.noise_um,
        "inflation_by_correlation": layer.inflation,
        "misfit_of_contrast": max(g.misfit for g in stack.groups if {k, k + 1} & set(g.edges)),
    }


def _marks(
    stack: "MeasuredStack", region: tuple[float, float, float, float] | None
) -> tuple[Mark, ...]:
    marks = []
    if region is not None:
        x0, y0, x1, y1 = region
        corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
        marks.append(Mark(role="region", points_px=corners, closed=True))
    for k, layer in enumerate(stack.layers):
        every = slice(None, None, max(1, layer.rows.size // MAX_MARK_POINTS))
        sides = [layer.lower_px, layer.upper_px] if k == 0 else [layer.upper_px]
        marks.extend(
            _line(stack, layer, side, role="edge", seen=layer.good, every=every) for side in sides
        )
        marks.append(
            _line(stack, layer, layer.middle_px, role="mid-line", seen=layer.good, every=every)
        )
        if not layer.good.all():
            marks.append(
                _line(
                    stack,
                    layer,
                    layer.middle_px,
                    role="excluded",
                    seen=~layer.good,
                    every=slice(None),
                )
            )
    return tuple(marks)


def _line(
    stack: "MeasuredStack",
    layer: "LayerThickness",
    cols: FloatArray,
    *,
    role: str,
    seen: NDArray[np.bool_],
    every: slice,
) -> Mark:
    points = stack.frame.image_points(layer.rows, cols)
    points[~seen] = np.nan
    return Mark(role=role, points_px=points[every])


QUANTITIES = (
    Quantity(
        name="film_thickness",
        title="film thickness",
        unit="um",
        settings=FilmThicknessSettings,
        measure=measure_thickness,
        method="edges by joint fit of blurred steps 1",
    ),
    Quantity(
        name="sheet_thickness",
        title="sheet thickness",
        unit="um",
        settings=SheetThicknessSettings,
        measure=measure_thickness,
        method="edges by joint fit of blurred steps 1",
    ),
)
