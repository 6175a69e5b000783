"""Fold angle and inner fold radius of the bent feet, from a side view."""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from micromeasure.estimate import Component, Estimate, rounded
from micromeasure.micrograph.image import Micrograph
from micromeasure.outcome import Failure, Mark, Measurement, Outcome
from micromeasure.quantities.declare import Frames, Quantity, Settings
from micromeasure.sideview.budget import (
    edge_offset,
    is_saturated,
    length_estimate,
)

if TYPE_CHECKING:
    from micromeasure.sideview.fold import SurfaceFold
    from micromeasure.sideview.outline import Outline

# Below this many blur widths an arc can hardly be told from a sharp corner.
_MIN_RADIUS_SIGMA = 2.0
# Surfaces whose angles differ by more, in degrees and standard uncertainties, are not one sheet's.
_MAX_APART_DEG, _MAX_APART_SIGMA = 1.0, 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FoldSettings(Settings):
    """Settings of `fold_angle`."""


def measure_fold(micrograph: Micrograph, settings: FoldSettings, frames: Frames) -> Outcome:
    """Measure the included angle and the inner radius of the fold of each foot.

    The angle is that between the straight pieces on both sides of the fold, 180° for a flat
    sheet, taken on both surfaces where both are seen; the radius is that of the arc on the
    inner side.

    Parameters
    ----------
    micrograph : Micrograph
    settings : FoldSettings
    frames : mapping
        Not used.

    Returns
    -------
    Outcome
        `fold_angle` and `fold_radius` of ``left foot`` and ``right foot``; a failure for each
        foot without a fold.

    Raises
    ------
    MeasurementError
        Naming the part that could not be found.
    """
    from micromeasure.sideview.view import dome_view_of

    found = dome_view_of(micrograph, settings.region)
    view, base, strip = found.view, found.base, found.strip
    outline, thickness = view.outline, view.thickness_um
    if strip is None or thickness is None:
        sides = _solid_sides(outline, found.outer, found.crown.along_um / base.chord_um)
        thickness = thickness or base.chord_um / 20
    else:
        sides = {
            "left foot": (strip.outer_left, strip.inner_left),
            "right foot": (strip.outer_right, strip.inner_right),
        }
    flags = list(micrograph.flags) + ["saturated"] * is_saturated(micrograph, outline.pixels)
    folds = {foot: _folds(outline, surfaces, thickness) for foot, surfaces in sides.items()}
    seen = _Seen(
        outline=outline, micrograph=micrograph, origin_px=outline.frame.origin_px,
        is_bright=view.part.is_bright, flags=tuple(dict.fromkeys(flags)),
    )  # fmt: skip
    return _outcome(folds, seen)


def _solid_sides(
    outline: "Outline", outer: np.ndarray, share: float
) -> dict[str, tuple[np.ndarray, ...]]:
    """Return the outer surface from the crown to each foot where no inner surface is seen."""
    top = int(share * len(outer))
    beyond = len(outline.points_um) // 12
    n = len(outline.points_um)
    right = (outer[-1] + 1 + np.arange(beyond)) % n
    left = (outer[0] - 1 - np.arange(beyond)) % n
    return {
        "left foot": (np.concatenate([outer[:top][::-1], left]),),
        "right foot": (np.concatenate([outer[top:], right]),),
    }


def _folds(
    outline: "Outline", surfaces: tuple[np.ndarray, ...], thickness: float
) -> list["SurfaceFold"]:
    from micromeasure.sideview.fold import fit_fold

    found = [fit_fold(outline, side, thickness) for side in surfaces]
    return [fold for fold in found if fold is not None]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """What the rows of every fold need beside the fold itself."""

    outline: "Outline"
    micrograph: Micrograph
    origin_px: tuple[int, int]
    is_bright: bool
    flags: tuple[str, ...]


def _outcome(found: dict[str, list["SurfaceFold"]], seen: _Seen) -> Outcome:
    measurements: list[Measurement] = []
    failures, marks, words = [], [], []
    for foot, folds in found.items():
        if not folds:
            reason = f"{foot}: no fold with straight outline on both sides was found"
            failures.append(Failure(reason=reason, feature=foot))
            continue
        if _disagree(folds):
            both = " and ".join(f"{fold.angle_deg:.1f}" for fold in folds)
            reason = (
                f"{foot}: its two surfaces are bent by different angles ({both} deg); glare or a "
                "speck may hide one. Look at the overlay"
            )
            failures.append(Failure(reason=reason, feature=foot))
            marks += _marks(foot, folds, seen)
            continue
        angle = _angle(folds, seen)
        flags = seen.flags if len(folds) > 1 else (*seen.flags, "one-surface")
        measurements.append(
            Measurement(
                feature=foot, statistic="value", estimate=angle, flags=flags,
                n=sum(fold.n for fold in folds),
            )
        )  # fmt: skip
        value, u = rounded(angle.value, angle.standard_uncertainty)
        words.append(f"{foot} {value} ± {u}°")
        inner = next((fold for fold in folds if fold.is_inner), None)
        if inner is None:
            reason = f"{foot}: the inner side of the fold is not seen; its radius was not measured"
            failures.append(Failure(reason=reason, feature=foot))
        else:
            measurements.append(_radius(foot, inner, seen))
        marks += _marks(foot, folds, seen)
    return Outcome(
        measurements=tuple(measurements), failures=tuple(failures), marks=tuple(marks),
        caption="fold angle: " + ", ".join(words) if words else "",
        facts={"source": "side view", "edge_sigma_um": round(seen.outline.sigma_um, 4)},
    )  # fmt: skip


def _disagree(folds: list["SurfaceFold"]) -> bool:
    """Whether two surfaces of one sheet differ by what neither noise nor its shape explains."""
    if len(folds) < 2:
        return False
    first, second = folds
    apart = abs(first.angle_deg - second.angle_deg)
    u = math.hypot(first.u_angle_deg, second.u_angle_deg)
    return apart > max(_MAX_APART_DEG, _MAX_APART_SIGMA * u)


def _angle(folds: list["SurfaceFold"], seen: _Seen) -> Estimate:
    """Return the angle from both surfaces, each weighted by its variance."""
    weights = np.array([1 / max(fold.u_angle_deg, 1e-6) ** 2 for fold in folds])
    angles = np.array([fold.angle_deg for fold in folds])
    value = float(weights @ angles / weights.sum())
    u = 1 / math.sqrt(weights.sum())
    if len(folds) == 2:
        # Two surfaces that disagree by far more than their noise are not one sheet's: Birge.
        u *= max(1.0, float(abs(angles[0] - angles[1]) / math.hypot(*(1 / weights**0.5))) / 2)
    calibration, pixel = seen.micrograph.calibration, seen.outline.pixel_um
    if calibration.u_um_per_px is None:
        return Estimate(value=value, unit="deg", components=None)
    relative = [
        u_s / s for u_s, s in zip(calibration.u_um_per_px, calibration.um_per_px, strict=True)
    ]
    # An error e of the ratio of the two scales turns a direction by at most e / 2.
    aspect = math.degrees(abs(relative[0] - relative[1]) / 2 * math.sqrt(2))
    short = min(float(np.hypot(*(f.ends_um[3] - f.ends_um[2]))) for f in folds)
    model = math.degrees(seen.outline.edge_model_um / max(short, pixel))
    parts = [
        Component(name="edge location", u=u, kind="A", dof=max(3, sum(f.n for f in folds) / 4),
                  source=f"{len(folds)} surfaces, {sum(f.n for f in folds)} points"),
        Component(name="edge model", u=model),
    ]  # fmt: skip
    if aspect > 0:
        parts.append(
            Component(name="scale ratio", u=aspect, source=f"calibration {calibration.id}")
        )
    return Estimate(value=value, unit="deg", components=tuple(parts))


def _radius(foot: str, fold: "SurfaceFold", seen: _Seen) -> Measurement:
    flags, blur = seen.flags, seen.outline.sigma_um
    if fold.radius_um < _MIN_RADIUS_SIGMA * blur:
        flags = (*flags, "resolution-limited")
    direction = fold.ends_um[1] + fold.ends_um[2] - 2 * fold.centre_um
    # On the inner side metal lies outside the arc: a dark part's arc looks too small.
    shift, offset = edge_offset(seen.micrograph.calibration, -1.0, is_bright=seen.is_bright)
    parts = [
        Component(name="edge location", u=fold.u_radius_um, kind="A", dof=max(3, fold.n / 4),
                  source=f"{fold.n} points"),
        Component(name="blur", u=0.1 * blur**2 / (2 * max(fold.radius_um, blur)),
                  source="a tenth of the correction for the edges' blur"),
        *offset,
    ]  # fmt: skip
    estimate = length_estimate(
        fold.radius_um + shift, direction, seen.micrograph.calibration, parts
    )
    return Measurement(
        feature=foot, statistic="value", estimate=estimate, n=fold.n, flags=flags,
        quantity="fold_radius",
    )  # fmt: skip


def _marks(foot: str, folds: list["SurfaceFold"], seen: _Seen) -> list[Mark]:
    marks = []
    for k, fold in enumerate(folds):
        start, stop = (
            math.atan2(*(end - fold.centre_um)[::-1]) for end in (fold.ends_um[1], fold.ends_um[2])
        )
        turn = (stop - start + math.pi) % (2 * math.pi) - math.pi
        angle = start + turn * np.linspace(0, 1, 20)
        arc = fold.centre_um + fold.radius_um * np.column_stack([np.cos(angle), np.sin(angle)])
        line = np.vstack([fold.ends_um[0], arc, fold.ends_um[3]])
        points = seen.outline.to_px(line) + np.array(seen.origin_px, dtype=float)
        label = f"{foot} {fold.angle_deg:.1f}°" if k == 0 else ""
        marks.append(Mark(role="fit", points_px=points, label=label))
    return marks


QUANTITIES = (
    Quantity(
        name="fold_angle", title="fold angle", unit="deg", settings=FoldSettings,
        measure=measure_fold, method="fold-side-view/1",
    ),
)  # fmt: skip
