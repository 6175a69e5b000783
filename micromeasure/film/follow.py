"""Following a film through an image: its direction, then its course, on a reduced copy."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.errors import MeasurementError
from micromeasure.film.frame import LUMINANCE

FloatArray = NDArray[np.float64]

REDUCED_PX = 512  # longest side of the reduced copy; a 5 px layer of 4000 px still shows in it
N_BANDS = 32
PEAK_HALF_DEG = 8  # a bent film spreads its direction this far
MOST_DIRECTIONS = 3
LEAST_SHARE = 0.012  # pixels' own lattice and noise stay below
RIVAL_SHARE = 0.2
TILT_RANGE = 0.16  # slope searched around the mean direction, about 9 degrees
LEAST_FIT = 0.25  # a band that matches the mean of all less than this says nothing
BEND_RANGE = 0.10  # sagitta searched, as a share of the film's length


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """How the film runs: column shift of its pattern against row.

    Attributes
    ----------
    turned : bool
        Whether the image's columns serve as rows, see `Frame`.
    rows : ndarray of float, shape (n,)
        Centres of bands, in rows of the frame.
    shift_px : ndarray of float, shape (n,)
        Column shift of the pattern there; zero in the middle row.
    share : float
        Share of all gradient energy that has this direction, floor taken off.
    """

    turned: bool
    rows: FloatArray
    shift_px: FloatArray
    share: float


def follow_films(pixels: NDArray[Any], direction_deg: float | None = None) -> list[Course]:
    """Find the directions of straight patterns and follow each through the image.

    Parameters
    ----------
    pixels : ndarray, shape (rows, cols) or (rows, cols, 3)
    direction_deg : float, optional
        Direction of the film from the x axis towards y, in pixels; found if not given.

    Returns
    -------
    list of Course
        Strongest first; a scratch across the film is a pattern as well. Empty if no direction
        prevails.

    Raises
    ------
    MeasurementError
        If the region is too small.

    Notes
    -----
    Directions are peaks in the distribution of gradient directions over the whole region, each
    gradient weighted with its energy: texture and specks have no direction and make a floor
    that is taken off. The course is a parabola found by trying slopes and bends and keeping
    those that add the bands' gradients up to the greatest energy; each band is then matched to
    the mean of all.
    """
    reduced, factor = _reduce(pixels)
    if min(reduced.shape) < 16:
        message = (
            f"The searched region is {pixels.shape[1]} by {pixels.shape[0]} px; a film needs at "
            "least 16 px each way; give a larger region."
        )
        raise MeasurementError(message)
    directions = [(direction_deg, 1.0)] if direction_deg is not None else _directions(reduced)
    return [_follow(reduced, factor, deg, share=share) for deg, share in directions]


def _follow(reduced: NDArray[np.float32], factor: int, along_deg: float, *, share: float) -> Course:
    c, s = math.cos(math.radians(along_deg)), math.sin(math.radians(along_deg))
    turned = abs(c) > abs(s)
    if turned:
        reduced, c, s = np.ascontiguousarray(reduced.T), s, c
    slope = c / s
    rows, gradients = _band_gradients(reduced, slope)
    shift = _best_parabola(gradients, rows, reduced.shape[0])
    shift = _match_bands(gradients, rows, shift)
    middle = 0.5 * (reduced.shape[0] - 1)
    total = slope * (rows - middle) + shift
    return Course(
        turned=turned,
        rows=(rows + 0.5) * factor - 0.5,
        shift_px=total * factor,
        share=share,
    )


def _reduce(pixels: NDArray[Any]) -> tuple[NDArray[np.float32], int]:
    """Return a grey reduced copy and its factor."""
    import cv2

    # A whole factor is seven times quicker than a broken one; the last rows and columns that
    # do not fill a cell are left out.
    factor = max(1, math.ceil(max(pixels.shape[:2]) / REDUCED_PX))
    rows, cols = (n // factor for n in pixels.shape[:2])
    whole = pixels[: rows * factor, : cols * factor]
    small = cv2.resize(whole, (cols, rows), interpolation=cv2.INTER_AREA) if factor > 1 else whole
    grey = small.astype(np.float32)
    if grey.ndim == 3:
        grey = grey @ np.array(LUMINANCE, dtype=np.float32)
    return grey, factor


def _directions(image: NDArray[np.float32]) -> list[tuple[float, float]]:
    """Return directions along straight patterns (degrees) with their shares of the energy."""
    import cv2

    smooth = cv2.GaussianBlur(image, (0, 0), 1.5, borderType=cv2.BORDER_REPLICATE)
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0)[2:-2, 2:-2].ravel()
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1)[2:-2, 2:-2].ravel()
    energy = gx * gx + gy * gy
    # A speck far brighter than the film must not outvote it; faint gradients are only noise.
    low, high = np.quantile(energy[::7], [0.5, 0.98])
    strong = np.flatnonzero(energy > low)
    angle = np.degrees(np.arctan2(gy[strong], gx[strong])) % 180.0
    weight = np.minimum(energy[strong], high)
    counts = np.bincount(angle.astype(np.intp) % 180, weights=weight, minlength=180)
    above = np.maximum(counts - np.median(counts), 0.0)
    window = np.ones(2 * PEAK_HALF_DEG + 1)
    total = float(counts.sum()) + 1e-30
    found: list[tuple[float, float]] = []
    for _ in range(MOST_DIRECTIONS):
        wrapped = np.concatenate([above[-PEAK_HALF_DEG:], above, above[:PEAK_HALF_DEG]])
        sums = np.convolve(wrapped, window, mode="valid")
        peak = int(np.argmax(sums))
        share = float(sums[peak]) / total
        if share < LEAST_SHARE or (found and share < RIVAL_SHARE * found[0][1]):
            break
        offsets = np.arange(-PEAK_HALF_DEG, PEAK_HALF_DEG + 1)
        near = above[(peak + offsets) % 180]
        mean = peak + 0.5 + float(np.sum(near * offsets)) / float(near.sum())
        found.append((mean + 90.0, share))
        above[(peak + np.arange(-2 * PEAK_HALF_DEG, 2 * PEAK_HALF_DEG + 1)) % 180] = 0.0
    return found


def _band_gradients(image: NDArray[np.float32], slope: float) -> tuple[FloatArray, FloatArray]:
    """Shear the film upright and average rows to bands; return band rows and x gradients."""
    import cv2

    rows, cols = image.shape
    middle = 0.5 * (rows - 1)
    extra = math.ceil(abs(slope) * middle)
    move = np.array([[1.0, -slope, slope * middle + extra], [0.0, 1.0, 0.0]])
    size = (cols + 2 * extra, rows)
    upright = cv2.warpAffine(image, move, size, borderMode=cv2.BORDER_REPLICATE)
    valid = cv2.warpAffine(np.ones_like(image), move, size, borderValue=0)
    n = min(N_BANDS, rows // 4)
    bands = cv2.resize(upright, (size[0], n), interpolation=cv2.INTER_AREA).astype(np.float64)
    share = cv2.resize(valid, (size[0], n), interpolation=cv2.INTER_AREA)
    inside = cv2.erode((share > 0.95).astype(np.uint8), np.ones((1, 9), np.uint8)) > 0
    smooth = np.asarray(cv2.GaussianBlur(bands, (0, 0), sigmaX=1.2, sigmaY=1e-6))
    gradient = np.zeros(bands.shape)
    gradient[:, 1:-1] = 0.5 * (smooth[:, 2:] - smooth[:, :-2])
    gradient *= inside
    spread = np.median(np.abs(gradient[inside])) if inside.any() else 0.0
    peaks = np.sort(np.abs(gradient).max(axis=1))
    limit = max(float(np.median(peaks)), 6.0 * float(spread))
    return (np.arange(n) + 0.5) * rows / n - 0.5, np.clip(gradient, -limit, limit)


def _best_parabola(gradients: FloatArray, rows: FloatArray, n_rows: int) -> FloatArray:
    """Return band shifts of the slope and bend with the greatest energy of the sum.

    From coarse to fine: the blurrier the gradients, the wider the steps between trials may be.
    """
    half = 0.5 * n_rows
    t = (rows - 0.5 * (n_rows - 1)) / half
    bow = t * t - 1.0 / 3.0
    slope = bend = 0.0
    for blur, trials in ((4.0, 13), (2.0, 7), (1.0, 5)):
        thinning = int(blur)  # as wide as the blur: nothing is lost
        smooth = _blurred_rows(gradients, blur)[:, ::thinning].astype(np.float32)
        first = blur == 4.0
        every = 2 if first else 1
        slope_reach = TILT_RANGE if first else 1.25 * blur / half
        bend_reach = 2.0 * BEND_RANGE if first else 1.9 * blur / half
        best, around = -1.0, (slope, bend)
        bands = _padded(smooth[::every])
        for a in around[0] + slope_reach * np.linspace(-1.0, 1.0, trials):
            for b in around[1] + bend_reach * np.linspace(-1.0, 1.0, trials):
                energy = _energy(bands, half * (a * t + b * bow)[::every] / thinning)
                if energy > best:
                    best, slope, bend = energy, float(a), float(b)
    return np.asarray(half * (slope * t + bend * bow))


def _padded(gradients: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return rows with half their width of zeros on each side: what moved out finds nothing."""
    n, width = gradients.shape
    padded = np.zeros((n, width + 2 * (width // 2)), dtype=np.float32)
    padded[:, width // 2 : width // 2 + width] = gradients
    return padded


def _energy(padded: NDArray[np.float32], shift: FloatArray) -> float:
    """Return the energy of the sum of padded rows, each moved left by its shift."""
    span = padded.shape[1]
    # Half the width on each side: span is 2 w for an even width w, 2 w - 1 for an odd one.
    width = (span + 1) // 2
    reach = width // 2
    start = np.minimum(np.maximum(np.rint(shift), -reach), reach).astype(np.intp) + reach
    total = np.zeros(width, dtype=np.float32)
    for row, at in zip(padded, start.tolist(), strict=True):
        total += row[at : at + width]
    return float(total @ total)


def _blurred_rows(a: FloatArray, sigma: float) -> FloatArray:
    import cv2

    return np.asarray(cv2.GaussianBlur(a, (0, 0), sigmaX=sigma, sigmaY=1e-6))


def aligned(gradients: FloatArray, shift: FloatArray) -> FloatArray:
    """Return rows moved left by `shift` pixels, linearly interpolated, zero outside."""
    width = gradients.shape[1]
    at = np.arange(width)
    return np.stack(
        [
            np.interp(at + by, at, row, left=0.0, right=0.0)
            for row, by in zip(gradients, shift, strict=True)
        ]
    )


def _match_bands(gradients: FloatArray, rows: FloatArray, shift: FloatArray) -> FloatArray:
    """Move each band to where it fits the mean of all best; smooth the moves robustly."""
    for reach, degree in ((6, 3), (4, 5)):
        moved = aligned(gradients, shift)
        extra, weight = band_offsets(moved, moved.mean(axis=0), reach)
        shift = robust_polynomial(rows, shift + extra, weight, degree)
    return shift


def band_offsets(
    moved: FloatArray, template: FloatArray, reach: int
) -> tuple[FloatArray, FloatArray]:
    """Return how far each band still lies to the right of the template, and how well it fits.

    Parameters
    ----------
    moved : ndarray, shape (n_bands, width)
        Aligned gradients.
    template : ndarray, shape (width,)
    reach : int
        Greatest offset tried, px.

    Returns
    -------
    offset_px, weight : ndarray, shape (n_bands,)
        Weight grows with the correlation; 0 where it is poor or greatest at the search's end.
    """
    offsets = np.arange(-reach, reach + 1)
    # Away from its edges the template holds only noise, which would blur the maximum.
    strong = np.where(np.abs(template) > 0.15 * np.abs(template).max(), template, 0.0)
    near = np.convolve(strong != 0.0, np.ones(2 * reach + 1), mode="same") > 0
    padded = np.pad(strong, reach)
    width = template.size
    shifted = np.stack([padded[reach - o : reach - o + width] for o in offsets])
    score = moved @ shifted.T
    norm = np.linalg.norm(moved * near, axis=1) * np.linalg.norm(strong) + 1e-30
    best = np.argmax(score, axis=1)
    inner = (best > 0) & (best < 2 * reach)
    i = np.clip(best, 1, 2 * reach - 1)
    row = np.arange(len(moved))
    left, mid, right = score[row, i - 1], score[row, i], score[row, i + 1]
    curve = np.maximum(2.0 * mid - left - right, 1e-30)
    fine = np.clip(0.5 * (right - left) / curve, -0.5, 0.5)
    fit = score[row, best] / norm
    weight = np.where(inner, np.maximum(fit - LEAST_FIT, 0.0), 0.0)
    return np.where(inner, offsets[i] + fine, 0.0), weight


def robust_polynomial(
    t: FloatArray, values: FloatArray, weight: FloatArray, degree: int
) -> FloatArray:
    """Return a polynomial through values by repeatedly reweighted least squares.

    Parameters
    ----------
    t, values, weight : ndarray, shape (n,)
    degree : int
        Lowered where too few points have weight.

    Returns
    -------
    ndarray, shape (n,)
        The polynomial at `t`.
    """
    u = 2.0 * (t - t.min()) / max(float(np.ptp(t)), 1e-12) - 1.0
    degree = max(0, min(degree, int(np.count_nonzero(weight > 0.05)) // 3))
    basis = np.polynomial.chebyshev.chebvander(u, degree)
    robust = np.ones_like(weight)
    fit = np.zeros_like(values)
    for _ in range(6):
        w = weight * robust + 1e-9
        coefficients = np.linalg.lstsq(basis * w[:, None], values * w, rcond=None)[0]
        fit = basis @ coefficients
        gap = np.abs(values - fit)
        scale = 1.4826 * float(np.median(gap[weight > 0.05])) if (weight > 0.05).any() else 1.0
        robust = 1.0 / (1.0 + (gap / (3.0 * max(scale, 0.05))) ** 4)
    return np.asarray(fit)
