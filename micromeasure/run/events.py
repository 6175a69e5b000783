"""What a run tells those who watch it: the progress line, the log, a test."""

from collections.abc import Callable
from dataclasses import dataclass

from micromeasure.run.task import ImageResult


@dataclass(frozen=True, slots=True)
class Started:
    """A run began on so many images."""

    total: int


@dataclass(frozen=True, slots=True)
class Kept:
    """One more image was found finished."""


@dataclass(frozen=True, slots=True)
class Measured:
    """An image was measured, or could not be."""

    result: ImageResult


@dataclass(frozen=True, slots=True)
class Note:
    """Something a person should know."""

    sentence: str


@dataclass(frozen=True, slots=True)
class Ended:
    """The run is over: ``finished``, ``stopped`` or the sentence that ended it."""

    status: str


Event = Started | Kept | Measured | Note | Ended
Watcher = Callable[[Event], None]
