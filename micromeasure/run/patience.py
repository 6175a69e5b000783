"""Asking a file system that may not answer: a share that stalls is noticed, not waited for.

A process that waits for a stalled share cannot be interrupted, so the question is put by a
thread; when it stays without an answer, the run ends with a sentence instead of hanging.
"""

import queue
import threading
from pathlib import Path

from micromeasure.errors import ResultsError
from micromeasure.run.task import stamp_of

Stamp = tuple[int, int]


class PatientFiles:
    """Sizes and dates of files, with limited patience.

    Parameters
    ----------
    patience_s : float
        How long to wait for one answer.
    """

    def __init__(self, patience_s: float) -> None:
        self._patience_s = patience_s
        self._questions: queue.SimpleQueue[Path] = queue.SimpleQueue()
        self._answers: queue.SimpleQueue[Stamp | None] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None

    def stamp(self, path: Path) -> Stamp | None:
        """Return size and time of last change of a file, None where it is not there.

        Raises
        ------
        ResultsError
            If there is no answer in time.
        """
        if self._thread is None:
            # A daemon: the program can end although the thread is stuck.
            self._thread = threading.Thread(target=self._answer, daemon=True)
            self._thread.start()
        self._questions.put(path)
        try:
            return self._answers.get(timeout=self._patience_s)
        except queue.Empty:
            message = (
                f"{path}: no answer from its disk or share within {self._patience_s:g} s; see that "
                "it is connected, then run again: what was finished is kept."
            )
            raise ResultsError(message) from None

    def _answer(self) -> None:
        while True:
            path = self._questions.get()
            try:
                self._answers.put(stamp_of(path))
            except OSError:
                self._answers.put(None)
