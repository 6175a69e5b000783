"""Reference images as data: what was rendered, and what a perfect measurement would find."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.calibration.file import Calibration


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """The true value of one number that an image is to give.

    Attributes
    ----------
    quantity, feature, statistic : str
        As in `measurements.csv`.
    value : float
        The true value, in the quantity's unit.
    step : float
        What errors are counted in: the size of a pixel, a hundredth of the value, ...
    bound : float or None
        Cramér–Rao bound on the standard deviation of the error, in the quantity's unit.
    """

    quantity: str
    feature: str
    statistic: str
    value: float
    step: float
    bound: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One reference image.

    Attributes
    ----------
    condition : str
        Group it is judged in, such as ``ideal`` or ``typical``.
    pixels : ndarray
        ``uint8`` or ``uint16``, grey.
    truths : tuple of Truth
    um_per_px : tuple of two floats
    manifest : mapping of str to str
        Further cells of its manifest row (``section_tilt_deg``, ``fold``, ``state``, ...).
    flags_due : tuple of str
        Flags that must be raised.
    must_fail : bool
        Whether a failure row is the right answer.
    """

    condition: str
    pixels: NDArray[Any]
    truths: tuple[Truth, ...]
    um_per_px: tuple[float, float]
    manifest: Mapping[str, str] = field(default_factory=dict)
    flags_due: tuple[str, ...] = ()
    must_fail: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Promise:
    """What `verify` holds a number to.

    Attributes
    ----------
    quantity, statistic, condition : str
    step_name : str
        Name of `Truth.step`: ``px``, ``%``, ``deg``.
    bias : float
        Greatest mean error, in steps.
    p95 : float
        95 of 100 errors are below this, in steps.
    bound_ratio : float or None
        Greatest ratio of scatter to the Cramér–Rao bound.
    coverage : float or None
        Least share of stated 95 % intervals that hold the truth; None where none is stated.
    """

    quantity: str
    statistic: str
    condition: str
    step_name: str
    bias: float
    p95: float
    bound_ratio: float | None = None
    coverage: float | None = 0.93


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """The user's own conditions; None leaves the range of the reference set.

    Attributes
    ----------
    um_per_px : float or None
        Length of a pixel.
    blur_px : float or None
        Standard deviation of the edge spread.
    noise : float or None
        Standard deviation of the noise as a share of full scale.
    """

    um_per_px: float | None = None
    blur_px: float | None = None
    noise: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialSet:
    """Reference images of one family of quantities.

    Attributes
    ----------
    name : str
    measure : mapping
        The study's ``[[measure]]``: quantity and settings.
    trials : callable
        ``(n, conditions, rng) -> iterator of Trial``.
    promises : tuple of Promise
    frames : callable or None
        ``(conditions, rng) -> mapping of file name to pixels``: companion frames.
    calibration : callable
        ``(um_per_px, shape) -> Calibration`` for a trial.
    short : int
        Number of images in the short form of `verify`.
    """

    name: str
    measure: Mapping[str, Any]
    trials: Callable[[int, Conditions, np.random.Generator], Iterator[Trial]]
    promises: tuple[Promise, ...]
    calibration: Callable[[tuple[float, float], tuple[int, int]], Calibration]
    frames: Callable[[Conditions, np.random.Generator], Mapping[str, NDArray[Any]]] | None = None
    short: int = 100
