"""A corner between two straight edges under Gaussian blur, sharp or rounded."""

import math

import numpy as np

from micromeasure.outcome import FloatArray


def blurred_wedge(a: FloatArray, b: FloatArray, half: float) -> FloatArray:
    """Return a sharp wedge after a Gaussian blur of standard deviation 1.

    Parameters
    ----------
    a, b : ndarray of float
        Coordinates from the vertex, along the bisector into the wedge and across it.
    half : float
        Half the wedge's angle, radians.

    Returns
    -------
    ndarray of float
        Between 0 and 1.

    Notes
    -----
    The value is the probability that a normal deviate about (a, b) falls into the wedge: both
    its distances from the flanks are above 0. They have correlation -cos(2 half). The quadrant
    probability is written with Owen's T function (Owen 1956, equation 3.1).
    """
    from scipy.special import ndtr, owens_t

    h = a * math.sin(half) - b * math.cos(half)
    k = a * math.sin(half) + b * math.cos(half)
    rho = -math.cos(2 * half)
    root = math.sqrt(1 - rho * rho)
    small = 1e-9
    h = np.where(np.abs(h) < small, small, h)
    k = np.where(np.abs(k) < small, small, k)
    share = (ndtr(h) + ndtr(k)) / 2
    share = share - owens_t(h, (k / h - rho) / root) - owens_t(k, (h / k - rho) / root)
    result: FloatArray = share - np.where(h * k < 0, 0.5, 0.0)
    return result


def sliver(a: FloatArray, b: FloatArray, *, half: float, radius: float, blur: float) -> FloatArray:
    """Return what rounding a wedge takes from its blurred image.

    Parameters
    ----------
    a, b : ndarray of float
        Coordinates from the vertex, along the bisector into the wedge and across it.
    half : float
        Half the wedge's angle, radians.
    radius, blur : float
        Radius of the rounding and standard deviation of the blur, in the unit of `a`.

    Returns
    -------
    ndarray of float

    Notes
    -----
    Between the arc and the flanks lies a sliver; it is summed in strips, each blurred as a point.
    """
    if radius <= 0:
        return np.zeros_like(a)
    reach = radius / math.sin(half)
    # Quadrature over the sliver: strips along the arc, from the arc out to the flanks.
    opening = math.pi / 2 - half
    n_angle, n_depth = 12, 3
    angle = (np.arange(n_angle) + 0.5) / n_angle * 2 * opening - opening
    outer = radius / np.cos(opening - np.abs(angle))
    depth = (np.arange(n_depth) + 0.5) / n_depth
    r = radius + (outer - radius)[:, None] * depth
    area = r * (outer - radius)[:, None] / n_depth * (2 * opening / n_angle)
    at_a = (reach - r * np.cos(angle)[:, None]).ravel()
    at_b = (r * np.sin(angle)[:, None]).ravel()
    squared = (a[:, None] - at_a) ** 2 + (b[:, None] - at_b) ** 2
    density = np.exp(-squared / (2 * blur * blur)) / (2 * math.pi * blur * blur)
    taken: FloatArray = density @ area.ravel()
    return taken
