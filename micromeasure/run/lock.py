"""One run at a time in a results folder.

The lock is the operating system's, on an open file: it ends with the process that holds it,
however that ends, so no lock is ever left behind.
"""

import contextlib
import datetime as dt
import json
import os
import platform
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from micromeasure.errors import ResultsError
from micromeasure.tables.writing import unwritable

LOCK_FILE = "run.lock"


@contextlib.contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold the lock of a results folder.

    Raises
    ------
    ResultsError
        If another run holds it, or the folder cannot be written.
    """
    path = folder / LOCK_FILE
    try:
        stream = path.open("a+", encoding="utf-8")
    except OSError as error:
        raise unwritable(folder, error) from error
    with stream:
        if not _take(stream):
            message = (
                f"{folder}: another run is writing here ({_holder(path)}); wait for it, or give "
                "this one a folder of its own with --out."
            )
            raise ResultsError(message)
        _sign(stream, folder)
        yield
        stream.truncate(0)


def is_locked(folder: Path) -> bool:
    """Return whether a run is writing in a results folder now."""
    try:
        with (folder / LOCK_FILE).open("r+", encoding="utf-8") as stream:
            return not _take(stream)
    except OSError:
        return False


def _sign(stream: IO[str], folder: Path) -> None:
    """Say in the file who holds it, for the message that another run shows."""
    now = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
    try:
        stream.truncate(0)
        stream.write(json.dumps({"pid": os.getpid(), "host": platform.node(), "since": now}))
        stream.flush()
    except OSError as error:
        raise unwritable(folder, error) from error


def _holder(path: Path) -> str:
    try:
        facts = json.loads(path.read_text(encoding="utf-8"))
        return f"process {facts['pid']} on {facts['host']}, since {facts['since']}"
    except (OSError, ValueError, KeyError, TypeError):
        return "it does not say which"


if os.name == "nt":  # pragma: no cover
    import msvcrt

    def _take(stream: IO[str]) -> bool:
        # Far behind the text, which stays readable for others.
        stream.seek(1 << 20)
        try:
            msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]  # Windows only
        except OSError:
            return False
        return True

else:
    import fcntl

    def _take(stream: IO[str]) -> bool:
        try:
            fcntl.flock(stream.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True
