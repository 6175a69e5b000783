"""Camera response: from stored pixel values to numbers proportional to light."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.calibration.file import CameraResponse
from micromeasure.micrograph.image import Micrograph

Float32Array = NDArray[np.float32]
FloatArray = NDArray[np.float64]

# IEC 61966-2-1: below the first value the function is a straight line.
_SRGB_LINEAR_END = 0.04045
_SRGB_SLOPE = 12.92


def srgb_decode(encoded: Any) -> FloatArray:  # noqa: ANN401  # any number or array will do
    """Return linear light of sRGB values, both between 0 and 1.

    References
    ----------
    .. [1] IEC 61966-2-1:1999, 5.2: the piecewise function, not a power of 2.2.
    """
    v = np.asarray(encoded, dtype=np.float64)
    return np.where(
        v <= _SRGB_LINEAR_END,
        v / _SRGB_SLOPE,
        ((np.maximum(v, 0.0) + 0.055) / 1.055) ** 2.4,
    )


def srgb_encode(linear: Any) -> FloatArray:  # noqa: ANN401  # any number or array will do
    """Return sRGB values of linear light, both between 0 and 1; the inverse of `srgb_decode`."""
    light = np.asarray(linear, dtype=np.float64)
    return np.where(
        light <= 0.0031308,
        light * _SRGB_SLOPE,
        1.055 * np.maximum(light, 0.0) ** (1.0 / 2.4) - 0.055,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """What turns the stored values of one kind of image into light.

    Attributes
    ----------
    name : str
        ``linear``, ``srgb``, ``gamma 2.2``, ``measured`` or ``unknown`` (taken as linear).
    decode : callable or None
        From stored values (float array) to light, in any constant unit; None where the values
        are proportional to light but for the dark level.
    table : ndarray of float32 or None
        Light for each whole stored value, where there is a `decode` and values are whole.
    density_u : callable
        From light to the standard uncertainty of its log10 that stems from the response.
    has_digits : bool
        Whether stored values are whole numbers; floating point has no steps to speak of.
    """

    name: str
    decode: Callable[[FloatArray], FloatArray] | None
    table: Float32Array | None
    density_u: Callable[[float], float]
    has_digits: bool = True

    @property
    def is_known(self) -> bool:
        """Whether anyone stated what the camera does."""
        return self.name != "unknown"

    def step(self, light: float) -> float:
        """Return how much light one step of the stored value stands for, near a level."""
        if not self.has_digits:
            return 0.0
        if self.table is None:
            return 1.0
        at = int(np.clip(np.searchsorted(self.table, light), 1, len(self.table) - 2))
        return float(self.table[at + 1] - self.table[at - 1]) / 2.0


def response_of(micrograph: Micrograph, transfer: float | str | None = None) -> Response:
    """Return the camera response that holds for an image.

    Parameters
    ----------
    micrograph : Micrograph
    transfer : float, str or None
        ``linear``, ``srgb``, ``measured`` or a gamma number; None: as the calibration says.

    Returns
    -------
    Response
        Named ``unknown`` and taken as linear where neither says anything.
    """
    light = micrograph.calibration.light
    chosen = light.transfer if transfer is None else transfer
    whole = micrograph.pixels.dtype.kind != "f"
    entries = (1 << 8 * micrograph.pixels.dtype.itemsize) if whole else 0
    measured = light.response if chosen == "measured" else None
    return _response(chosen, measured, micrograph.full_scale, entries)


@lru_cache(maxsize=8)
def _response(
    chosen: float | str | None, measured: CameraResponse | None, full_scale: float, entries: int
) -> Response:
    if chosen in (None, "linear"):
        name = "unknown" if chosen is None else "linear"
        return Response(
            name=name, decode=None, table=None, density_u=_exact, has_digits=entries > 0
        )
    if measured is not None:
        return _tabulated("measured", measured_decode(measured), entries, measured_u(measured))
    if chosen == "srgb":
        return _tabulated("srgb", lambda v: srgb_decode(v / full_scale), entries, _exact)
    gamma = float(chosen)
    return _tabulated(
        f"gamma {gamma:g}",
        lambda v: (np.maximum(v, 0.0) / full_scale) ** gamma,
        entries,
        _exact,
    )


def _tabulated(
    name: str,
    decode: Callable[[FloatArray], FloatArray],
    entries: int,
    density_u: Callable[[float], float],
) -> Response:
    table = decode(np.arange(entries, dtype=np.float64)).astype(np.float32) if entries else None
    return Response(
        name=name, decode=decode, table=table, density_u=density_u, has_digits=entries > 0
    )


def _exact(light: float) -> float:
    return 0.0


def measured_decode(measured: CameraResponse) -> Callable[[FloatArray], FloatArray]:
    """Return the function from stored value to light of a response measured on steps.

    Notes
    -----
    Monotone cubic interpolation; a straight line goes on beyond both ends, so that a dark
    frame below the darkest step is still told from black and clipping stays visible.
    """
    from scipy.interpolate import PchipInterpolator

    values = np.asarray(measured.values, dtype=np.float64)
    light = np.asarray(measured.light_rel, dtype=np.float64)
    curve = PchipInterpolator(values, light)
    slopes = curve.derivative()(values[[0, -1]])

    def decode(stored: FloatArray) -> FloatArray:
        inside = np.clip(stored, values[0], values[-1])
        below, above = np.minimum(stored - values[0], 0.0), np.maximum(stored - values[-1], 0.0)
        decoded: FloatArray = curve(inside) + slopes[0] * below + slopes[1] * above
        return decoded

    return decode


def measured_u(measured: CameraResponse) -> Callable[[float], float]:
    """Return the function from light to the standard uncertainty of its log10."""
    light = np.asarray(measured.light_rel, dtype=np.float64)
    u = measured.u_density
    spread = measured.residual_sd_density
    if u is None:
        # Without its own figure a point of the curve is as good as a single step.
        return lambda _: math.nan if spread is None else spread
    return lambda level: float(np.interp(level, light, u))
