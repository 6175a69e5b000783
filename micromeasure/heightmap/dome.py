"""Dome height and crown radius from a focus stack or a ready height map."""

import math
from dataclasses import dataclass

import numpy as np

from micromeasure.errors import MeasurementError
from micromeasure.estimate import Component, Estimate, rounded
from micromeasure.heightmap.focus import (
    BLOCK_PX,
    SMOOTHING_BLOCKS,
    FocusMap,
    grey_slices,
    map_focus,
)
from micromeasure.heightmap.surface import Cap, HeightMap, measure_cap
from micromeasure.micrograph.image import Micrograph
from micromeasure.outcome import FloatArray, Mark, Measurement, Outcome, Trace

# What interpolating between slices leaves of a height, as a share of the step; it runs with
# height and averages out over a dome only in part. Found with rendered stacks.
_INTERPOLATION_STEP = 0.03
_RIPPLE_STEP = 0.1
_ANGLES = 72


def is_height_map(micrograph: Micrograph) -> bool:
    """Whether an image holds heights, or slices to find heights from, instead of a side view."""
    extra = micrograph.record.extra
    return micrograph.slices is not None or bool(extra.get("z_um_per_unit"))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Source:
    """A height map with what is known of its z scale.

    Attributes
    ----------
    heights : HeightMap
    u_relative : float or None
        Relative standard uncertainty of the z scale, None where it is not stated.
    interpolation_um : float
        Standard uncertainty of a height from interpolating between slices.
    name : str
        For the facts.
    flags : tuple of str
    """

    heights: HeightMap
    u_relative: float | None
    interpolation_um: float
    name: str
    flags: tuple[str, ...] = ()


def measure_dome_height_map(
    micrograph: Micrograph, region: tuple[float, float, float, float] | None
) -> Outcome:
    """Measure dome height and crown radius in a height map or focus stack.

    Parameters
    ----------
    micrograph : Micrograph
        Its record names ``z_step_um`` (with `slices`) or ``z_um_per_unit``, and may name
        ``u_z_step_um`` or ``u_z_um_per_unit``.
    region : tuple of four floats or None
        ``x0 y0 x1 y1`` in pixels.

    Returns
    -------
    Outcome

    Raises
    ------
    MeasurementError
        If crown or rim cannot be found, or a z scale is no number.
    """
    chosen = micrograph.record.region or region
    source = _from_stack(micrograph, chosen) if micrograph.slices else _from_map(micrograph, chosen)
    cap = measure_cap(source.heights)
    height, radius = _height(cap, source, micrograph), _radius(cap, source, micrograph)
    value, u = rounded(height.estimate.value, height.estimate.standard_uncertainty)
    return Outcome(
        measurements=(height, radius),
        traces=(_profile(cap, source.heights),),
        marks=_marks(cap, micrograph),
        caption=f"dome height {value} ± {u} µm",
        facts={
            "source": source.name,
            "rim": "surroundings" if cap.has_surroundings else "edge of the dome",
            "rim_radius_um": round(cap.rim_radius_um, 2),
            "residual_um": round(cap.residual_um, 4),
            "known_share": round(float(np.isfinite(source.heights.z_um).mean()), 4),
        },
    )


def _number(micrograph: Micrograph, column: str) -> float | None:
    text = micrograph.record.extra.get(column, "").strip()
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or value == 0:
        message = f"manifest, {column}: found {text!r}; must be a number other than 0"
        raise MeasurementError(message)
    return value


def _from_stack(micrograph: Micrograph, region: tuple[float, ...] | None) -> _Source:
    step = _number(micrograph, "z_step_um")
    if step is None or micrograph.slices is None:
        message = "a focus stack needs z_step_um in the manifest"
        raise MeasurementError(message)
    x0, y0, x1, y1 = _bounds(micrograph, region)
    slices = (image[y0:y1, x0:x1] for image in grey_slices(micrograph.slices()))
    focus = map_focus(slices)
    x, y = focus.centres_px()
    sx, sy = micrograph.calibration.um_per_px
    u_step = _number(micrograph, "u_z_step_um")
    # A Gaussian of so many blocks across shares its noise among about half their square.
    correlated = SMOOTHING_BLOCKS**2 / 2
    heights = HeightMap(
        x_um=(x + x0) * sx, y_um=(y + y0) * sy, z_um=focus.slice_number * step,
        correlated=correlated, ripple_um=_RIPPLE_STEP * abs(step),
    )  # fmt: skip
    return _Source(
        heights=heights, u_relative=None if u_step is None else abs(u_step / step),
        interpolation_um=_INTERPOLATION_STEP * abs(step),
        name=f"focus stack, {focus.n_slices} slices", flags=_doubts(focus),
    )  # fmt: skip


def _doubts(focus: FocusMap) -> tuple[str, ...]:
    known = float(np.isfinite(focus.slice_number).mean())
    return ("low-texture",) if known < 0.5 else ()


def _from_map(micrograph: Micrograph, region: tuple[float, ...] | None) -> _Source:
    scale = _number(micrograph, "z_um_per_unit")
    if scale is None:
        message = "a height map needs z_um_per_unit in the manifest"
        raise MeasurementError(message)
    x0, y0, x1, y1 = _bounds(micrograph, region)
    pixels = micrograph.pixels if micrograph.pixels.ndim == 2 else micrograph.grey()
    z = pixels[y0:y1, x0:x1].astype(np.float64) * scale
    sx, sy = micrograph.calibration.um_per_px
    u_scale = _number(micrograph, "u_z_um_per_unit")
    heights = HeightMap(
        x_um=np.arange(x0, x1, dtype=np.float64) * sx,
        y_um=np.arange(y0, y1, dtype=np.float64) * sy,
        z_um=z,
        correlated=_correlated(z),
    )
    return _Source(
        heights=heights, u_relative=None if u_scale is None else abs(u_scale / scale),
        interpolation_um=0.0, name="height map",
    )  # fmt: skip


def _correlated(z: FloatArray) -> float:
    """Estimate how many neighbours share their noise, from second differences at two distances.

    White noise has second differences of one size at every distance; smoothed noise has smaller
    ones close by.
    """

    def spread(lag: int) -> float:
        second = z[:, : -2 * lag] - 2 * z[:, lag:-lag] + z[:, 2 * lag :]
        known = second[np.isfinite(second)]
        return 1.4826 * float(np.median(np.abs(known))) if len(known) > 20 else math.nan

    if z.shape[1] < 40:
        return 4.0
    near, far = spread(1), spread(5)
    if not (math.isfinite(near) and math.isfinite(far)) or near <= 0:
        return 4.0
    return float(np.clip((far / near) ** 2, 1.0, 100.0))


def _bounds(micrograph: Micrograph, region: tuple[float, ...] | None) -> tuple[int, int, int, int]:
    rows, cols = micrograph.pixels.shape[:2]
    if region is None:
        return 0, 0, cols, rows
    ox, oy = micrograph.origin_px
    x0, y0 = max(0, math.floor(region[0]) - ox), max(0, math.floor(region[1]) - oy)
    x1, y1 = min(cols, math.ceil(region[2]) - ox + 1), min(rows, math.ceil(region[3]) - oy + 1)
    if x1 - x0 < 4 * BLOCK_PX or y1 - y0 < 4 * BLOCK_PX:
        message = f"the region is {x1 - x0} x {y1 - y0} px; a height map needs {4 * BLOCK_PX} px"
        raise MeasurementError(message)
    return x0, y0, x1, y1


def _scaled(value: float, parts: list[Component], relative: float | None, key: str) -> Estimate:
    """Return an estimate with the z scale's component; unknown where that is unknown."""
    if relative is None:
        return Estimate(value=value, unit="um", components=None)
    scale = Component(name="z scale", u=value * relative, shared=key, source="manifest")
    return Estimate(value=value, unit="um", components=(scale, *parts))


def _height(cap: Cap, source: _Source, micrograph: Micrograph) -> Measurement:
    parts = [
        Component(name="crown and rim fits", u=cap.u_height_um, kind="A",
                  dof=max(5, cap.n / source.heights.correlated / 4), source=f"{cap.n} heights"),
        Component(name="interpolation", u=source.interpolation_um * math.sqrt(2),
                  source="between slices, at crown and rim"),
    ]  # fmt: skip
    estimate = _scaled(cap.height_um, parts, source.u_relative, _key(micrograph))
    return Measurement(
        feature="crown", statistic="value", estimate=estimate, n=cap.n,
        flags=(*micrograph.flags, *source.flags),
    )  # fmt: skip


def _radius(cap: Cap, source: _Source, micrograph: Micrograph) -> Measurement:
    # R = r²/(2 s) + s/2: twice the relative uncertainty of the lateral scale, once that of z.
    calibration = micrograph.calibration
    sagitta = cap.radius_um - math.sqrt(max(cap.radius_um**2 - cap.rim_radius_um**2, 0.0))
    ripple = cap.radius_um * source.interpolation_um / max(sagitta, 1e-9)
    parts = [
        Component(name="crown fit", u=cap.u_radius_um, kind="A", source=f"{cap.n} heights",
                  dof=max(5, cap.n / source.heights.correlated / 4)),
        Component(name="interpolation", u=ripple, source="between slices"),
    ]  # fmt: skip
    lateral = calibration.scale_component(cap.radius_um, (1.0, 1.0))
    if lateral is None:
        estimate = Estimate(value=cap.radius_um, unit="um", components=None)
    else:
        twice = Component(
            name="scale", u=2 * lateral.u, shared=lateral.shared, source=lateral.source
        )
        relative = None if source.u_relative is None else -source.u_relative
        estimate = _scaled(cap.radius_um, [twice, *parts], relative, _key(micrograph))
    return Measurement(
        feature="crown", statistic="value", estimate=estimate, n=cap.n, quantity="crown_radius",
        flags=(*micrograph.flags, *source.flags),
    )  # fmt: skip


def _key(micrograph: Micrograph) -> str:
    """Name the z scale: all stacks of one bench and step share their drive's error."""
    extra = micrograph.record.extra
    value = extra.get("z_step_um") or extra.get("z_um_per_unit", "")
    return f"z scale:{micrograph.calibration.id}:{value.strip()}"


def _profile(cap: Cap, heights: HeightMap) -> Trace:
    """Return the mean height above the rim's plane against the distance from the top."""
    grid_x, grid_y = np.meshgrid(heights.x_um, heights.y_um)
    plane = cap.plane[0] + cap.plane[1] * grid_x + cap.plane[2] * grid_y
    above = heights.z_um - plane
    distance = np.hypot(grid_x - cap.top_um[0], grid_y - cap.top_um[1])
    known = np.isfinite(above)
    step = max(float(np.diff(heights.x_um[:2])[0]), float(distance.max()) / 400)
    ring = (distance[known] / step).astype(np.intp)
    count = np.bincount(ring)
    mean = np.bincount(ring, above[known]) / np.maximum(count, 1)
    seen = count > 0
    place = (np.arange(len(count), dtype=np.float64) + 0.5) * step
    return Trace(name="radial profile", columns={"radius_um": place[seen], "height_um": mean[seen]})


def _marks(cap: Cap, micrograph: Micrograph) -> tuple[Mark, ...]:
    sx, sy = micrograph.calibration.um_per_px
    angle = np.linspace(0, 2 * math.pi, _ANGLES, endpoint=False)
    circle = cap.top_um + cap.rim_radius_um * np.column_stack([np.cos(angle), np.sin(angle)])
    scale = np.array([1 / sx, 1 / sy])
    origin = np.array(micrograph.origin_px, dtype=float)
    return (
        Mark(role="base-line", points_px=circle * scale + origin, label="rim", closed=True),
        Mark(role="point", points_px=cap.top_um[None] * scale + origin, label="crown"),
    )
