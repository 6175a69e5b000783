"""From a measured line in a patch to an indication in the image, in micrometres and degrees."""

import math
from dataclasses import replace

import numpy as np

from micromeasure.calibration.file import Calibration
from micromeasure.cracks.centreline import Centreline, measure_line
from micromeasure.cracks.cross_profiles import normals, smoothed
from micromeasure.cracks.patch import Patch, Segment, cut_around
from micromeasure.cracks.refining import refine_line
from micromeasure.cracks.scoring import direction_deg
from micromeasure.errors import MeasurementError
from micromeasure.estimate import Component, Estimate
from micromeasure.micrograph.image import Micrograph
from micromeasure.outcome import FloatArray, Indication

# What is not seen of a path's zigzag below the blur, and of a tip that narrows below it: found on
# rendered cracks, see docs/reference/accuracy-cracks.md.
_U_COURSE = 0.005
_U_TIP_PX = 0.8
# A trace that cuts a corner or takes a detour errs by more than its usual error: few degrees of
# freedom give the interval the longer tails that were seen.
_DOF_COURSE = 6.0
# A person's line on which nothing dark is found is taken as drawn, to about this.
_U_DRAWN_END_PX = 5.0
# A hand is less steady than a trace.
_STRAY_DRAWN_PX = 8.0


def indication_from(
    line: Centreline,
    patch: Patch,
    calibration: Calibration,
    *,
    fold: str,
    fold_px: Segment | None,
    score: float,
    branches: tuple[Centreline, ...] = (),
) -> Indication:
    """Return a measured line as an indication.

    Parameters
    ----------
    line : Centreline
    patch : Patch
        Where it was measured.
    calibration : Calibration
    fold : str
        Name of the fold.
    fold_px : tuple of four floats or None
        Fold line in the whole image, for angle and distance; NaN without one.
    score : float
    branches : tuple of Centreline
    """
    points_px = patch.image_points(line.points)
    angle, distance = _against_fold(points_px, fold_px, calibration)
    contrast = line.depth / line.level if line.level > 0 else math.nan
    return Indication(
        fold=fold,
        length=length_estimate(line, patch.um_per_px, points_px, calibration),
        width_um=line.width_px * patch.um_per_px * _stretch_across(points_px, calibration),
        angle_to_fold_deg=angle,
        distance_to_fold_um=distance,
        contrast=contrast,
        score=score,
        centreline_px=points_px,
        branches_px=tuple(patch.image_points(branch.points) for branch in branches),
    )


def length_estimate(
    line: Centreline, pixel_um: float, points_px: FloatArray, calibration: Calibration
) -> Estimate:
    """Return the length of a line with its uncertainty budget.

    The line is measured as seen; what distortion made of each of its stretches is undone here.
    """
    pixel_um = pixel_um * _stretch_along(points_px, calibration)
    length_um = line.length_px * pixel_um
    scale = _scale_component(length_um, points_px, calibration)
    if scale is None:
        return Estimate(value=length_um, unit="um", components=None)
    course = math.hypot(line.u_path_px, _U_COURSE * line.length_px)
    tips = _U_TIP_PX * math.sqrt(max(0, 2 - line.open_ends))
    return Estimate(
        value=length_um,
        unit="um",
        components=(
            scale,
            Component(
                name="end location", u=line.u_ends_px * pixel_um, kind="A",
                source="noise of the darkening over its fall at both ends",
            ),
            Component(
                name="tip visibility", u=tips * pixel_um,
                source="a tip that narrows below the resolution, on rendered cracks",
            ),
            Component(
                name="course of the centreline", u=course * pixel_um, dof=_DOF_COURSE,
                source="noise of the centreline, and zigzag finer than the resolution",
            ),
        ),
    )  # fmt: skip


def measure_centreline(
    micrograph: Micrograph,
    polyline_px: FloatArray,
    *,
    fold: str = "fold",
    fold_px: Segment | None = None,
    score: float = math.nan,
) -> Indication:
    """Measure a centreline that a person drew or moved.

    The dark line near the drawn one is followed and its ends are found as for a candidate. Where
    nothing dark lies along it, the line is measured as drawn, with a wider uncertainty: a person
    may see what the program cannot.

    Parameters
    ----------
    micrograph : Micrograph
    polyline_px : ndarray, shape (n, 2)
        Points ``x y`` in the whole image, end to end.
    fold : str
        Name of the fold it lies at.
    fold_px : tuple of four floats or None
        The fold line; without one angle and distance are NaN.
    score : float
        Carried over from the candidate it replaces.

    Returns
    -------
    Indication

    Raises
    ------
    MeasurementError
        If fewer than two different points are given or a point lies outside the pixels.
    """
    drawn = np.asarray(polyline_px, dtype=float)
    _check_drawn(drawn, micrograph)
    patch = cut_around(micrograph, drawn)
    path = _dense(patch.patch_points(drawn))
    line = measure_line(patch, path, stray_px=_STRAY_DRAWN_PX)
    if line is None or not _agrees(line, path):
        line = _as_drawn(patch, path)
    else:
        line = refine_line(patch, line, drawn=True)
    return indication_from(
        line, patch, micrograph.calibration, fold=fold, fold_px=fold_px, score=score
    )


def _check_drawn(drawn: FloatArray, micrograph: Micrograph) -> None:
    if drawn.ndim != 2 or drawn.shape[1] != 2 or len(drawn) < 2 or not np.isfinite(drawn).all():
        message = (
            f"{micrograph.record.image}: a centreline of shape {drawn.shape} was given; draw at "
            "least two points x y."
        )
        raise MeasurementError(message)
    if float(np.ptp(drawn, axis=0).max()) < 1.0:
        message = (
            f"{micrograph.record.image}: all points of the centreline fall in one pixel; draw it "
            "along the crack."
        )
        raise MeasurementError(message)
    height, width = micrograph.pixels.shape[:2]
    local = drawn - np.array(micrograph.origin_px)
    if (local < -0.5).any() or (local > np.array((width, height)) - 0.5).any():
        message = (
            f"{micrograph.record.image}: the centreline leaves the image of {width} x {height} "
            "pixels; draw it inside."
        )
        raise MeasurementError(message)


def _dense(points: FloatArray) -> FloatArray:
    s = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))))
    at = np.linspace(0.0, s[-1], max(6, math.ceil(s[-1])))
    return np.column_stack((np.interp(at, s, points[:, 0]), np.interp(at, s, points[:, 1])))


def _agrees(line: Centreline, path: FloatArray) -> bool:
    """Return whether a measured line is the drawn one and stands out at all."""
    drawn = float(np.hypot(*np.diff(path, axis=0).T).sum())
    return 0.6 * drawn < line.length_px < 1.5 * drawn + 20 and line.depth > 2 * line.noise


def _as_drawn(patch: Patch, path: FloatArray) -> Centreline:
    length = float(np.hypot(*np.diff(path, axis=0).T).sum())
    rows, cols = patch.values.shape
    i = np.clip(np.round(path[:, 1]).astype(int), 0, rows - 1)
    j = np.clip(np.round(path[:, 0]).astype(int), 0, cols - 1)
    return Centreline(
        points=path, length_px=length, u_path_px=0.02 * length,
        u_ends_px=_U_DRAWN_END_PX * math.sqrt(2), depth=math.nan, depths=np.zeros(0), noise=0.0,
        level=float(np.median(patch.values[i, j])), width_px=math.nan, widths_px=np.zeros(0),
        tilt=0.0, rims=0.0, roughness_px=0.0, open_ends=0,
    )  # fmt: skip


def _stretch_along(points_px: FloatArray, calibration: Calibration) -> float:
    """Return by what factor a line grows when distortion is undone."""
    if calibration.distortion is None:
        return 1.0
    seen = np.diff(points_px * np.asarray(calibration.um_per_px), axis=0)
    ideal = np.diff(calibration.to_um(points_px), axis=0)
    return float(np.hypot(*ideal.T).sum() / np.hypot(*seen.T).sum())


def _stretch_across(points_px: FloatArray, calibration: Calibration) -> float:
    """Return by what factor lengths across a line grow when distortion is undone."""
    if calibration.distortion is None:
        return 1.0
    scale = np.asarray(calibration.um_per_px)
    middle = points_px * scale
    across = normals(smoothed(middle, 3.0))
    half = 0.5 * math.sqrt(math.prod(calibration.um_per_px))
    ends = [calibration.to_um((middle + side * across) / scale) for side in (half, -half)]
    return float(np.median(np.hypot(*(ends[0] - ends[1]).T)) / (2 * half))


def _scale_component(
    length_um: float, points_px: FloatArray, calibration: Calibration
) -> Component | None:
    """Return the scale's part: each stretch counts by its own direction."""
    steps = np.diff(calibration.to_um(points_px), axis=0)
    size = np.hypot(steps[:, 0], steps[:, 1])
    if size.sum() <= 0:
        return calibration.scale_component(length_um, (1.0, 0.0))
    # scale_component takes squares of the direction's parts, which are means along a curve.
    squares = (steps**2 / np.maximum(size, 1e-12)[:, None]).sum(axis=0) / size.sum()
    nx, ny = np.sqrt(squares)
    found = calibration.scale_component(length_um, (float(nx), float(ny)))
    return None if found is None else replace(found, kind="B")


def _against_fold(
    points_px: FloatArray, fold_px: Segment | None, calibration: Calibration
) -> tuple[float, float]:
    """Return the acute angle to the fold, deg, and the distance of the middle from it, um."""
    if fold_px is None:
        return math.nan, math.nan
    points = calibration.to_um(points_px)
    ends = calibration.to_um(np.array(fold_px).reshape(2, 2))
    along = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
    fold_deg = math.degrees(math.atan2(along[1], along[0]))
    off = abs((direction_deg(points) - fold_deg + 90) % 180 - 90)
    across = (points - ends[0]) @ np.array((-along[1], along[0]))
    return float(off), float(abs(np.median(across)))
