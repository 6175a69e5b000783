"""Asking a file system that may not answer: a share that stalls is noticed, not waited for.

A process that waits for a stalled share cannot be interrupted, so the question is put by a
thread; when it stays without an answer, the run ends with a sentence instead of hanging.
"""

import queue
import threading
from collections.abc import Sequence
from pathlib import Path

from micromeasure.errors import ResultsError
from micromeasure.run.task import stamp_of

Stamp = tuple[int, int]


class PatientFiles:
    """Sizes and dates of files, with limited patience.

    Parameters
    ----------
    patience_s : float
        How long to wait for an answer.
    """

    def __init__(self, patience_s: float) -> None:
        self._patience_s = patience_s
        self._questions: queue.SimpleQueue[Sequence[Path]] = queue.SimpleQueue()
        self._answers: queue.SimpleQueue[list[Stamp | None]] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None

    def stamps(self, paths: Sequence[Path]) -> list[Stamp | None]:
        """Return size and time of last change of files, None where one is not there.

        Several at once, because changing between threads takes longer than the answer.

        Raises
        ------
        ResultsError
            If there is no answer in time.
        """
        if self._thread is None:
            # A daemon: the program can end although the thread is stuck.
            self._thread = threading.Thread(target=self._answer, daemon=True)
            self._thread.start()
        self._questions.put(paths)
        try:
            return self._answers.get(timeout=self._patience_s)
        except queue.Empty:
            message = (
                f"{paths[0]}: no answer from its disk or share within {self._patience_s:g} s; see "
                "that it is connected, then run again: what was finished is kept."
            )
            raise ResultsError(message) from None

    def _answer(self) -> None:
        while True:
            self._answers.put([_stamp(path) for path in self._questions.get()])


def _stamp(path: Path) -> Stamp | None:
    try:
        return stamp_of(path)
    except OSError:
        return None
