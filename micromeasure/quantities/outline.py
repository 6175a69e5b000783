"""Outline deviation, area, perimeter and Feret diameters of a part's outer contour."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from micromeasure.estimate import Component, Estimate
from micromeasure.fields import declared
from micromeasure.micrograph.image import ImageRecord, Micrograph
from micromeasure.outcome import FloatArray, Mark, Measurement, Outcome, Trace
from micromeasure.quantities.declare import (
    Derivation,
    Derived,
    Drawing,
    Frames,
    Measured,
    Quantity,
    Settings,
)
from micromeasure.sideview.budget import is_saturated, length_estimate

if TYPE_CHECKING:
    from micromeasure.sideview.outline import Outline
    from micromeasure.sideview.register import Curve, OutlineSize, Overlay

# Smoothing along the outline, in points a pixel apart: for deviations, and for lengths.
_SMOOTH_DEVIATION = 3.0
_SMOOTH_LENGTH = 1.5
_MAX_POINTS = 2000
_MAGNIFICATIONS = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000)


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlineSettings(Settings):
    """Settings of `outline_deviation`."""

    reference_image: tuple[str, ...] | None = declared(
        "frames", None, help="image of the part to compare with; default: the mean of a revision"
    )
    reference: str = declared(
        "text", "", help="revision whose mean outline is compared with; default: the first"
    )
    any_turn: bool = declared(
        "yes-no", default=False, help="whether parts may lie turned by any angle in the images"
    )


def measure_outline(micrograph: Micrograph, settings: OutlineSettings, frames: Frames) -> Outcome:
    """Measure the outer contour of a part and, where an image is named, compare with it.

    Outlines are laid over each other by turning and shifting, never scaled.

    Parameters
    ----------
    micrograph : Micrograph
    settings : OutlineSettings
    frames : mapping
        ``reference_image``: the part to compare with, if named.

    Returns
    -------
    Outcome
        `outline_area`, `outline_perimeter`, `feret_max`, `feret_min` and, with a reference
        image, `outline_deviation` (``max``, ``p95``, ``rms``). The contour, at most 2000
        points in micrometres, is in its facts for comparison with a revision.

    Raises
    ------
    MeasurementError
        If there is no part or its edge is too unclear.
    """
    from micromeasure.sideview.register import lay_over

    outline, flags, origin = _traced(micrograph, settings)
    measurements = _sizes(outline, micrograph, flags)
    points, valid = _thinned(outline)
    edge = outline.to_px(points) + np.array(origin, dtype=float)
    edge[~valid] = np.nan
    marks, traces = [Mark(role="edge", points_px=edge)], []
    caption = f"outline: {measurements[0].estimate.value:.4g} µm²"
    references = frames.get("reference_image", ())
    if references:
        reference, _, _ = _traced(references[0], settings)
        fixed, moving = (_curve(*_thinned(one)) for one in (reference, outline))
        overlay = lay_over(moving, fixed, any_turn=settings.any_turn)
        noise = _noise_of_difference(outline.noise.scatter, reference.noise.scatter)
        rows = _deviation_rows(overlay, noise, _share_of_scale(micrograph, references[0]))
        measurements += [replace(row, flags=flags) for row in rows]
        traces.append(_trace(overlay))
        factor = _magnification(overlay)
        marks.append(_magnified(moving, overlay, factor, outline=outline, origin=origin))
        rms = next(row.estimate.value or 0.0 for row in rows if row.statistic == "rms")
        caption = f"outline deviation {rms:.3g} µm RMS, drawn {factor} times larger"
    return Outcome(
        measurements=tuple(measurements), marks=tuple(marks), traces=tuple(traces), caption=caption,
        facts={
            "contour_um": np.round(points, 4).tolist(),
            "contour_valid": "".join("1" if v else "0" for v in valid),
            "noise_um": outline.noise.scatter,
            "pixel_um": outline.pixel_um,
            "compared": bool(references),
            "calibration": micrograph.calibration.id,
            "scale_u_rel": _relative(micrograph),
        },
    )  # fmt: skip


def _traced(
    micrograph: Micrograph, settings: OutlineSettings
) -> tuple["Outline", tuple[str, ...], tuple[int, int]]:
    from micromeasure.sideview.view import side_view_of

    view = side_view_of(micrograph, settings.region)
    outline = view.outline
    flags = list(micrograph.flags) + ["saturated"] * is_saturated(micrograph, outline.pixels)
    if view.support is not None or view.touches_border:
        flags.append("outline-cut")
    return outline, tuple(dict.fromkeys(flags)), outline.frame.origin_px


def _thinned(outline: "Outline") -> tuple[FloatArray, np.ndarray]:
    """Return the smoothed outline with at most so many points, and which of them hold."""
    from micromeasure.sideview.contour import smooth_closed

    n = len(outline.points_um)
    step = max(1, math.ceil(n / _MAX_POINTS))
    width = max(_SMOOTH_DEVIATION, step / 1.5)
    smooth = smooth_closed(outline.points_um, width)
    # A point that does not hold spoils its neighbours as far as the smoothing reaches.
    near = smooth_closed((~outline.valid).astype(float), width) > 0.01
    return smooth[::step], ~near[::step]


def _curve(points: FloatArray, valid: np.ndarray) -> "Curve":
    from micromeasure.sideview.register import curve_through

    return curve_through(points, valid)


def _sizes(outline: "Outline", micrograph: Micrograph, flags: tuple[str, ...]) -> list[Measurement]:
    from micromeasure.sideview.contour import smooth_closed
    from micromeasure.sideview.register import size_of

    size = size_of(smooth_closed(outline.points_um, _SMOOTH_LENGTH))
    n = len(outline.points_um)
    edge = outline.edge_model_um
    noise = outline.noise.scatter * math.sqrt(outline.noise.inflation / (2 * _SMOOTH_LENGTH))
    calibration = micrograph.calibration
    across = [
        Component(name="edge location", u=noise * math.sqrt(2), kind="A"),
        Component(name="edge model", u=edge * math.sqrt(2)),
        # Blur draws the outline in where an end is a corner, by up to 0.8 of its width each.
        Component(name="blurred ends", u=0.8 * outline.sigma_um),
    ]
    rows = [
        ("outline_area", _area(outline, micrograph)),
        ("outline_perimeter", _perimeter(size, micrograph, outline)),
        (
            "feret_max",
            length_estimate(size.feret_max_um, size.feret_max_along, calibration, across),
        ),
        (
            "feret_min",
            length_estimate(size.feret_min_um, size.feret_min_along, calibration, across),
        ),
    ]
    return [
        Measurement(
            feature="all", statistic="value", estimate=estimate, n=n, flags=flags, quantity=name
        )
        for name, estimate in rows
    ]


def _relative(micrograph: Micrograph) -> float | None:
    """Return the relative standard uncertainty of the scale, mean of both axes."""
    u = micrograph.calibration.u_um_per_px
    if u is None:
        return None
    return sum(a / s for a, s in zip(u, micrograph.calibration.um_per_px, strict=True)) / 2


def _area(outline: "Outline", micrograph: Micrograph) -> Estimate:
    """Return the area within the points themselves: unlike a length it averages their noise."""
    from micromeasure.sideview.register import area_of

    relative, name = _relative(micrograph), micrograph.calibration.id
    perimeter, blur = float(outline.length_um[-1]), outline.pixel_blur_um
    # Blur draws an outline in by blur² / 2 times its curvature, which adds up to a whole turn
    # round any closed outline. At corners sharper than the blur that is an estimate.
    drawn_in = math.pi * blur**2
    value = area_of(outline.points_um) + drawn_in
    if relative is None:
        return Estimate(value=value, unit="um2", components=None)
    scale = Component(
        name="scale",
        u=2 * relative * value,
        shared=f"scale:{name}",
        source=f"calibration {name}",
    )
    noise = outline.noise
    parts = [
        Component(
            name="edge location", kind="A",
            u=noise.scatter * math.sqrt(noise.inflation * perimeter * outline.pixel_um),
        ),
        Component(name="edge model", u=outline.edge_model_um * perimeter),
        Component(name="blur", u=0.3 * drawn_in, source="corners"),
    ]  # fmt: skip
    return Estimate(value=value, unit="um2", components=(scale, *parts))


def _perimeter(size: "OutlineSize", micrograph: Micrograph, outline: "Outline") -> Estimate:
    relative, name = _relative(micrograph), micrograph.calibration.id
    if relative is None:
        return Estimate(value=size.perimeter_um, unit="um", components=None)
    scale = Component(
        name="scale",
        u=relative * size.perimeter_um,
        shared=f"scale:{name}",
        source=f"calibration {name}",
    )
    # An outline grown by e all round is longer by 2 pi e; blur cuts each square corner short by
    # nearly two blur widths, and how many corners there are is not known: some four.
    model = Component(
        name="edge model",
        u=2 * math.pi * outline.edge_model_um + 4 * outline.sigma_um,
        source="blurred corners",
    )
    return Estimate(value=size.perimeter_um, unit="um", components=(scale, model))


def _noise_of_difference(first: float, second: float) -> float:
    """Return the scatter of the difference of two outlines after smoothing."""
    return math.hypot(first, second) / math.sqrt(2 * math.sqrt(math.pi) * _SMOOTH_DEVIATION)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scale:
    """What the scale adds to a deviation: in proportion to it, or to the part's size."""

    relative: float | None
    is_shared: bool
    id: str


def _share_of_scale(micrograph: Micrograph, reference: Micrograph) -> _Scale:
    own, other = _relative(micrograph), _relative(reference)
    name = micrograph.calibration.id
    if own is None or other is None:
        return _Scale(relative=None, is_shared=False, id=name)
    shared = bool(name) and name == reference.calibration.id
    return _Scale(relative=own if shared else math.hypot(own, other), is_shared=shared, id=name)


def _deviation_rows(overlay: "Overlay", noise: float, scale: _Scale) -> list[Measurement]:
    deviation = np.abs(overlay.deviation_um[np.isfinite(overlay.deviation_um)])
    # Neighbouring points of the dense curve are no new information.
    n = max(1, len(deviation) // 4)
    statistics = {
        "max": (float(deviation.max()), noise * math.sqrt(2 * math.log(max(n, 3)))),
        "p95": (float(np.percentile(deviation, 95)), noise * 1.5),
        "rms": (float(np.sqrt(np.mean(deviation**2))), noise),
    }
    reach = float(np.ptp(overlay.points_um, axis=0).max()) / 2
    rows = []
    for name, (value, u) in statistics.items():
        parts: tuple[Component, ...] | None = (
            Component(name="contour noise", u=u, kind="A", source="scatter of both outlines"),
        )
        if scale.relative is None:
            parts = None
        elif scale.is_shared:
            parts = (*(parts or ()), Component(name="scale", u=value * scale.relative,
                     shared=f"scale:{scale.id}", source=f"calibration {scale.id}"))  # fmt: skip
        else:
            parts = (*(parts or ()), Component(name="scale difference", u=reach * scale.relative,
                     source="two calibrations"))  # fmt: skip
        estimate = Estimate(value=value, unit="um", components=parts)
        rows.append(Measurement(feature="all", statistic=name, estimate=estimate, n=n))
    return rows


def _trace(overlay: "Overlay") -> Trace:
    points = overlay.points_um[::4]
    legs = np.hypot(*np.diff(points, axis=0, prepend=points[:1]).T)
    return Trace(
        name="deviation",
        columns={
            "along_um": np.cumsum(legs), "x_um": points[:, 0], "y_um": points[:, 1],
            "deviation_um": overlay.deviation_um[::4],
        },
    )  # fmt: skip


def _magnification(overlay: "Overlay") -> int:
    """Return how many times larger deviations are drawn: the greatest a tenth of the part."""
    size = float(np.ptp(overlay.points_um, axis=0).max())
    greatest = float(np.nanmax(np.abs(overlay.deviation_um)))
    fitting = [m for m in _MAGNIFICATIONS if m * greatest <= 0.1 * size]
    return fitting[-1] if fitting else 1


def _magnified(
    moving: "Curve", overlay: "Overlay", factor: int, *, outline: "Outline", origin: tuple[int, int]
) -> Mark:
    away = moving.normals_um * (np.nan_to_num(overlay.deviation_um) * factor)[:, None]
    points = outline.to_px(moving.points_um - away) + np.array(origin, dtype=float)
    points[~np.isfinite(overlay.deviation_um)] = np.nan
    return Mark(role="fit", points_px=points, label=f"reference, deviation x {factor}")


def derive_deviation(measured: Sequence[Measured]) -> Sequence[Derived]:
    """Compare every outline with the mean outline of the reference revision.

    A part of the reference revision is compared with the mean of the others of that revision,
    so that the scatter within the revision stands beside the difference between revisions.
    """
    rows: list[Derived] = []
    groups: dict[tuple[str, str], list[Measured]] = {}
    for one in measured:
        if one.outcome.facts.get("contour_um") and not one.outcome.facts.get("compared"):
            groups.setdefault((one.record.view, one.record.state), []).append(one)
    for members in groups.values():
        rows += _compare_group(members)
    return rows


def _compare_group(members: list[Measured]) -> list[Derived]:
    settings: Any = members[0].settings
    revision = settings.reference or members[0].record.revision
    curves = [_curve_of_facts(one.outcome.facts) for one in members]
    chosen = [k for k, one in enumerate(members) if one.record.revision == revision]
    if not chosen:
        return []
    means = _Means([curves[k] for k in chosen], [members[k].record.specimen for k in chosen])
    rows = []
    for k, one in enumerate(members):
        is_reference = k in chosen
        against = means.without(one.record.specimen if is_reference else None)
        if against is not None:
            rows += _compared(one, curves[k], against, [members[c] for c in chosen])
    return rows


class _Means:
    """Mean outline of a revision, with or without one specimen."""

    def __init__(self, curves: list["Curve"], specimens: list[str]) -> None:
        from micromeasure.sideview.register import offsets_about

        self._first = curves[0]
        self._specimens = np.array(specimens)
        self._offsets = offsets_about(curves)
        self._made: dict[str | None, Curve | None] = {}

    def without(self, specimen: str | None) -> "Curve | None":
        from micromeasure.sideview.register import moved_by

        if specimen not in self._made:
            kept = self._specimens != specimen if specimen is not None else slice(None)
            offsets = self._offsets[kept]
            self._made[specimen] = moved_by(self._first, offsets) if len(offsets) else None
        return self._made[specimen]


def _curve_of_facts(facts: Any) -> "Curve":  # noqa: ANN401  # plain values out of the ledger
    valid = np.array([v == "1" for v in facts["contour_valid"]])
    return _curve(np.array(facts["contour_um"], dtype=np.float64), valid)


def _compared(
    one: Measured, curve: "Curve", against: "Curve", references: list[Measured]
) -> list[Derived]:
    from micromeasure.sideview.register import lay_over

    settings: Any = one.settings
    overlay = lay_over(curve, against, any_turn=settings.any_turn)
    if not np.isfinite(overlay.deviation_um).any():
        return []
    facts, others = one.outcome.facts, [r.outcome.facts for r in references]
    mean_noise = float(np.mean([o["noise_um"] for o in others])) / math.sqrt(len(others))
    relative, name = facts["scale_u_rel"], facts["calibration"]
    shared = bool(name) and all(o["calibration"] == name for o in others)
    other = others[0]["scale_u_rel"]
    if relative is not None and not shared:
        relative = None if other is None else math.hypot(relative, other)
    scale = _Scale(relative=relative, is_shared=shared, id=name)
    record = _common_record(one.record)
    flags = dict.fromkeys(f for m in one.outcome.measurements for f in m.flags)
    noise = _noise_of_difference(facts["noise_um"], mean_noise)
    rows = _deviation_rows(overlay, noise, scale)
    drawing = _drawing(overlay, against, f"revision {references[0].record.revision}, mean")
    return [
        Derived(
            record=record,
            measurement=replace(row, flags=tuple(flags)),
            traces=(_trace(overlay),) if k == 0 else (),
            drawing=drawing if k == 0 else None,
        )
        for k, row in enumerate(rows)
    ]


def _common_record(record: ImageRecord) -> ImageRecord:
    return replace(record, image="", region=None, fold=None)


def _drawing(overlay: "Overlay", against: "Curve", name: str) -> Drawing:
    factor = _magnification(overlay)
    # The reference as it is, and the part as it would be if it deviated so much more.
    away = np.nan_to_num(overlay.deviation_um) * (factor - 1)
    enlarged = overlay.points_um + overlay.normals_um * away[:, None]
    enlarged[~np.isfinite(overlay.deviation_um)] = np.nan
    greatest = float(np.nanmax(np.abs(overlay.deviation_um)))
    return Drawing(
        caption=f"Deviation drawn {factor} times larger; greatest {greatest:.3g} µm",
        lines={name: against.points_um, f"part, deviation x {factor}": enlarged},
    )


QUANTITIES = (
    Quantity(
        name="outline_deviation", title="outline deviation", unit="um", settings=OutlineSettings,
        measure=measure_outline, method="outline/1",
    ),
)  # fmt: skip
DERIVATIONS = (
    Derivation(
        name="outline_deviation", title="outline deviation", unit="um",
        needs=("outline_deviation",), derive=derive_deviation, method="outline-deviation/1",
    ),
)  # fmt: skip
