"""Reflectance of films, and contrast ratio: reflectance over black divided by that over white."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

from micromeasure.errors import MeasurementError
from micromeasure.estimate import Component, Estimate, mean_of, ratio
from micromeasure.fields import declared
from micromeasure.micrograph.image import ImageRecord, Micrograph
from micromeasure.opacity.reading import Reading, read_film
from micromeasure.outcome import Measurement, Outcome
from micromeasure.quantities.declare import Derivation, Derived, Frames, Measured, Quantity
from micromeasure.quantities.optical_density import (
    LightSettings,
    facts_of,
    marks_of,
    scene_of,
)

BLACK, WHITE = "black", "white"
_METHOD = "contrast ratio 1"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReflectanceSettings(LightSettings):
    """Settings of `reflectance`; `open_light` is a white tile in the film's place."""

    tile_reflectance: float = declared(
        "number", 1.0, unit="1", above=0, high=1.2,
        help="luminous reflectance of the white tile; cancels in a contrast ratio",
    )  # fmt: skip
    u_tile_reflectance: float = declared(
        "number", 0.0, unit="1", low=0, help="its standard uncertainty"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ContrastSettings(LightSettings):
    """Settings of `contrast_ratio`; `open_light` is a white tile in the film's place."""

    def __post_init__(self) -> None:
        """Check that both backings are named."""
        LightSettings.__post_init__(self)
        missing = {BLACK, WHITE} - set(self.regions or {})
        if missing:
            message = (
                f"regions has no '{min(missing)}'; name the film over its '{BLACK}' and "
                f"over its '{WHITE}' backing. For one image per backing measure reflectance and "
                "give the manifest a column 'backing'."
            )
            raise ValueError(message)


def measure_reflectance(
    micrograph: Micrograph, settings: ReflectanceSettings, frames: Frames
) -> Outcome:
    """Measure the luminous reflectance of the films in one image against a white tile.

    Raises
    ------
    MeasurementError
        See `micromeasure.opacity.scene.make_scene`.
    """
    scene = scene_of(micrograph, settings, frames)
    readings = [read_film(scene, name) for name in scene.films]
    rows = []
    for reading in readings:
        flags = (*micrograph.flags, *_reflected(reading))
        estimate = _against_tile(reading.transmittance, settings)
        rows.append(_measurement(reading, "mean", estimate, flags))
        if reading.transmittance_sd is not None:
            sd = reading.transmittance_sd.scaled(settings.tile_reflectance)
            rows.append(_measurement(reading, "sd", sd, flags))
    return Outcome(
        measurements=tuple(rows),
        marks=marks_of(scene),
        caption="; ".join(f"{r.feature}: R = {r.estimate.value:.3f}" for r in rows[:1]),
        facts=facts_of(scene, readings),
    )


def measure_contrast_ratio(
    micrograph: Micrograph, settings: ContrastSettings, frames: Frames
) -> Outcome:
    """Measure the contrast ratio of a film that lies over black and white in one image.

    Raises
    ------
    MeasurementError
        See `micromeasure.opacity.scene.make_scene`; or if nothing comes back from the white
        backing.
    """
    scene = scene_of(micrograph, settings, frames)
    black, white = read_film(scene, BLACK), read_film(scene, WHITE)
    estimate = contrast(black.transmittance, white.transmittance, micrograph.record.image)
    flags = tuple(dict.fromkeys([*micrograph.flags, *_reflected(black), *_reflected(white)]))
    return Outcome(
        measurements=(
            Measurement(
                feature="film",
                statistic="value",
                estimate=estimate,
                n=min(black.n_px, white.n_px),
                flags=flags,
            ),
        ),
        marks=marks_of(scene),
        caption=f"contrast ratio {estimate.value:.4f}",
        facts=facts_of(scene, [black, white]),
    )


def contrast(black: Estimate, white: Estimate, where: str) -> Estimate:
    """Return reflectance over black divided by reflectance over white.

    Raises
    ------
    MeasurementError
        If the reflectance over white is not above zero.

    References
    ----------
    .. [1] TAPPI T 425: opacity (89 % backing), 100 R0/R0.89; here as a share, and with the
       white backing actually used.
    """
    if not white.value or white.value <= 0.0 or black.value is None:
        message = (
            f"{where}: no light comes back from the film over white; check the frames and regions."
        )
        raise MeasurementError(message)
    return ratio(black, white)


def derive_contrast_ratio(measured: Sequence[Measured]) -> list[Derived]:
    """Return the contrast ratio of every specimen with images over both backings.

    The manifest's column ``backing`` says ``black`` or ``white``; images of one specimen and
    position belong together.
    """
    found: dict[tuple[str, str, str, str], dict[str, list[Measurement]]] = defaultdict(
        lambda: defaultdict(list)
    )
    for item in measured:
        backing = item.record.extra.get("backing", "").strip().lower()
        for row in item.outcome.measurements:
            if row.statistic == "mean" and row.estimate.value is not None:
                record = item.record
                key = (record.revision, record.specimen, record.position, row.feature)
                found[key][backing].append(row)
    derived = []
    for (revision, specimen, position, feature), rows in found.items():
        if not specimen or not rows.get(BLACK) or not rows.get(WHITE):
            continue
        black, white = (
            mean_of([row.estimate for row in rows[backing]]) for backing in (BLACK, WHITE)
        )
        if not white.value or white.value <= 0.0:
            continue
        both = [*rows[BLACK], *rows[WHITE]]
        derived.append(
            Derived(
                record=ImageRecord(
                    image="", specimen=specimen, revision=revision, position=position
                ),
                measurement=Measurement(
                    feature=feature,
                    statistic="value",
                    estimate=contrast(black, white, specimen),
                    n=len(both),
                    flags=tuple(dict.fromkeys(flag for row in both for flag in row.flags)),
                ),
            )
        )
    return derived


def _against_tile(share: Estimate, settings: ReflectanceSettings) -> Estimate:
    scaled = share.scaled(settings.tile_reflectance)
    if scaled.components is None or not settings.u_tile_reflectance or share.value is None:
        return scaled
    tile = Component(
        name="white tile",
        u=share.value * settings.u_tile_reflectance,
        shared="white tile",
        source="u_tile_reflectance",
    )
    return replace(scaled, components=(*scaled.components, tile))


def _reflected(reading: Reading) -> tuple[str, ...]:
    return tuple(flag for flag in reading.flags if flag != "lower-limit")


def _measurement(
    reading: Reading, statistic: str, estimate: Estimate, flags: tuple[str, ...]
) -> Measurement:
    return Measurement(
        feature=reading.name, statistic=statistic, estimate=estimate, n=reading.n_px, flags=flags
    )


QUANTITIES = (
    Quantity(
        name="reflectance",
        title="luminous reflectance",
        unit="1",
        settings=ReflectanceSettings,
        measure=measure_reflectance,
        method="reflectance 1",
    ),
    Quantity(
        name="contrast_ratio",
        title="contrast ratio",
        unit="1",
        settings=ContrastSettings,
        measure=measure_contrast_ratio,
        method=_METHOD,
    ),
)

DERIVATIONS = (
    Derivation(
        name="contrast_ratio",
        title="contrast ratio",
        unit="1",
        needs=("reflectance",),
        derive=derive_contrast_ratio,
        method=_METHOD,
    ),
)
