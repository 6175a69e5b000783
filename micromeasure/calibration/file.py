"""The calibration file: how long a pixel is, how well that is known, and until when."""

import datetime as dt
import itertools
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.calibration.geometry import CameraMode, Distortion
from micromeasure.errors import CalibrationError
from micromeasure.estimate import Component
from micromeasure.fields import declared, parse

FloatArray = NDArray[np.float64]

SCHEMA = 1
DISTORTION_LIMIT = 1e-3  # relative change of scale from centre to corner that is still let pass


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """What the scale was derived from."""

    artefact: str = declared("text", "", help="the artefact, such as a stage micrometer")
    certificate: str = declared("text", "", help="number of the artefact's certificate")
    pitch_um: float | None = declared(
        "number", None, unit="um", above=0, help="certified distance between rulings"
    )
    u_pitch_um: float | None = declared(
        "number", None, unit="um", low=0, help="its standard uncertainty"
    )
    temperature_c: float | None = declared(
        "number", None, unit="°C", help="temperature of the artefact during the calibration"
    )
    expansion_per_k: float | None = declared(
        "number", None, unit="1/K", low=0, help="expansion coefficient of the artefact"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraResponse:
    """A camera response measured on steps of known density: light at given pixel values."""

    values: tuple[float, ...] = declared("numbers", low=0, help="pixel values, rising")
    light_rel: tuple[float, ...] = declared(
        "numbers", low=0, help="light at each value, relative to any one level, rising"
    )
    u_density: tuple[float, ...] | None = declared(
        "numbers", None, low=0, help="standard uncertainty of log10(light) at each value"
    )
    residual_sd_density: float | None = declared(
        "number", None, low=0, help="standard deviation of the steps about the curve"
    )
    steps: int | None = declared("integer", None, low=3, help="number of steps it was made from")

    def __post_init__(self) -> None:
        """Check that the columns belong together and rise."""
        lengths = {len(self.values), len(self.light_rel), len(self.u_density or self.values)}
        if len(lengths) != 1 or len(self.values) < 3:
            message = "values, light_rel and u_density must be equally long, at least 3 numbers."
            raise ValueError(message)
        for name in ("values", "light_rel"):
            column = getattr(self, name)
            if any(b <= a for a, b in itertools.pairwise(column)):
                message = f"{name} must rise from entry to entry; measure the response again."
                raise ValueError(message)


@dataclass(frozen=True, slots=True, kw_only=True)
class Light:
    """How light becomes pixel values, and what the objective can resolve."""

    transfer: float | str | None = declared(
        "number-or-word", None, above=0, choices=("linear", "srgb", "measured"),
        help="camera response: linear, srgb, a gamma number, or measured (see response)",
    )  # fmt: skip
    response: CameraResponse | None = declared(
        "table", None, table=CameraResponse, help="response measured on a step tablet"
    )
    numerical_aperture: float | None = declared(
        "number", None, above=0, high=1.7, help="numerical aperture of the objective"
    )
    wavelength_nm: float | None = declared(
        "number", None, unit="nm", low=200, high=2000, help="mean wavelength of the light"
    )

    def __post_init__(self) -> None:
        """Check that a measured response is there where it is named."""
        if self.transfer == "measured" and self.response is None:
            message = "transfer is 'measured' but there is no response table; measure the response."
            raise ValueError(message)

    @property
    def rayleigh_um(self) -> float | None:
        """Rayleigh distance 0.61 λ/NA in um, None where aperture or wavelength is unknown."""
        if self.numerical_aperture is None or self.wavelength_nm is None:
            return None
        return 0.61 * self.wavelength_nm / 1000.0 / self.numerical_aperture


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """One microscope, objective and camera mode.

    Attributes
    ----------
    um_per_px, u_um_per_px : tuple of two floats
        Scale in x and y and its standard uncertainty; the latter None where it is unknown.
    edge_offset_um, u_edge_offset_um : float or None
        How far a located edge lies from the true one, towards the bright side.
    camera_modes : tuple of CameraMode
        Binned or cropped images of the same camera that this calibration holds for as well.
    """

    schema: int = declared("integer", low=SCHEMA, high=SCHEMA, help="version of this file format")
    id: str = declared("text", help="name by which studies refer to this calibration")
    um_per_px: tuple[float, float] = declared(
        "xy", unit="um/px", above=0, help="length of a pixel in x and y"
    )
    objective: str = declared("text", "", help="magnification and aperture, as engraved")
    image_size_px: tuple[int, int] | None = declared(
        "size", None, help="width and height of the images it holds for"
    )
    u_um_per_px: tuple[float, float] | None = declared(
        "xy", None, unit="um/px", low=0, help="standard uncertainty of the scale"
    )
    dof: tuple[float, float] | None = declared(
        "xy", None, low=1, help="degrees of freedom of these uncertainties; left out if many"
    )
    squareness_deg: float | None = declared(
        "number", None, unit="deg", help="angle between the image's axes less 90°"
    )
    made: dt.date | None = declared("date", None, help="day the calibration was made")
    valid_until: dt.date | None = declared("date", None, help="last day it may be used")
    edge_offset_um: float | None = declared(
        "number", None, unit="um", help="shift of a located edge towards the bright side"
    )
    u_edge_offset_um: float | None = declared(
        "number", None, unit="um", low=0, help="its standard uncertainty"
    )
    reference: Reference = declared(
        "table", Reference(), table=Reference, help="what the scale was derived from"
    )
    distortion: Distortion | None = declared(
        "table", None, table=Distortion, help="radial distortion, corrected for where given"
    )
    camera_modes: tuple[CameraMode, ...] = declared(
        "tables", (), table=CameraMode, help="binned or cropped modes it holds for as well"
    )
    fit: Mapping[str, Any] = declared("anything", {}, help="statistics of the fit")
    light: Light = declared("table", Light(), table=Light, help="camera response and objective")

    def __post_init__(self) -> None:
        """Check what concerns several fields together."""
        if self.made and self.valid_until and self.valid_until < self.made:
            message = (
                f"valid_until {self.valid_until} is before made {self.made}; correct the date."
            )
            raise ValueError(message)
        self._check_camera_modes()

    def _check_camera_modes(self) -> None:
        if not self.camera_modes:
            return
        if self.image_size_px is None:
            message = "camera_modes need image_size_px, the size of the calibrated image."
            raise ValueError(message)
        sizes = [self.image_size_px, *(m.size_px(self.image_size_px) for m in self.camera_modes)]
        twice = {size for size in sizes if sizes.count(size) > 1}
        if twice:
            width, height = twice.pop()
            message = (
                f"two camera modes give images of {width} x {height} px, which then could be "
                "either; keep one, and make a calibration of its own for the other."
            )
            raise ValueError(message)

    def scale_component(self, length_um: float, direction: tuple[float, float]) -> Component | None:
        """Return what the scale adds to the uncertainty of a length.

        Parameters
        ----------
        length_um : float
            The length, um.
        direction : tuple of two floats
            Unit vector along it in micrometres, x and y.

        Returns
        -------
        Component or None
            None where the scale's uncertainty is unknown.

        Notes
        -----
        With s_x, s_y the scales, a length L along (n_x, n_y) has dL/ds_x = L n_x²/s_x. The two
        axes usually rest on one artefact, so their contributions are added, not squared.
        """
        if self.u_um_per_px is None:
            return None
        relative_x, relative_y = (
            u / s for u, s in zip(self.u_um_per_px, self.um_per_px, strict=True)
        )
        norm = math.hypot(*direction)
        nx, ny = direction[0] / norm, direction[1] / norm
        return Component(
            name="scale",
            u=length_um * (nx * nx * relative_x + ny * ny * relative_y),
            shared=f"scale:{self.id}",
            dof=math.inf if self.dof is None else min(self.dof),
            source=f"calibration {self.id}",
        )

    def undistorted(self, points_px: FloatArray) -> FloatArray:
        """Return points, shape (..., 2), ``x y`` in the whole image, freed of distortion."""
        if self.distortion is None:
            return np.asarray(points_px, dtype=np.float64)
        return self.distortion.undistorted(points_px)

    def to_um(self, points_px: FloatArray) -> FloatArray:
        """Return points, shape (..., 2), ``x y`` in the whole image, in um, distortion undone."""
        return np.asarray(self.undistorted(points_px) * np.asarray(self.um_per_px))

    def stretch(self, point_px: tuple[float, float], direction: tuple[float, float]) -> float:
        """Return the factor by which distortion makes a short length at a point too small.

        Parameters
        ----------
        point_px : tuple of two floats
            ``x y`` in the whole image.
        direction : tuple of two floats
            Along the length, in pixels.
        """
        return 1.0 if self.distortion is None else self.distortion.stretch(point_px, direction)

    def for_size(self, size_px: tuple[int, int]) -> "Calibration | None":
        """Return this calibration for images of a size, or None if it does not hold for it.

        A binned or cropped size needs an entry in `camera_modes`; it changes the scale by the
        binning and moves the centre of distortion.
        """
        whole = self.image_size_px
        if whole is None or whole == size_px:
            return self
        for mode in self.camera_modes:
            if mode.size_px(whole) != size_px:
                continue
            n = mode.binning
            origin = mode.crop[:2] if mode.crop else (0.0, 0.0)
            u = self.u_um_per_px
            return replace(
                self,
                um_per_px=(self.um_per_px[0] * n, self.um_per_px[1] * n),
                u_um_per_px=None if u is None else (u[0] * n, u[1] * n),
                image_size_px=size_px,
                distortion=self.distortion and self.distortion.on(origin, (n, n)),
                camera_modes=(),
            )
        return None

    @property
    def flags(self) -> tuple[str, ...]:
        """Doubts about every length measured with it: ``distorted`` where not corrected."""
        change = self.fit.get("nonlinearity", 0.0)
        known = isinstance(change, (int, float)) and abs(change) > DISTORTION_LIMIT
        return ("distorted",) if known and self.distortion is None else ()

    def covers(self, day: dt.date | None) -> bool:
        """Return whether an image taken on a day falls within the validity; unknown days do."""
        if day is None:
            return True
        if self.valid_until is not None and day > self.valid_until:
            return False
        return self.made is None or day >= self.made


def read_calibration(path: Path) -> Calibration:
    """Read and check a calibration file.

    Parameters
    ----------
    path : pathlib.Path
        A TOML file as ``calibrate`` writes it.

    Returns
    -------
    Calibration

    Raises
    ------
    CalibrationError
        With one sentence for each fault in the file.
    """
    try:
        given = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise CalibrationError([f"{path.name}: cannot be read ({error.strerror})."]) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise CalibrationError([f"{path.name}: is not valid TOML ({error})."]) from error
    problems: list[str] = []
    calibration = parse(Calibration, given, where=path.name, problems=problems)
    if calibration is None:
        raise CalibrationError(problems)
    return calibration


def nominal_calibration(um_per_px: tuple[float, float]) -> Calibration:
    """Return a scale taken from an image file alone: its uncertainty is unknown."""
    return Calibration(schema=SCHEMA, id="", um_per_px=um_per_px)
