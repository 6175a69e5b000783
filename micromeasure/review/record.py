"""The record of decisions: an append-only file in which every decision of a person stands.

One JSON object a line, never changed after it was written. A line is on the disk (`fsync`)
before the next indication is shown, two writers take turns by a lock on the file, and each line
carries a digest of the line before it, so that a later change of any line can be seen.
"""

import dataclasses
import datetime as dt
import hashlib
import json
import os
import uuid
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from micromeasure import __version__
from micromeasure.errors import ResultsError

SCHEMA = 1

# On an indication.
CONFIRM = "confirm"
REJECT = "reject"
REMARK = "remark"
CORRECT = "correct"
DRAW = "draw"
# On a measurement.
SET_ASIDE = "set-aside"
REDRAW = "redraw"
MEASURE = "measure"
# On an earlier entry.
UNDO = "undo"

ACTIONS = (CONFIRM, REJECT, REMARK, CORRECT, DRAW, SET_ASIDE, REDRAW, MEASURE, UNDO)

_DIGEST_LENGTH = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One line of the record: who did what, when, and what was shown.

    Attributes
    ----------
    entry : str
        Name of this entry, unique in every record.
    action : str
        One of `ACTIONS`.
    by : str
        Initials of the person.
    at : str
        Time in UTC, ISO 8601.
    software : str
        Version of micromeasure that showed the image.
    image, image_sha256 : str
        The image as named in the results, and the digest of the bytes that were shown.
    indication : str
        Name of the indication in the results that were shown; empty for other subjects.
    quantity, feature, statistic : str
        The measurement, where the subject is one.
    centreline_px : str
        WKT LINESTRING of the centreline that was shown.
    shown : mapping
        The other numbers on the screen, such as ``score`` and ``length_um``.
    before, after : mapping
        State before and after the entry, such as ``{"decision": "candidate"}``.
    remark : str
        Words of the person.
    independent : bool
        Whether the person had not seen another person's decision on the same subject.
    undoes : str
        Name of the entry that this one takes back.
    """

    action: str
    by: str
    image: str
    image_sha256: str
    at: str = ""
    entry: str = ""
    software: str = __version__
    indication: str = ""
    quantity: str = ""
    feature: str = ""
    statistic: str = ""
    centreline_px: str = ""
    shown: Mapping[str, Any] = field(default_factory=dict)
    before: Mapping[str, Any] = field(default_factory=dict)
    after: Mapping[str, Any] = field(default_factory=dict)
    remark: str = ""
    independent: bool = True
    undoes: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """A record as read.

    Attributes
    ----------
    entries : tuple of Entry
        In the order they were written.
    doubts : tuple of str
        One sentence for each line that was cut short or changed after it was written.
    """

    entries: tuple[Entry, ...] = ()
    doubts: tuple[str, ...] = ()


def record_path(study_file: Path) -> Path:
    """Return where the record of a study lies: beside the study file.

    There it survives a fresh run and the removal of a results folder, which can be made again;
    decisions cannot.
    """
    return study_file.with_name(f"{study_file.stem}.decisions.jsonl")


def read_record(path: Path) -> Record:
    """Read a record; an absent file is an empty record.

    A last line that was cut short (the computer stopped in mid-writing) is left out and named
    in `Record.doubts`, as is such a line further up if the line after it vouches for it.

    Raises
    ------
    ResultsError
        If the file cannot be read, was written by a newer version, or a line cannot be read.
    """
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return Record()
    except OSError as error:
        message = f"{path.name}: the record of decisions cannot be read ({error.strerror})."
        raise ResultsError(message) from error
    lines = data.split(b"\n")
    cut_short = lines.pop()  # empty where the last line is whole
    if _parse(cut_short) is not None:  # only its line end is missing
        lines.append(cut_short)
        cut_short = b""
    entries: list[Entry] = []
    doubts: list[str] = []
    parsed = [_parse(line) for line in lines]
    for number, line in enumerate(lines, start=1):
        found = parsed[number - 1]
        follower = parsed[number] if number < len(parsed) else None
        vouched = None if follower is None else follower.get("previous") == _digest(line)
        if found is None:
            if vouched is not True:
                message = (
                    f"{path.name}, line {number}: is not a whole entry; restore the record of "
                    "decisions from a copy, or remove this line."
                )
                raise ResultsError(message)
            doubts.append(f"{path.name}, line {number}: was cut short and is left out.")
            continue
        if vouched is False:
            doubts.append(
                f"{path.name}, line {number}: does not match the line after it; one of them was "
                "changed, added or removed after it was written."
            )
        entries.append(_entry(found, path, number))
    if cut_short:
        doubts.append(f"{path.name}, line {len(lines) + 1}: was cut short and is left out.")
    return Record(entries=tuple(entries), doubts=tuple(doubts))


def append(path: Path, entry: Entry) -> Entry:
    """Write one entry to the end of a record; it is on the disk when this returns.

    Parameters
    ----------
    path : pathlib.Path
        The record, made if it is not there.
    entry : Entry
        An empty `entry` name or time is filled in.

    Returns
    -------
    Entry
        As written.

    Raises
    ------
    ResultsError
        If the record cannot be written.
    """
    return append_all(path, [entry])[0]


def append_all(path: Path, entries: Sequence[Entry]) -> list[Entry]:
    """Write several entries at once, such as those of another person's record."""
    complete = [
        dataclasses.replace(entry, entry=entry.entry or uuid.uuid4().hex, at=entry.at or _now())
        for entry in entries
    ]
    try:
        is_new = not path.exists()
        with path.open("a+b") as file, _locked(file.fileno()):
            last = _last_line(file)
            file.write(b"" if last is None or last.endswith(b"\n") else b"\n")
            previous = "" if last is None else _digest(last.rstrip(b"\n"))
            for entry in complete:
                line = _line(entry, previous)
                file.write(line + b"\n")
                previous = _digest(line)
            file.flush()
            os.fsync(file.fileno())
        if is_new:
            _sync_folder(path.parent)
    except OSError as error:
        message = (
            f"{path}: the decision could not be written ({error.strerror}); "
            "make the folder of the study writable, or free space on its disk."
        )
        raise ResultsError(message) from error
    return complete


def check_writable(path: Path) -> None:
    """Raise if decisions could not be written, before a person begins to decide.

    Raises
    ------
    ResultsError
        If the record, or the folder it is to be made in, cannot be written.
    """
    target = path if path.exists() else path.parent
    if not os.access(target, os.W_OK):
        message = (
            f"{target}: decisions cannot be written there (no permission); "
            "ask for write permission, or copy the study to a folder of your own."
        )
        raise ResultsError(message)


def join(path: Path, other: Path) -> int:
    """Add the entries of another record of the same study that are not in this one yet.

    Returns
    -------
    int
        Number of entries added.

    Raises
    ------
    ResultsError
        If either record cannot be read, or this one cannot be written.
    """
    if not other.is_file():
        message = f"{other}: there is no such file; name a record of decisions (.decisions.jsonl)."
        raise ResultsError(message)
    known = {entry.entry for entry in read_record(path).entries}
    new = [entry for entry in read_record(other).entries if entry.entry not in known]
    if new:
        append_all(path, new)
    return len(new)


def _now() -> str:
    return dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _digest(line: bytes) -> str:
    return hashlib.sha256(line).hexdigest()[:_DIGEST_LENGTH]


def _line(entry: Entry, previous: str) -> bytes:
    fields = {"schema": SCHEMA, **dataclasses.asdict(entry), "previous": previous}
    # NaN is no JSON; an unknown number is null.
    return json.dumps(fields, ensure_ascii=False, allow_nan=False).encode()


def _parse(line: bytes) -> dict[str, Any] | None:
    try:
        found = json.loads(line)
    except ValueError:  # of JSON or of UTF-8
        return None
    return found if isinstance(found, dict) else None


def _entry(found: dict[str, Any], path: Path, number: int) -> Entry:
    schema = found.get("schema")
    if not isinstance(schema, int) or schema > SCHEMA:
        message = (
            f"{path.name}, line {number}: was written by a newer version of micromeasure "
            f"({found.get('software', 'unknown')}, format {schema}); this version "
            f"({__version__}) reads format {SCHEMA}. Update micromeasure to go on."
        )
        raise ResultsError(message)
    names = {f.name for f in dataclasses.fields(Entry)}
    if not {"entry", "action", "by", "at", "image"} <= set(found) or found["action"] not in ACTIONS:
        message = (
            f"{path.name}, line {number}: an entry does not say who did what, when and in which "
            "image; restore the record of decisions from a copy."
        )
        raise ResultsError(message)
    return Entry(**{name: value for name, value in found.items() if name in names})


def _last_line(file: Any) -> bytes | None:  # noqa: ANN401 (a binary file)
    """Return the last line with its end, or what is there of it; None for an empty file."""
    size = file.seek(0, os.SEEK_END)
    if size == 0:
        return None
    block = b""
    position = size
    while position > 0 and b"\n" not in block[:-1]:
        step = min(65536, position)
        position -= step
        file.seek(position)
        block = file.read(step) + block
    file.seek(0, os.SEEK_END)
    return block[block.rfind(b"\n", 0, len(block) - 1) + 1 :]


@contextmanager
def _locked(descriptor: int) -> Iterator[None]:
    """Hold the file against other writers, on this computer and on most network drives."""
    try:
        import fcntl
    except ImportError:  # Windows
        import msvcrt

        # A place far beyond the file's end, so that readers are not kept out.
        os.lseek(descriptor, 1 << 40, os.SEEK_SET)
        msvcrt.locking(descriptor, msvcrt.LK_LOCK, 1)  # type: ignore[attr-defined]
        try:
            yield
        finally:
            os.lseek(descriptor, 1 << 40, os.SEEK_SET)
            msvcrt.locking(descriptor, msvcrt.LK_UNLCK, 1)  # type: ignore[attr-defined]
        return
    fcntl.flock(descriptor, fcntl.LOCK_EX)
    try:
        yield
    finally:
        fcntl.flock(descriptor, fcntl.LOCK_UN)


def _sync_folder(folder: Path) -> None:
    """Put the name of a new file on the disk as well; not every system can."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
