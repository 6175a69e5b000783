"""What travels between the coordinator and its workers: plain data, a few kilobytes each way."""

import os
import stat
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from micromeasure.micrograph.header import MAX_PIXELS
from micromeasure.study.model import Job

# A file changed within the resolution of its clock keeps its time stamp; younger ones than this
# are looked at again next time.
_SETTLED_NS = 2_000_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class FileStamp:
    """A file as it was when its digest was made.

    Attributes
    ----------
    path : str
    size : int
        Bytes.
    mtime_ns : int
        Time of last change in ns; 0 where it is too recent to be trusted.
    sha256 : str
    """

    path: str
    size: int
    mtime_ns: int
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """A finished measure: its key and the files it wrote, paths inside the results folder."""

    key: str
    written: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """A job with all a worker needs to know about this run.

    Attributes
    ----------
    job : Job
    slots : tuple of str
        Name of each measure, see `micromeasure.tables.names.slot_names`.
    requests : tuple of str
        Digest of each measure's request, see `micromeasure.run.keys`.
    known : mapping of str to str
        Keys of finished measures by slot; these are left alone if their key still holds.
    out : pathlib.Path
        The results folder.
    max_pixels : int
    attempt : int
        1, or 2 where a first worker was lost over this image.
    """

    job: Job
    slots: tuple[str, ...]
    requests: tuple[str, ...]
    out: Path
    known: Mapping[str, str] = field(default_factory=dict)
    max_pixels: int = MAX_PIXELS
    attempt: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureResult:
    """One measure of one image.

    Attributes
    ----------
    slot, quantity, method, key : str
    final : bool
        False where the reason lies outside the image (a lost worker, a file that cannot be
        read): the next run tries again.
    outcome : str
        JSON, see `micromeasure.run.plain`.
    reasons : tuple of str
        Of its failures.
    written : tuple of str
        Files it wrote, paths inside the results folder.
    """

    slot: str
    quantity: str
    method: str
    key: str
    final: bool
    outcome: str
    reasons: tuple[str, ...] = ()
    written: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ImageResult:
    """What a worker hands back for one image.

    Attributes
    ----------
    number : int
        The job's.
    image : str
    image_sha256, calibration : str
        Empty where the image could not be read.
    stamps : tuple of FileStamp
        Of the image and its companion frames.
    measures : tuple of MeasureResult
        Those made now; empty where nothing had changed.
    seconds : float
    halt : str
        Sentence that ends the run, such as a full disk; empty for none.
    """

    number: int
    image: str
    image_sha256: str = ""
    calibration: str = ""
    stamps: tuple[FileStamp, ...] = ()
    measures: tuple[MeasureResult, ...] = ()
    seconds: float = 0.0
    halt: str = ""


def stamp_of(path: Path) -> tuple[int, int]:
    """Return size and time of last change in ns of a file, or of a folder with its files.

    Raises
    ------
    OSError
        If it is not there.
    """
    facts = os.stat(path)  # noqa: PTH116  # half the time of Path.stat, and asked for every image
    if not stat.S_ISDIR(facts.st_mode):
        return facts.st_size, facts.st_mtime_ns
    # A folder's own date tells of new files only, not of changed ones.
    with os.scandir(path) as entries:
        inside = [entry.stat() for entry in entries]
    return sum(f.st_size for f in inside), max(f.st_mtime_ns for f in [facts, *inside])


def settled(mtime_ns: int) -> int:
    """Return a time stamp, or 0 where it is too young to prove that nothing changed since."""
    return mtime_ns if time.time_ns() - mtime_ns > _SETTLED_NS else 0
