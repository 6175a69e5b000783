"""The blurred step as physics has it: how wide it looks and how well noise lets it be located."""

import math


def width_in_sigmas(low: float = 0.1, high: float = 0.9) -> float:
    """Return the distance between two levels of a Gaussian-blurred step, in blur widths.

    Parameters
    ----------
    low, high : float
        Levels as shares of the step, between 0 and 1.

    Returns
    -------
    float
        2.5631 between 10 % and 90 %.
    """
    from scipy.special import ndtri

    return float(ndtri(high) - ndtri(low))


def position_bound_px(
    contrast: float, noise_sd: float, sigma_px: float, length_px: float = 1.0
) -> float:
    """Return the Cramér-Rao bound for the position of a straight edge.

    Parameters
    ----------
    contrast, noise_sd : float
        Height of the step and standard deviation of white noise of one pixel, in one unit.
    sigma_px : float
        Standard deviation of the blur along the normal, the pixel's own area (1/12 px²) included.
    length_px : float
        Length of edge that is used.

    Returns
    -------
    float
        Smallest standard deviation an unbiased estimate can have, px; plateaus and blur known.

    Notes
    -----
    Information of one row is (A/s)² times the integral of the squared derivative of the step,
    1 / (2 sqrt(pi) sigma); rows add up.
    """
    one_row = noise_sd / abs(contrast) * math.sqrt(2.0 * math.sqrt(math.pi) * sigma_px)
    return one_row / math.sqrt(length_px)
