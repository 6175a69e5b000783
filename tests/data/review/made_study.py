"""A small study with results, made by hand: what a review needs, and no measuring before it."""

import csv
import hashlib
from pathlib import Path

import cv2
import numpy as np
import tifffile

from micromeasure.tables.columns import INDICATIONS_TABLE, MEASUREMENTS_TABLE
from micromeasure.tables.rows import line_string

# Never square, never equal in x and y.
SIZE_PX = (420, 300)
UM_PER_PX = (0.5, 0.52)

STUDY = """schema = 1
title = "Pressure switch, lots K and M"
calibrations = "calibrations"
images = "images"
manifest = "images.csv"
calibration = "bench-a-10x"

[[measure]]
quantity = "crack_length"
view = "fold-top"
band_um = 60
"""

CALIBRATION = f"""schema = 1
id = "bench-a-10x"
objective = "10x/0.30"
um_per_px = {{ x = {UM_PER_PX[0]}, y = {UM_PER_PX[1]} }}
u_um_per_px = {{ x = 0.0004, y = 0.0004 }}
"""


def crack_lines(rng: np.random.Generator, count: int) -> list[np.ndarray]:
    """Return jagged lines, about along the fold, apart from each other."""
    height = SIZE_PX[1]
    lines = []
    for number in range(count):
        x = np.linspace(0, rng.uniform(50, 90), 7)
        y = np.cumsum(rng.normal(0, 2.2, 7))
        start = (40 + (number % 3) * 125, height * (0.36 + 0.1 * (number // 3)))
        lines.append(np.column_stack([x + start[0], y + start[1]]))
    return lines


def fold_image(rng: np.random.Generator, lines: list[np.ndarray]) -> np.ndarray:
    """Return an 8-bit view onto a fold with dark lines in it."""
    width, height = SIZE_PX
    rows = np.arange(height)[:, None]
    scene = 105 + 70 * np.exp(-(((rows - height * 0.46) / 70.0) ** 2)) + np.zeros((1, width))
    lay = cv2.GaussianBlur(rng.normal(0, 1, (height, width)), (0, 0), sigmaX=0.9, sigmaY=9)
    scene = scene * (1 + 0.12 * lay / lay.std() * 0.35)
    big = np.zeros((height * 4, width * 4), np.uint8)
    for line in lines:
        cv2.polylines(big, [np.int32(line * 4 + 2)], False, 255, 9, cv2.LINE_AA)
    cover = cv2.resize(big, (width, height), interpolation=cv2.INTER_AREA) / 255.0
    scene = cv2.GaussianBlur(scene * (1 - 0.5 * cover), (0, 0), 0.9)
    return np.clip(scene + rng.normal(0, 2.0, scene.shape), 0, 255).astype(np.uint8)


def make_study(folder: Path, *, images: int = 4, each: int = 3, pixels: bool = True) -> Path:
    """Write a study of lots K and M with candidate indications; return the study's folder."""
    rng = np.random.default_rng(20260301)
    for part in ("images/lot-k", "images/lot-m", "calibrations", "results"):
        (folder / part).mkdir(parents=True, exist_ok=True)
    (folder / "study.toml").write_text(STUDY, encoding="utf-8")
    (folder / "calibrations" / "bench-a-10x.toml").write_text(CALIBRATION, encoding="utf-8")
    manifest = ["image,specimen,revision,view,position,fold"]
    found: list[dict[str, str]] = []
    measured: list[dict[str, str]] = []
    for number in range(images):
        revision = "KM"[number % 2]
        name = f"lot-{revision.lower()}/fold-{number + 1:04d}.tif"
        specimen = f"{revision}{number // 2 + 1}"
        manifest.append(
            f"{name},{specimen},{revision},fold-top,foot {number % 3 + 1},0 138 419 138"
        )
        lines = crack_lines(rng, each)
        path = folder / "images" / name
        if pixels:
            tifffile.imwrite(path, fold_image(rng, lines), compression="deflate")
        digest = hashlib.sha256(path.read_bytes()).hexdigest() if pixels else f"{number:064x}"
        whose = {"image": name, "specimen": specimen, "revision": revision, "view": "fold-top",
                 "position": f"foot {number % 3 + 1}", "image_sha256": digest,
                 "calibration": "bench-a-10x"}  # fmt: skip
        found += [indication_cells(rng, whose, line, i) for i, line in enumerate(lines)]
        measured.append({**whose, "quantity": "candidate_length_max", "feature": "fold",
                         "statistic": "value", "value": "31.0", "unit": "um"})  # fmt: skip
    (folder / "images.csv").write_text("\n".join(manifest) + "\n", encoding="utf-8")
    write_table(folder / "results" / "indications.csv", INDICATIONS_TABLE.header, found)
    write_table(folder / "results" / "measurements.csv", MEASUREMENTS_TABLE.header, measured)
    return folder


def indication_cells(
    rng: np.random.Generator, whose: dict[str, str], line: np.ndarray, number: int
) -> dict[str, str]:
    length = float(np.hypot(*(np.diff(line, axis=0) * UM_PER_PX).T).sum())
    return {
        **whose, "indication": f"{whose['image_sha256'][-6:]}{number:03d}", "fold": "fold",
        "length_um": f"{length:.3f}", "u_length_um": f"{0.03 * length:.3f}", "width_um": "1.2",
        "angle_to_fold_deg": "4", "distance_to_fold_um": "12.5", "contrast": "0.41",
        "score": f"{rng.uniform(0.3, 1):.4f}", "decision": "candidate",
        "centreline_px": line_string(line),
    }  # fmt: skip


def write_table(path: Path, header: tuple[str, ...], rows: list[dict[str, str]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, header, restval="")
        writer.writeheader()
        writer.writerows(rows)
