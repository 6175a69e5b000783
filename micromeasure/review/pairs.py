"""Pairs of images of two revisions, for looking at them side by side."""

from collections.abc import Sequence

from micromeasure.study.model import Job, Study

Pair = tuple[Job, Job]


def revision_pairs(study: Study) -> list[Pair]:
    """Return pairs of images of one view: one of the reference revision, one of another.

    Images are paired in the order of the manifest, those of the same position and state first.

    Parameters
    ----------
    study : Study

    Returns
    -------
    list of (Job, Job)
        Empty where there is only one revision.
    """
    revisions = list(dict.fromkeys(job.record.revision for job in study.jobs))
    reference = study.reference or (revisions[0] if revisions else "")
    pairs: list[Pair] = []
    for view in dict.fromkeys(job.record.view for job in study.jobs):
        here = [job for job in study.jobs if job.record.view == view]
        left = [job for job in here if job.record.revision == reference]
        for other in revisions:
            if other != reference:
                right = [job for job in here if job.record.revision == other]
                pairs += _paired(left, right)
    return pairs


def counterparts(study: Study, job: Job) -> list[Job]:
    """Return the images that may lie beside one: same view, another revision."""
    return [
        other
        for other in study.jobs
        if other.record.view == job.record.view and other.record.revision != job.record.revision
    ]


def _paired(left: Sequence[Job], right: Sequence[Job]) -> list[Pair]:
    free = list(right)
    pairs: list[Pair] = []
    for job in left:
        if not free:
            break
        place = (job.record.position, job.record.state)
        same = (o for o in free if (o.record.position, o.record.state) == place)
        other = next(same, free[0])
        free.remove(other)
        pairs.append((job, other))
    return pairs
