"""Steps of a tablet from image files: one image a step, or one image with a region a step."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from micromeasure.calibration.file import SCHEMA, Calibration, CameraResponse
from micromeasure.calibration.response import ResponseFit, Step, fit_response
from micromeasure.errors import CalibrationError
from micromeasure.micrograph.image import Micrograph, Rectangle
from micromeasure.micrograph.light import ceiling_of
from micromeasure.micrograph.reading import read_micrograph
from micromeasure.micrograph.response import measured_decode

FloatArray = NDArray[np.float64]

# Where no region is given the middle of the image is taken: borders of steps scatter light.
_MIDDLE = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class StepRequest:
    """What the steps are and where.

    Attributes
    ----------
    images : tuple of pathlib.Path
        One image, or one a step.
    densities : tuple of float
        In the order of the images, or of the regions.
    regions : tuple of rectangles
        None: the middle of each image. One: the same in every image. With one image, one a step.
    open_light, dark : pathlib.Path or None
        Open light evens out what falls on the steps and counts as a step of density 0.
    u_density : float or None
        Standard uncertainty of the densities.
    """

    images: tuple[Path, ...]
    densities: tuple[float, ...]
    regions: tuple[Rectangle, ...] = ()
    open_light: Path | None = None
    dark: Path | None = None
    u_density: float | None = None

    def __post_init__(self) -> None:
        """Check that images, regions and densities belong together."""
        problems = []
        steps = len(self.regions) if len(self.images) == 1 else len(self.images)
        if len(self.images) == 1 and not self.regions:
            problems.append("one image holds several steps: give a --region for each step.")
        elif steps != len(self.densities):
            problems.append(
                f"found {len(self.densities)} densities for {steps} steps; give one for each."
            )
        if len(self.images) > 1 and len(self.regions) > 1:
            problems.append(
                f"found {len(self.regions)} regions for {len(self.images)} images; with one image "
                "a step give at most one region, the same in all."
            )
        if any(not math.isfinite(d) or d < 0 for d in self.densities):
            problems.append(f"densities {self.densities}: must be finite and not below 0.")
        if problems:
            raise CalibrationError(problems)


def measure_response(request: StepRequest, calibration: Calibration | None) -> ResponseFit:
    """Measure a camera response from images of a step tablet.

    Parameters
    ----------
    request : StepRequest
    calibration : Calibration or None
        Only to see that the images are of its camera mode.

    Raises
    ------
    ImageReadError
        If an image cannot be read.
    CalibrationError
        If images and regions do not fit, or no curve can be made of the steps.

    Notes
    -----
    An open-light frame passes the same unknown response as the steps. The curve is therefore
    fitted, used to see how evenly light falls, and fitted again, three times.
    """
    places = _places(request, calibration)
    dark_value = 0.0
    if request.dark is not None:
        dark_value = float(_grey(_read(request.dark, calibration)).mean(dtype=np.float64))
    steps = [
        _step(frame, region, density)
        for (frame, region), density in zip(places, request.densities, strict=True)
    ]
    full_scale = places[0][0].full_scale
    if request.open_light is None:
        return _fit(steps, dark_value, request.u_density, full_scale)
    light = _read(request.open_light, calibration)
    open_steps = [_step(light, region, 0.0) for _, region in places]
    fit = _fit([*steps, open_steps[0]], dark_value, request.u_density, full_scale)
    for _ in range(3):
        shares = _evenness(open_steps, fit.response)
        lit = [replace(s, light_rel=e) for s, e in zip(steps, shares, strict=True)]
        # Steps at one place share one open-light value: it is one step, not many.
        brightest = {round(s.mean, 6): replace(s, light_rel=e)
                     for s, e in zip(open_steps, shares, strict=True)}  # fmt: skip
        fit = _fit([*lit, *brightest.values()], dark_value, request.u_density, full_scale)
    return fit


def with_response(calibration: Calibration | None, fit: ResponseFit) -> Calibration:
    """Return a calibration with a measured response in its light table."""
    base = calibration or Calibration(schema=SCHEMA, id="", um_per_px=(1.0, 1.0))
    return replace(base, light=replace(base.light, transfer="measured", response=fit.response))


def _fit(
    steps: list[Step], dark_value: float, u_density: float | None, full_scale: float
) -> ResponseFit:
    return fit_response(steps, dark_value=dark_value, u_density=u_density, full_scale=full_scale)


def _evenness(open_steps: Sequence[Step], response: CameraResponse) -> list[float]:
    decode = measured_decode(response)
    light = [float(decode(s.values) @ s.counts / s.counts.sum()) for s in open_steps]
    return [one / light[0] for one in light]


def _places(
    request: StepRequest, calibration: Calibration | None
) -> list[tuple[Micrograph, Rectangle]]:
    frames = [_read(path, calibration) for path in request.images]
    if len(frames) == 1:
        return [(frames[0], region) for region in request.regions]
    if request.regions:
        return [(frame, request.regions[0]) for frame in frames]
    return [(frame, _middle(frame)) for frame in frames]


def _middle(frame: Micrograph) -> Rectangle:
    rows, cols = frame.pixels.shape[:2]
    edge = (1.0 - _MIDDLE) / 2.0
    return edge * cols, edge * rows, (1.0 - edge) * cols - 1, (1.0 - edge) * rows - 1


def _read(path: Path, calibration: Calibration | None) -> Micrograph:
    # A response needs no scale: without a calibration any will do.
    scale = calibration or Calibration(schema=SCHEMA, id="", um_per_px=(1.0, 1.0))
    return read_micrograph(path, calibration=scale)


def _grey(frame: Micrograph) -> NDArray[np.generic]:
    """Return one channel: of colour the green one, which most cameras sample twice as often."""
    return frame.pixels if frame.pixels.ndim == 2 else frame.pixels[..., 1]


def _step(frame: Micrograph, region: Rectangle, density: float) -> Step:
    x0, y0, x1, y1 = (round(v) for v in region)
    pixels = _grey(frame)[max(0, y0) : y1 + 1, max(0, x0) : x1 + 1]
    if pixels.size < 100:
        message = (
            f"{frame.record.image}: region {x0} {y0} {x1} {y1} has {pixels.size} px inside the "
            "image; must be at least 100. Correct the region."
        )
        raise CalibrationError([message])
    values, counts = np.unique(pixels, return_counts=True)
    clipped = counts[values >= ceiling_of(frame)].sum()
    return Step(
        density=density,
        values=values.astype(np.float64),
        counts=counts.astype(np.float64),
        clipped_share=float(clipped / pixels.size),
    )
