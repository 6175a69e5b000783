"""Render the pictures of the page on what goes wrong, and print the flags and reasons they give.

    python docs/gallery.py

The images are of known truth and measured by the program itself, so that the page shows what a
user would see. A test measures them again and compares the flags with the page.
"""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from micromeasure.calibration.file import SCHEMA, Calibration, Light
from micromeasure.errors import MeasurementError
from micromeasure.micrograph.image import ImageRecord, Micrograph
from micromeasure.outcome import Outcome
from micromeasure.quantities import quantities
from micromeasure.quantities.crack_length import CrackSettings
from micromeasure.reference.crack_paths import CrackPlan
from micromeasure.reference.film import Delamination, FilmSection, render_film
from micromeasure.reference.fold_view import FoldConditions, render_fold_view
from micromeasure.reference.render import as_micrograph
from micromeasure.run.overlay import Picture

FOLDER = Path(__file__).parent / "howto" / "what-goes-wrong"
SEED = 11
SCALE = (0.345, 0.343)

SOUND = FilmSection(
    shape=(360, 480), um_per_px=SCALE, thickness_um=(24.0,), levels=(0.30, 0.68, 0.22),
    direction_deg=8.0, blur_um=0.4, roughness_um=0.08, texture=0.01, bits=8, oversample=2,
)  # fmt: skip
SECTIONS: dict[str, FilmSection] = {
    "sound": SOUND,
    "out-of-focus": replace(SOUND, blur_um=2.2),
    "saturated": replace(SOUND, levels=(0.45, 1.25, 0.35)),
    "too-thin": replace(SOUND, thickness_um=(0.9,), direction_deg=3.0),
    "delaminated": replace(
        SOUND, delamination=Delamination(start=-0.25, end=0.35, gap_um=6.0, level=0.02)
    ),
    "dust-and-scratches": replace(SOUND, dust=9, scratches=2),
}
FOLDS: dict[str, FoldConditions] = {
    "crack": FoldConditions(
        size_px=(480, 360), band_px=90.0, texture=0.015, full_well_e=60_000.0,
        cracks=(CrackPlan(length_px=150.0, width_px=2.4, cnr=8.0, angle_to_fold_deg=5.0,
                          offset_px=12.0, jag_deg=18.0),),
    ),
    "scratches": FoldConditions(
        size_px=(480, 360), band_px=90.0, texture=0.015, full_well_e=60_000.0, lay_scratches=8,
        stray_scratches=0, scratch_depth=0.2, stain=0.0,
    ),
}  # fmt: skip


def calibration() -> Calibration:
    """Return the calibration of every picture."""
    light = Light(transfer="linear", numerical_aperture=0.45, wavelength_nm=550)
    return Calibration(
        schema=SCHEMA, id="gallery", um_per_px=SCALE, u_um_per_px=(1e-4, 1e-4), light=light
    )


def film_picture(section: FilmSection) -> Micrograph:
    """Return a film section as a micrograph."""
    film = render_film(section, np.random.default_rng(SEED))
    record = ImageRecord(image="film.tif", section_tilt_deg=0.0, u_section_tilt_deg=1.0)
    return as_micrograph(
        film.pixels, um_per_px=SCALE, bits=8, calibration=calibration(), record=record
    )


def fold_picture(conditions: FoldConditions) -> Micrograph:
    """Return a fold view as a micrograph."""
    view = render_fold_view(np.random.default_rng(SEED), conditions)
    record = ImageRecord(image="fold.tif", fold=view.fold_px)
    return as_micrograph(
        view.pixels, um_per_px=SCALE, bits=8, calibration=calibration(), record=record
    )


def measured(name: str) -> tuple[Micrograph, Outcome, tuple[str, ...]]:
    """Return a picture, what was found in it, and the flags or the reason of the failure."""
    if name in SECTIONS:
        quantity = quantities()["film_thickness"]
        micrograph, settings = film_picture(SECTIONS[name]), quantity.settings()
    else:
        quantity = quantities()["crack_length"]
        micrograph, settings = fold_picture(FOLDS[name]), CrackSettings(band_um=32.0)
    try:
        outcome = quantity.measure(micrograph, settings, {})
    except MeasurementError as error:
        return micrograph, Outcome(caption="not measured"), (str(error),)
    found = [flag for m in outcome.measurements for flag in m.flags]
    return micrograph, outcome, tuple(dict.fromkeys(found))


def main() -> int:
    """Write every picture and say what it gave."""
    FOLDER.mkdir(exist_ok=True)
    for name in (*SECTIONS, *FOLDS):
        micrograph, outcome, words = measured(name)
        painted = Picture(micrograph).painted(outcome, name.replace("-", " "))
        (FOLDER / f"{name}.jpg").write_bytes(painted)
        caption = outcome.caption.replace("\n", "; ")
        print(f"{name}: {caption}; {' '.join(words) or 'no flag'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
