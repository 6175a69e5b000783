"""A corner between two straight edges under Gaussian blur, sharp or rounded."""

import functools
import math

import numpy as np

from micromeasure.outcome import FloatArray

# Distance from a vertex, in blur widths, beyond which its flanks are straight edges each.
_FAR = 6.0


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
    share_h, share_k = ndtr(h), ndtr(k)
    # So far from the vertex no deviate lies beyond both flanks of a sharp wedge, and none between
    # a blunt one's flank and the other's extension.
    far = np.minimum(share_h, share_k) if rho > 0 else np.maximum(share_h + share_k - 1, 0.0)
    result: FloatArray = np.asarray(far, dtype=np.float64)
    near = a * a + b * b < _FAR**2
    h, k = h[near], k[near]
    share = (share_h[near] + share_k[near]) / 2 - np.where(h * k < 0, 0.5, 0.0)
    share -= owens_t(h, (k / h - rho) / root) + owens_t(k, (h / k - rho) / root)
    result[near] = share
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
    Between the arc and the flanks lies a sliver; it is summed in points, each blurred.
    """
    if radius <= 0:
        return np.zeros_like(a)
    reach = radius / math.sin(half)
    # Quadrature by Gauss and Legendre over half the sliver: angles from its middle to a flank, and
    # depths from the arc out to the flank. A wider sliver in units of the blur needs more of them.
    opening = math.pi / 2 - half
    few = radius < 1.5 * blur
    turn, by_turn = _nodes(4 if few else 8)
    share, by_share = _nodes(2 if few else 6)
    outer = radius / np.cos(opening * (1 - turn))
    r = radius + (outer - radius)[:, None] * share
    area = (opening * by_turn * (outer - radius))[:, None] * r * by_share
    at_a = (reach - r * np.cos(opening * turn)[:, None]).ravel()
    at_b = (r * np.sin(opening * turn)[:, None]).ravel()
    at_a, at_b = np.concatenate([at_a, at_a]), np.concatenate([at_b, -at_b])
    area = np.concatenate([area.ravel(), area.ravel()])
    squared = (a[:, None] - at_a) ** 2 + (b[:, None] - at_b) ** 2
    density = np.exp(-squared / (2 * blur * blur)) / (2 * math.pi * blur * blur)
    taken: FloatArray = density @ area
    return taken


@functools.cache
def _nodes(count: int) -> tuple[FloatArray, FloatArray]:
    """Return places and weights of Gauss-Legendre quadrature from 0 to 1."""
    places, weights = np.polynomial.legendre.leggauss(count)
    return (places + 1) / 2, weights / 2
