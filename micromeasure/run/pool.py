"""Worker processes on this machine.

Each worker has a pipe of its own and one image at a time, so a worker that dies or hangs costs
exactly that image: it is tried once more, alone, when all others are done. A pool of the
standard library cannot say which image a lost worker had, and loses all that were under way.
"""

import contextlib
import logging
import multiprocessing
import os
import signal
import threading
import time
import warnings
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess

from micromeasure.errors import ResultsError
from micromeasure.run.task import ImageResult, Task

# Each worker computes with one thread, or N workers would fight over the cores; one thread also
# adds numbers up in one order, so that results agree to the last digit however many run.
_ONE_THREAD = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "NUMEXPR_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
)
_ATTEMPTS = 2
_READY = "ready"
_STARTS_TRIED = 3
_PATIENCE_S = 2.0
# Loading the libraries from a cold disk or a slow share.
_START_S = 120.0


def run_in_pool(
    tasks: Iterator[Task], *, jobs: int, image_timeout_s: float
) -> Iterator[ImageResult]:
    """Carry tasks out in worker processes and hand results over as they come.

    Parameters
    ----------
    tasks : iterator of Task
        Drawn from as workers become free, never far ahead.
    jobs : int
        Number of workers.
    image_timeout_s : float
        A worker that is longer than this over one image is ended.

    Raises
    ------
    ResultsError
        If worker processes cannot be started.
    ImportError
        If a worker lacks a library.
    """
    pool = _Pool(tasks, jobs, image_timeout_s)
    try:
        yield from pool.results()
    finally:
        pool.close()


@dataclass(slots=True, kw_only=True)
class _Worker:
    process: SpawnProcess
    pipe: Connection
    ready: bool = False
    task: Task | None = None
    deadline: float = field(default=float("inf"))


class _Pool:
    def __init__(self, tasks: Iterator[Task], jobs: int, image_timeout_s: float) -> None:
        self._tasks = tasks
        self._timeout_s = image_timeout_s
        self._jobs = jobs
        self._workers: list[_Worker] = []
        self._again: deque[Task] = deque()
        self._drawn_out = False
        self._failed_starts = 0

    def results(self) -> Iterator[ImageResult]:
        """Yield results until every task is done."""
        while self._hand_out():
            for worker in self._with_news():
                if (result := self._received(worker)) is not None:
                    # The next image goes out first, so that the worker is busy while this
                    # result is being stored.
                    self._hand_out()
                    yield result

    def close(self) -> None:
        """End every worker."""
        for worker in self._workers:
            with contextlib.suppress(OSError):
                worker.pipe.close()
            if worker.task is not None:
                worker.process.terminate()
        for worker in self._workers:
            worker.process.join(_PATIENCE_S)
            if worker.process.is_alive():
                worker.process.kill()
                worker.process.join(_PATIENCE_S)
        self._workers = []

    def _hand_out(self) -> bool:
        """Give every free worker an image; return whether anything is under way."""
        for worker in self._workers:
            if worker.ready and worker.task is None and (task := self._next()) is not None:
                self._send(worker, task)
        # More workers only while there is work for them.
        while len(self._workers) < self._wanted() and (task := self._next()) is not None:
            worker = self._started()
            self._workers.append(worker)
            self._send(worker, task)
        return any(worker.task is not None for worker in self._workers)

    def _wanted(self) -> int:
        return self._jobs if not self._drawn_out else min(self._jobs, 1 if self._again else 0)

    def _next(self) -> Task | None:
        if not self._drawn_out:
            task = next(self._tasks, None)
            if task is not None:
                return task
            self._drawn_out = True
        # Second tries run alone: what ran out of memory beside others may fit without them.
        if self._again and all(worker.task is None for worker in self._workers):
            return self._again.popleft()
        return None

    def _send(self, worker: _Worker, task: Task) -> None:
        worker.task = task
        # The clock of a new worker's first image starts when it is ready.
        worker.deadline = time.monotonic() + (self._timeout_s if worker.ready else _START_S)
        # A worker that died while idle is noticed when its pipe is waited on.
        with contextlib.suppress(OSError):
            worker.pipe.send(task)

    def _with_news(self) -> list[_Worker]:
        """Wait until a worker answers, dies or is over its time."""
        busy = [worker for worker in self._workers if worker.task is not None]
        patience = max(0.0, min(worker.deadline for worker in busy) - time.monotonic())
        pipes = {worker.pipe: worker for worker in busy}
        news = wait(list(pipes), None if patience == float("inf") else patience)
        if news:
            return [pipes[pipe] for pipe in news if isinstance(pipe, Connection)]
        now = time.monotonic()
        return [worker for worker in busy if worker.deadline <= now]

    def _received(self, worker: _Worker) -> ImageResult | None:
        """Return the result a worker has sent, or what to say of the image it was lost over."""
        try:
            if not worker.pipe.poll():
                return self._lost(worker, self._hanging(worker))
            message = worker.pipe.recv()
        except (EOFError, OSError):
            return self._lost(worker, "")
        if isinstance(message, ImageResult):
            worker.task, worker.deadline = None, float("inf")
            return message
        if message != _READY:
            # A worker could not load a library: this process says what to install.
            raise ImportError(message)
        worker.ready, worker.deadline = True, time.monotonic() + self._timeout_s
        self._failed_starts = 0
        return None

    def _hanging(self, worker: _Worker) -> str:
        if worker.ready:
            return f"took longer than {self._timeout_s:g} s (see --image-timeout)"
        return f"no answer within {_START_S:g} s"

    def _lost(self, worker: _Worker, reason: str) -> ImageResult | None:
        from micromeasure.run.worker import failed_image

        worker.process.kill()
        # A process that waits for a stalled share ends only when the share answers.
        worker.process.join(_PATIENCE_S)
        worker.pipe.close()
        self._workers.remove(worker)
        task = worker.task
        if task is None:
            return None
        reason = reason or f"its worker process ended ({_ending(worker.process.exitcode)})"
        if not worker.ready:
            self._failed_starts += 1
            if self._failed_starts >= _STARTS_TRIED:
                message = f"Worker processes cannot be started: {reason}; try --jobs 1."
                raise ResultsError(message)
        if task.attempt < _ATTEMPTS:
            self._again.append(replace(task, attempt=task.attempt + 1))
            return None
        return failed_image(task, f"{reason}, in a second try alone as well; nothing was measured.")

    def _started(self) -> _Worker:
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe()
        process = context.Process(target=_work, args=(theirs,), daemon=True)
        with _environment(dict.fromkeys(_ONE_THREAD, "1")):
            process.start()
        theirs.close()
        return _Worker(process=process, pipe=ours)


@contextlib.contextmanager
def _environment(values: dict[str, str]) -> Iterator[None]:
    """Set environment variables for a process that is started meanwhile."""
    before = {name: os.environ.get(name) for name in values}
    os.environ.update(values)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def _ending(exitcode: int | None) -> str:
    if exitcode is None or exitcode >= 0:
        return f"exit status {exitcode}"
    name = signal.Signals(-exitcode).name
    if name == "SIGKILL":
        return "killed; the machine may have run out of memory"
    return f"signal {name}"


def _work(pipe: Connection) -> None:
    """Measure images until the pipe is closed: the body of a worker process."""
    threading.Thread(target=_end_with_parent, daemon=True).start()
    # Ctrl-C goes to the whole group; the coordinator decides what it means for the workers.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        from micromeasure.run.worker import measure_image

        quiet_libraries()
    except ImportError as error:
        pipe.send(str(error))
        return
    with contextlib.suppress(EOFError, OSError):
        pipe.send(_READY)
        while True:
            pipe.send(measure_image(pipe.recv()))


def _end_with_parent() -> None:
    """End this process as soon as the coordinator's has ended, even in the middle of an image.

    A worker left over would hang on to memory, and could write beside those of the next run.
    """
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def quiet_libraries() -> None:
    """Keep numeric libraries to one thread and off the terminal, in a worker."""
    import cv2

    cv2.setNumThreads(1)
    # cv2 writes its own warnings about damaged files; each has its failure row already.
    cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
    warnings.simplefilter("ignore")
    logging.getLogger().addHandler(logging.NullHandler())
