"""Dome height with crown radius, base chord, asymmetry and sheet thickness, from a side view."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from micromeasure.estimate import Component, Estimate, difference, rounded
from micromeasure.fields import declared
from micromeasure.micrograph.image import Micrograph
from micromeasure.outcome import FloatArray, Mark, Measurement, Outcome, Trace
from micromeasure.quantities.declare import (
    Derivation,
    Derived,
    Frames,
    Measured,
    Quantity,
    Settings,
)
from micromeasure.sideview.budget import (
    SAMPLING_PX,
    edge_offset,
    is_saturated,
    length_estimate,
    tilt_component,
)

if TYPE_CHECKING:
    from micromeasure.sideview.profile import BaseLine, Crown
    from micromeasure.sideview.strip import Strip, Thickness
    from micromeasure.sideview.view import DomeView, SideView

_METHOD = "dome-side-view/1"
_MAX_TRACE = 4000
# Limbs are measured where the surface has left the crown: this share of the way to the tip.
_LIMB_SHARE = (0.45, 0.75)


@dataclass(frozen=True, slots=True, kw_only=True)
class DomeSettings(Settings):
    """Settings of `dome_height`."""

    crown_arc_deg: float | None = declared(
        "number", None, unit="deg", above=0, high=120,
        help="angle over which the crown's circle is fitted; default: the widest where it holds",
    )  # fmt: skip
    base_line: tuple[float, float, float, float] | None = declared(
        "segment", None, unit="px",
        help="base line of a side view from foot to foot, x0 y0 x1 y1; default: found",
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Dome:
    """All parts of one measured dome."""

    view: "SideView"
    base: "BaseLine"
    crown: "Crown"
    strip: "Strip | None"
    outer: np.ndarray
    micrograph: Micrograph
    flags: tuple[str, ...]


def measure_dome(micrograph: Micrograph, settings: DomeSettings, frames: Frames) -> Outcome:
    """Measure the height of a dome's outer surface above its base line.

    In a side view the base line passes through the lowest points of the two feet, or along the
    support where one is seen; the crown is up in the image. In a focus stack (manifest column
    ``z_step_um``) or a height map (``z_um_per_unit``) the base is the plane through the rim.

    Parameters
    ----------
    micrograph : Micrograph
    settings : DomeSettings
    frames : mapping
        Not used.

    Returns
    -------
    Outcome
        `dome_height`, `crown_radius`, `base_chord`, `dome_asymmetry` and, where the inner
        surface is seen, `sheet_thickness` of crown and limbs.

    Raises
    ------
    MeasurementError
        Naming the part that could not be found.
    """
    from micromeasure.heightmap.dome import is_height_map, measure_dome_height_map

    if is_height_map(micrograph):
        return measure_dome_height_map(micrograph, settings.region)
    dome = _find(micrograph, settings)
    thicknesses = _thicknesses(dome)
    measurements = [_height(dome), _radius(dome), _chord(dome), _asymmetry(dome)]
    for feature, thickness in thicknesses.items():
        measurements += _thickness_rows(dome, feature, thickness)
    height = measurements[0].estimate
    value, u = rounded(height.value, height.standard_uncertainty)
    return Outcome(
        measurements=tuple(measurements),
        traces=_traces(dome),
        marks=_marks(dome),
        caption=f"dome height {value} ± {u} µm",
        facts=_facts(dome),
    )


def _find(micrograph: Micrograph, settings: DomeSettings) -> _Dome:
    from micromeasure.sideview.view import dome_view_of

    found = dome_view_of(
        micrograph, settings.region,
        base_line=settings.base_line, crown_arc_deg=settings.crown_arc_deg,
    )  # fmt: skip
    return _Dome(
        view=found.view, base=found.base, crown=found.crown, outer=found.outer,
        strip=found.strip, micrograph=micrograph, flags=_flags(micrograph, found),
    )  # fmt: skip


def _flags(micrograph: Micrograph, found: "DomeView") -> tuple[str, ...]:
    flags = list(micrograph.flags)
    outline = found.view.outline
    if is_saturated(micrograph, outline.pixels):
        flags.append("saturated")
    if found.base.left.is_irregular or found.base.right.is_irregular:
        flags.append("contact-irregular")
    if found.view.touches_border and found.base.is_support:
        # What lies on a support may go on outside the image.
        flags.append("outline-cut")
    if not found.crown.is_circle:
        flags.append("crown-not-circular")
    return tuple(dict.fromkeys(flags))


def _height(dome: _Dome) -> Measurement:
    base, crown, calibration = dome.base, dome.crown, dome.micrograph.calibration
    normal = np.array([-base.along_um[1], base.along_um[0]])
    factor, tilt = tilt_component(dome.micrograph, crown.height_um)
    # On a support both edges face up and their offsets cancel.
    edges = 0.0 if base.is_support else 2.0
    shift, offset = edge_offset(calibration, edges, is_bright=dome.view.part.is_bright)
    parts = [
        Component(name="crown fit", u=crown.u_height_um, dof=max(3, crown.arc.n / 4), kind="A",
                  source=f"circle over {crown.arc_deg:.0f}°, {crown.arc.n} points"),
        Component(name="base line", u=base.u_height_um(crown.along_um), kind="A",
                  source="support's edge" if base.is_support
                  else f"contacts: {base.left.kind}, {base.right.kind}"),
        Component(name="edge model", u=dome.view.outline.edge_model_um * math.sqrt(2)),
        *tilt, *offset,
    ]  # fmt: skip
    return Measurement(
        feature="crown", statistic="value", n=crown.arc.n, flags=dome.flags,
        estimate=length_estimate(factor * crown.height_um + shift, normal, calibration, parts),
    )  # fmt: skip


def _radius(dome: _Dome) -> Measurement:
    crown, calibration = dome.crown, dome.micrograph.calibration
    normal = np.array([-dome.base.along_um[1], dome.base.along_um[0]])
    radius = abs(crown.radius_um)
    # R = c²/(8 s): chord along the base, sagitta across. Both scale alike when the two scales
    # rest on one artefact, so the radius takes the scale's relative uncertainty once.
    # An edge that is off alike all along moves the radius by as much. Sampling depends on the
    # edge's direction, so that its share bends the outline.
    outline = dome.view.outline
    sagitta = radius * (1 - math.cos(math.radians(crown.arc_deg) / 2))
    bent = radius * SAMPLING_PX * outline.pixel_um / max(sagitta, 1e-9)
    shape = math.hypot(outline.edge_model_um, bent)
    parts = [
        Component(name="crown fit", u=crown.u_radius_um, dof=max(3, crown.arc.n / 4), kind="A",
                  source=f"circle over {crown.arc_deg:.1f}°, {crown.arc.n} points"),
        Component(name="edge model", u=shape),
    ]  # fmt: skip
    return Measurement(
        feature="crown", statistic="value", n=crown.arc.n, flags=dome.flags,
        quantity="crown_radius",
        estimate=length_estimate(crown.radius_um, normal, calibration, parts),
    )  # fmt: skip


def _chord(dome: _Dome) -> Measurement:
    base = dome.base
    u = math.hypot(base.left.u_along_um, base.right.u_along_um)
    part = Component(name="contacts", u=u, kind="A",
                     source=f"left {base.left.kind}, right {base.right.kind}")  # fmt: skip
    return Measurement(
        feature="all", statistic="value", n=2, flags=dome.flags, quantity="base_chord",
        estimate=length_estimate(base.chord_um, base.along_um, dome.micrograph.calibration, [part]),
    )  # fmt: skip


def _asymmetry(dome: _Dome) -> Measurement:
    base, crown = dome.base, dome.crown
    contacts = math.hypot(base.left.u_along_um, base.right.u_along_um) / 2
    parts = [
        Component(name="contacts", u=contacts, kind="A"),
        Component(name="crown fit", u=crown.u_along_um, kind="A"),
    ]
    off_centre = crown.along_um - base.chord_um / 2
    return Measurement(
        feature="crown", statistic="value", n=crown.arc.n, flags=dome.flags,
        quantity="dome_asymmetry",
        estimate=length_estimate(off_centre, base.along_um, dome.micrograph.calibration, parts),
    )  # fmt: skip


def _thicknesses(dome: _Dome) -> dict[str, "Thickness"]:
    from micromeasure.sideview.arc import into_frame
    from micromeasure.sideview.strip import measure_thickness

    strip, rough = dome.strip, dome.view.thickness_um
    if strip is None or rough is None:
        return {}
    outline, crown = dome.view.outline, dome.crown
    place = into_frame(outline.points_um[dome.outer], dome.base.origin_um, dome.base.along_um)[:, 0]
    half = min(crown.arc.half_width, 0.15 * dome.base.chord_um)
    stretches = {
        "crown": (
            dome.outer[np.abs(place - crown.along_um) <= half],
            np.concatenate([strip.inner_left[::-1], strip.inner_right]),
        ),
        "left limb": (_share(strip.outer_left), strip.inner_left),
        "right limb": (_share(strip.outer_right), strip.inner_right),
    }
    found = {
        feature: measure_thickness(outline, stretch, inner, rough)
        for feature, (stretch, inner) in stretches.items()
    }
    return {feature: thickness for feature, thickness in found.items() if thickness is not None}


def _share(side: np.ndarray) -> np.ndarray:
    low, high = (int(share * len(side)) for share in _LIMB_SHARE)
    return side[low:high]


def _thickness_rows(dome: _Dome, feature: str, thickness: "Thickness") -> list[Measurement]:
    calibration = dome.micrograph.calibration
    values, model = thickness.values_um, dome.view.outline.edge_model_um
    shift, offset = edge_offset(calibration, 2.0, is_bright=dome.view.part.is_bright)
    flags = dome.flags
    if values.mean() < 4 * thickness.sigma_um:
        flags = (*flags, "resolution-limited")
    parts = [
        Component(name="edge location", u=thickness.u_mean_um, kind="A",
                  dof=max(3, len(values) / 4), source=f"{len(values)} profiles"),
        Component(name="edge model", u=model * math.sqrt(2)),
        *offset,
    ]  # fmt: skip
    mean = length_estimate(float(values.mean()) + shift, thickness.normal_um, calibration, parts)
    # The spread of single profiles holds their own noise; sd of n values is known to sd/sqrt(2n).
    sd = float(values.std(ddof=1))
    spread = Estimate(value=sd, unit="um", components=(
        Component(name="sample size", u=sd / math.sqrt(2 * len(values)), kind="A"),))  # fmt: skip
    common: dict[str, Any] = {
        "feature": feature, "n": len(values), "flags": flags, "quantity": "sheet_thickness",
    }  # fmt: skip
    return [
        Measurement(statistic="mean", estimate=mean, **common),
        Measurement(statistic="sd", estimate=spread, **common),
    ]


def _traces(dome: _Dome) -> tuple[Trace, ...]:
    from micromeasure.sideview.arc import into_frame

    outline, base = dome.view.outline, dome.base
    surfaces = {"outer surface": dome.outer}
    if dome.strip is not None:
        surfaces["inner surface"] = np.concatenate(
            [dome.strip.inner_left[::-1], dome.strip.inner_right]
        )
    traces = []
    for name, points in surfaces.items():
        kept = points[outline.valid[points]]
        kept = kept[:: max(1, math.ceil(len(kept) / _MAX_TRACE))]
        uv = into_frame(outline.points_um[kept], base.origin_um, base.along_um)
        traces.append(Trace(name=name, columns={"along_um": uv[:, 0], "height_um": uv[:, 1]}))
    return tuple(traces)


def _marks(dome: _Dome) -> tuple[Mark, ...]:
    outline, base, crown = dome.view.outline, dome.base, dome.crown
    edge = outline.to_px(outline.points_um)
    edge[~outline.valid] = np.nan
    along, up = base.along_um, np.array([-base.along_um[1], base.along_um[0]])
    place = np.linspace(-crown.arc.half_width, crown.arc.half_width, 60)
    arc = _arc_points(crown, place)
    fit = base.origin_um + arc[:, :1] * along + arc[:, 1:] * up
    foot = base.origin_um + crown.along_um * along
    top = foot + crown.height_um * up
    margin = 0.05 * base.chord_um
    line = np.array([base.left.point_um - margin * along, base.right.point_um + margin * along])
    return (
        _mark(dome, "edge", edge),
        _mark(dome, "base-line", outline.to_px(line), "base line"),
        _mark(dome, "fit", outline.to_px(fit), f"R {abs(crown.radius_um):.0f} µm"),
        _mark(dome, "mid-line", outline.to_px(np.array([foot, top]))),
        _mark(dome, "point", outline.to_px(base.left.point_um)[None], "left foot"),
        _mark(dome, "point", outline.to_px(base.right.point_um)[None], "right foot"),
        _mark(dome, "point", outline.to_px(top)[None], "crown"),
    )


def _arc_points(crown: "Crown", place: FloatArray) -> FloatArray:
    """Return points of the crown's circle in the base line's frame."""
    c, slope = crown.arc.curvature, crown.arc.slope
    if abs(c) < 1e-12:
        height = crown.arc.offset + place * math.tan(slope)
    else:
        # The circle solved for v at given u about its centre.
        centre_u, centre_v = math.sin(slope) / c, crown.arc.offset - math.cos(slope) / c
        root = np.sqrt(np.maximum(1 / c**2 - (place - centre_u) ** 2, 0.0))
        height = centre_v + math.copysign(1.0, c) * root
    return np.column_stack([place + crown.centre_along_um, height])


def _mark(dome: _Dome, role: str, points_px: FloatArray, label: str = "") -> Mark:
    origin = np.array(dome.view.outline.frame.origin_px, dtype=float)
    return Mark(role=role, points_px=points_px + origin, label=label)


def _facts(dome: _Dome) -> dict[str, Any]:
    base, crown = dome.base, dome.crown
    return {
        "source": "side view",
        "base": "support" if base.is_support else f"{base.left.kind}, {base.right.kind}",
        "crown_arc_deg": round(crown.arc_deg, 2),
        "edge_sigma_px": round(dome.view.sigma_px, 3),
        "clean_share": round(float(dome.view.outline.valid.mean()), 4),
        "part_is_bright": dome.view.part.is_bright,
        "tilt_deg": round(math.degrees(math.atan2(base.along_um[1], base.along_um[0])), 3),
    }


def derive_travel(measured: Sequence[Measured]) -> Sequence[Derived]:
    """Return the height free minus the height pressed of each specimen.

    Several images of one state are averaged first; the scale they share counts once, on the
    difference.
    """
    from micromeasure.estimate import mean_of

    heights: dict[tuple[str, ...], dict[str, list[tuple[Measured, Measurement]]]] = {}
    for one in measured:
        for m in one.outcome.measurements:
            if m.quantity in {None, "dome_height"} and m.statistic == "value" and m.estimate.value:
                r = one.record
                key = (r.specimen, r.revision, r.position, r.view, m.feature)
                heights.setdefault(key, {}).setdefault(r.state, []).append((one, m))
    rows = []
    for (specimen, revision, position, view, feature), states in heights.items():
        if not specimen or not {"free", "pressed"} <= set(states):
            continue
        free, pressed = (mean_of([m.estimate for _, m in states[s]]) for s in ("free", "pressed"))
        sources = [pair for s in ("free", "pressed") for pair in states[s]]
        record = replace(
            sources[0][0].record, image="", specimen=specimen, revision=revision,
            position=position, view=view, state="", taken=None, region=None, fold=None, extra={},
        )  # fmt: skip
        flags = dict.fromkeys(flag for _, m in sources for flag in m.flags)
        rows.append(
            Derived(
                record=record,
                measurement=Measurement(
                    feature=feature, statistic="value", estimate=difference(free, pressed),
                    n=len(sources), flags=tuple(flags),
                ),
            )
        )  # fmt: skip
    return rows


QUANTITIES = (
    Quantity(
        name="dome_height", title="dome height", unit="um", settings=DomeSettings,
        measure=measure_dome, method=_METHOD,
    ),
)  # fmt: skip
DERIVATIONS = (
    Derivation(
        name="dome_travel", title="dome travel", unit="um", needs=("dome_height",),
        derive=derive_travel, method="dome-travel/1",
    ),
)  # fmt: skip
