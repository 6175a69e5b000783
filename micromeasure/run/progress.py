"""Watchers of a run: a line on the terminal, and a log in JSON lines."""

import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from micromeasure.errors import ResultsError
from micromeasure.run.events import Ended, Event, Kept, Measured, Note, Started, Watcher
from micromeasure.run.provenance import now_text
from micromeasure.run.task import ImageResult

# Where nobody watches a bar, a line now and then says that the run is alive.
_QUIET_STEP_S = 60.0


@contextmanager
def progress_line(stream: IO[str], *, is_terminal: bool) -> Iterator[Watcher]:
    """Show how a run goes on in one line: done, images/s, time left, failures so far.

    Parameters
    ----------
    stream : text file
    is_terminal : bool
        False: no bar, one plain line a minute instead.
    """
    if not is_terminal:
        yield _PlainLines(stream)
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    with Progress(
        TextColumn("measuring"),
        BarColumn(bar_width=30),
        MofNCompleteColumn(),
        TextColumn("{task.fields[rate]}"),
        TimeRemainingColumn(),
        TextColumn("{task.fields[failed]}"),
        console=Console(file=stream),
        refresh_per_second=4,
        transient=True,
    ) as bar:
        task = bar.add_task("measuring", total=None, rate="", failed="")
        count = _Count()

        def watch(event: Event) -> None:
            count.take(event)
            if isinstance(event, Started):
                bar.update(task, total=event.total)
            elif isinstance(event, (Kept, Measured)):
                bar.update(task, advance=1, rate=count.rate_text(), failed=count.failed_text())
            elif isinstance(event, Note):
                bar.console.print(event.sentence)

        yield watch


@contextmanager
def json_log(path: Path | None) -> Iterator[Watcher]:
    """Write every event as one line of JSON; nothing where no path is given.

    Raises
    ------
    ResultsError
        If the file cannot be written.
    """
    if path is None:
        yield lambda event: None
        return
    with _log_faults(path):
        file = path.open("a", encoding="utf-8")

    def watch(event: Event) -> None:
        plain = _plain(event)
        if plain:
            with _log_faults(path):
                line = json.dumps({"time": now_text(), **plain}, ensure_ascii=False)
                file.write(line + "\n")
                file.flush()

    with file:
        yield watch


@contextmanager
def _log_faults(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        message = f"{path}: the log cannot be written ({error.strerror}); give another --log."
        raise ResultsError(message) from error


class _Count:
    """Figures of a run so far."""

    def __init__(self) -> None:
        self.total = self.kept = self.measured = self.failed = 0
        self._start = time.monotonic()

    def take(self, event: Event) -> None:
        """Count an event."""
        if isinstance(event, Started):
            self.total = event.total
            self._start = time.monotonic()
        elif isinstance(event, Kept):
            self.kept += 1
        elif isinstance(event, Measured):
            self.measured += 1
            self.failed += bool(_reasons(event.result))

    def rate_text(self) -> str:
        """Return images per second, over those measured now."""
        seconds = time.monotonic() - self._start
        return f"{self.measured / seconds:.3g} images/s" if self.measured and seconds else ""

    def failed_text(self) -> str:
        """Return the number of images with a failure."""
        return f"{self.failed} failed" if self.failed else ""


class _PlainLines:
    def __init__(self, stream: IO[str]) -> None:
        self._stream = stream
        self._count = _Count()
        self._next = time.monotonic() + _QUIET_STEP_S

    def __call__(self, event: Event) -> None:
        self._count.take(event)
        if isinstance(event, Note):
            self._write(event.sentence)
        elif isinstance(event, Measured) and time.monotonic() >= self._next:
            self._next = time.monotonic() + _QUIET_STEP_S
            count = self._count
            done = count.kept + count.measured
            parts = (f"{done}/{count.total}", count.rate_text(), count.failed_text())
            self._write(", ".join(filter(None, parts)))

    def _write(self, line: str) -> None:
        self._stream.write(line + "\n")
        self._stream.flush()


def _plain(event: Event) -> dict[str, object]:
    if isinstance(event, Started):
        return {"event": "started", "images": event.total}
    if isinstance(event, Measured):
        result = event.result
        return {
            "event": "image",
            "image": result.image,
            "seconds": round(result.seconds, 4),
            "measured": [measure.slot for measure in result.measures],
            "failures": _reasons(result),
        }
    if isinstance(event, Note):
        return {"event": "note", "text": event.sentence}
    if isinstance(event, Ended):
        return {"event": "ended", "status": event.status}
    return {}


def _reasons(result: ImageResult) -> list[str]:
    return [reason for measure in result.measures for reason in measure.reasons]
