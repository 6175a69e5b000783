"""A small finished study: images, overlays and results as a run leaves them."""

import csv

import cv2
import numpy as np
import pytest
import tifffile

from micromeasure.estimate import Component, Estimate
from micromeasure.micrograph.image import ImageRecord
from micromeasure.outcome import Measurement, Outcome
from micromeasure.tables.columns import (
    FAILURES_TABLE,
    INDICATIONS_TABLE,
    MEASUREMENTS_TABLE,
    UNCERTAINTY_TABLE,
)
from micromeasure.tables.rows import Finished, failure_row, measurement_rows, uncertainty_rows
from micromeasure.tables.writing import CsvFile

STUDY = """\
schema = 1
title = "Lots K <and> M"
calibrations = "calibrations"
images = "images"
manifest = "images.csv"
reference = "K"
evidence = ["other.csv"]

[[measure]]
quantity = "film_thickness"
view = "film-section"
layers = ["diaphragm"]

[[measure]]
quantity = "crack_length"
view = "fold-top"

[[compare]]
quantity = "film_thickness"
tolerance_um = 1.0
"""

CALIBRATION = """\
schema = 1
id = "bench"
objective = "20x/0.45"
um_per_px = { x = 0.5, y = 0.4 }
u_um_per_px = { x = 0.001, y = 0.001 }
made = 2026-02-11
valid_until = 2027-02-11
"""

EVIDENCE = """\
specimen,revision,quantity,value,unit,standard_uncertainty
K1,K,hardness,71,Shore D,0.5
K2,K,hardness,72,Shore D,0.5
M1,M,hardness,75,Shore D,0.5
M2,M,hardness,76,Shore D,0.5
"""

SHAPE = (60, 90)


def _film(value):
    scale = Component(name="scale", u=0.002 * value, shared="scale:bench")
    return Measurement(
        feature="diaphragm", statistic="mean", n=90,
        estimate=Estimate(
            value=value, unit="um", components=(Component(name="edge", u=0.05), scale)
        ),
    )  # fmt: skip


def _count(kind, value):
    return Measurement(
        feature="fold", statistic="value", quantity=f"{kind}_count",
        estimate=Estimate(value=float(value), unit="1"),
    )  # fmt: skip


def _write(folder, images):
    outcomes = {name: Outcome(measurements=measurements) for name, _, measurements in images}
    with (
        CsvFile(folder / MEASUREMENTS_TABLE.file, MEASUREMENTS_TABLE.header) as values,
        CsvFile(folder / UNCERTAINTY_TABLE.file, UNCERTAINTY_TABLE.header) as budgets,
    ):
        for name, record, _ in images:
            quantity = "film_thickness" if record.view == "film-section" else "crack_length"
            finished = Finished(
                record=record, quantity=quantity, outcome=outcomes[name], method="method 1",
                software="micromeasure 0", calibration="bench", image_sha256="00",
            )  # fmt: skip
            for row in measurement_rows(finished, []):
                values.add(row)
            for row in uncertainty_rows(finished):
                budgets.add(row)


@pytest.fixture
def finished_study(tmp_path):
    """Return the folder of a study that was run."""
    images, results = tmp_path / "images", tmp_path / "results"
    (results / "overlays").mkdir(parents=True)
    images.mkdir()
    (tmp_path / "calibrations").mkdir()
    (tmp_path / "calibrations" / "bench.toml").write_text(CALIBRATION)
    (tmp_path / "study.toml").write_text(STUDY)
    (tmp_path / "other.csv").write_text(EVIDENCE)
    rows = []
    for revision, start in (("K", 24.0), ("M", 26.5)):
        for i in (1, 2, 3):
            common = {"specimen": f"{revision}{i}", "revision": revision, "calibration": "bench"}
            for view, measurements in (
                ("film-section", (_film(start + 0.1 * i),)),
                ("fold-top", (_count("candidate", i), _count("confirmed", i - 1))),
            ):
                name = f"{view}_{revision}{i}.tif"
                record = ImageRecord(image=name, view=view, **common)
                rows.append((name, record, measurements))
                tifffile.imwrite(images / name, np.full(SHAPE, 90, np.uint8))
                quantity = "film_thickness" if view == "film-section" else "crack_length"
                # Overlays enlarge small images and carry a strip below them.
                picture = np.full((SHAPE[0] * 8 + 50, SHAPE[1] * 8, 3), 200, np.uint8)
                cv2.imwrite(str(results / "overlays" / f"{name}.{quantity}.jpg"), picture)
    with (tmp_path / "images.csv").open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["image", "specimen", "revision", "view", "calibration"])
        writer.writerows([n, r.specimen, r.revision, r.view, r.calibration] for n, r, _ in rows)
    _write(results, rows)
    with CsvFile(results / FAILURES_TABLE.file, FAILURES_TABLE.header) as file:
        record = ImageRecord(image="film-section_K1.tif", view="film-section")
        file.add(failure_row(record, "film_thickness", "The film <left> the field."))
    with CsvFile(results / INDICATIONS_TABLE.file, INDICATIONS_TABLE.header) as file:
        for number, decision in enumerate(("confirmed", "candidate", "rejected")):
            file.add(_indication(number, decision))
    return tmp_path


def _indication(number, decision):
    cells = dict.fromkeys(INDICATIONS_TABLE.header, "")
    cells |= {
        "indication": f"i{number}", "image": "fold-top_M3.tif", "specimen": "M3", "revision": "M",
        "view": "fold-top", "fold": "fold", "length_um": "41.27", "u_length_um": "0.6",
        "width_um": "2.04", "decision": decision, "decided_by": "" if number == 1 else "ab",
        "decided_at": "2026-03-02T10:00:00Z", "remark": "through the coating",
        "centreline_px": "LINESTRING (10 20, 40.5 30)",
    }  # fmt: skip
    return list(cells.values())
