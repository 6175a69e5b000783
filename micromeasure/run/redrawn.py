"""Regions and folds that a person drew anew take the place of the study's own."""

from collections.abc import Mapping
from dataclasses import replace

from micromeasure.errors import ResultsError
from micromeasure.fields import KINDS, specs
from micromeasure.review.merge import merge
from micromeasure.review.record import REDRAW, Entry, read_record, record_path
from micromeasure.run.ledger import Ledger
from micromeasure.study.model import Job, Measure, Study

_OF_RECORD = frozenset({"region", "fold"})


def with_redrawn(study: Study, ledger: Ledger) -> Study:
    """Return the study as persons have corrected it in the viewer.

    A correction holds for the very pixels it was made on: it is applied where the ledger knows
    the image by the digest that the record gives.

    Raises
    ------
    ResultsError
        If the record cannot be read, or holds a correction that no study could hold.
    """
    entries = read_record(record_path(study.path)).entries
    if not any(entry.action == REDRAW for entry in entries):
        return study
    redrawn = merge(entries, found=(), images=image_digests(study, ledger)).redrawn
    by_image: dict[str, dict[str, Entry]] = {}
    for (image, quantity), entry in redrawn.items():
        by_image.setdefault(image, {})[quantity] = entry
    jobs = (_corrected(job, by_image.get(job.record.image, {})) for job in study.jobs)
    return replace(study, jobs=tuple(jobs))


def image_digests(study: Study, ledger: Ledger) -> dict[str, str]:
    """Return the digest of every image as it was measured last, empty where it was not."""
    digests = {}
    for job in study.jobs:
        lines = ledger.lines(job.record.image).values()
        digests[job.record.image] = next((x.image_sha256 for x in lines if x.image_sha256), "")
    return digests


def _corrected(job: Job, corrections: Mapping[str, Entry]) -> Job:
    for quantity, entry in corrections.items():
        name = str(entry.after.get("field", ""))
        job = _pushed_down(job, name)
        measures = tuple(
            _with_setting(m, name, entry) if m.quantity == quantity else m for m in job.measures
        )
        job = replace(job, measures=measures)
    return job


def _pushed_down(job: Job, name: str) -> Job:
    """Return the job with a field of its manifest row as a setting of each measure.

    The manifest goes before settings and holds for every measure of an image, a correction for
    one of them only.
    """
    given = getattr(job.record, name) if name in _OF_RECORD else None
    if given is None:
        return job
    measures = tuple(
        replace(m, settings=replace(m.settings, **{name: given}))
        if name in specs(type(m.settings))
        else m
        for m in job.measures
    )
    record = replace(job.record, **{name: None})  # type: ignore[arg-type]  # region or fold
    return replace(job, measures=measures, record=record)


def _with_setting(measure: Measure, name: str, entry: Entry) -> Measure:
    spec = specs(type(measure.settings)).get(name)
    if spec is None:
        raise _unusable(entry, f"'{name}' is no setting of {measure.quantity}")
    try:
        value = KINDS[spec.kind](entry.after.get("value"), spec)
    except ValueError as error:
        raise _unusable(entry, f"{name} must be {error}") from error
    return replace(measure, settings=replace(measure.settings, **{name: value}))


def _unusable(entry: Entry, why: str) -> ResultsError:
    return ResultsError(
        f"record of decisions, entry {entry.entry} on {entry.image}: found "
        f"{dict(entry.after)!r}; {why}. Take the entry back in the viewer."
    )
