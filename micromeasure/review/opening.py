"""Opening a study for review: its results, its images and its record, checked before a window."""

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from micromeasure.review.candidates import Candidate, read_candidates
from micromeasure.review.record import check_writable, read_record, record_path
from micromeasure.review.remeasure import crack_measure
from micromeasure.study.load import load_study
from micromeasure.study.model import Job, Study
from micromeasure.tables.columns import MEASUREMENTS_TABLE
from micromeasure.tables.reading import read_rows


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """A study with results, ready for review.

    Attributes
    ----------
    study : Study
    folder : pathlib.Path
        The results folder.
    record : pathlib.Path
        The record of decisions.
    candidates : tuple of Candidate
        Blank ones stand for images in which nothing was found.
    images : mapping of str to str
        Digest of every measured image, in the order of the manifest.
    """

    study: Study
    folder: Path
    record: Path
    candidates: tuple[Candidate, ...]
    images: Mapping[str, str]

    def jobs(self) -> dict[str, Job]:
        """Return what the study says about each image, by name."""
        return {job.record.image: job for job in self.study.jobs}


def open_review(study_path: Path, out: Path | None = None) -> Opened:
    """Open a study for review.

    Parameters
    ----------
    study_path : pathlib.Path
        Study file or its folder.
    out : pathlib.Path or None
        The results folder; ``results`` beside the study where None.

    Raises
    ------
    StudyError
        If the study cannot be used.
    ResultsError
        If there are no results yet, or the record of decisions cannot be read or written.
    """
    study = load_study(study_path)
    folder = out or study.path.parent / "results"
    found = read_candidates(folder)
    record = record_path(study.path)
    read_record(record)
    check_writable(record)
    images = _measured_images(folder, study)
    return Opened(
        study=study,
        folder=folder,
        record=record,
        candidates=(*found, *_blanks(study, found, images)),
        images=images,
    )


def _measured_images(folder: Path, study: Study) -> dict[str, str]:
    digests = {
        row["image"]: row["image_sha256"] for row in read_rows(folder / MEASUREMENTS_TABLE.file)
    }
    order = {job.record.image: digests.get(job.record.image, "") for job in study.jobs}
    return {image: digest for image, digest in order.items() if digest}


def _blanks(
    study: Study, found: tuple[Candidate, ...], images: Mapping[str, str]
) -> list[Candidate]:
    """Return images searched for cracks in which there are none to show."""
    with_some = {candidate.image for candidate in found}
    return [
        _blank(job, images[job.record.image])
        for job in study.jobs
        if job.record.image in images
        and job.record.image not in with_some
        and crack_measure(job) is not None
    ]


def _blank(job: Job, digest: str) -> Candidate:
    record = job.record
    texts = {name: getattr(record, name) for name in ("specimen", "revision", "position", "view")}
    bare = Candidate(indication="", image=record.image, image_sha256=digest, centreline_px="")
    calibration = "" if job.calibration is None else job.calibration.id
    return dataclasses.replace(bare, calibration=calibration, **texts)
