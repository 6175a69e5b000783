"""Whether the result files still say what the ledger holds, without writing them to find out."""

import hashlib
import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path

from micromeasure.quantities import derivations
from micromeasure.review.record import record_path
from micromeasure.run.keys import plain_json
from micromeasure.run.provenance import SOFTWARE
from micromeasure.run.task import stamp_of
from micromeasure.study.model import Job, Study
from micromeasure.tables.columns import FAILURES_TABLE, TABLES
from micromeasure.tables.package import PACKAGE_FILE


class Fingerprint:
    """Digest of all that the result files are made from.

    Parameters
    ----------
    study : Study
    """

    def __init__(self, study: Study) -> None:
        decisions = record_path(study.path)
        start = [
            SOFTWARE,
            study.title,
            list(study.extra_columns),
            [list(table.header) for table in TABLES],
            {d.name: d.method for d in derivations().values()},
            [measure.quantity for measure in study.measures],
            hashlib.sha256(decisions.read_bytes()).hexdigest() if decisions.is_file() else "",
        ]
        self._digest = hashlib.sha256(plain_json(start).encode())

    def add(self, job: Job, keys: Iterable[tuple[str, str]]) -> None:
        """Add an image: its row of the manifest, and slot and key of each measure."""
        self._digest.update(repr((job.record, list(keys))).encode())

    def text(self) -> str:
        """Return the digest of everything added so far."""
        return self._digest.hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """The result files of a run.

    Attributes
    ----------
    rows : mapping of str to int
        Number of rows by file.
    sha256 : mapping of str to str
        Digest by file.
    notes : tuple of str
        What a person should know, one sentence each.
    fingerprint : str
        What they were made from.
    stamps : mapping of str to list of int
        Size and time of last change by file.
    """

    rows: dict[str, int]
    sha256: dict[str, str]
    notes: tuple[str, ...] = ()
    fingerprint: str = ""
    stamps: dict[str, list[int]]

    @property
    def failures(self) -> int:
        """Number of rows of `failures.csv`."""
        return self.rows[FAILURES_TABLE.file]

    def text(self) -> str:
        """Return this as JSON for the ledger."""
        return json.dumps(asdict(self))


def result_stamps(out: Path) -> dict[str, list[int]]:
    """Return size and time of last change of every result file; none for a missing one."""
    stamps: dict[str, list[int]] = {}
    for name in (*(table.file for table in TABLES), PACKAGE_FILE):
        try:
            stamps[name] = list(stamp_of(out / name))
        except OSError:
            stamps[name] = []
    return stamps


def still_holds(text: str, fingerprint: str, out: Path) -> Written | None:
    """Return what the ledger says of the result files if it is still true, else None.

    Parameters
    ----------
    text : str
        From `Written.text`; empty where nothing was written yet.
    fingerprint : str
        Of what the files would be made from now.
    out : pathlib.Path
        The results folder.
    """
    if not text:
        return None
    plain = json.loads(text)
    written = Written(**{**plain, "notes": tuple(plain["notes"])})
    if written.fingerprint != fingerprint or written.stamps != result_stamps(out):
        return None
    return written
