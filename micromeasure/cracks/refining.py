"""The second look at a line worth reporting: followed on, its ends weighed, measured again.

The first look must be cheap, because most lines are no candidates. What is reported is
looked at once more: does the line continue beyond its ends, how dark are the ways beside it, where
do its ends lie with all that taken into account.
"""

import math

import numpy as np

from micromeasure.cracks.centreline import (
    STRAY_PX,
    Centreline,
    Smoothings,
    assembled,
    blurred,
    contrast_along,
    extended,
    follow_all,
    followed,
    resampled,
    surface_noise,
)
from micromeasure.cracks.continuing import REACH_PX, Ground, continued, gain_beyond
from micromeasure.cracks.cross_profiles import normals, smoothed
from micromeasure.cracks.final_ends import Profile, locate_ends
from micromeasure.cracks.patch import Image, Patch
from micromeasure.outcome import FloatArray

# Prolonged straight by this at both ends before the ends are looked for.
_PROLONGED_PX = 14
# Distances of the parallel ways beside a line, beyond its sides.
_BESIDE_PX = (7.0, 13.0, 19.0)


def refine_line(patch: Patch, line: Centreline, *, drawn: bool = False) -> Centreline:
    """Measure a line once more, with its continuation and its surroundings.

    Parameters
    ----------
    patch : Patch
        Where it was measured.
    line : Centreline
    drawn : bool
        Whether a person drew it and so decided roughly where it ends: it is not followed on, and
        no last stretch is taken for something else.

    Returns
    -------
    Centreline
        The line as given where the second look finds no ends.
    """
    low = np.maximum(np.floor(line.points.min(axis=0)).astype(int) - REACH_PX, 0)
    high = np.ceil(line.points.max(axis=0)).astype(int) + REACH_PX + 1
    window = np.ascontiguousarray(patch.values[low[1] : high[1], low[0] : high[0]])
    shift = low.astype(float)
    points = line.points - shift
    if not drawn:
        ground = _ground(window, line, patch, shift)
        for _ in range(2):
            points = continued(ground, points, line.depth)[::-1]
    path = resampled(extended(points, _PROLONGED_PX), 1.0)
    smoothings = Smoothings(window)
    sigma, curve, width = followed(smoothings, path, STRAY_PX)
    smooth = smoothings.by(sigma)
    side = 0.75 * width + 2.0 * sigma
    contrast = contrast_along(smooth, curve, side)
    beside = _beside(smooth, path, (sigma, side), len(curve.offset))
    profile = Profile(
        points=curve.points, depths=contrast[0], beside=beside,
        inside=patch.in_band(curve.points + shift), depth=line.depth,
        lay=_lay(window),
    )  # fmt: skip
    ends = locate_ends(profile, None)
    if ends is not None and not drawn:
        kept = curve.points[round(ends.first) : round(ends.last) + 1]
        gains = [gain_beyond(ground, points, line.depth) for points in (kept[::-1], kept)]
        ends = locate_ends(profile, (gains[0], gains[1]))
    if ends is None:
        return line
    noise = surface_noise(window, path[len(path) // 2])
    return assembled((window, shift), curve, contrast, (ends, noise, sigma))


def _ground(window: Image, line: Centreline, patch: Patch, shift: FloatArray) -> Ground:
    sigma = 1.0 if line.width_px <= 4.0 else min(0.3 * line.width_px, 4.0)
    return Ground(
        smooth=blurred(window, sigma), side_px=0.75 * line.width_px + 2.0 * sigma,
        noise=line.noise, shift=shift, patch=patch,
    )  # fmt: skip


def _lay(window: Image) -> tuple[float, float]:
    """Return direction and strength of a surface's lay from its gradients."""
    import cv2

    smooth = cv2.GaussianBlur(window, (0, 0), 1.5)
    gx, gy = (cv2.Sobel(smooth, cv2.CV_32F, *order) for order in ((1, 0), (0, 1)))
    size = gx * gx + gy * gy
    # Edges and cracks would outweigh the texture: the steepest count no more than the others.
    weight = np.minimum(1.0, float(np.quantile(size[::3, ::3], 0.95)) / np.maximum(size, 1e-9))
    xx, xy, yy = (float((part * weight).mean()) for part in (gx * gx, gx * gy, gy * gy))
    angle = 0.5 * math.atan2(2 * xy, xx - yy) + 0.5 * math.pi
    return angle, math.hypot(xx - yy, 2 * xy) / max(xx + yy, 1e-9)


def _beside(smooth: Image, path: FloatArray, scale: tuple[float, float], n: int) -> FloatArray:
    """Return the darkening along ways that run parallel to a line, followed as it was."""
    sigma, side = scale
    across = normals(smoothed(path, 4.0))
    course = smoothed(path, 3.0)
    offs = (sign * (side + beside) for beside in _BESIDE_PX for sign in (-1.0, 1.0))
    found = []
    for way in follow_all(smooth, [course + off * across for off in offs], sigma, STRAY_PX):
        depths = contrast_along(smooth, way, side)[0]
        at = np.linspace(0.0, len(depths) - 1.0, n)
        found.append(np.interp(at, np.arange(len(depths)), depths))
    return np.array(found)
