"""Making a calibration from image files: read, measure, solve, describe."""

import datetime as dt
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from micromeasure.calibration.artefact import measure_artefact
from micromeasure.calibration.file import SCHEMA, Calibration, Light, read_calibration
from micromeasure.calibration.pictures import found_picture, residual_plot
from micromeasure.calibration.scale import Artefact, ArtefactImage, Scale, solve_scale
from micromeasure.calibration.summary import describe
from micromeasure.calibration.writing import (
    Labels,
    calibration_from,
    calibration_toml,
    write_whole,
)
from micromeasure.errors import CalibrationError

YEAR = dt.timedelta(days=365)
_WHITE = 1.0 - 1e-5
# Any scale will do to read an image whose scale is sought.
_UNSCALED = Calibration(schema=SCHEMA, id="", um_per_px=(1.0, 1.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What a person asks for.

    Attributes
    ----------
    images : tuple of pathlib.Path
    artefact : Artefact
    labels : Labels
    light : Light
        What is known of objective and camera besides the scale.
    pattern : str
        ``rulings``, ``grid`` or ``auto``.
    region : tuple of four ints or None
        ``x0 y0 x1 y1``, edges included; the rest of every image is not looked at.
    """

    images: tuple[Path, ...]
    artefact: Artefact
    labels: Labels
    light: Light = field(default_factory=Light)
    pattern: str = "auto"
    region: tuple[int, int, int, int] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A calibration, what it rests on, and how to say it.

    Attributes
    ----------
    calibration : Calibration
    scale : Scale
    images : tuple of RuledImage or GridImage
    summary : str
        In plain words, several lines.
    files : mapping of pathlib.Path to bytes
        The calibration file and the pictures beside it.
    """

    calibration: Calibration
    scale: Scale
    images: tuple[ArtefactImage, ...]
    summary: str
    files: Mapping[Path, bytes]


def make_calibration(request: Request, out: Path) -> Made:
    """Measure the artefact in the images; nothing is written.

    Parameters
    ----------
    request : Request
    out : pathlib.Path
        The calibration file to be; the pictures get names made from it.

    Returns
    -------
    Made

    Raises
    ------
    CalibrationError
        One sentence for each reason why there can be no calibration.
    ImageReadError
        If an image cannot be read.
    """
    before = _before(out, request.labels.id)
    names = [path.name for path in request.images]
    if len({path.resolve() for path in request.images}) < len(names):
        raise CalibrationError(["the same image is given twice; give each image once."])
    greys, images, sources, size = [], [], [], None
    for path in request.images:
        grey, image, digest, whole = _measure(path, request)
        greys.append(grey)
        images.append(image)
        sources.append({"image": path.name, "sha256": digest})
        size = size or whole
    scale = solve_scale(images, names, request.artefact)
    light = request.light if before is None else _joined(before.light, request.light)
    calibration = calibration_from(
        scale, request.artefact, request.labels, images=images, sources=sources, light=light
    )
    calibration = replace(calibration, image_size_px=size)
    if before is not None:
        calibration = _kept(before, calibration)
    stem = out.with_suffix("")
    files = {
        stem.with_name(f"{stem.name}-found.png"): found_picture(greys, images),
        stem.with_name(f"{stem.name}-residuals.svg"): residual_plot(
            images, names, calibration.um_per_px
        ),
        out: calibration_toml(calibration).encode(),
    }
    return Made(
        calibration=calibration,
        scale=scale,
        images=tuple(images),
        summary=describe(calibration, scale, images, names),
        files=files,
    )


def write_made(made: Made) -> None:
    """Write the calibration file and its pictures, all of them or none.

    Raises
    ------
    CalibrationError
        If one cannot be written.
    """
    write_whole(made.files)


def aperture_in(objective: str) -> float | None:
    """Return the numerical aperture engraved on an objective, such as 0.45 of ``20x/0.45``."""
    found = re.search(r"/\s*(\d?\.\d+)", objective)
    return float(found.group(1)) if found and 0 < float(found.group(1)) <= 1.7 else None


def _measure(
    path: Path, request: Request
) -> tuple[NDArray[Any], ArtefactImage, str, tuple[int, int]]:
    from micromeasure.micrograph.light import ceiling_of
    from micromeasure.micrograph.reading import read_micrograph

    micrograph = read_micrograph(path, calibration=_UNSCALED, window=request.region)
    grey = micrograph.pixels if micrograph.pixels.ndim == 2 else micrograph.grey()
    # Floating-point images may use any scale. Colours come together to a grey just below theirs.
    stored = micrograph.pixels.dtype.kind == "u"
    full_scale = ceiling_of(micrograph) * _WHITE if stored else float("inf")
    image = measure_artefact(grey, full_scale=full_scale, name=path.name, pattern=request.pattern)
    whole = (micrograph.header.width_px, micrograph.header.height_px)
    if request.region is not None and getattr(image, "is_distorted", False):
        message = f"{path.name}: shows distortion, which needs the whole image; leave region out."
        raise CalibrationError([message])
    return grey, image, micrograph.sha256, whole


def _before(out: Path, identity: str) -> Calibration | None:
    """Return the calibration that is about to be replaced, if it is one of the same id."""
    if not out.exists():
        return None
    try:
        before = read_calibration(out)
    except CalibrationError as error:
        message = (
            f"{out}: exists and is not a calibration file that can be read; choose another name."
        )
        raise CalibrationError([message]) from error
    if before.id != identity:
        message = (
            f"{out}: holds the calibration '{before.id}', not '{identity}'; choose another name."
        )
        raise CalibrationError([message])
    return before


def _joined(before: Light, now: Light) -> Light:
    return Light(
        transfer=before.transfer if now.transfer is None else now.transfer,
        response=before.response,
        numerical_aperture=now.numerical_aperture or before.numerical_aperture,
        wavelength_nm=now.wavelength_nm or before.wavelength_nm,
    )


def _kept(before: Calibration, now: Calibration) -> Calibration:
    """Carry over what a new scale does not change: edge offset and camera modes."""
    same_size = before.image_size_px == now.image_size_px
    return replace(
        now,
        edge_offset_um=before.edge_offset_um,
        u_edge_offset_um=before.u_edge_offset_um,
        camera_modes=before.camera_modes if same_size else (),
    )
