"""The scale in x and y with its uncertainty budget, from one or several artefact images."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.calibration.file import DISTORTION_LIMIT
from micromeasure.calibration.geometry import Distortion
from micromeasure.calibration.grid import GridImage
from micromeasure.calibration.rulings import RuledImage
from micromeasure.errors import CalibrationError
from micromeasure.estimate import Component, Estimate

FloatArray = NDArray[np.float64]
ArtefactImage = RuledImage | GridImage

_REFERENCE_C = 20.0  # ISO 1: lengths are stated at this temperature
_UNDETERMINED = 0.01  # relative; an axis known no better than this is not determined
_BEYOND_NOISE = 4.0  # standard uncertainties
# Standard deviation of x² over a side of half-length h, in units of h².
_SPREAD_OF_SQUARE = math.sqrt(4 / 45)


@dataclass(frozen=True, slots=True, kw_only=True)
class Artefact:
    """What is known of the artefact.

    Attributes
    ----------
    pitch_um : float
        Certified distance between neighbouring rulings or elements, at 20 °C.
    u_pitch_um : float or None
        Its standard uncertainty; None where it is not known.
    temperature_c, u_temperature_k, expansion_per_k : float or None
        Temperature of the artefact, its standard uncertainty, and the expansion coefficient;
        None where not known: then taken as 20 °C and not part of the budget.
    """

    pitch_um: float
    u_pitch_um: float | None = None
    temperature_c: float | None = None
    u_temperature_k: float = 1.0
    expansion_per_k: float | None = None

    def __post_init__(self) -> None:
        """Check what a person has typed."""
        problems = []
        if not (math.isfinite(self.pitch_um) and self.pitch_um > 0):
            problems.append(
                f"pitch: found {self.pitch_um:g} um; must be above 0, as on the certificate."
            )
        if self.u_pitch_um is not None and not (
            math.isfinite(self.u_pitch_um) and 0 <= self.u_pitch_um < abs(self.pitch_um)
        ):
            problems.append(
                f"uncertainty of the pitch: found {self.u_pitch_um:g} um; must be at least 0 and "
                "below the pitch. Give the standard uncertainty, half of the one for k = 2."
            )
        if (self.temperature_c is None) != (self.expansion_per_k is None):
            problems.append(
                "temperature and expansion coefficient belong together: give both or neither."
            )
        if problems:
            raise CalibrationError(problems)

    @property
    def pitch_now_um(self) -> float:
        """Pitch at the temperature of the artefact."""
        if self.temperature_c is None or self.expansion_per_k is None:
            return self.pitch_um
        return self.pitch_um * (1.0 + self.expansion_per_k * (self.temperature_c - _REFERENCE_C))


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """The scale of both axes.

    Attributes
    ----------
    um_per_px : tuple of two Estimate
        In x and y, with their budgets; components are None where the pitch's uncertainty is
        unknown.
    fit_u_um_per_px : tuple of two floats
        The part of the uncertainty that these images show.
    rotation_deg : tuple of float
        Direction of the artefact's measuring axis against x, one for each image.
    squareness_deg, u_squareness_deg : float or None
        Angle between the image's axes less 90 degrees, from grids.
    distortion : Distortion or None
    nonlinearity : float
        Relative change of scale from the centre to the corner that is not corrected.
    """

    um_per_px: tuple[Estimate, Estimate]
    fit_u_um_per_px: tuple[float, float]
    rotation_deg: tuple[float, ...]
    squareness_deg: float | None
    u_squareness_deg: float | None
    distortion: Distortion | None
    nonlinearity: float

    @property
    def flags(self) -> tuple[str, ...]:
        """``distorted`` where the change of scale is beyond the limit and not corrected."""
        return ("distorted",) if abs(self.nonlinearity) > DISTORTION_LIMIT else ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Condition:
    """``along·A + across·B = 1/pitch²`` with A = 1/s_x², B = 1/s_y²; variances relative."""

    along: float
    across: float
    variance_fit: float
    variance_rotation: float
    dof: float


def solve_scale(images: Sequence[ArtefactImage], names: Sequence[str], artefact: Artefact) -> Scale:
    """Solve for the scale of both axes.

    Parameters
    ----------
    images : sequence of RuledImage or GridImage
    names : sequence of str
        Of the images, for messages.
    artefact : Artefact

    Returns
    -------
    Scale

    Raises
    ------
    CalibrationError
        If an axis is not determined, or the images do not belong together.

    Notes
    -----
    A ruling whose number changes by a and b for a pixel in x and y, and whose pitch is P, obeys
    a²/s_x² + b²/s_y² = 1/P² whatever its rotation is. Two differently directed rulings, or one
    grid, give both scales. Rotation within the image plane enters through b alone.
    """
    _check_set(images, names)
    pitch = artefact.pitch_now_um
    start = _rough_scale(images, pitch, names)
    conditions = [c for image in images for c in _conditions(image, start, pitch)]
    solution = _solve(conditions, pitch, names)
    scales, gains = solution
    excess = _excess(conditions, scales, pitch)
    nonlinearity = _nonlinearity(images)
    estimates = tuple(
        _budget(scales[axis], gains[axis], conditions, artefact,
                excess=excess, nonlinear=_uncorrected(images))
        for axis in (0, 1)
    )  # fmt: skip
    grids = [image for image in images if isinstance(image, GridImage)]
    square = [_squareness(grid) for grid in grids]
    fit_u = tuple(
        math.sqrt(excess * sum(g * g * (c.variance_fit + c.variance_rotation)
                               for g, c in zip(gains[axis], conditions, strict=True)))
        * scales[axis]
        for axis in (0, 1)
    )  # fmt: skip
    return Scale(
        um_per_px=(estimates[0], estimates[1]),
        fit_u_um_per_px=(fit_u[0], fit_u[1]),
        rotation_deg=tuple(_rotation(image, scales) for image in images),
        squareness_deg=float(np.mean([s[0] for s in square])) if square else None,
        u_squareness_deg=(
            math.sqrt(sum(s[1] ** 2 for s in square)) / len(square) if square else None
        ),
        distortion=_distortion(grids),
        nonlinearity=nonlinearity,
    )


def _check_set(images: Sequence[ArtefactImage], names: Sequence[str]) -> None:
    sizes = {image.size_px for image in images}
    if len(sizes) > 1:
        listed = ", ".join(
            f"{name} {image.size_px[0]} x {image.size_px[1]}"
            for name, image in zip(names, images, strict=True)
        )
        message = f"the images differ in size ({listed} px); take all of them in one camera mode."
        raise CalibrationError([message])
    ruled = any(isinstance(image, RuledImage) for image in images)
    bent = any(isinstance(image, GridImage) and image.is_distorted for image in images)
    if ruled and bent:
        message = (
            "the grid shows distortion, so its scale holds at the centre, while that of the ruled "
            "images is an average; calibrate with the grid images alone."
        )
        raise CalibrationError([message])


def _rough_scale(
    images: Sequence[ArtefactImage], pitch: float, names: Sequence[str]
) -> tuple[float, float]:
    """Return scales good enough for variances, from plain least squares."""
    rows = []
    for image in images:
        if isinstance(image, RuledImage):
            a, b = image.gradient_per_px
            rows.append((a * a, b * b))
        else:
            gram = _gram(image)
            rows += [(gram[0, 0], 0.0), (0.0, gram[1, 1])]
    matrix = np.array(rows) * pitch * pitch
    strength = np.linalg.svd(matrix / matrix.max(), compute_uv=False)
    if len(strength) < 2 or strength[1] < 0.05 * strength[0]:
        raise CalibrationError([_one_axis_only(images, names)])
    solution = np.linalg.lstsq(matrix, np.ones(len(rows)))[0]
    if (solution <= 0).any():
        raise CalibrationError([_one_axis_only(images, names)])
    return 1 / math.sqrt(solution[0]), 1 / math.sqrt(solution[1])


def _one_axis_only(images: Sequence[ArtefactImage], names: Sequence[str]) -> str:
    axes = []
    for image in images:
        if isinstance(image, RuledImage):
            a, b = (abs(v) for v in image.gradient_per_px)
            axes.append("x" if a >= b else "y")
    axis = axes[0] if axes else "x"
    other = "y" if axis == "x" else "x"
    listed = " and ".join(names)
    verb = "is" if len(names) == 1 else "are all" if len(names) > 2 else "are both"
    return (
        f"{listed} {verb} ruled along {axis}, so the scale in {other} is not determined; add an "
        "image with the micrometer turned by a quarter turn, or one of a grid."
    )


def _conditions(
    image: ArtefactImage, scales: tuple[float, float], pitch: float
) -> list[_Condition]:
    sx, sy = scales
    if isinstance(image, GridImage):
        return _grid_conditions(image)
    a, b = image.gradient_per_px
    cosine, sine = a * pitch / sx, b * pitch / sy
    # Relative error of the condition per error of a and b.
    slope = 2.0 * pitch * np.array([cosine / sx, sine / sy])
    total = float(slope @ image.covariance @ slope)
    rotation = min(total, float(slope @ image.turn) ** 2)
    return [
        _Condition(
            along=a * a, across=b * b, variance_fit=total - rotation,
            variance_rotation=rotation, dof=image.dof,
        )
    ]  # fmt: skip


def _gram(image: GridImage) -> FloatArray:
    cells_per_px = np.linalg.inv(image.pixels_per_cell)
    return np.asarray(cells_per_px.T @ cells_per_px)


def _grid_conditions(image: GridImage) -> list[_Condition]:
    """Return one condition for each axis: the length of a column of the inverted steps."""
    inverse = np.linalg.inv(image.pixels_per_cell)
    gram = inverse.T @ inverse
    conditions = []
    for axis in (0, 1):
        # d(M) = -M dE M, so d(gram_aa)/gram_aa is linear in the four step components.
        slope = np.array(
            [
                -2.0 * (inverse[:, axis] @ inverse[:, row]) * inverse[col, axis] / gram[axis, axis]
                for row in (0, 1)
                for col in (0, 1)
            ]
        )
        conditions.append(
            _Condition(
                along=float(gram[0, 0]) if axis == 0 else 0.0,
                across=float(gram[1, 1]) if axis == 1 else 0.0,
                variance_fit=float(slope @ image.covariance @ slope),
                variance_rotation=0.0,
                dof=image.dof,
            )
        )
    return conditions


def _squareness(image: GridImage) -> tuple[float, float]:
    """Return how far the image's axes are off a right angle, in degrees, and its uncertainty."""

    def angle(steps: FloatArray) -> float:
        inverse = np.linalg.inv(steps)
        gram = inverse.T @ inverse
        # The angle between the pixel axes, measured on the artefact: 90° where the product is 0.
        return -math.degrees(math.asin(gram[0, 1] / math.sqrt(gram[0, 0] * gram[1, 1])))

    at = image.pixels_per_cell
    step = 1e-4 * float(np.abs(at).max())
    slope = np.empty(4)
    for k in range(4):
        moved = at.copy()
        moved.flat[k] += step
        slope[k] = (angle(moved) - angle(at)) / step
    return angle(at), math.sqrt(float(slope @ image.covariance @ slope))


def _solve(
    conditions: Sequence[_Condition], pitch: float, names: Sequence[str]
) -> tuple[tuple[float, float], tuple[FloatArray, FloatArray]]:
    """Return the scales, and for each the gain: relative error per relative condition error."""
    matrix = np.array([(c.along, c.across) for c in conditions]) * pitch * pitch
    weight = np.array([1.0 / max(c.variance_fit + c.variance_rotation, 1e-18) for c in conditions])
    normal = matrix.T @ (matrix * weight[:, None])
    pseudo = np.linalg.solve(normal, (matrix * weight[:, None]).T)
    square = pseudo @ np.ones(len(conditions))
    if (square <= 0).any():
        raise CalibrationError([f"{', '.join(names)}: no scale fits all of these images."])
    scales = (1 / math.sqrt(square[0]), 1 / math.sqrt(square[1]))
    # s = A^(-1/2), and an error e of a condition moves its right side by e.
    gains = tuple(0.5 * pseudo[axis] / square[axis] for axis in (0, 1))
    return scales, (gains[0], gains[1])


def _excess(conditions: Sequence[_Condition], scales: tuple[float, float], pitch: float) -> float:
    """Return by how much repeated images differ beyond their fits, as a factor on variance."""
    if len(conditions) <= 2:
        return 1.0
    chi2 = 0.0
    for c in conditions:
        off = pitch * pitch * (c.along / scales[0] ** 2 + c.across / scales[1] ** 2) - 1.0
        chi2 += off * off / max(c.variance_fit + c.variance_rotation, 1e-18)
    return max(1.0, chi2 / (len(conditions) - 2))


def _budget(
    scale: float,
    gain: FloatArray,
    conditions: Sequence[_Condition],
    artefact: Artefact,
    *,
    excess: float,
    nonlinear: float,
) -> Estimate:
    if artefact.u_pitch_um is None:
        return Estimate(value=scale, unit="um/px", components=None)
    squared = gain * gain * excess
    fit = float(squared @ np.array([c.variance_fit for c in conditions]))
    turn = float(squared @ np.array([c.variance_rotation for c in conditions]))
    spread = sum(
        (g * (c.variance_fit + c.variance_rotation)) ** 2 / c.dof
        for g, c in zip(squared, conditions, strict=True)
    )
    dof = (fit + turn) ** 2 / spread if spread > 0 else math.inf
    components = [
        Component(name="reference pitch", u=scale * artefact.u_pitch_um / artefact.pitch_um,
                  shared="reference pitch", source="certificate; common to all rulings"),
        Component(name="fit", u=scale * math.sqrt(fit), dof=dof, kind="A",
                  source="scatter of the lines or elements about the fitted law"),
        Component(name="rotation", u=scale * math.sqrt(turn), dof=dof, kind="A",
                  source="direction of the rulings against the image axis"),
        Component(name="residual non-linearity", u=scale * nonlinear,
                  source="scale that changes over the field and is not corrected"),
    ]  # fmt: skip
    if artefact.temperature_c is not None and artefact.expansion_per_k is not None:
        u_rel = artefact.expansion_per_k * artefact.u_temperature_k
        components.append(
            Component(name="temperature", u=scale * u_rel, shared="temperature",
                      source=f"artefact at {artefact.temperature_c:g} °C, "
                             f"u {artefact.u_temperature_k:g} K")
        )  # fmt: skip
    return Estimate(value=scale, unit="um/px", components=tuple(components))


def _corner_square(size_px: tuple[int, int], centre: tuple[float, float]) -> float:
    return max(
        (x - centre[0]) ** 2 + (y - centre[1]) ** 2
        for x in (0, size_px[0] - 1)
        for y in (0, size_px[1] - 1)
    )


def _proved_k1(image: ArtefactImage) -> float:
    """Return the distortion of an image that its law leaves out, 0 if it is not beyond noise."""
    if isinstance(image, GridImage):
        return 0.0
    return image.k1_per_px2 if abs(image.k1_per_px2) > _BEYOND_NOISE * image.u_k1_per_px2 else 0.0


def _nonlinearity(images: Sequence[ArtefactImage]) -> float:
    changes = [
        3 * _proved_k1(image) * ((image.size_px[0] - 1) ** 2 + (image.size_px[1] - 1) ** 2) / 4
        for image in images
    ]
    return max(changes, key=abs)


def _uncorrected(images: Sequence[ArtefactImage]) -> float:
    """Return the standard deviation over the field of the scale about its mean, relative."""
    spread = 0.0
    for image in images:
        half = (image.size_px[0] / 2, image.size_px[1] / 2)
        square = _SPREAD_OF_SQUARE * math.hypot(half[0] ** 2, half[1] ** 2)
        # The mean of the radial scale 1 + 3·k1·r² and the tangential one 1 + k1·r².
        spread = max(spread, 2 * abs(_proved_k1(image)) * square)
    return spread


def _distortion(grids: Sequence[GridImage]) -> Distortion | None:
    """Return the distortion of the grids, also where it is small: their scale is the centre's."""
    bent = list(grids)
    if not bent:
        return None
    weight = np.array([1 / grid.u_k1_per_px2**2 for grid in bent])
    weight /= weight.sum()
    k1 = float(weight @ np.array([grid.k1_per_px2 for grid in bent]))
    centre = weight @ np.array([grid.distortion_centre_px for grid in bent])
    middle = (float(centre[0]), float(centre[1]))
    return Distortion(
        k1_per_px2=k1,
        centre_px=middle,
        u_k1_per_px2=math.sqrt(1 / sum(1 / grid.u_k1_per_px2**2 for grid in bent)),
        corner_scale_change=3 * k1 * _corner_square(bent[0].size_px, middle),
    )


def _rotation(image: ArtefactImage, scales: tuple[float, float]) -> float:
    if isinstance(image, GridImage):
        return image.rotation_deg
    a, b = image.gradient_per_px
    return math.degrees(math.atan2(b / scales[1], a / scales[0]))
