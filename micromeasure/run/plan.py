"""What is left to do: the jobs whose results are missing or stale, as tasks."""

import os
from collections.abc import Callable, Iterator
from pathlib import Path

from micromeasure.quantities import quantities
from micromeasure.run.keys import Requests, measure_key
from micromeasure.run.ledger import Ledger
from micromeasure.run.options import Options
from micromeasure.run.patience import PatientFiles
from micromeasure.run.task import Known, Task
from micromeasure.study.model import Job, Measure
from micromeasure.tables.names import slot_names


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

    def tasks(self, jobs: tuple[Job, ...], on_kept: Callable[[], None]) -> Iterator[Task]:
        """Yield a task for each job with something left to do.

        Parameters
        ----------
        jobs : tuple of Job
        on_kept : callable
            Called for every job that is finished.
        """
        for job in jobs:
            task = self._task(job)
            if task is None:
                on_kept()
            else:
                yield task

    def _task(self, job: Job) -> Task | None:
        slots = job_slots(job)
        known = {
            slot: entry
            for slot, entry in self._ledger.known(job.record.image).items()
            if slot in slots and self._is_there(entry)
        }
        requests = self._requests.digests(job)
        if len(known) == len(slots) and self._holds(job, slots, requests, known):
            return None
        return Task(
            job=job,
            slots=slots,
            requests=requests,
            known={slot: entry.key for slot, entry in known.items()},
            out=self._out,
            max_pixels=self._max_pixels,
        )

    def _holds(
        self, job: Job, slots: tuple[str, ...], requests: tuple[str, ...], known: dict[str, Known]
    ) -> bool:
        """Return whether every key still holds, judging files by size and date alone."""
        sha256 = self._sha256(job.path)
        if not sha256:
            return False
        for slot, request, measure in zip(slots, requests, job.measures, strict=True):
            frames = self._frame_digests(job, measure)
            if frames is None or known[slot].key != measure_key(request, sha256, frames):
                return False
        return True

    def _sha256(self, path: Path) -> str:
        stamp = self._files.stamp(path)
        return "" if stamp is None else self._ledger.sha256(str(path), *stamp)

    def _frame_digests(self, job: Job, measure: Measure) -> dict[str, tuple[str, ...]] | None:
        digests: dict[str, tuple[str, ...]] = {}
        for field in quantities()[measure.quantity].frame_fields():
            paths = job.frames.get((measure.number, field), ())
            for path in paths:
                if path not in self._frames:
                    self._frames[path] = self._sha256(path)
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
