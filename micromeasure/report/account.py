"""What a report must own up to: calibrations, failures, values set aside, doubts, software."""

import datetime as dt
import json
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from micromeasure import __version__
from micromeasure.calibration.file import Calibration
from micromeasure.estimate import coverage_factor, rounded
from micromeasure.flags import REGISTRY
from micromeasure.review.cases import in_force
from micromeasure.review.record import SET_ASIDE, read_record, record_path
from micromeasure.study.model import Study
from micromeasure.tables.reading import Result

_RUN_FILE = "run.json"
_NAMED = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationLine:
    """One calibration; finished texts.

    Attributes
    ----------
    is_sound : bool
        False where it had run out when images were taken, or its uncertainty is unknown.
    """

    id: str
    objective: str
    scale: str
    artefact: str
    made: str
    status: str
    images: int
    is_sound: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FailureLine:
    """Images that failed for one reason."""

    quantity: str
    view: str
    reason: str
    count: int
    images: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SetAsideLine:
    """A value that a person set aside."""

    image: str
    what: str
    by: str
    at: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FlagLine:
    """A doubt, how many values carry it, and what to do about it."""

    name: str
    count: int
    short: str
    advice: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFacts:
    """What `run.json` tells; empty texts where it is missing."""

    software: str
    ended: str
    python: str
    libraries: str
    images: int
    study_sha256: str


def calibration_lines(study: Study, results: Sequence[Result]) -> tuple[CalibrationLine, ...]:
    """Return the calibrations that results rest on, those without one first."""
    images: dict[str, set[str]] = defaultdict(set)
    expired: dict[str, set[str]] = defaultdict(set)
    for r in results:
        if r.image and not r.brought_in:
            images[r.calibration].add(r.image)
            if "calibration-expired" in r.flags:
                expired[r.calibration].add(r.image)
    lines = []
    if images.get(""):
        lines.append(
            CalibrationLine(
                id="none", objective="", scale="from the image files, uncertainty unknown",
                artefact="", made="", status="not calibrated", images=len(images[""]),
                is_sound=False,
            )
        )  # fmt: skip
    lines += [
        _calibration_line(calibration, len(images[name]), len(expired[name]))
        for name, calibration in sorted(study.calibrations.items())
        if name in images
    ]
    return tuple(lines)


def _calibration_line(calibration: Calibration, images: int, expired: int) -> CalibrationLine:
    reference = calibration.reference
    artefact = ", ".join(t for t in (reference.artefact, reference.certificate) if t)
    if expired:
        status = f"{expired} images were taken outside its validity"
    elif calibration.valid_until is None:
        status = "no end of validity stated"
    else:
        status = f"valid until {calibration.valid_until}"
    if calibration.u_um_per_px is None:
        status += "; uncertainty of the scale unknown"
    return CalibrationLine(
        id=calibration.id,
        objective=calibration.objective,
        scale=_scale_text(calibration),
        artefact=artefact,
        made="" if calibration.made is None else str(calibration.made),
        status=status,
        images=images,
        is_sound=not expired and calibration.u_um_per_px is not None,
    )


def _scale_text(calibration: Calibration) -> str:
    k = coverage_factor(float("inf"))
    texts = []
    for i, axis in enumerate("xy"):
        u = calibration.u_um_per_px
        value, half = rounded(calibration.um_per_px[i], None if u is None else k * u[i])
        texts.append(f"{axis} {value}" + ("" if half == "–" else f" ± {half}"))
    return "; ".join(texts)


def failure_lines(failures: Sequence[Mapping[str, str]]) -> tuple[FailureLine, ...]:
    """Group failures by reason; of many images the first few are named."""
    found: dict[tuple[str, str, str], list[str]] = defaultdict(list)
    for row in failures:
        # Reasons often begin with the image's name, which would keep equal ones apart.
        reason = row["reason"].removeprefix(f"{row['image']}: ")
        found[row["quantity"], row["view"], reason].append(row["image"])
    return tuple(
        FailureLine(
            quantity=quantity,
            view=view,
            reason=reason,
            count=len(images),
            images=", ".join(images[:_NAMED])
            + (f" and {len(images) - _NAMED} more" if len(images) > _NAMED else ""),
        )
        for (quantity, view, reason), images in sorted(found.items())
    )


def set_aside_lines(study: Study) -> tuple[SetAsideLine, ...]:
    """Return the values that persons set aside, from the record of decisions."""
    entries = in_force(read_record(record_path(study.path)).entries)
    return tuple(
        SetAsideLine(
            image=e.image,
            what=" ".join(t for t in (e.quantity, e.feature, e.statistic) if t),
            by=e.by,
            at=e.at[:10],
            reason=e.remark or "no reason given",
        )
        for e in entries
        if e.action == SET_ASIDE
    )


def flag_lines(results: Sequence[Result]) -> tuple[FlagLine, ...]:
    """Return the doubts that values carry, the most frequent first."""
    counted = Counter(flag for r in results for flag in r.flags)
    lines = []
    for name, count in counted.most_common():
        known = REGISTRY.get(name)
        lines.append(
            FlagLine(
                name=name,
                count=count,
                short=known.short if known else "a word of the file it was brought in with",
                advice=known.advice if known else "",
            )
        )
    return tuple(lines)


def methods(results: Sequence[Result]) -> tuple[tuple[str, str], ...]:
    """Return each method with the quantities that it measured."""
    found: dict[str, dict[str, None]] = defaultdict(dict)
    for r in results:
        found[r.method or "not stated"][r.quantity.replace("_", " ")] = None
    return tuple((method, ", ".join(quantities)) for method, quantities in found.items())


def run_facts(folder: Path) -> RunFacts:
    """Return what the run's own file says about itself."""
    try:
        run: dict[str, Any] = json.loads((folder / _RUN_FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        run = {}
    environment = run.get("environment", {})
    libraries = environment.get("libraries", {})
    return RunFacts(
        software=str(run.get("software", "")),
        ended=str(run.get("times", {}).get("ended", ""))[:16].replace("T", " "),
        python=str(environment.get("python", "")),
        libraries=", ".join(f"{name} {version}" for name, version in libraries.items()),
        images=sum(v for v in run.get("images", {}).values() if isinstance(v, int)),
        study_sha256=str(run.get("study", {}).get("sha256", "")),
    )


def made_now() -> tuple[str, str]:
    """Return day and time of the report in UTC, and the software that makes it."""
    now = dt.datetime.now(dt.UTC)
    return now.strftime("%Y-%m-%d %H:%M UTC"), f"micromeasure {__version__}"
