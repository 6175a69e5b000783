"""Checking a study's images by their headers: what would fail in a run, found beforehand."""

import difflib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from micromeasure.errors import ImageReadError
from micromeasure.fields import nearest
from micromeasure.micrograph.header import MAX_PIXELS, SUFFIXES, read_header
from micromeasure.micrograph.image import Header, Rectangle
from micromeasure.micrograph.reading import matching_scale
from micromeasure.study.manifest import OPTIONAL_COLUMNS
from micromeasure.study.model import Job, Study


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """What a check found.

    Attributes
    ----------
    image_problems : tuple of str
        Images that cannot be measured; a run would list them as failures.
    notes : tuple of str
        What will be measured, but deserves a look.
    """

    image_problems: tuple[str, ...]
    notes: tuple[str, ...]


def check_images(study: Study, *, max_pixels: int = MAX_PIXELS) -> Findings:
    """Read the header of every image of a study and say what is wrong.

    Parameters
    ----------
    study : Study
    max_pixels : int
        Greatest number of pixels allowed in an image.
    """
    check = _Check(study, max_pixels)
    problems = [problem for job in study.jobs for problem in check.job(job)]
    # A row may also stand for a companion frame, to give its exposure time.
    companions = {path for job in study.jobs for path in job.frame_records}
    idle = len(companions - {job.path for job in study.jobs})
    unused = len(study.records) - len(study.jobs) - idle
    if unused:
        check.notes.append(
            f"{unused} of {len(study.records)} images have a view that nothing measures."
        )
    return Findings(image_problems=tuple(dict.fromkeys(problems)), notes=tuple(check.notes))


class _Check:
    """One pass over a study; remembers companion frames and the files that are there."""

    def __init__(self, study: Study, max_pixels: int) -> None:
        self.study = study
        self.max_pixels = max_pixels
        self.present = _files_below(study.images)
        self.frames: dict[Path, Header | None] = {}
        self.notes = list(_column_notes(study))

    def job(self, job: Job) -> Iterator[str]:
        """Yield the problems of one image and the frames that belong to it."""
        if job.path.is_dir():
            return  # a focus stack: its slices are checked when they are read
        image = job.record.image
        if not job.path.is_file():
            yield _missing(image, self.present)
            return
        try:
            header = read_header(job.path, max_pixels=self.max_pixels)
            _, flags = matching_scale(job.calibration, header, job.record)
        except ImageReadError as error:
            yield str(error)
            return
        self.notes.extend(f"{image}: will be flagged '{flag}'." for flag in flags)
        yield from _outside(job.record.region, header, f"{image}, region")
        yield from _outside(job.record.fold, header, f"{image}, fold")
        for m in job.measures:
            yield from _outside(
                m.settings.region, header, f"{image}, [[measure]] {m.number} region"
            )
        for (number, field), paths in job.frames.items():
            for path in paths:
                yield from self.frame(path, f"[[measure]] {number}, {field}")
                yield from _unlike(self.frames[path], path, header, image)

    def frame(self, path: Path, where: str) -> Iterator[str]:
        """Yield the problem of a companion frame, once."""
        if path in self.frames:
            return
        self.frames[path] = None
        where = f"{self.study.path.name}, {where}"
        if not path.is_file():
            name = path.relative_to(self.study.images).as_posix()
            yield f"{where}: {_missing(name, self.present)}"
            return
        try:
            self.frames[path] = read_header(path, max_pixels=self.max_pixels)
        except ImageReadError as error:
            yield f"{where}: {error}"


def _files_below(folder: Path) -> list[str]:
    if not folder.is_dir():
        return []
    files = (p for p in folder.rglob("*") if p.suffix.lower() in SUFFIXES)
    return [p.relative_to(folder).as_posix() for p in files]


def _unlike(frame: Header | None, path: Path, header: Header, image: str) -> Iterator[str]:
    if frame and (frame.width_px, frame.height_px) != (header.width_px, header.height_px):
        yield (
            f"{image}: is {header.width_px} x {header.height_px} px, but {path.name} is "
            f"{frame.width_px} x {frame.height_px} px; take both in one camera mode."
        )


def _missing(name: str, present: list[str]) -> str:
    close = difflib.get_close_matches(name, present, n=1, cutoff=0.6)
    hint = f"did you mean '{close[0]}'?" if close else "copy it there or correct the manifest."
    return f"{name}: is not in the images folder; {hint}"


def _outside(box: Rectangle | None, header: Header, where: str) -> Iterator[str]:
    if box is None:
        return
    if max(box[0], box[2]) > header.width_px - 0.5 or max(box[1], box[3]) > header.height_px - 0.5:
        yield (
            f"{where}: {' '.join(f'{v:g}' for v in box)} reaches outside the image of "
            f"{header.width_px} x {header.height_px} px; correct it."
        )


def _column_notes(study: Study) -> Iterator[str]:
    for column in study.extra_columns:
        if difflib.get_close_matches(column, OPTIONAL_COLUMNS, n=1, cutoff=0.8):
            yield (
                f"manifest, column '{column}': is carried through as it is; "
                f"{nearest(column, OPTIONAL_COLUMNS)}"
            )
