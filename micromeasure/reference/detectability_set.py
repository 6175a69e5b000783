"""A rendered set of cracks with a laboratory's own pixel size, blur and noise, searched and scored.

What it tells is how small a crack the search finds in such pictures of such surfaces. It does not
tell how real cracks of a certain material look; only cracks that were sectioned do.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from micromeasure.calibration.file import nominal_calibration
from micromeasure.cracks.finding import find_candidates
from micromeasure.cracks.matching import match
from micromeasure.cracks.patch import cut_strip
from micromeasure.micrograph.image import Header, ImageRecord, Micrograph
from micromeasure.quantities.crack_length import CrackSettings
from micromeasure.reference.fold_view import (
    FoldConditions,
    FoldView,
    draw_conditions,
    render_fold_view,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SetConditions:
    """What a detectability set is rendered with.

    Attributes
    ----------
    um_per_px : tuple of two floats
        Pixel size.
    blur_um : float
        Standard deviation of the optical blur.
    noise : float
        Standard deviation of the camera's noise at mid level, share of full scale.
    contrast_to_noise : float
        Darkening of a crack over the spread of surface and noise together.
    width_um : float
        Width of the cracks.
    length_um : tuple of two floats
        Range of crack lengths; even in the logarithm.
    """

    um_per_px: tuple[float, float]
    blur_um: float
    noise: float = 0.01
    contrast_to_noise: float = 3.0
    width_um: float = 2.0
    length_um: tuple[float, float] = (10.0, 200.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchedView:
    """One rendered view, searched.

    Attributes
    ----------
    cracks : list of dict
        True cracks: ``image``, ``length_um``, ``hit``, ``measured_length_um``, ``score``.
    candidates : list of dict
        Candidates: ``image``, ``length_um``, ``score``, ``true``.
    area_mm2 : float
        Area of the band searched.
    """

    cracks: list[dict[str, object]]
    candidates: list[dict[str, object]]
    area_mm2: float


def as_micrograph(view: FoldView, um_per_px: tuple[float, float], name: str) -> Micrograph:
    """Return a rendered view as a micrograph with a nominal scale and its true fold line."""
    rows, cols = view.pixels.shape
    header = Header(
        format="TIFF", width_px=cols, height_px=rows, channels=1, dtype=view.pixels.dtype.name,
        bits=view.conditions.bits,
    )  # fmt: skip
    return Micrograph(
        pixels=view.pixels,
        calibration=nominal_calibration(um_per_px),
        record=ImageRecord(image=name, fold=view.fold_px),
        header=header,
    )


def search_set(
    wanted: SetConditions, settings: CrackSettings, *, views: int, seed: int
) -> Iterator[SearchedView]:
    """Render views with cracks, search each and say what was found.

    Parameters
    ----------
    wanted : SetConditions
    settings : CrackSettings
        As in a study; `min_length_um` bounds the cracks that can be found at all.
    views : int
        Number of views, about two cracks each.
    seed : int
    """
    for number in range(views):
        rng = np.random.default_rng([seed, number])
        conditions = _conditions(rng, wanted)
        view = render_fold_view(rng, conditions)
        yield _searched(view, wanted.um_per_px, settings, f"view-{number + 1:04d}")


def _conditions(rng: np.random.Generator, wanted: SetConditions) -> FoldConditions:
    pixel = float(np.sqrt(wanted.um_per_px[0] * wanted.um_per_px[1]))
    drawn = draw_conditions(rng, cracks=2)
    plans = tuple(
        replace(
            plan,
            length_px=float(np.exp(rng.uniform(*np.log(wanted.length_um)))) / pixel,
            width_px=wanted.width_um / pixel,
            cnr=wanted.contrast_to_noise,
        )
        for plan in drawn.cracks
    )
    # Shot and read noise that together give the noise asked for at the view's level.
    shot_share = wanted.noise**2 * 0.7
    return replace(
        drawn,
        blur_px=max(wanted.blur_um / pixel, 0.3),
        full_well_e=drawn.level / max(shot_share, 1e-12),
        read_sd=wanted.noise * float(np.sqrt(0.3)),
        cracks=plans,
    )


def _searched(
    view: FoldView, um_per_px: tuple[float, float], settings: CrackSettings, name: str
) -> SearchedView:
    pixel = float(np.sqrt(um_per_px[0] * um_per_px[1]))
    micrograph = as_micrograph(view, um_per_px, name)
    patch = cut_strip(micrograph, view.fold_px, band_um=view.conditions.band_px * pixel)
    found = find_candidates(
        patch, min_length_um=settings.min_length_um, max_width_um=settings.max_width_um,
        threshold=settings.threshold,
    )  # fmt: skip
    matched = match(
        [patch.image_points(item.line.points) for item in found],
        [(crack.centreline_px, crack.branches_px) for crack in view.cracks],
    )
    cracks: list[dict[str, object]] = []
    for crack, best in zip(view.cracks, matched.best_of, strict=True):
        item = found[best] if best >= 0 else None
        cracks.append(
            {
                "image": name,
                "length_um": crack.length_um(um_per_px),
                "hit": int(item is not None),
                "measured_length_um": item.line.length_px * patch.um_per_px if item else None,
                "score": item.score if item else None,
            }
        )
    candidates: list[dict[str, object]] = [
        {
            "image": name,
            "length_um": item.line.length_px * patch.um_per_px,
            "score": item.score,
            "true": int(owner >= 0),
        }
        for item, owner in zip(found, matched.crack_of, strict=True)
    ]
    band = patch.in_band(_grid(patch.values.shape))
    area = float(band.sum()) * patch.um_per_px**2 / 1e6
    return SearchedView(cracks=cracks, candidates=candidates, area_mm2=area)


def _grid(shape: tuple[int, ...]) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    rows, cols = shape
    v, u = np.mgrid[:rows, :cols]
    return np.column_stack((u.ravel(), v.ravel())).astype(float)
