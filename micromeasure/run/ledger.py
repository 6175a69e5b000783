"""The ledger: an SQLite file in the results folder that knows every finished measure.

It is the only thing besides pictures and traces that is written during a run, by one process,
with one transaction per finished image. Whatever happens to that process, the ledger holds
whole images only, and the result files can be made from it at any time.
"""

import contextlib
import json
import sqlite3
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from micromeasure.errors import ResultsError
from micromeasure.run.task import FileStamp, ImageResult, Known

LEDGER_FILE = "ledger.sqlite"
SCHEMA = 1

_TABLES = """
CREATE TABLE IF NOT EXISTS facts (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS files (
    path TEXT PRIMARY KEY, size INTEGER NOT NULL, mtime_ns INTEGER NOT NULL, sha256 TEXT NOT NULL
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS measures (
    image TEXT NOT NULL, slot TEXT NOT NULL, key TEXT NOT NULL, final INTEGER NOT NULL,
    quantity TEXT NOT NULL, method TEXT NOT NULL, software TEXT NOT NULL,
    calibration TEXT NOT NULL, image_sha256 TEXT NOT NULL, failures INTEGER NOT NULL,
    outcome TEXT NOT NULL, written TEXT NOT NULL, finished_at TEXT NOT NULL,
    PRIMARY KEY (image, slot)
);
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """What the ledger holds of one measure of one image.

    Attributes
    ----------
    slot, quantity, method, software, calibration, image_sha256, key : str
    outcome : str
        JSON, see `micromeasure.run.plain`.
    """

    slot: str
    quantity: str
    method: str
    software: str
    calibration: str
    image_sha256: str
    key: str
    outcome: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """How far the ledger is.

    Attributes
    ----------
    images, measures, failed : int
        Images with a finished measure, finished measures, those with a failure.
    since_start : int
        Images finished since the last run began.
    last : str
        Time of the last finished image, ISO 8601; empty where there is none.
    """

    images: int
    measures: int
    failed: int
    since_start: int
    last: str


class Ledger:
    """The ledger of one results folder, open for writing by one process.

    Parameters
    ----------
    folder : pathlib.Path
        The results folder.
    fresh : bool
        Forget what was measured before.

    Raises
    ------
    ResultsError
        Here and in every method: the file cannot be read or written, or is damaged.
    """

    def __init__(self, folder: Path, *, fresh: bool = False) -> None:
        self.path = folder / LEDGER_FILE
        with self._faults():
            self._base = sqlite3.connect(self.path, isolation_level=None)
            # A share that cannot do WAL keeps its own mode and is only slower.
            self._base.execute("PRAGMA journal_mode=WAL")
            # A killed process loses nothing; a power cut at most the last few images.
            self._base.execute("PRAGMA synchronous=NORMAL")
            self._base.executescript(_TABLES)
            self._check_schema()
            if fresh:
                with self._transaction():
                    for table in ("facts", "files", "measures"):
                        # The names are ours, and tables cannot be bound as parameters.
                        self._base.execute(f"DELETE FROM {table}")  # noqa: S608
                self.set_fact("schema", str(SCHEMA))

    def __enter__(self) -> Self:
        """Return the ledger."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close it, leaving one file behind."""
        with contextlib.suppress(sqlite3.Error):
            self._base.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        self._base.close()

    def fact(self, name: str) -> str:
        """Return a fact about the run, empty where it is not known."""
        with self._faults():
            row = self._base.execute("SELECT value FROM facts WHERE name = ?", (name,)).fetchone()
        return "" if row is None else str(row[0])

    def set_fact(self, name: str, value: str) -> None:
        """Keep a fact about the run."""
        self.set_facts({name: value})

    def set_facts(self, facts: Mapping[str, str]) -> None:
        """Keep several facts about the run at once."""
        with self._faults(), self._transaction():
            self._base.executemany("INSERT OR REPLACE INTO facts VALUES (?, ?)", facts.items())

    def sha256(self, path: str, size: int, mtime_ns: int) -> str:
        """Return a file's digest if it is as it was when it was read, else an empty text."""
        with self._faults():
            row = self._base.execute(
                "SELECT sha256 FROM files WHERE path = ? AND size = ? AND mtime_ns = ?",
                (path, size, mtime_ns),
            ).fetchone()
        return "" if row is None else str(row[0])

    def known(self, image: str) -> dict[str, Known]:
        """Return what is kept for an image, by slot; only results that need no second try."""
        with self._faults():
            rows = self._base.execute(
                "SELECT slot, key, written FROM measures WHERE image = ? AND final", (image,)
            ).fetchall()
        return {
            slot: Known(key=key, written=tuple(json.loads(written))) for slot, key, written in rows
        }

    def store(self, result: ImageResult, *, finished_at: str, software: str) -> None:
        """Keep a finished image: all of it or, if the process ends meanwhile, nothing."""
        with self._faults(), self._transaction():
            self._base.executemany(
                "INSERT OR REPLACE INTO files VALUES (?, ?, ?, ?)", map(_stamp_row, result.stamps)
            )
            self._base.executemany(
                "INSERT OR REPLACE INTO measures VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [
                    (
                        result.image, m.slot, m.key, int(m.final), m.quantity, m.method, software,
                        result.calibration, result.image_sha256, len(m.reasons), m.outcome,
                        json.dumps(m.written), finished_at,
                    )
                    for m in result.measures
                ],
            )  # fmt: skip

    def slots(self, image: str) -> set[str]:
        """Return the slots of everything kept for an image."""
        with self._faults():
            rows = self._base.execute("SELECT slot FROM measures WHERE image = ?", (image,))
            return {slot for (slot,) in rows}

    def lines(self, image: str) -> dict[str, Line]:
        """Return everything kept for an image, by slot."""
        with self._faults():
            rows = self._base.execute(
                "SELECT slot, quantity, method, software, calibration, image_sha256, key, outcome "
                "FROM measures WHERE image = ?",
                (image,),
            ).fetchall()
        names = ("slot", "quantity", "method", "software", "calibration", "image_sha256",
                 "key", "outcome")  # fmt: skip
        return {row[0]: Line(**dict(zip(names, row, strict=True))) for row in rows}

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[None]:
        self._base.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                self._base.execute("ROLLBACK")
            raise
        self._base.execute("COMMIT")

    @contextlib.contextmanager
    def _faults(self) -> Iterator[None]:
        with ledger_faults(self.path):
            yield

    def _check_schema(self) -> None:
        found = self.fact("schema")
        if not found:
            self.set_fact("schema", str(SCHEMA))
        elif found != str(SCHEMA):
            message = (
                f"{self.path}: was written by another version (schema {found}, this one reads "
                f"{SCHEMA}); use that version, or start over with --fresh in another --out folder."
            )
            raise ResultsError(message)


def read_tally(folder: Path) -> tuple[Tally, dict[str, str]]:
    """Return how far a run is and its facts, also while it is running.

    Raises
    ------
    ResultsError
        If there is no ledger in the folder, or it cannot be read.
    """
    path = folder / LEDGER_FILE
    if not path.is_file():
        message = f"{folder}: holds no results of a run; name the results folder or the study."
        raise ResultsError(message)
    with (
        ledger_faults(path),
        contextlib.closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as base,
    ):
        facts = dict(base.execute("SELECT name, value FROM facts").fetchall())
        images, measures, failed, last = base.execute(
            "SELECT count(DISTINCT image), count(*), coalesce(sum(failures > 0), 0), "
            "coalesce(max(finished_at), '') FROM measures"
        ).fetchone()
        (since,) = base.execute(
            "SELECT count(DISTINCT image) FROM measures WHERE finished_at >= ?",
            (facts.get("started", ""),),
        ).fetchone()
    tally = Tally(images=images, measures=measures, failed=failed, since_start=since, last=last)
    return tally, facts


@contextlib.contextmanager
def ledger_faults(path: Path) -> Iterator[None]:
    """Turn what SQLite raises into one sentence.

    Raises
    ------
    ResultsError
        For any error of the data base.
    """
    try:
        yield
    except sqlite3.OperationalError as error:
        message = (
            f"{path}: the ledger cannot be used ({error}); see that the disk has room and the "
            "folder can be written, then run again: what was finished is kept."
        )
        raise ResultsError(message) from error
    except sqlite3.DatabaseError as error:
        message = (
            f"{path}: the ledger is damaged ({error}); move it away and run again: every image "
            "is measured anew, decisions of persons are kept elsewhere."
        )
        raise ResultsError(message) from error


def _stamp_row(stamp: FileStamp) -> tuple[str, int, int, str]:
    return stamp.path, stamp.size, stamp.mtime_ns, stamp.sha256
