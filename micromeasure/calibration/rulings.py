"""One image of a stage micrometer, from pixels to lines per pixel with their covariance."""

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.calibration.bands import FINE, Bands, cut_bands
from micromeasure.calibration.centres import Centres, even_out, measure_centres
from micromeasure.calibration.direction import Direction, find_direction, in_256_steps
from micromeasure.calibration.doubts import Fitted, Located, refuse_doubtful_numbers
from micromeasure.calibration.finding import Found, find_rulings
from micromeasure.calibration.ground import find_ground, fit_ground
from micromeasure.calibration.ruling_fit import fit_law
from micromeasure.errors import CalibrationError

FloatArray = NDArray[np.float64]

# Of a faint, fine ruling noise makes the gradients' direction a little uncertain: tried in turn.
_OFF_RAD = tuple(math.radians(v) for v in (0.0, 0.7, -0.7, 1.4, -1.4))
_LEAN_RAD = math.radians(5.0)  # scratches may turn the direction of the gradients by so much
_WANTED_CLEARNESS = 12.0
_FEWEST_BANDS = 6
_BANDS, _SHORTEST_BAND = 32, 12.0
_PIECES = 12_000  # lines times bands
_ROWS_TO_FIND = 1000  # more would cost time; lines that these do not show are not there
_PRESENT = 0.3  # of the usual depth: a line is there
_TOO_DEEP = 3.0
_FEWEST = 6
_FEWEST_PIECES = 3
_OPEN_SHARE = 0.85  # quantile within a block that lies in the open between lines


@dataclass(frozen=True, slots=True, kw_only=True)
class RuledImage:
    """The lines found in one image and the law that fits them.

    Attributes
    ----------
    gradient_per_px : tuple of two floats
        Change of the line number for one pixel in x and in y.
    covariance : ndarray, shape (2, 2)
        Of the gradient, from noise and the scatter of the lines.
    turn : ndarray, shape (2,)
        Part of the gradient's standard uncertainty that is due to the rulings' direction.
    dof : float
        Effective degrees of freedom of the gradient's length.
    numbers : ndarray of int, shape (n,)
        Number of each line used, from 0.
    ends_px : ndarray, shape (n, 2, 2)
        Two points on each line, ``x y``, between which it was measured.
    residual_px, u_px : ndarray, shape (n,)
        Mean deviation of each line from the law, across the lines, and its noise.
    stray_numbers : ndarray of int
        Lines left out.
    k1_per_px2, u_k1_per_px2 : float
        Radial distortion about the image's centre that fits the lines best.
    size_px : tuple of two ints
    dark : bool
    line_width_px, blur_px : float
    between_px : float
        Scatter of the lines beyond noise.
    noise : float
        Noise of a pixel in units of a line's depth.
    """

    gradient_per_px: tuple[float, float]
    covariance: FloatArray
    turn: FloatArray
    dof: float
    numbers: NDArray[np.intp]
    ends_px: FloatArray
    residual_px: FloatArray
    u_px: FloatArray
    stray_numbers: NDArray[np.intp]
    k1_per_px2: float
    u_k1_per_px2: float
    size_px: tuple[int, int]
    dark: bool
    line_width_px: float
    blur_px: float
    between_px: float
    noise: float


def measure_rulings(
    grey: NDArray[Any], name: str, direction: Direction | None = None
) -> RuledImage:
    """Find, number and fit the rulings in an image.

    Parameters
    ----------
    grey : ndarray, shape (rows, cols)
        Pixel values of any real type.
    name : str
        Of the image, for messages.
    direction : Direction or None
        From `find_direction`, where it is known already.

    Returns
    -------
    RuledImage

    Raises
    ------
    CalibrationError
        If there are no rulings, too few, or their numbers are not certain.
    """
    direction = direction or find_direction(in_256_steps(grey))
    upright = abs(direction.normal_rad) <= math.pi / 4
    image = grey if upright else np.ascontiguousarray(grey.T)
    normal = direction.normal_rad
    if not upright:
        normal = math.copysign(math.pi / 2, normal) - normal
    rows_per_band = max(_SHORTEST_BAND, image.shape[0] / _BANDS)
    every = max(1, image.shape[0] // _ROWS_TO_FIND)
    for off in _OFF_RAD:
        bands = cut_bands(image, math.tan(normal + off), rows_per_band, every=every)
        found = find_rulings(bands)
        if found is not None:
            break
    else:
        raise CalibrationError([_nothing(name)])
    lean = _lean(bands, found)
    middle = float(bands.y_px[found.first_band : found.last_band].mean()) - bands.y_middle
    found = replace(found, positions_px=found.positions_px + lean * middle)
    tangent = bands.tangent + lean
    # Of very many lines longer pieces tell as much, and take less time.
    most = image.shape[1] / found.pitch_px * image.shape[0] / _PIECES
    rows_per_band = max(rows_per_band, min(most, 2 * rows_per_band))
    located = _locate(image, cut_bands(image, tangent, rows_per_band), found)
    clearness = _clearness(located.centres)
    if clearness < _WANTED_CLEARNESS:
        # Faint lines need longer pieces; their ends and dust are then told less well.
        longer = rows_per_band * (_WANTED_CLEARNESS / max(clearness, 1.0)) ** 2
        rows_per_band = min(longer, max(rows_per_band, image.shape[0] / _FEWEST_BANDS))
        located = _locate(image, cut_bands(image, tangent, rows_per_band), found)
    fitted = _fit(located, name)
    refuse_doubtful_numbers(image, located, fitted, name)
    return _result(located, fitted, upright=upright)


def _nothing(name: str) -> str:
    return (
        f"{name}: no ruling found; at least {_FEWEST} regular parallel lines are needed. Take an "
        "image of the stage micrometer in focus, or give a region that holds only its lines."
    )


def _lean(bands: Bands, found: Found) -> float:
    """Return by how much the lines' tangent differs from the one the bands were cut with."""
    x = bands.origin_px + np.arange(bands.sums.shape[1]) / FINE
    pitch, start = np.polyfit(found.numbers, found.positions_px, 1)
    turn = 2 * np.pi * (x - start) / pitch
    wave = np.stack([np.cos(turn), -np.sin(turn)], axis=1)
    mean = bands.sums.sum(axis=1, keepdims=True) / bands.counts.sum(axis=1, keepdims=True)
    parts = bands.sums @ wave - mean * (bands.counts @ wave)
    comb = parts[:, 0] + 1j * parts[:, 1]
    y = bands.y_px - bands.y_middle
    spacing = float(np.diff(bands.y_px).mean()) if len(y) > 1 else math.inf
    most = min(math.tan(_LEAN_RAD) / pitch, 0.45 / spacing)
    turns = np.linspace(-most, most, 2 * math.ceil(most * np.ptp(y) * 10) + 1)
    strength = np.abs(np.exp(-2j * np.pi * turns[:, None] * y) @ comb)
    at = int(np.argmax(strength))
    if 0 < at < len(turns) - 1:
        left, top, right = strength[at - 1 : at + 2]
        curve = left - 2 * top + right
        step = 0.5 * (left - right) / curve if curve < 0 else 0.0
        return float((turns[at] + step * (turns[1] - turns[0])) * pitch)
    return float(turns[at] * pitch)


def _course(bands: Bands, found: Found) -> tuple[NDArray[np.intp], FloatArray]:
    """Return the numbers of all lines the image can hold and where each is expected."""
    centre = float(found.numbers.mean())
    degree = 3 if len(found.numbers) > 12 else 1
    half = np.ptp(found.numbers) / 2
    law = np.polynomial.Polynomial.fit(
        found.numbers, found.positions_px, degree, domain=[centre - half, centre + half]
    )
    low, high = int(found.numbers.min()), int(found.numbers.max())
    inside = np.arange(low, high + 1)
    # Beyond the lines found the course goes on straight, with the slope at its end.
    reach_low = (law(low) - bands.origin_px) / max(law.deriv()(low), 0.5 * found.pitch_px)
    far = bands.origin_px + bands.sums.shape[1] / FINE
    reach_high = (far - law(high)) / max(law.deriv()(high), 0.5 * found.pitch_px)
    before = np.arange(-max(0, int(reach_low)), 0)
    after = np.arange(1, max(0, int(reach_high)) + 1)
    places = np.concatenate(
        [law(low) + before * law.deriv()(low), law(inside), law(high) + after * law.deriv()(high)]
    )
    return np.concatenate([low + before, inside, high + after]).astype(np.intp), places


def _locate(image: NDArray[Any], bands: Bands, found: Found) -> Located:
    share = _OPEN_SHARE if found.dark else 1.0 - _OPEN_SHARE
    ground = find_ground(image, share=share, feature_px=found.pitch_px)
    depth = even_out(bands, ground, dark=found.dark)
    numbers, course = _course(bands, found)
    places = np.repeat(course[:, None], len(bands.y_px), axis=1)
    centres = measure_centres(bands, depth, places, found.pitch_px)
    if not found.dark:
        # Bright lines carry the unevenness of the light themselves.
        depth = depth / _line_light(bands, centres, image.shape)
        centres = measure_centres(bands, depth, places, found.pitch_px)
    return Located(
        bands=bands, depth=depth, centres=centres, numbers=numbers, dark=found.dark,
        rivals_px=found.rivals_px,
    )  # fmt: skip


def _clearness(centres: Centres) -> float:
    """Return how many standard uncertainties deep the clearer lines are in one band."""
    with np.errstate(invalid="ignore"):
        clear = (centres.depth / centres.u_depth)[np.isfinite(centres.x_px)]
    return float(np.percentile(clear, 80)) if clear.size else 0.0


def _line_light(bands: Bands, centres: Centres, shape: tuple[int, ...]) -> FloatArray:
    """Return the brightness of the lines, smoothed, at every sample, 1 at its greatest."""
    # A line that ends within a band looks fainter there.
    line, band = np.nonzero(_without_ends(_there(centres)))
    if len(line) == 0:
        return np.ones(bands.sums.shape)
    y = bands.y_px - bands.y_middle
    x = centres.x_px[line, band] - bands.tangent * y[band]
    light = fit_ground(x, bands.y_px[band], centres.depth[line, band], (shape[0], shape[1]))
    brightest = float(light.at(x, bands.y_px[band]).max())
    coarse = bands.origin_px + np.arange(0, bands.sums.shape[1], 4 * FINE) / FINE
    fine = bands.origin_px + np.arange(bands.sums.shape[1]) / FINE
    level = np.stack(
        [
            np.interp(fine, coarse, light.at(coarse - bands.tangent * yb, yb + bands.y_middle))
            for yb in y
        ]
    )
    # Beyond the lines seen the surface is anyone's guess.
    return np.clip(level / brightest, _PRESENT, 1.0)


def _there(centres: Centres) -> NDArray[np.bool_]:
    """Return where a line is seen clearly and is about as deep as the others."""
    usual = centres.usual_depth()
    with np.errstate(invalid="ignore"):
        alike = (centres.depth > _PRESENT * usual) & (centres.depth < _TOO_DEEP * usual)
    return centres.clear() & alike


def _fit(located: Located, name: str) -> Fitted:
    """Fit x = x0 + pitch·number - tangent·y to all measured points, straight and distorted."""
    bands, centres, numbers = located.bands, located.centres, located.numbers
    there = _there(centres)
    # A single sighting may be anything; a line is seen in two bands at least.
    if len(bands.y_px) > 3:
        there &= there.sum(axis=1, keepdims=True) >= 2
    there = _without_ends(there)
    line, band = np.nonzero(there)
    y = bands.y_px[band] - bands.y_middle
    x = centres.x_px[line, band] - bands.tangent * y
    number = numbers[line]
    first = int(number.min()) if len(number) else 0
    number = (number - first).astype(np.intp)
    variance = centres.u_px[line, band] ** 2
    design = np.stack([np.ones_like(x), number.astype(np.float64), -y], axis=1)
    if len(np.unique(number)) < _FEWEST:
        raise CalibrationError([_nothing(name)])
    law = fit_law(design, x, variance, number)
    dx = x - (bands.width_px - 1) / 2
    bend = -(dx + law.solution[2] * y) * (dx * dx + y * y)
    bent = fit_law(np.column_stack([design, bend]), x, variance, number)
    return Fitted(law=law, bent=bent, number=number, x_px=x, y_px=y)


def _without_ends(there: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Leave out the bands in which a line ends, unless there are few.

    A line is cut off square, not along the rows: where it leans, one flank ends before the other,
    and the piece looks shifted.
    """
    beside = np.pad(there, ((0, 0), (1, 1)), constant_values=True)
    inner = there & beside[:, :-2] & beside[:, 2:]
    many = inner.sum(axis=1, keepdims=True) >= _FEWEST_PIECES
    return np.asarray(np.where(many, inner, there))


def _result(located: Located, fitted: Fitted, *, upright: bool) -> RuledImage:
    bands, centres = located.bands, located.centres
    law, bent = fitted.law, fitted.bent
    pitch, tangent = law.solution[1], law.solution[2]
    gradient = np.array([1.0, tangent]) / pitch
    jacobian = np.array([[-1.0 / pitch**2, 0.0], [-tangent / pitch**2, 1.0 / pitch]])
    covariance = jacobian @ law.covariance[1:3, 1:3] @ jacobian.T
    turn = jacobian[:, 1] * np.sqrt(law.covariance[2, 2])
    ends = np.empty((len(law.lines), 2, 2))
    used = fitted.number[law.used]
    for end, extreme, start in ((0, np.minimum, np.inf), (1, np.maximum, -np.inf)):
        y = np.full(fitted.number.max() + 1, start)
        extreme.at(y, used, fitted.y_px[law.used])
        y = y[law.lines] + (end - 0.5) * bands.rows[0]
        course = law.solution[0] + pitch * law.lines - tangent * y
        ends[:, end, 0] = course + law.line_residual_px
        ends[:, end, 1] = y + bands.y_middle
    size = (bands.width_px, round(2 * bands.y_middle) + 1)
    if not upright:
        gradient, covariance, turn = gradient[::-1], covariance[::-1, ::-1], turn[::-1]
        ends, size = ends[..., ::-1], size[::-1]
    lean = 1.0 / math.hypot(1.0, tangent)
    return RuledImage(
        gradient_per_px=(float(gradient[0]), float(gradient[1])),
        covariance=covariance,
        turn=turn,
        dof=float(law.dof),
        numbers=law.lines,
        ends_px=ends,
        residual_px=law.line_residual_px * lean,
        u_px=law.line_u_px * lean,
        stray_numbers=np.setdiff1d(np.unique(fitted.number), law.lines),
        k1_per_px2=float(bent.solution[3]),
        u_k1_per_px2=float(np.sqrt(bent.covariance[3, 3])),
        size_px=size,
        dark=located.dark,
        line_width_px=centres.shape.width_px * lean,
        blur_px=centres.shape.sigma_px * lean,
        between_px=law.between_px * lean,
        noise=centres.noise / centres.usual_depth(),
    )
