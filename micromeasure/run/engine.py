"""A run from start to end: what is left to do, done by workers, kept in the ledger, written out."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from micromeasure.errors import MicromeasureError, ResultsError
from micromeasure.run.events import Ended, Kept, Measured, Note, Started, Watcher
from micromeasure.run.fingerprint import Fingerprint, Written, still_holds
from micromeasure.run.ledger import LEDGER_FILE, Ledger
from micromeasure.run.lock import locked
from micromeasure.run.options import Options
from micromeasure.run.plan import Planner
from micromeasure.run.pool import run_in_pool
from micromeasure.run.provenance import SOFTWARE, now_text, write_run_file
from micromeasure.run.redrawn import with_redrawn
from micromeasure.run.results import write_results
from micromeasure.run.task import ImageResult, Known, Task
from micromeasure.study.model import Job, Study
from micromeasure.tables.writing import PART_ENDING, unwritable

RESULTS_FOLDER = "results"
RUNNING, FINISHED, STOPPED = "running", "finished", "stopped"


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """What a run did.

    Attributes
    ----------
    images, kept, measured : int
        Of the study; found finished; measured now.
    written : Written
        The result files.
    """

    images: int
    kept: int
    measured: int
    written: Written


def default_out(study_file: Path) -> Path:
    """Return the results folder beside a study file."""
    return study_file.parent / RESULTS_FOLDER


def run_study(study: Study, *, out: Path, options: Options, watch: Watcher) -> Summary:
    """Measure every image of a study and write the result files.

    Parameters
    ----------
    study : Study
    out : pathlib.Path
        The results folder; made where needed.
    options : Options
    watch : callable
        Is told of every event.

    Returns
    -------
    Summary

    Raises
    ------
    ResultsError
        If the results folder cannot be used; the ledger keeps what was finished.
    """
    out = _made(out)
    with locked(out), Ledger(out, fresh=options.fresh) as ledger:
        started = _begun(study, ledger, out)
        watch(Started(len(study.jobs)))
        try:
            study = with_redrawn(study, ledger)
            counts, fingerprint = _carried_out(study, ledger, out, options=options, watch=watch)
            written = None
            if not counts["measured"]:
                written = still_holds(ledger.fact("written"), fingerprint, out)
            written = written or write_results(study, ledger, out, software=SOFTWARE)
            write_run_file(
                study, out, started=started, counts=counts, sha256=written.sha256, options=options
            )
            ledger.set_facts({"state": FINISHED, "written": written.text()})
        except KeyboardInterrupt:
            watch(Ended(STOPPED))
            raise
        except MicromeasureError as error:
            watch(Ended(str(error)))
            raise
        for sentence in written.notes:
            watch(Note(sentence))
        watch(Ended(FINISHED))
    return Summary(written=written, **counts)


def write_again(study: Study, *, out: Path) -> Written:
    """Write the result files anew from the ledger, after persons have decided, measuring nothing.

    Raises
    ------
    ResultsError
        If the folder holds no ledger, a run is writing in it, or it cannot be used.
    """
    if not (out / LEDGER_FILE).is_file():
        message = f"{out}: holds no ledger of a run; run the study first."
        raise ResultsError(message)
    with locked(out), Ledger(out) as ledger:
        written = write_results(with_redrawn(study, ledger), ledger, out, software=SOFTWARE)
        ledger.set_fact("written", written.text())
        return written


def _begun(study: Study, ledger: Ledger, out: Path) -> str:
    """Note in the ledger that a run has begun, and clear up after one that was cut off."""
    if ledger.fact("state") not in {"", FINISHED}:
        try:
            for part in out.rglob(f"*{PART_ENDING}"):
                part.unlink(missing_ok=True)
        except OSError as error:
            raise unwritable(out, error) from error
    started = now_text()
    ledger.set_facts({"total": str(len(study.jobs)), "started": started, "state": RUNNING})
    return started


def _carried_out(
    study: Study, ledger: Ledger, out: Path, *, options: Options, watch: Watcher
) -> tuple[dict[str, int], str]:
    """Measure what is left; return counts and the fingerprint of what was found finished."""
    fingerprint = Fingerprint(study)
    planner = Planner(ledger, out=out, options=options)
    kept, measured = 0, 0

    def on_kept(job: Job, known: Mapping[str, Known]) -> None:
        nonlocal kept
        kept += 1
        fingerprint.add(job, ((slot, entry.key) for slot, entry in known.items()))
        watch(Kept())

    for result in _results(planner.tasks(study.jobs, on_kept), options):
        if result.halt:
            raise ResultsError(result.halt)
        ledger.store(result, finished_at=now_text(), software=SOFTWARE)
        measured += 1
        watch(Measured(result))
    counts = {"images": len(study.jobs), "kept": kept, "measured": measured}
    return counts, fingerprint.text()


def _results(tasks: Iterator[Task], options: Options) -> Iterator[ImageResult]:
    if options.cluster:
        from micromeasure.run.cluster import run_on_cluster

        return run_on_cluster(tasks, address=options.cluster, timeout_s=options.image_timeout_s)
    if options.jobs == 0:
        return _measured_here(tasks)
    return run_in_pool(tasks, jobs=options.jobs, image_timeout_s=options.image_timeout_s)


def _measured_here(tasks: Iterator[Task]) -> Iterator[ImageResult]:
    from micromeasure.run.worker import measure_image

    yield from map(measure_image, tasks)


def _made(out: Path) -> Path:
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise unwritable(out, error) from error
    return out.resolve()
