"""Relative opacity: the optical density of a film divided by that of the reference film."""

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from micromeasure.errors import MeasurementError
from micromeasure.estimate import Component, Estimate, mean_of, ratio
from micromeasure.fields import declared
from micromeasure.micrograph.image import ImageRecord, Micrograph
from micromeasure.opacity.reading import Reading, read_film
from micromeasure.outcome import Failure, Measurement, Outcome
from micromeasure.quantities.declare import Derivation, Derived, Frames, Measured, Quantity
from micromeasure.quantities.optical_density import (
    LightSettings,
    density_rows,
    facts_of,
    marks_of,
    scene_of,
)

_METHOD = "relative opacity 1"


@dataclass(frozen=True, slots=True, kw_only=True)
class RelativeOpacitySettings(LightSettings):
    """Settings of `relative_opacity`."""

    reference: str = declared(
        "text", "",
        help="region of the reference film; without regions, the reference revision",
    )  # fmt: skip

    def __post_init__(self) -> None:
        """Check that films and reference are named together."""
        LightSettings.__post_init__(self)
        if self.regions is None:
            return
        films = sorted(set(self.regions) - {"open"})
        if self.reference not in films:
            message = (
                f"reference is '{self.reference}'; must be one of the films in regions: "
                f"{', '.join(films)}."
            )
            raise ValueError(message)
        if len(films) < 2:
            message = "regions names one film; name at least two, or leave regions out."
            raise ValueError(message)


def measure_relative_opacity(
    micrograph: Micrograph, settings: RelativeOpacitySettings, frames: Frames
) -> Outcome:
    """Measure the opacity of films beside a reference film in one image.

    Without regions only the film's density is measured; relative opacity then follows from the
    images of the reference revision.

    Raises
    ------
    MeasurementError
        See `micromeasure.opacity.scene.make_scene`; or if the reference film is too dark.
    """
    scene = scene_of(micrograph, settings, frames)
    readings = {name: read_film(scene, name) for name in scene.films}
    rows: list[Measurement] = []
    failures: list[Failure] = []
    if settings.regions is not None:
        reference = readings[settings.reference]
        if reference.density.value is None:
            message = (
                f"{micrograph.record.image}: the reference film '{reference.name}' lets too little "
                "light through to be measured; use more light."
            )
            raise MeasurementError(message)
        for name, reading in readings.items():
            if name != settings.reference:
                flags = tuple(dict.fromkeys([*reading.flags, *reference.flags]))
                rows.append(_row(micrograph, reading, reference, flags))
    for reading in readings.values():
        flags = (*micrograph.flags, *reading.flags)
        rows += density_rows(reading, flags, quantity="optical_density")
    return Outcome(
        measurements=tuple(rows),
        failures=tuple(failures),
        marks=marks_of(scene),
        caption="; ".join(
            f"{row.feature}: {row.estimate.value:.3f} of {settings.reference}"
            for row in rows
            if row.quantity is None and row.estimate.value is not None
        ),
        facts=facts_of(scene, list(readings.values())),
    )


def _row(
    micrograph: Micrograph, reading: Reading, reference: Reading, flags: tuple[str, ...]
) -> Measurement:
    return Measurement(
        feature=reading.name,
        statistic="value",
        estimate=relative(reading.density, reference.density),
        n=reading.n_px,
        flags=(*micrograph.flags, *flags),
    )


def relative(density: Estimate, reference: Estimate) -> Estimate:
    """Return a density divided by that of the reference; a lower limit stays one.

    Raises
    ------
    MeasurementError
        If the reference's density is not above zero, or only a limit.
    """
    if reference.value is None or reference.value <= 0.0:
        message = (
            "the reference film has no density above zero to compare with; choose another "
            "reference."
        )
        raise MeasurementError(message)
    if density.value is not None:
        return ratio(density, reference)
    _, high = reference.interval_95
    limit = (density.low_limit or 0.0) / (high or reference.value)
    return Estimate(value=None, unit="1", components=None, low_limit=limit)


def derive_relative_opacity(measured: Sequence[Measured]) -> list[Derived]:
    """Return each specimen's opacity relative to the mean of the reference revision.

    Notes
    -----
    The reference revision is the one named in the settings, else the first in the manifest.
    Its specimens vary: their standard deviation over the root of their number is a component
    common to all ratios.
    """
    reference = _reference_revision(measured)
    groups = specimen_densities(measured)
    derived = []
    for feature in dict.fromkeys(key[2] for key in groups):
        standard = _reference_mean(groups, reference, feature)
        if standard is None or not standard.value or standard.value <= 0.0:
            continue
        for (revision, specimen, name), group in groups.items():
            if name != feature:
                continue
            estimate = relative(group.mean, standard)
            flags = [*group.flags, *(["lower-limit"] if estimate.value is None else [])]
            derived.append(
                Derived(
                    record=ImageRecord(
                        image="", specimen=specimen, revision=revision, view=group.view
                    ),
                    measurement=Measurement(
                        feature=feature,
                        statistic="value",
                        estimate=estimate,
                        n=group.n,
                        flags=tuple(dict.fromkeys(flags)),
                        quantity="relative_opacity",
                    ),
                )
            )
    return derived


def derive_between_images(measured: Sequence[Measured]) -> list[Derived]:
    """Return the same for a study that asks for `relative_opacity` without regions."""
    whole = [item for item in measured if getattr(item.settings, "regions", None) is None]
    return derive_relative_opacity(whole)


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecimenDensity:
    """Mean density of one film of one specimen over its images."""

    mean: Estimate
    n: int
    flags: tuple[str, ...]
    view: str


def specimen_densities(
    measured: Sequence[Measured],
) -> dict[tuple[str, str, str], SpecimenDensity]:
    """Return densities by revision, specimen and film, in the order of the manifest.

    Of a specimen with a lower limit in any image the smallest limit is kept.
    """
    found: dict[tuple[str, str, str], list[tuple[Measured, Measurement]]] = defaultdict(list)
    for item in measured:
        for row in item.outcome.measurements:
            name = row.quantity or item.quantity
            if name == "optical_density" and row.statistic == "mean" and item.record.specimen:
                key = (item.record.revision, item.record.specimen, row.feature)
                found[key].append((item, row))
    return {
        key: SpecimenDensity(
            mean=_mean([row.estimate for _, row in rows]),
            n=len(rows),
            flags=tuple(dict.fromkeys(flag for _, row in rows for flag in row.flags)),
            view=_common({item.record.view for item, _ in rows}),
        )
        for key, rows in found.items()
    }


def _mean(estimates: list[Estimate]) -> Estimate:
    limits = [e.low_limit for e in estimates if e.low_limit is not None]
    if limits:
        known = [e.value for e in estimates if e.value is not None]
        return Estimate(value=None, unit="1", components=None, low_limit=min([*limits, *known]))
    return mean_of(estimates)


def _common(words: set[str]) -> str:
    return words.pop() if len(words) == 1 else ""


def _reference_revision(measured: Sequence[Measured]) -> str:
    named = [str(getattr(item.settings, "reference", "")) for item in measured]
    return next((name for name in named if name), measured[0].record.revision if measured else "")


def _reference_mean(
    groups: Mapping[tuple[str, str, str], SpecimenDensity], revision: str, feature: str
) -> Estimate | None:
    means = [
        group.mean
        for (of, _, name), group in groups.items()
        if of == revision and name == feature and group.mean.value is not None
    ]
    if not means:
        return None
    mean = mean_of(means)
    if len(means) < 2 or mean.components is None or mean.value is None:
        return mean
    values = [m.value for m in means if m.value is not None]
    variance = math.fsum((v - mean.value) ** 2 for v in values) / (len(values) - 1)
    spread = Component(
        name="reference specimens",
        u=math.sqrt(variance / len(values)),
        dof=len(values) - 1,
        shared=f"reference:{revision}:{feature}",
        kind="A",
        source=f"spread of {len(values)} specimens of revision {revision}",
    )
    return replace(mean, components=(*mean.components, spread))


QUANTITIES = (
    Quantity(
        name="relative_opacity",
        title="relative opacity",
        unit="1",
        settings=RelativeOpacitySettings,
        measure=measure_relative_opacity,
        method=_METHOD,
        accompanied_by=("optical_density",),
    ),
)

DERIVATIONS = (
    Derivation(
        name="relative_opacity",
        title="relative opacity",
        unit="1",
        needs=("optical_density",),
        derive=derive_relative_opacity,
        method=_METHOD,
    ),
    Derivation(
        name="relative_opacity_between_images",
        title="relative opacity",
        unit="1",
        needs=("relative_opacity",),
        derive=derive_between_images,
        method=_METHOD,
    ),
)
