"""How a quantity is declared: its name, settings and the function that measures it."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from micromeasure.calibration.file import Calibration
from micromeasure.fields import declared, specs
from micromeasure.micrograph.image import Header, ImageRecord, Micrograph, Rectangle
from micromeasure.outcome import FloatArray, Measurement, Outcome, Trace

Frames = Mapping[str, tuple[Micrograph, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Settings that every quantity has; each quantity adds its own.

    A field of kind ``frames`` names companion images (open light, dark, ...); the engine reads
    them and hands them to the measuring function under the field's name.
    """

    region: tuple[float, float, float, float] | None = declared(
        "rectangle", None, unit="px", help="part of the image to measure in, x0 y0 x1 y1"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """A quantity measured in one image.

    Attributes
    ----------
    name : str
        As in study files and results, such as ``film_thickness``.
    title : str
        For people, such as ``film thickness``.
    unit : str
        Unit of its main number.
    settings : type
        A frozen dataclass derived from `Settings`.
    measure : callable
        ``(micrograph, settings, frames) -> Outcome``; pure. It raises `MeasurementError` where
        nothing can be measured. ``frames`` holds the companion images by field name.
    method : str
        Name and version; a new version makes finished results stale.
    accompanied_by : tuple of str
        Names of other quantities that its outcomes carry (`Measurement.quantity`).
    window : callable or None
        ``(record, settings, header, calibration) -> x0 y0 x1 y1`` in pixels: the part of the
        image that it needs, so that no more of a huge image is decoded; None for all of it.
    """

    name: str
    title: str
    unit: str
    settings: type[Settings]
    measure: Callable[[Micrograph, Any, Frames], Outcome]
    method: str
    accompanied_by: tuple[str, ...] = ()
    window: Callable[[ImageRecord, Any, Header, Calibration], Rectangle | None] | None = None

    def frame_fields(self) -> tuple[str, ...]:
        """Return the names of the settings that name companion images."""
        return tuple(name for name, s in specs(self.settings).items() if s.kind == "frames")


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One finished measure of the study, as derivations see it."""

    record: ImageRecord
    quantity: str
    settings: Settings
    outcome: Outcome


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """Lines drawn to scale without an image beneath, for what several images give together.

    Attributes
    ----------
    caption : str
    lines : mapping of str to ndarray, shape (n, 2)
        Closed lines ``x y`` in micrometres, y upwards, by what they show; NaN breaks a line.
    """

    caption: str
    lines: Mapping[str, FloatArray]


@dataclass(frozen=True, slots=True, kw_only=True)
class Derived:
    """A number made from several images of one specimen: one row of `measurements.csv`.

    Attributes
    ----------
    record : ImageRecord
    measurement : Measurement
    traces : tuple of Trace
        Written to `profiles/`, named after quantity, specimen and the rest of the record.
    drawing : Drawing or None
        Written to `overlays/` as SVG.
    """

    record: ImageRecord
    measurement: Measurement
    traces: tuple[Trace, ...] = ()
    drawing: Drawing | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Derivation:
    """A quantity made from the outcomes of others, such as an opacity per thickness.

    Attributes
    ----------
    name, title, unit, method : str
        As in `Quantity`.
    needs : tuple of str
        Quantities it is made from; it is only asked where the study measures all of them.
    derive : callable
        ``(measured) -> derived rows``; gets all outcomes of the needed quantities in the order
        of the manifest, each fetched from the ledger when it is looked at: keep of them only what
        is needed, and go through them once. In `Derived.record`, ``image`` is empty and what is
        not common to the images used is empty too.
    """

    name: str
    title: str
    unit: str
    needs: tuple[str, ...]
    derive: Callable[[Sequence[Measured]], Sequence[Derived]]
    method: str
