"""Optical density and transmittance of films in transmitted light."""

from dataclasses import dataclass

import numpy as np

from micromeasure.fields import declared
from micromeasure.micrograph.image import Micrograph
from micromeasure.opacity.reading import Reading, read_film
from micromeasure.opacity.regions import outline_px
from micromeasure.opacity.scene import OPEN, Companions, LightPlan, Scene, make_scene
from micromeasure.outcome import Mark, Measurement, Outcome
from micromeasure.quantities.declare import Frames, Quantity, Settings

Rectangle = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class LightSettings(Settings):
    """Settings of everything that is measured as a quotient of two lights."""

    open_light: tuple[str, ...] = declared(
        "frames", (), help="frames of the same light without specimen; several are averaged"
    )
    dark: tuple[str, ...] = declared(
        "frames", (), help="frames without light, at the exposure of the film frame"
    )
    opaque: tuple[str, ...] = declared(
        "frames", (), help="frames with an opaque stop in the film's place: they hold stray light"
    )
    regions: dict[str, Rectangle] | None = declared(
        "rectangles", None, unit="px",
        help="name and rectangle of each film; 'open' is a bare area",
    )  # fmt: skip
    channel: str = declared(
        "text", "luminance", choices=("luminance", "red", "green", "blue"),
        help="which channel of a colour image; luminance weighs linear light after BT.709",
    )  # fmt: skip
    transfer: float | str | None = declared(
        "number-or-word", None, above=0, choices=("linear", "srgb", "measured"),
        help="camera response, where the calibration does not state it or differs",
    )  # fmt: skip
    mask_defects: bool = declared(
        "yes-no", default=True, help="whether dust, bubbles, scratches and folds are left out"
    )
    lamp_drift_rel: float = declared(
        "number", 0.05, unit="1", low=0, high=1,
        help="greatest drift of the lamp between frames, used where no bare area shows it",
    )  # fmt: skip
    glare_rel: float = declared(
        "number", 0.03, unit="1", low=0, high=1,
        help="greatest stray light as a share of open light, used where no opaque frame shows it",
    )  # fmt: skip
    dark_level_rel: float = declared(
        "number", 0.03, unit="1", low=0, high=1,
        help="greatest dark level as a share of open light, used where no dark frame shows it",
    )  # fmt: skip
    exposure_s: float | None = declared(
        "number", None, unit="s", above=0,
        help="exposure time of the film frames; goes before what manifest or file states",
    )  # fmt: skip
    open_light_exposure_s: float | None = declared(
        "number", None, unit="s", above=0,
        help="exposure time of the open-light frames; goes before manifest or file",
    )  # fmt: skip
    opaque_exposure_s: float | None = declared(
        "number", None, unit="s", above=0,
        help="exposure time of the opaque frames; goes before manifest or file",
    )  # fmt: skip

    def __post_init__(self) -> None:
        """Check that a film is left to measure."""
        if self.regions is not None and not set(self.regions) - {OPEN}:
            message = f"regions names only '{OPEN}'; name at least one film, or leave regions out."
            raise ValueError(message)


@dataclass(frozen=True, slots=True, kw_only=True)
class DensitySettings(LightSettings):
    """Settings of `optical_density` and `transmittance`."""

    average: str = declared(
        "text", "transmittance", choices=("transmittance", "density"),
        help="density of the mean transmittance (as a densitometer reads), or mean of densities",
    )  # fmt: skip
    reference: str = declared(
        "text", "",
        help="revision that relative opacity through the study refers to; empty: the first",
    )  # fmt: skip


def scene_of(micrograph: Micrograph, settings: LightSettings, frames: Frames) -> Scene:
    """Bring a film frame, its companion frames and the settings together.

    Raises
    ------
    MeasurementError
        See `make_scene`.
    """
    plan = LightPlan(
        regions=settings.regions,
        region=micrograph.record.region or settings.region,
        transfer=settings.transfer,
        channel=settings.channel,
        mask_defects=settings.mask_defects,
        lamp_drift_rel=settings.lamp_drift_rel,
        glare_rel=settings.glare_rel,
        dark_level_rel=settings.dark_level_rel,
        exposure_s=settings.exposure_s,
        open_light_exposure_s=settings.open_light_exposure_s,
        opaque_exposure_s=settings.opaque_exposure_s,
    )
    companions = Companions(
        open_light=tuple(frames.get("open_light", ())),
        dark=tuple(frames.get("dark", ())),
        opaque=tuple(frames.get("opaque", ())),
    )
    return make_scene(micrograph, companions, plan)


def marks_of(scene: Scene) -> tuple[Mark, ...]:
    """Return outlines of films, bare area and what was left out."""
    named = dict(scene.films)
    if scene.bare is not None:
        named[OPEN] = scene.bare
    marks = [
        Mark(role="region", points_px=outline_px(mask, scene.box), label=name)
        for name, mask in named.items()
    ]
    if scene.excluded.any():
        marks.append(Mark(role="excluded", points_px=outline_px(scene.excluded, scene.box)))
    return tuple(marks)


def facts_of(scene: Scene, readings: list[Reading]) -> dict[str, object]:
    """Return diagnostics as plain numbers."""
    return {
        "cell_px": scene.box.cell_px,
        "has_bare_area": scene.bare is not None,
        "excluded_share": float(np.mean(scene.excluded)),
        "exposure_ratio": scene.exposure_ratio,
        "camera_response": scene.film.response.name,
        "films": {reading.name: dict(reading.facts) for reading in readings},
    }


def density_rows(
    reading: Reading, flags: tuple[str, ...], quantity: str | None = None
) -> list[Measurement]:
    """Return the rows of one film's optical density."""
    rows = [
        Measurement(
            feature=reading.name, statistic="mean", estimate=reading.density, n=reading.n_px,
            flags=flags, quantity=quantity,
        )
    ]  # fmt: skip
    if reading.density_sd is not None:
        rows.append(
            Measurement(
                feature=reading.name, statistic="sd", estimate=reading.density_sd,
                n=reading.n_px, flags=flags, quantity=quantity,
            )
        )  # fmt: skip
    return rows


def measure_optical_density(
    micrograph: Micrograph, settings: DensitySettings, frames: Frames
) -> Outcome:
    """Measure the optical density −log10 T of the films in one image.

    Raises
    ------
    MeasurementError
        See `make_scene`.
    """
    scene = scene_of(micrograph, settings, frames)
    readings = [read_film(scene, name, average=settings.average) for name in scene.films]
    rows = [
        row
        for reading in readings
        for row in density_rows(reading, (*micrograph.flags, *reading.flags))
    ]
    return Outcome(
        measurements=tuple(rows),
        marks=marks_of(scene),
        caption="; ".join(f"{r.name}: {_text(r)}" for r in readings),
        facts=facts_of(scene, readings),
    )


def measure_transmittance(
    micrograph: Micrograph, settings: DensitySettings, frames: Frames
) -> Outcome:
    """Measure the transmittance of the films in one image.

    Raises
    ------
    MeasurementError
        See `make_scene`.
    """
    scene = scene_of(micrograph, settings, frames)
    readings = [read_film(scene, name) for name in scene.films]
    rows = []
    for reading in readings:
        flags = (*micrograph.flags, *(f for f in reading.flags if f != "lower-limit"))
        for statistic, estimate in (
            ("mean", reading.transmittance),
            ("sd", reading.transmittance_sd),
        ):
            if estimate is not None:
                rows.append(
                    Measurement(
                        feature=reading.name, statistic=statistic, estimate=estimate,
                        n=reading.n_px, flags=flags,
                    )
                )  # fmt: skip
    return Outcome(
        measurements=tuple(rows),
        marks=marks_of(scene),
        caption="; ".join(f"{r.name}: T = {r.transmittance.value:.4g}" for r in readings),
        facts=facts_of(scene, readings),
    )


def _text(reading: Reading) -> str:
    density = reading.density
    if density.value is None:
        return f"D > {density.low_limit:.2f}"
    return f"D = {density.value:.3f}"


QUANTITIES = (
    Quantity(
        name="optical_density",
        title="optical density",
        unit="1",
        settings=DensitySettings,
        measure=measure_optical_density,
        method="optical density 1",
    ),
    Quantity(
        name="transmittance",
        title="transmittance",
        unit="1",
        settings=DensitySettings,
        measure=measure_transmittance,
        method="transmittance 1",
    ),
)
