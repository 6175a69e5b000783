"""What is left to do: the jobs whose results are missing or stale, as tasks."""

import itertools
import os
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from micromeasure.quantities import quantities
from micromeasure.run.keys import Requests, measure_key
from micromeasure.run.ledger import Ledger
from micromeasure.run.options import Options
from micromeasure.run.patience import PatientFiles
from micromeasure.run.task import Known, Task
from micromeasure.study.model import Job, Measure
from micromeasure.tables.names import slot_names

_AT_ONCE = 256


class Planner:
    """Compares jobs with the ledger.

    Parameters
    ----------
    ledger : Ledger
    out : pathlib.Path
        The results folder.
    options : Options
    """

    def __init__(self, ledger: Ledger, *, out: Path, options: Options) -> None:
        self._ledger = ledger
        self._out = out
        self._max_pixels = options.max_pixels
        self._files = PatientFiles(options.image_timeout_s)
        self._requests = Requests()
        # Companion frames belong to many images; each is looked up once a run.
        self._frames: dict[Path, str] = {}

    def tasks(
        self, jobs: tuple[Job, ...], on_kept: Callable[[Job, dict[str, Known]], None]
    ) -> Iterator[Task]:
        """Yield a task for each job with something left to do.

        Parameters
        ----------
        jobs : tuple of Job
        on_kept : callable
            Called for every job that is finished, with what is known of its measures by slot.
        """
        for job, stamp in self._stamped(jobs):
            slots = job_slots(job)
            found = self._ledger.known(job.record.image)
            known = {s: found[s] for s in slots if s in found and self._is_there(found[s])}
            requests = self._requests.digests(job)
            sha256 = self._sha256(job.path, stamp)
            if len(known) == len(slots) and self._holds(job, sha256, requests, known):
                on_kept(job, known)
            else:
                yield self._task(job, slots, requests, known)

    def _stamped(self, jobs: Iterable[Job]) -> Iterator[tuple[Job, tuple[int, int] | None]]:
        """Yield jobs with size and date of their images."""
        rest = iter(jobs)
        while some := list(itertools.islice(rest, _AT_ONCE)):
            yield from zip(some, self._files.stamps([job.path for job in some]), strict=True)

    def _task(
        self, job: Job, slots: tuple[str, ...], requests: tuple[str, ...], known: dict[str, Known]
    ) -> Task:
        return Task(
            job=job,
            slots=slots,
            requests=requests,
            known={slot: entry.key for slot, entry in known.items()},
            out=self._out,
            max_pixels=self._max_pixels,
        )

    def _holds(
        self, job: Job, sha256: str, requests: tuple[str, ...], known: dict[str, Known]
    ) -> bool:
        """Return whether every key still holds, judging files by size and date alone."""
        if not sha256:
            return False
        for entry, request, measure in zip(known.values(), requests, job.measures, strict=True):
            frames = self._frame_digests(job, measure)
            if frames is None or entry.key != measure_key(request, sha256, frames):
                return False
        return True

    def _sha256(self, path: Path, stamp: tuple[int, int] | None) -> str:
        return "" if stamp is None else self._ledger.sha256(str(path), *stamp)

    def _frame_digests(self, job: Job, measure: Measure) -> dict[str, tuple[str, ...]] | None:
        digests: dict[str, tuple[str, ...]] = {}
        for field in quantities()[measure.quantity].frame_fields():
            paths = job.frames.get((measure.number, field), ())
            for path in paths:
                if path not in self._frames:
                    (stamp,) = self._files.stamps([path])
                    self._frames[path] = self._sha256(path, stamp)
            found = tuple(self._frames[path] for path in paths)
            if not all(found):
                return None
            if found:
                digests[field] = found
        return digests

    def _is_there(self, entry: Known) -> bool:
        """Return whether every picture and trace still lies in the results folder."""
        try:
            return all(os.stat(self._out / name).st_size for name in entry.written)  # noqa: PTH116
        except OSError:
            return False


def job_slots(job: Job) -> tuple[str, ...]:
    """Return the slot of each measure of a job."""
    return slot_names([measure.quantity for measure in job.measures])
