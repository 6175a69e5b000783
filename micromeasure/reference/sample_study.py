"""The sample study: a pressure switch of an irrigation controller, lots K and M, all invented.

    python -m micromeasure.reference.sample_study SAMPLE_IMAGES CALIBRATIONS

writes ``SAMPLE_IMAGES/pressure-switch`` and ``SAMPLE_IMAGES/calibration`` and the calibration
files that they use. The seeds are fixed: the images are the same each time.
"""

import csv
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.reference import film, fold_samples, micrometer, side_view, transmission
from micromeasure.reference.focus_stack import CapScene, focus_slices

SEED = 20260211
_COLUMNS = (
    "image", "specimen", "revision", "view", "position", "state", "calibration", "taken",
    "section_tilt_deg", "u_section_tilt_deg", "fold", "backing", "z_step_um",
)  # fmt: skip

STUDY = """\
schema = 1
title = "Pressure switch of an irrigation controller, lots K and M"
calibrations = "../../calibrations"
images = "images"
manifest = "images.csv"
calibration = "bench-a-20x"
reference = "K"
evidence = ["other-instruments.csv"]

[[measure]]
quantity = "film_thickness"
view = "film-section"
layers = ["diaphragm"]

[[measure]]
quantity = "optical_density"
view = "film-transmitted"
open_light = "open_light.tif"
opaque = "opaque.tif"

[[measure]]
quantity = "relative_opacity"
view = "film-pair"
open_light = "open_light.tif"
opaque = "opaque.tif"
regions = { "K" = %(K)s, "M" = %(M)s, open = %(open)s }
reference = "K"

[[measure]]
quantity = "reflectance"
view = "film-reflected"
open_light = "white_tile.tif"
dark = "dark.tif"

[[measure]]
quantity = "dome_height"
view = "dome-side"

[[measure]]
quantity = "fold_angle"
view = "dome-side"

[[measure]]
quantity = "outline_deviation"
view = "dome-side"

[[measure]]
quantity = "dome_height"
view = "dome-stack"

[[measure]]
quantity = "crack_length"
view = "fold-top"
band_um = 110
min_length_um = 15

[[compare]]
quantity = "film_thickness"
tolerance_um = 1.0

[[compare]]
quantity = "optical_density"
tolerance_1 = 0.02

[[compare]]
quantity = "attenuation"

[[compare]]
quantity = "dome_height"
tolerance_um = 15

[[compare]]
quantity = "dome_travel"
tolerance_um = 15

[[compare]]
quantity = "crack_length"

[[compare]]
quantity = "hardness"
tolerance_percent = 3
"""

EVIDENCE = """\
specimen,revision,quantity,value,unit,standard_uncertainty,method
K1,K,hardness,71.2,Shore D,0.6,durometer D
K2,K,hardness,72.0,Shore D,0.6,durometer D
K3,K,hardness,71.5,Shore D,0.6,durometer D
M1,M,hardness,72.1,Shore D,0.6,durometer D
M2,M,hardness,71.4,Shore D,0.6,durometer D
M3,M,hardness,71.9,Shore D,0.6,durometer D
K1,K,polymer,PET,,,infrared spectrum
M1,M,polymer,PET,,,infrared spectrum
"""

NOTES = """\
<!-- Text blocks of the report; edit them, they are kept over re-runs. -->

## Background

Lot M of the pressure switch feels softer to press than lot K. All parts, names and images of
this study are invented.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Picture:
    """One file of the study and, unless it is a companion frame, its row of the manifest."""

    name: str
    pixels: NDArray[Any]
    row: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Bench:
    """One calibration file of the sample study."""

    id: str
    objective: str
    size_px: tuple[int, int]
    um_per_px: tuple[float, float]
    numerical_aperture: float


BENCHES = (
    _Bench(id="bench-a-20x", objective="20x/0.45", size_px=(1024, 768),
           um_per_px=film.SAMPLE_UM_PER_PX, numerical_aperture=0.45),
    _Bench(id="bench-a-10x", objective="10x/0.30", size_px=fold_samples.SIZE_PX,
           um_per_px=fold_samples.UM_PER_PX, numerical_aperture=0.30),
    _Bench(id="bench-b-4x", objective="4x/0.10", size_px=(540, 400),
           um_per_px=(3.452, 3.449), numerical_aperture=0.10),
    _Bench(id="bench-c-2x", objective="2x/0.06 telecentric", size_px=(1200, 700),
           um_per_px=side_view.SAMPLE_SCENE.um_per_px, numerical_aperture=0.06),
    _Bench(id="bench-c-stack", objective="5x/0.15", size_px=(320, 240),
           um_per_px=(5.0, 5.1), numerical_aperture=0.15),
)  # fmt: skip


def write_sample_study(folder: Path, calibrations: Path) -> None:
    """Write the sample study and the calibrations it uses.

    Parameters
    ----------
    folder : pathlib.Path
        Becomes the study folder; existing files of the same names are replaced.
    calibrations : pathlib.Path
        Folder of the calibration files.
    """
    import tifffile

    images = folder / "images"
    images.mkdir(parents=True, exist_ok=True)
    calibrations.mkdir(parents=True, exist_ok=True)
    rows = []
    for picture in _pictures():
        tifffile.imwrite(
            images / picture.name,
            picture.pixels,
            compression="zlib",
            predictor=True,
            photometric="minisblack",  # or a stack of three slices would pass for colour
        )
        if picture.row:
            rows.append({"image": picture.name, "taken": "2026-03-03", **picture.row})
    with (folder / "images.csv").open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, fieldnames=_COLUMNS, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    regions = {name: list(box) for name, box in transmission.SAMPLE_PAIR_REGIONS.items()}
    (folder / "study.toml").write_text(STUDY % regions, encoding="utf-8")
    (folder / "notes.md").write_text(NOTES, encoding="utf-8")
    (folder / "other-instruments.csv").write_text(EVIDENCE, encoding="utf-8")
    for bench in BENCHES:
        (calibrations / f"{bench.id}.toml").write_text(_calibration(bench), encoding="utf-8")


def _calibration(bench: _Bench) -> str:
    import tomli_w

    x, y = bench.um_per_px
    return tomli_w.dumps(
        {
            "schema": 1,
            "id": bench.id,
            "objective": bench.objective,
            "image_size_px": list(bench.size_px),
            "um_per_px": {"x": x, "y": y},
            "u_um_per_px": {"x": round(2.6e-4 * x, 7), "y": round(2.6e-4 * y, 7)},
            "made": np.datetime64("2026-02-11").astype(object),
            "valid_until": np.datetime64("2027-02-11").astype(object),
            "reference": {
                "artefact": "stage micrometer 1 mm / 100, invented for this example",
                "pitch_um": 10.0,
                "u_pitch_um": 0.0025,
            },
            "light": {
                "transfer": "linear",
                "numerical_aperture": bench.numerical_aperture,
                "wavelength_nm": 550,
            },
        }
    )


def _pictures() -> Iterator[_Picture]:
    yield from _sections()
    yield from _lights()
    yield from _domes()
    yield _stack()
    yield from _folds()


def _sections() -> Iterator[_Picture]:
    for section in film.sample_images(SEED):
        row = {
            "specimen": section.specimen,
            "revision": section.revision,
            "view": film.SAMPLE_VIEW,
            "position": section.position,
            "calibration": "bench-a-20x",
            "section_tilt_deg": f"{section.section_tilt_deg:g}",
            "u_section_tilt_deg": f"{section.u_section_tilt_deg:g}",
        }
        yield _Picture(name=section.name, pixels=section.pixels, row=row)


def _lights() -> Iterator[_Picture]:
    for light in transmission.sample_images(SEED):
        row = {
            "specimen": light.specimen,
            "revision": light.revision,
            "view": light.view,
            "calibration": "bench-b-4x",
            "backing": light.backing,
        }
        yield _Picture(name=light.name, pixels=light.pixels, row=row if light.view else {})


def _domes() -> Iterator[_Picture]:
    views = side_view.sample_domes(np.random.default_rng(SEED))
    for (revision, number, state), pixels in views.items():
        row = {
            "specimen": f"{revision}{number}",
            "revision": revision,
            "view": "dome-side",
            "state": state,
            "calibration": "bench-c-2x",
        }
        yield _Picture(name=f"dome_{revision}{number}_{state}.tif", pixels=pixels, row=row)


def _stack() -> _Picture:
    scene = CapScene()
    slices = np.stack(list(focus_slices(scene, np.random.default_rng(SEED))))
    row = {
        "specimen": "K1",
        "revision": "K",
        "view": "dome-stack",
        "state": "free",
        "calibration": "bench-c-stack",
        "z_step_um": f"{scene.z_step_um:g}",
    }
    return _Picture(name="dome_K1_stack.tif", pixels=slices, row=row)


def _folds() -> Iterator[_Picture]:
    for sample in fold_samples.sample_images(SEED):
        row = {
            "specimen": sample.specimen,
            "revision": sample.revision,
            "view": "fold-top",
            "position": f"{sample.position} foot",
            "calibration": "bench-a-10x",
            "fold": " ".join(f"{v:.1f}" for v in sample.view.fold_px),
        }
        name = f"fold_{sample.specimen}_{sample.position}.tif"
        yield _Picture(name=name, pixels=sample.view.pixels, row=row)


def main() -> int:
    """Write everything to the two folders named on the command line."""
    samples, calibrations = (Path(name) for name in sys.argv[1:3])
    write_sample_study(samples / "pressure-switch", calibrations)
    micrometer.sample_images(samples / "calibration", seed=SEED)
    return 0


if __name__ == "__main__":
    sys.exit(main())
