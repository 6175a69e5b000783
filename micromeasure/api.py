"""Measuring from Python: one call from an array or a file to numbers with uncertainty."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.calibration.file import Calibration, read_calibration
from micromeasure.errors import MicromeasureError, StudyError
from micromeasure.estimate import as_plain, rounded
from micromeasure.fields import nearest, parse
from micromeasure.micrograph.image import Header, ImageRecord, Micrograph
from micromeasure.micrograph.reading import read_micrograph
from micromeasure.outcome import Measurement, Outcome
from micromeasure.quantities import quantities

if TYPE_CHECKING:
    import pandas as pd

ImageLike = NDArray[Any] | str | Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What `measure` found.

    Attributes
    ----------
    quantity : str
        Name of the quantity asked for.
    outcome : Outcome
        Measurements, traces, marks, indications and failures.
    micrograph : Micrograph
        The image as it was measured.
    """

    quantity: str
    outcome: Outcome
    micrograph: Micrograph

    @property
    def measurements(self) -> tuple[Measurement, ...]:
        """The measured numbers."""
        return self.outcome.measurements

    def rows(self) -> list[dict[str, Any]]:
        """Return one plain mapping a number, with the column names of `measurements.csv`."""
        return [
            {
                "quantity": m.quantity or self.quantity,
                "feature": m.feature,
                "statistic": m.statistic,
                "value": plain["value"],
                "unit": m.estimate.unit,
                "standard_uncertainty": plain["standard_uncertainty"],
                "low_95": plain["low_95"],
                "high_95": plain["high_95"],
                "n": m.n,
                "flags": " ".join(dict.fromkeys((*self.micrograph.flags, *m.flags))),
            }
            for m in self.measurements
            for plain in (as_plain(m.estimate),)
        ]

    def to_frame(self) -> "pd.DataFrame":
        """Return the numbers as a table for pandas."""
        import pandas as pd

        return pd.DataFrame(self.rows())

    def __str__(self) -> str:
        lines = []
        for row in self.rows():
            value, u = rounded(row["value"], row["standard_uncertainty"])
            name = f"{row['quantity']} {row['feature']} {row['statistic']}"
            lines.append(f"{name}: {value} {row['unit']}, u = {u}  {row['flags']}".rstrip())
        lines.extend(f"not measured: {f.reason}" for f in self.outcome.failures)
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        """Show the numbers as a table in a notebook."""
        titles = ("quantity", "feature", "statistic", "value", "u", "unit", "flags")
        head = "".join(f"<th>{title}</th>" for title in titles)
        body = []
        for row in self.rows():
            value, u = rounded(row["value"], row["standard_uncertainty"])
            cells = (*(row[t] for t in titles[:3]), value, u, row["unit"], row["flags"])
            body.append("<tr>" + "".join(f"<td>{escape(str(c))}</td>" for c in cells) + "</tr>")
        notes = "".join(f"<p>not measured: {escape(f.reason)}</p>" for f in self.outcome.failures)
        return f"<table><thead><tr>{head}</tr></thead><tbody>{''.join(body)}</tbody></table>{notes}"


def measure(  # the settings of the quantity are the remaining keywords
    image: ImageLike,
    quantity: str,
    *,
    calibration: Calibration | str | Path | None = None,
    record: ImageRecord | None = None,
    frames: Mapping[str, ImageLike | Sequence[ImageLike]] | None = None,
    **settings: Any,  # noqa: ANN401  # checked against the quantity's declared fields
) -> Result:
    """Measure one quantity in one image.

    Parameters
    ----------
    image : ndarray, shape (rows, cols) or (rows, cols, 3), or path
        ``uint8``, ``uint16`` or float pixels, or an image file.
    quantity : str
        A quantity measured in images, such as ``film_thickness``.
    calibration : Calibration or path or None
        A calibration or its file. None: the pixel size stated in the file is used, flagged
        ``uncalibrated``.
    record : ImageRecord or None
        Section tilt, fold line and the like, as a manifest would give them.
    frames : mapping of str to image or list of images
        Companion images by settings field, such as ``{"open_light": array}``.
    **settings
        Settings of the quantity, as in a study's ``[[measure]]``.

    Returns
    -------
    Result

    Raises
    ------
    StudyError
        If quantity or settings are not known or out of range.
    MeasurementError
        If nothing can be measured.
    ImageReadError
        If a file cannot be read or there is no scale.
    """
    known = quantities()
    if quantity not in known:
        raise StudyError([f"quantity: found {quantity!r}; {nearest(quantity, known)}"])
    chosen = known[quantity]
    if isinstance(calibration, (str, Path)):
        calibration = read_calibration(Path(calibration))
    companions = {
        name: tuple(_micrograph(item, calibration, None) for item in _listed(given))
        for name, given in (frames or {}).items()
    }
    # A field that names frames is satisfied by the frames themselves.
    named = {name: [m.record.image for m in images] for name, images in companions.items()}
    problems: list[str] = []
    checked = parse(chosen.settings, {**named, **settings}, where=quantity, problems=problems)
    if checked is None:
        raise StudyError(problems)
    micrograph = _micrograph(image, calibration, record)
    outcome = chosen.measure(micrograph, checked, companions)
    return Result(quantity=quantity, outcome=outcome, micrograph=micrograph)


def _listed(given: ImageLike | Sequence[ImageLike]) -> Sequence[ImageLike]:
    return [given] if isinstance(given, (np.ndarray, str, Path)) else given


def _micrograph(
    image: ImageLike, calibration: Calibration | None, record: ImageRecord | None
) -> Micrograph:
    if isinstance(image, (str, Path)):
        path = Path(image)
        return read_micrograph(path, record=record, calibration=calibration)
    if calibration is None:
        message = "an array has no pixel size; give a calibration."
        raise MicromeasureError(message)
    pixels = np.asarray(image)
    if pixels.ndim not in (2, 3) or pixels.dtype.kind not in "uf" or min(pixels.shape) == 0:
        message = (
            f"image: found an array of shape {pixels.shape} and type {pixels.dtype}; must be "
            "(rows, cols) or (rows, cols, 3) of uint8, uint16 or float."
        )
        raise MicromeasureError(message)
    if pixels.dtype not in (np.uint8, np.uint16):
        pixels = pixels.astype(np.float32)
    header = Header(
        format="array",
        width_px=pixels.shape[1],
        height_px=pixels.shape[0],
        channels=1 if pixels.ndim == 2 else 3,
        dtype=str(pixels.dtype),
        bits=pixels.dtype.itemsize * 8,
    )
    return Micrograph(
        pixels=pixels,
        calibration=calibration,
        record=record or ImageRecord(image="array"),
        header=header,
    )
