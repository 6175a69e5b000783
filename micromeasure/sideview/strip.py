"""The sheet as a strip: outer and inner surface, the feet's tips, and the thickness."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.outcome import FloatArray
from micromeasure.sideview.arc import inflation_of, into_frame
from micromeasure.sideview.outline import Outline
from micromeasure.sideview.profile import BaseLine, Crown
from micromeasure.sideview.step import fit_steps, sample

Indices = NDArray[np.intp]

# Profiles across the sheet are a pixel apart; more than this many are thinned out.
_MAX_PROFILES = 400
_MIN_PROFILES = 12
_BLUR_PROFILES = 80
# Beyond this many blur widths the two edges are found one by one.
_THICK_SIGMA = 9.0
_ROUNDS = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """The two surfaces of the sheet from tip to tip, as outline points.

    Attributes
    ----------
    outer_left, outer_right, inner_left, inner_right : ndarray of int
        From the crown to the tip, each.
    """

    outer_left: Indices
    outer_right: Indices
    inner_left: Indices
    inner_right: Indices


@dataclass(frozen=True, slots=True, kw_only=True)
class Thickness:
    """Thickness of the sheet along a stretch.

    Attributes
    ----------
    values_um : ndarray of float, shape (n,)
        Profile by profile.
    places_um : ndarray of float, shape (n, 2)
        Where they were taken, at the middle of the sheet.
    normal_um : ndarray of float, shape (2,)
        Mean direction across the sheet.
    u_mean_um : float
        Standard uncertainty of the mean from the profiles' scatter and its correlation.
    sigma_um : float
        Blur of the edges.
    """

    values_um: FloatArray
    places_um: FloatArray
    normal_um: FloatArray
    u_mean_um: float
    sigma_um: float


def split_strip(
    outline: Outline, base: BaseLine, crown: Crown, thickness_um: float | None
) -> Strip | None:
    """Part the outline into outer and inner surface, None where no inner surface is seen.

    Parameters
    ----------
    outline : Outline
    base : BaseLine
    crown : Crown
    thickness_um : float or None
        Rough thickness.

    Returns
    -------
    Strip or None
    """
    if thickness_um is None:
        return None
    uv = into_frame(outline.points_um, base.origin_um, base.along_um)
    top = int(np.argmin(np.hypot(uv[:, 0] - crown.along_um, uv[:, 1] - crown.height_um)))
    below = (np.abs(uv[:, 0] - crown.along_um) < thickness_um / 2) & (
        np.abs(crown.height_um - uv[:, 1] - thickness_um) < 0.5 * thickness_um
    )
    if not below.any():
        return None
    under = int(np.flatnonzero(below)[np.argmin(np.abs(uv[below, 0] - crown.along_um))])
    right, left = outline.path(top, under), outline.path(under, top)[::-1]
    tip_right, tip_left = (_tip(outline, side, thickness_um) for side in (right, left))
    return Strip(
        outer_right=right[: tip_right + 1], inner_right=right[:tip_right:-1],
        outer_left=left[: tip_left + 1], inner_left=left[:tip_left:-1],
    )  # fmt: skip


def _tip(outline: Outline, side: Indices, thickness: float) -> int:
    """Return where along a half outline the sheet ends: it turns back on itself there."""
    points = outline.points_um[side]
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    reach = 1.2 * thickness
    spots = np.arange(len(side))
    before = np.searchsorted(length, length - reach).clip(0, len(side) - 1)
    behind = np.searchsorted(length, length + reach).clip(0, len(side) - 1)
    chord = np.hypot(*(points[behind] - points[before]).T)
    # Both ways round the tip the outline comes back to a sheet's thickness; elsewhere it does not.
    middle = length[-1] / 2
    near = np.abs(length - middle) < max(3 * thickness, 0.15 * length[-1])
    inside = near & (spots - before > 3) & (behind - spots > 3)
    if not inside.any():
        return len(side) // 2
    return int(spots[inside][np.argmin(chord[inside])])


def measure_thickness(
    outline: Outline, stretch: Indices, inner: Indices, thickness_um: float
) -> Thickness | None:
    """Measure the sheet's thickness across its middle line along a stretch.

    Parameters
    ----------
    outline : Outline
    stretch : ndarray of int
        Outline points on the outer surface, in order.
    inner : ndarray of int
        Outline points of the inner surface facing them.
    thickness_um : float
        Rough thickness.

    Returns
    -------
    Thickness or None
        None where too few clean profiles are seen.

    Notes
    -----
    Each profile gets a blurred slab: two opposite steps of one blur, levels on the three
    sides free. Both edges are fitted together because on a thin sheet each lies in the
    other's blur.
    """
    placed = _across(outline, stretch, inner, thickness_um)
    if placed is None:
        return None
    middle, across = placed
    middle_px = outline.to_px(middle)
    # A micrometre across the sheet, in pixels, where it is: distortion changes it along the image.
    direction_px = outline.to_px(middle + across / 2) - outline.to_px(middle - across / 2)
    um_per_step = 1 / np.hypot(*direction_px.T)
    direction_px = direction_px * um_per_step[:, None]
    sigma = outline.sigma_um / outline.pixel_um
    width = thickness_um / outline.pixel_um
    reach = math.ceil(width / 2 + 3 * sigma + 2)
    if width > _THICK_SIGMA * sigma:
        widths, good = _edge_to_edge(outline, middle_px, direction_px, width=width, sigma=sigma)
    else:
        offsets = np.arange(-reach, reach + 1.0)
        profiles = sample(outline.pixels, middle_px, direction_px, offsets)
        blur = _own_blur(profiles, offsets, width, sigma)
        widths, good = fit_slabs(profiles, offsets, width, blur)
    if good.sum() < _MIN_PROFILES:
        return None
    values = widths * um_per_step
    spread = 1.4826 * np.median(np.abs(values[good] - np.median(values[good])))
    good &= np.abs(values - np.median(values[good])) <= 5 * spread + 1e-9
    values = values[good]
    return Thickness(
        values_um=values, places_um=middle[good], normal_um=across[good].mean(axis=0),
        u_mean_um=_u_mean(values), sigma_um=outline.sigma_um,
    )  # fmt: skip


def _edge_to_edge(
    outline: Outline, middle_px: FloatArray, direction_px: FloatArray, *, width: float, sigma: float
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return widths of a sheet so thick that its edges do not touch each other's blur."""
    reach = math.ceil(3 * sigma + 2)
    offsets = np.arange(-reach, reach + 0.25, 0.5)
    edges, good = [], np.ones(len(middle_px), dtype=bool)
    for sign in (-1.0, 1.0):
        outwards = sign * direction_px
        position = np.full(len(middle_px), width / 2)
        # Twice: the first fit tells where the second one's profiles are centred.
        for _ in range(2):
            start = middle_px + outwards * position[:, None]
            fit = fit_steps(sample(outline.pixels, start, outwards, offsets), offsets, sigma)
            position = position + np.where(fit.good, fit.position, 0.0)
        typical = float(np.median(fit.step[fit.good])) if fit.good.any() else 1.0
        good &= fit.good & (fit.step / typical > 0.6) & (fit.step / typical < 1 / 0.6)
        if good.any():
            good &= fit.residual < 4 * np.median(fit.residual[good]) + 1e-9
        edges.append(position)
    return edges[0] + edges[1], good


def _own_blur(profiles: FloatArray, offsets: FloatArray, width: float, sigma: float) -> float:
    """Return the blur that fits the slabs best; on a thin sheet it decides on the width."""
    some = profiles[:: max(1, len(profiles) // _BLUR_PROFILES)]
    factors = np.array([0.8, 0.9, 1.0, 1.1, 1.2])
    left = np.array([_slab_misfit(some, offsets, width, sigma * factor) for factor in factors])
    if not np.isfinite(left).all():
        return sigma
    k = int(np.clip(np.argmin(left), 1, len(factors) - 2))
    before, at, behind = left[k - 1 : k + 2]
    bend = before - 2 * at + behind
    shift = 0.5 * (before - behind) / bend if bend > 0 else 0.0
    return sigma * float(factors[k] + 0.1 * np.clip(shift, -1, 1))


def _slab_misfit(profiles: FloatArray, offsets: FloatArray, width: float, sigma: float) -> float:
    _, good, rest = _slabs(profiles, offsets, width, sigma)
    return float(np.mean(rest[good] ** 2)) if good.sum() >= _MIN_PROFILES else math.inf


def _across(
    outline: Outline, stretch: Indices, inner: Indices, thickness: float
) -> tuple[FloatArray, FloatArray] | None:
    """Return points on the middle line and unit vectors across it, pointing inwards."""
    stretch = stretch[outline.valid[stretch]]
    if len(stretch) < _MIN_PROFILES or len(inner) < _MIN_PROFILES:
        return None
    stretch = stretch[:: max(1, math.ceil(len(stretch) / _MAX_PROFILES))]
    outer = outline.points_um[stretch]
    facing = outline.points_um[inner]
    from scipy.spatial import cKDTree

    distance, nearest = (np.asarray(a) for a in cKDTree(facing).query(outer))
    close = (
        (distance < 1.5 * thickness) & (distance > 0.5 * thickness) & outline.valid[inner[nearest]]
    )
    if close.sum() < _MIN_PROFILES:
        return None
    # Normals averaged over both surfaces are across the middle line; smoothing them along the
    # stretch keeps single points' noise out of the direction.
    across = outline.normals_um[inner[nearest[close]]] - outline.normals_um[stretch[close]]
    width = min(15, len(across) // 2 * 2 - 1)
    kernel = np.hanning(width + 2)[1:-1]
    padded = np.pad(across, ((width // 2, width // 2), (0, 0)), mode="edge")
    across = np.column_stack([np.convolve(padded[:, k], kernel, mode="valid") for k in (0, 1)])
    across /= np.hypot(*across.T)[:, None]
    rough = np.median(distance[close])
    return outer[close] + across * rough / 2, across


def fit_slabs(
    profiles: FloatArray, offsets: FloatArray, width: float, sigma: float
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Fit a blurred slab to each profile by Gauss-Newton and return its width.

    Parameters
    ----------
    profiles : ndarray of float, shape (n, m)
    offsets : ndarray of float, shape (m,)
        Pixels from the middle line.
    width, sigma : float
        Rough width and the blur of the edges, pixels.

    Returns
    -------
    widths : ndarray of float, shape (n,)
    good : ndarray of bool, shape (n,)
    """
    widths, good, _ = _slabs(profiles, offsets, width, sigma)
    return widths, good


def _slabs(
    profiles: FloatArray, offsets: FloatArray, width: float, sigma: float
) -> tuple[FloatArray, NDArray[np.bool_], FloatArray]:
    from scipy.special import erf

    finite = np.asarray(np.isfinite(profiles).all(axis=1))
    values = np.where(finite[:, None], profiles, 0.0)
    n = len(values)
    low, high = np.full(n, -width / 2), np.full(n, width / 2)
    root = math.sqrt(2.0) * sigma
    for _ in range(_ROUNDS):
        z0, z1 = (offsets - low[:, None]) / root, (offsets - high[:, None]) / root
        bells = [np.exp(-z * z) * (2 / math.sqrt(math.pi)) / root for z in (z0, z1)]
        basis = np.stack([np.ones_like(z0), erf(z0), erf(z1), *bells], axis=2)
        solution, _ = _least_squares(basis, values)
        steps = np.where(np.abs(solution[:, 1:3]) > 1e-9, solution[:, 1:3], np.inf)
        move = np.clip(solution[:, 3:] / steps, -1.0, 1.0)
        low = np.clip(low - move[:, 0], offsets[0], 0)
        high = np.clip(high - move[:, 1], 0, offsets[-1])
    solution, rest = _least_squares(basis, values)
    steps = np.abs(solution[:, 1:3])
    typical = np.median(steps[finite], axis=0) if finite.any() else np.ones(2)
    good = finite & np.all((steps > 0.6 * typical) & (steps < typical / 0.6), axis=1)
    good &= (np.abs(low + width / 2) < width / 2) & (np.abs(high - width / 2) < width / 2)
    if good.any():
        good &= rest < 4 * np.median(rest[good]) + 1e-9
    return high - low, good, rest


def _least_squares(basis: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    turned = basis.transpose(0, 2, 1)
    normal = turned @ basis
    trace = np.trace(normal, axis1=1, axis2=2)[:, None, None]
    damped = normal + 1e-10 * trace * np.eye(normal.shape[1])
    solution = np.linalg.solve(damped, turned @ values[:, :, None])[:, :, 0]
    rest = np.sqrt(np.mean((values - (basis @ solution[:, :, None])[:, :, 0]) ** 2, axis=1))
    return solution, rest


def _u_mean(values: FloatArray) -> float:
    """Return the standard uncertainty of the mean of correlated neighbours."""
    n = len(values)
    spread = float(values.std(ddof=1))
    inflation = inflation_of(values, free=1, lags=min(10, n // 5))
    return spread * math.sqrt(inflation / n)


def summary(values: FloatArray) -> dict[str, Any]:
    """Return mean, sd, min and max of a stretch."""
    return {
        "mean": float(values.mean()),
        "sd": float(values.std(ddof=1)),
        "min": float(values.min()),
        "max": float(values.max()),
    }
