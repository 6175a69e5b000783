"""Attenuation: opacity of a film's material, with the thickness of the film taken out."""

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence

from micromeasure.estimate import Estimate, combine, mean_of
from micromeasure.micrograph.image import ImageRecord
from micromeasure.outcome import Measurement
from micromeasure.quantities.declare import Derivation, Derived, Measured
from micromeasure.quantities.relative_opacity import specimen_densities

LN10 = math.log(10.0)
_UM_PER_MM = 1000.0

Layers = Mapping[str, tuple[Estimate, tuple[str, ...]]]


def attenuation_of(density: Estimate, thickness: Estimate) -> Estimate:
    """Return ln(10) × density / thickness in 1/mm.

    Parameters
    ----------
    density : Estimate
        May be a lower limit; so is the result then.
    thickness : Estimate
        In um, above zero.

    References
    ----------
    .. [1] Beer-Lambert law: T = exp(−a d), so a = ln(10) D / d. Light reflected at the two
       surfaces is counted as if it were absorbed.
    """
    um = thickness.value or math.nan
    factor = LN10 * _UM_PER_MM / um
    if density.value is None:
        thickest = thickness.interval_95[1] or um
        limit = LN10 * _UM_PER_MM * (density.low_limit or 0.0) / thickest
        return Estimate(value=None, unit="1/mm", components=None, low_limit=limit)
    value = factor * density.value
    return combine(value, "1/mm", [(density, factor), (thickness, -value / um)])


def derive_attenuation(measured: Sequence[Measured]) -> list[Derived]:
    """Return the attenuation of every specimen that has both a density and a film thickness.

    Notes
    -----
    A film belongs to the layer of its name; a specimen with one layer only needs no names.
    """
    thicknesses = _specimen_thicknesses(measured)
    derived = []
    for (revision, specimen, film), group in specimen_densities(measured).items():
        layer = _layer_of(film, thicknesses.get((revision, specimen), {}))
        if layer is None:
            continue
        thickness, flags = layer
        estimate = attenuation_of(group.mean, thickness)
        derived.append(
            Derived(
                record=ImageRecord(image="", specimen=specimen, revision=revision),
                measurement=Measurement(
                    feature=film,
                    statistic="value",
                    estimate=estimate,
                    n=group.n,
                    flags=tuple(dict.fromkeys([*group.flags, *flags])),
                ),
            )
        )
    return derived


def _layer_of(film: str, layers: Layers) -> tuple[Estimate, tuple[str, ...]] | None:
    if film in layers:
        return layers[film]
    return next(iter(layers.values())) if len(layers) == 1 else None


def _specimen_thicknesses(measured: Sequence[Measured]) -> dict[tuple[str, str], Layers]:
    found: dict[tuple[str, str], dict[str, list[Measurement]]] = defaultdict(
        lambda: defaultdict(list)
    )
    for item in measured:
        for row in item.outcome.measurements:
            name = row.quantity or item.quantity
            thick = row.estimate.value is not None and row.estimate.value > 0.0
            if name == "film_thickness" and row.statistic == "mean" and thick:
                key = (item.record.revision, item.record.specimen)
                found[key][row.feature].append(row)
    return {
        key: {
            layer: (
                mean_of([row.estimate for row in rows]),
                tuple(dict.fromkeys(flag for row in rows for flag in row.flags)),
            )
            for layer, rows in layers.items()
        }
        for key, layers in found.items()
    }


DERIVATIONS = (
    Derivation(
        name="attenuation",
        title="attenuation",
        unit="1/mm",
        needs=("optical_density", "film_thickness"),
        derive=derive_attenuation,
        method="attenuation 1",
    ),
)
