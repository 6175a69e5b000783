"""Which way the lines of a ruled pattern run, from the directions of the brightness gradient."""

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

_BLOCK_ROWS = 32  # a block of gradients stays in the cache
_ENOUGH = 4_000_000  # pixels of one level; more are looked at in part
_LEVELS = 5
_SMALLEST_SIDE = 48
_SAMPLE_STEP = 8
_OUTSIDE = 0.002  # share of the pixels that may fall outside the 256 steps, on each side


@dataclass(frozen=True, slots=True, kw_only=True)
class Direction:
    """How strongly the gradients of an image agree in direction.

    Attributes
    ----------
    normal_rad : float
        Angle of the lines' normal against the x axis, between -pi/2 and pi/2.
    share : float
        0 to 1: share of the gradient energy that agrees on this direction; a grid, whose
        directions are as strong as one another, has none.
    significance : float
        The share in units of what white noise alone would give.
    share_at_strongest : float
        The share on the scale where the pattern, noise taken off, is strongest: a grid seen too
        coarsely may seem to run one way by chance.
    """

    normal_rad: float
    share: float
    significance: float
    share_at_strongest: float = 0.0


def in_256_steps(image: NDArray[Any]) -> NDArray[np.uint8]:
    """Return an image in 8 bits, which is enough to find things in it; 8 bits as they are."""
    import cv2

    if image.dtype == np.uint8:
        return image
    sample = image[::_SAMPLE_STEP, ::_SAMPLE_STEP].astype(np.float32)
    low, high = np.quantile(sample, [_OUTSIDE, 1.0 - _OUTSIDE])
    if high <= low:
        low, high = float(image.min()), float(image.max())
    if image.dtype != np.uint16:
        image = image.astype(np.float32)
    scale = 255.0 / max(float(high - low), 1e-30)
    # The saturating conversion takes the absolute value: what is below 0 must be cut off first.
    above = np.maximum(image, np.asarray(low, dtype=image.dtype))
    beta = -scale * float(above.dtype.type(low))
    return np.asarray(cv2.convertScaleAbs(above, alpha=scale, beta=beta), dtype=np.uint8)


def find_direction(image: NDArray[Any]) -> Direction:
    """Find the direction of the pattern at the scale where it stands out most from noise.

    Parameters
    ----------
    image : ndarray of uint8, shape (rows, cols)
        From `in_256_steps`.

    Returns
    -------
    Direction

    Notes
    -----
    The sum of g²·exp(2iφ) over the gradients g at angle φ is free of bias by white noise, whose
    energy is the same in all directions. Halving the image again and again lets wide, soft
    lines stand out from noise as narrow, sharp ones do at full size.
    """
    import cv2

    best = Direction(normal_rad=0.0, share=0.0, significance=0.0)
    strongest, before, in_the_pattern = 0.0, 0.0, 0.0
    level = image
    for at in range(_LEVELS):
        found, energy = _of_one_level(level)
        if found.significance > best.significance:
            best = found
        # Halving leaves a quarter of the energy of white noise: the pattern has what is more.
        # On the finest level only its agreement tells the pattern from noise.
        pattern = energy * found.share if at == 0 else energy - before / 4
        if pattern > strongest:
            strongest, in_the_pattern = pattern, found.share
        before = energy
        rows, cols = level.shape
        if min(rows, cols) < 2 * _SMALLEST_SIDE:
            break
        level = cv2.resize(level, (cols // 2, rows // 2), interpolation=cv2.INTER_AREA)
    return replace(best, share_at_strongest=in_the_pattern)


def _of_one_level(image: NDArray[np.uint8]) -> tuple[Direction, float]:
    """Return the direction and the gradient energy of a pixel."""
    import cv2

    rows, cols = image.shape
    xx = yy = both = 0.0
    count = 0
    for top in range(0, rows - 2, _BLOCK_ROWS * math.ceil(rows * cols / _ENOUGH)):
        block = image[top : top + _BLOCK_ROWS + 2]
        # The 3 x 3 Scharr kernel keeps direction to a fraction of a degree (its design aim).
        gx = cv2.Scharr(block, cv2.CV_16S, 1, 0)[1:-1, 1:-1]
        gy = cv2.Scharr(block, cv2.CV_16S, 0, 1)[1:-1, 1:-1]
        xx += cv2.norm(gx, cv2.NORM_L2SQR)
        yy += cv2.norm(gy, cv2.NORM_L2SQR)
        both += cv2.norm(cv2.add(gx, gy), cv2.NORM_L2SQR)
        count += gx.size
    energy = xx + yy
    double = complex(xx - yy, both - energy)  # (gx + gy)² - gx² - gy² = 2·gx·gy
    share = abs(double) / energy if energy > 0.0 else 0.0
    direction = Direction(
        normal_rad=0.5 * math.atan2(double.imag, double.real),
        share=share,
        significance=share * math.sqrt(count),
    )
    return direction, energy / count
