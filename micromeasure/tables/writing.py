"""Writing result files whole: to a temporary name beside the target, then renamed."""

import contextlib
import csv
import hashlib
import os
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

from micromeasure.errors import ResultsError

PART_ENDING = ".part"


def replace_file(path: Path, data: bytes) -> None:
    """Write a small file whole, making its folder where needed.

    Raises
    ------
    OSError
        If it cannot be written; nothing is left behind.
    """
    part = path.with_name(f"{path.name}.{os.getpid()}{PART_ENDING}")
    try:
        try:
            part.write_bytes(data)
        except FileNotFoundError:
            path.parent.mkdir(parents=True, exist_ok=True)
            part.write_bytes(data)
        part.replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise


class _Echo:
    """A file that hands back what is written to it, as the csv writer then does too."""

    def write(self, line: str) -> str:
        return line


_WRITER = csv.writer(_Echo())


def csv_line(row: Sequence[str]) -> str:
    """Return a row as one line of RFC 4180, line end included."""
    line: str = _WRITER.writerow(row)
    return line


class CsvFile:
    """A CSV file that appears under its name only when it is complete.

    Parameters
    ----------
    path : pathlib.Path
    header : sequence of str

    Notes
    -----
    Used as a context manager: leaving it normally puts the file in its place, leaving it by an
    error removes what was written.
    """

    def __init__(self, path: Path, header: Sequence[str]) -> None:
        self.path = path
        self.rows = 0
        self._part = path.with_name(f"{path.name}.{os.getpid()}{PART_ENDING}")
        self._digest = hashlib.sha256()
        self._header = header

    def __enter__(self) -> Self:
        """Open the temporary file and write the header."""
        self._file = self._part.open("wb")
        self._write(self._header)
        return self

    def add(self, row: Sequence[str]) -> None:
        """Write one row of finished cells."""
        self._write(row)
        self.rows += 1

    def _write(self, row: Sequence[str]) -> None:
        data = csv_line(row).encode()
        self._digest.update(data)
        self._file.write(data)

    @property
    def sha256(self) -> str:
        """Digest of what was written so far."""
        return self._digest.hexdigest()

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Put the file in its place, or remove it after an error."""
        try:
            self._file.flush()
            if kind is None:
                os.fsync(self._file.fileno())
        finally:
            self._file.close()
            if kind is not None:
                self._part.unlink(missing_ok=True)
        if kind is None:
            self._part.replace(self.path)


def unwritable(path: Path, error: OSError) -> ResultsError:
    """Return the error that says why a results folder cannot be written to."""
    what = error.strerror or type(error).__name__
    return ResultsError(
        f"{path}: cannot be written ({what}); make room or give the folder's owner write access, "
        "then run again: what was finished is kept."
    )
