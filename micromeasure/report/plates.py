"""Plates: one view, the revisions side by side at one scale, what was measured drawn on."""

import base64
import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from micromeasure.compare.questions import MAIN_STATISTICS
from micromeasure.compare.wording import capitalised, plain_name, signed, value_text, with_unit
from micromeasure.errors import MicromeasureError
from micromeasure.micrograph.header import read_header
from micromeasure.report.svg import element, picture, words
from micromeasure.review.lines import from_wkt
from micromeasure.run.overlay import shown_size
from micromeasure.study.model import Job, Study
from micromeasure.tables.names import overlay_name, slot_names
from micromeasure.tables.reading import Result

_WIDEST_PX = 1100
_QUALITY = 82
_WIDTH = 1000.0  # of the figure, in its own units
_CANDIDATES = "candidate_count"


@dataclass(frozen=True, slots=True, kw_only=True)
class Plate:
    """One picture of a plate row.

    Attributes
    ----------
    heading : str
        Revision, or the image's name where there is none.
    svg : str
    lines : tuple of str
        Caption.
    """

    heading: str
    svg: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlateRow:
    """The revisions side by side in one view.

    Attributes
    ----------
    title : str
    width_um : float
        Width of every picture of the row, um.
    plates : tuple of Plate
    """

    title: str
    width_um: float
    plates: tuple[Plate, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shot:
    """An image chosen for a plate."""

    job: Job
    quantity: str
    results: tuple[Result, ...]
    pixels: NDArray[np.uint8]
    size_um: tuple[float, float]
    um_per_px: tuple[float, float]


def plate_rows(
    study: Study,
    folder: Path,
    results: Sequence[Result],
    indications: Sequence[Mapping[str, str]],
) -> tuple[PlateRow, ...]:
    """Choose and set the plates of a report.

    Parameters
    ----------
    study : Study
    folder : pathlib.Path
        The results folder, with the overlays.
    results : sequence of Result
    indications : sequence of mapping
        Rows of `indications.csv`.

    Notes
    -----
    Each revision is shown by an image of its median specimen; in views of folds by the image with
    the most indications, since there the worst case is of interest. Images whose overlay is
    missing are left out.
    """
    jobs = {job.record.image: job for job in study.jobs}
    by_image: dict[str, list[Result]] = defaultdict(list)
    for result in results:
        if result.image in jobs:
            by_image[result.image].append(result)
    rows = []
    for (view, state), here in _scenes(study).items():
        shots = [
            shot
            for images in _by_revision(here).values()
            if (image := _representative(images, by_image)) is not None
            if (shot := _shot(folder, jobs[image], tuple(by_image[image]))) is not None
        ]
        if shots:
            title = capitalised(plain_name(view or "all images")) + (f", {state}" if state else "")
            rows.append(_row(title, shots, indications))
    return tuple(rows)


def _scenes(study: Study) -> dict[tuple[str, str], list[Job]]:
    found: dict[tuple[str, str], list[Job]] = defaultdict(list)
    for job in study.jobs:
        found[job.record.view, job.record.state].append(job)
    return found


def _by_revision(jobs: Sequence[Job]) -> dict[str, list[Job]]:
    found: dict[str, list[Job]] = defaultdict(list)
    for job in jobs:
        found[job.record.revision].append(job)
    return found


def _representative(jobs: Sequence[Job], results: Mapping[str, list[Result]]) -> str | None:
    """Return the image to show of one revision in one view."""
    values = {}
    for job in jobs:
        main = _main_result(results[job.record.image])
        if main is not None and main.estimate.value is not None:
            values[job.record.image] = main.estimate.value
    if not values:
        return next((j.record.image for j in jobs if results[j.record.image]), None)
    ordered = sorted(values, key=lambda image: (values[image], image))
    if any(r.quantity == _CANDIDATES for r in results[ordered[0]]):
        return ordered[-1]
    return ordered[(len(ordered) - 1) // 2]


def _main_result(results: Sequence[Result]) -> Result | None:
    counts = [r for r in results if r.quantity == _CANDIDATES]
    if counts:
        return max(counts, key=lambda r: r.estimate.value or 0.0)
    mains = [r for r in results if r.statistic in MAIN_STATISTICS]
    return next(iter(mains), next(iter(results), None))


def _shot(folder: Path, job: Job, results: tuple[Result, ...]) -> _Shot | None:
    """Read the overlay of an image without its strip, at its size in micrometres."""
    quantities = [m.quantity for m in job.measures]
    path = folder / overlay_name(job.record.image, slot_names(quantities)[0])
    source = job.path
    if source.is_dir():
        source = next(iter(sorted(p for p in source.iterdir() if p.is_file())), source)
    try:
        data = np.frombuffer(path.read_bytes(), dtype=np.uint8)
        header = read_header(source)
    except (OSError, MicromeasureError):
        return None
    whole = cv2.imdecode(data, cv2.IMREAD_COLOR)
    um_per_px = job.calibration.um_per_px if job.calibration else header.um_per_px
    if whole is None or um_per_px is None:
        return None
    cols, rows = shown_size(header.width_px, header.height_px)
    return _Shot(
        job=job,
        quantity=quantities[0],
        results=results,
        pixels=np.asarray(whole[:rows, :cols], dtype=np.uint8),
        size_um=(header.width_px * um_per_px[0], header.height_px * um_per_px[1]),
        um_per_px=um_per_px,
    )


def _row(title: str, shots: Sequence[_Shot], indications: Sequence[Mapping[str, str]]) -> PlateRow:
    widest = max(shot.size_um[0] for shot in shots)
    plates = []
    for shot in shots:
        record = shot.job.record
        here = [row for row in indications if row["image"] == record.image]
        lines = _caption(shot, here)
        label = f"{title}, revision {record.revision or '–'}: {'; '.join(lines)}"
        plates.append(
            Plate(
                heading=record.revision or record.image,
                svg=_figure(shot, widest, here, label),
                lines=lines,
            )
        )
    return PlateRow(title=title, width_um=widest, plates=tuple(plates))


def _caption(shot: _Shot, indications: Sequence[Mapping[str, str]]) -> tuple[str, ...]:
    record = shot.job.record
    place = f"specimen {record.specimen}" if record.specimen else record.image
    if record.position:
        place += f", position {record.position}"
    texts = [place]
    own = [r for r in shot.results if r.quantity == shot.quantity]
    for result in (own or [r for r in shot.results if not r.quantity.endswith("_count")])[:3]:
        if result.statistic not in MAIN_STATISTICS or result.quantity.startswith("candidate"):
            continue
        value = signed(value_text(result.estimate))
        feature = "" if result.feature in {"", "all"} else f" {result.feature}"
        number = f"({value})" if "±" in value and result.estimate.unit != "1" else value
        texts.append(
            f"{plain_name(result.quantity)}{feature}: {with_unit(number, result.estimate.unit)}"
        )
    if indications:
        counts = dict.fromkeys(("confirmed", "candidate", "rejected"), 0)
        for row in indications:
            counts[row["decision"]] = counts.get(row["decision"], 0) + 1
        texts.append(
            f"indications: {counts['confirmed']} confirmed, {counts['candidate']} not judged, "
            f"{counts['rejected']} rejected"
        )
    return tuple(texts)


def _figure(
    shot: _Shot, widest_um: float, indications: Sequence[Mapping[str, str]], label: str
) -> str:
    per_um = _WIDTH / widest_um
    width, height = (size * per_um for size in shot.size_um)
    left = (_WIDTH - width) / 2
    parts = [
        element(
            "image", href=_data_uri(shot.pixels), x=left, width=width, height=height,
            preserveAspectRatio="none",
        ),
        *_judged(shot, indications, left, per_um),
        *_scale_bar(shot, widest_um, left, height),
    ]  # fmt: skip
    return picture(parts, size=(_WIDTH, height), label=label)


def _data_uri(pixels: NDArray[np.uint8]) -> str:
    rows, cols = pixels.shape[:2]
    if max(rows, cols) > _WIDEST_PX:
        factor = _WIDEST_PX / max(rows, cols)
        size = (max(1, round(cols * factor)), max(1, round(rows * factor)))
        pixels = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    options: Any = [cv2.IMWRITE_JPEG_QUALITY, _QUALITY]
    data = cv2.imencode(".jpg", pixels, options)[1].tobytes()
    return "data:image/jpeg;base64," + base64.b64encode(data).decode()


def _judged(
    shot: _Shot, indications: Sequence[Mapping[str, str]], left: float, per_um: float
) -> list[str]:
    """Draw what persons decided over the program's candidates."""
    parts = []
    for row in indications:
        if row["decision"] not in {"confirmed", "rejected"}:
            continue
        try:
            points = from_wkt(row["centreline_px"])
        except ValueError:
            continue
        # The centre of the top-left pixel is the origin; the figure begins at its corner.
        xy = (points + 0.5) * np.array(shot.um_per_px) * per_um + np.array([left, 0.0])
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in xy)
        is_crack = row["decision"] == "confirmed"
        parts += [
            element("polyline", points=path, fill="none", stroke="#ffffff", stroke_width=7,
                    stroke_opacity=0.85 if is_crack else 0.5),
            element("polyline", points=path, fill="none", stroke_width=3,
                    stroke="#8f3a08" if is_crack else "#4a5460",
                    stroke_dasharray=None if is_crack else "3 7"),
        ]  # fmt: skip
    return parts


def _scale_bar(shot: _Shot, widest_um: float, left: float, height: float) -> list[str]:
    length_um = round_length(widest_um / 5)
    length = length_um * _WIDTH / widest_um
    text = f"{length_um:g} µm" + ("" if shot.job.calibration else ", not calibrated")
    size = 30.0
    box = (max(length, 0.56 * size * len(text)) + 28, size + 34)
    x, y = left + 14, height - box[1] - 14
    return [
        element("rect", x=x, y=y, width=box[0], height=box[1], fill="#ffffff", fill_opacity=0.86),
        element("rect", x=x + 14, y=y + box[1] - 20, width=length, height=8, fill="#1b2430"),
        words((x + 14, y + size + 2), text, font_size=size, fill="#1b2430"),
    ]


def round_length(target_um: float) -> float:
    """Return the greatest of 1, 2, 5, 10, ... um that is not above a length."""
    power = 10.0 ** math.floor(math.log10(target_um))
    return power * max(step for step in (1.0, 2.0, 5.0) if step * power <= target_um * (1 + 1e-9))
