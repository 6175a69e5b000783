"""Uncertainty budgets of what is measured in a side view."""

import math
from collections.abc import Sequence

import numpy as np

from micromeasure.calibration.file import Calibration
from micromeasure.estimate import Component, Estimate
from micromeasure.micrograph.image import Micrograph
from micromeasure.outcome import FloatArray

# What is left of the position even of a Gaussian step, pixels: bilinear sampling, and an effect of
# blur and uneven light by which heights of 150 rendered domes came out 0.004 to 0.011 too small.
SAMPLING_PX = 0.0035


def window_of(
    micrograph: Micrograph, region: tuple[float, float, float, float] | None
) -> tuple[np.ndarray, tuple[int, int]]:
    """Return the grey values to measure in, and where their first pixel lies in the image.

    Parameters
    ----------
    micrograph : Micrograph
    region : tuple of four floats or None
        ``x0 y0 x1 y1`` in pixels of the whole image, edges included; None for all. A region of
        the manifest's row counts before it.

    Returns
    -------
    pixels : ndarray, shape (rows, cols)
    origin_px : tuple of two ints
        Column and row.
    """
    pixels = micrograph.pixels if micrograph.pixels.ndim == 2 else micrograph.grey()
    x, y = micrograph.origin_px
    chosen = micrograph.record.region or region
    if chosen is None:
        return pixels, (x, y)
    x0, y0 = max(0, math.floor(chosen[0]) - x), max(0, math.floor(chosen[1]) - y)
    x1, y1 = math.ceil(chosen[2]) - x + 1, math.ceil(chosen[3]) - y + 1
    return np.ascontiguousarray(pixels[y0:y1, x0:x1]), (x + x0, y + y0)


def is_saturated(micrograph: Micrograph, pixels: np.ndarray) -> bool:
    """Whether over one pixel in a hundred is at the end of the camera's range.

    The half-way level of an edge lies wrong where the bright side is clipped.
    """
    some = pixels[::7, ::7]
    return bool(np.mean(some >= micrograph.full_scale) > 0.01) and pixels.dtype.kind != "f"


def length_estimate(
    value_um: float, direction: FloatArray, calibration: Calibration, parts: Sequence[Component]
) -> Estimate:
    """Return a length with its scale component and those of its own.

    Parameters
    ----------
    value_um : float
    direction : ndarray of float, shape (2,)
        Along which it was measured.
    calibration : Calibration
    parts : sequence of Component
        From the image.

    Returns
    -------
    Estimate
        Without components where the scale's uncertainty is unknown.
    """
    scale = calibration.scale_component(value_um, (float(direction[0]), float(direction[1])))
    components = None if scale is None else (scale, *parts)
    return Estimate(value=value_um, unit="um", components=components)


def edge_offset(
    calibration: Calibration, edges: float, *, is_bright: bool
) -> tuple[float, tuple[Component, ...]]:
    """Return the correction for the optics' edge offset, and its uncertainty component.

    Parameters
    ----------
    calibration : Calibration
    edges : float
        How many edges of the part, facing outwards, bound the length: 2 for a thickness, 0
        between two parallel edges that face the same way.
    is_bright : bool
        Whether the part is brighter than its surroundings.

    Returns
    -------
    correction_um : float
        To be added to the length.
    components : tuple of Component
    """
    offset, u = calibration.edge_offset_um, calibration.u_edge_offset_um
    if offset is None or edges == 0:
        return 0.0, ()
    # Edges are found towards the bright side: a dark part looks too large, a bright one too small.
    correction = edges * offset * (1.0 if is_bright else -1.0)
    if not u:
        return correction, ()
    part = Component(
        name="edge offset", u=edges * u, shared=f"edge offset:{calibration.id}",
        source=f"calibration {calibration.id}",
    )  # fmt: skip
    return correction, (part,)


def tilt_component(micrograph: Micrograph, height_um: float) -> tuple[float, tuple[Component, ...]]:
    """Return the factor for a tilt out of the image plane, and its uncertainty component.

    Notes
    -----
    A length perpendicular to the tilt axis is seen as itself divided by the cosine in a
    section. For small tilts the cosine has no slope at 0, so its second-order term is kept:
    u(cos t) = sqrt(sin²t u² + cos²t u⁴ / 2).
    """
    tilt, u_tilt = micrograph.record.section_tilt_deg, micrograph.record.u_section_tilt_deg
    if tilt is None:
        return 1.0, ()
    t, u = math.radians(tilt), math.radians(u_tilt or 0.0)
    factor = math.cos(t)
    size = math.sqrt((math.sin(t) * u) ** 2 + (factor * u * u) ** 2 / 2)
    if size == 0:
        return factor, ()
    part = Component(name="section tilt", u=height_um * size, source="manifest, u_section_tilt_deg")
    return factor, (part,)
