"""Fold views of the sample study: lots K and M, with and without cracks, scratches and pits."""

from dataclasses import dataclass, replace

import numpy as np

from micromeasure.reference.crack_paths import CrackPlan
from micromeasure.reference.fold_view import FoldConditions, FoldView, render_fold_view

SIZE_PX = (720, 480)
UM_PER_PX = (0.8012, 0.7996)

_BENCH = FoldConditions(
    size_px=SIZE_PX, band_px=150.0, texture=0.012, streak_px=60.0, grain_px=1.4,
    lay_angle_deg=88.0, lay_scratches=2, stray_scratches=0, scratch_depth=0.10, pits=3,
    stain=0.0, glare=0.2, glare_px=120.0, fold_dark=0.10, fold_dark_px=5.0, fold_wander_px=0.6,
    full_well_e=80000.0, read_sd=0.001, blur_px=0.9, blur_growth_px=0.4,
)  # fmt: skip
# Lot M, whose folds are sharper, cracks more: number of cracks at each fold of each specimen.
_CRACKS = {"K": ((0, 1), (0, 0), (0, 1)), "M": ((2, 1), (1, 3), (2, 1))}


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleFold:
    """One fold view of the sample study.

    Attributes
    ----------
    revision, specimen, position : str
        Lot, specimen and which of its two folds.
    view : FoldView
        Pixels (8 bits), fold line and true cracks.
    """

    revision: str
    specimen: str
    position: str
    view: FoldView


def sample_images(seed: int = 20260211) -> list[SampleFold]:
    """Render the fold views of the sample study: three specimens a lot, two folds each.

    Parameters
    ----------
    seed : int
        The same seed gives the same images.

    Returns
    -------
    list of SampleFold
        Twelve views of `SIZE_PX` pixels of `UM_PER_PX`.
    """
    rng = np.random.default_rng(seed)
    samples = []
    for revision, specimens in _CRACKS.items():
        for number, folds in enumerate(specimens, start=1):
            for position, cracks in zip(("left", "right"), folds, strict=True):
                conditions = replace(
                    _BENCH,
                    fold_angle_deg=float(rng.normal(0, 2)),
                    fold_offset_px=float(rng.normal(0, 12)),
                    lay_angle_deg=float(rng.normal(88, 3)),
                    stray_scratches=int(rng.integers(0, 2)),
                    pits=int(rng.integers(1, 6)),
                    cracks=tuple(_plan(rng) for _ in range(cracks)),
                )
                samples.append(
                    SampleFold(
                        revision=revision, specimen=f"{revision}{number}", position=position,
                        view=render_fold_view(rng, conditions),
                    )
                )  # fmt: skip
    return samples


def _plan(rng: np.random.Generator) -> CrackPlan:
    return CrackPlan(
        length_px=float(rng.uniform(60, 220)),
        width_px=float(rng.uniform(2.0, 3.5)),
        cnr=float(rng.uniform(6, 11)),
        angle_to_fold_deg=float(rng.normal(0, 10)),
        offset_px=float(rng.normal(0, 25)),
        jag_deg=float(rng.uniform(15, 30)),
        branches=int(rng.integers(0, 2)),
    )
