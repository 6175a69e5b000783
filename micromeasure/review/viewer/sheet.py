"""What every view of the viewer has in common: a heading, lines of text, keys, and actions."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from micromeasure.review.shelf import Plate
from micromeasure.review.viewer.keys import Key

Action = Callable[[], None]


@dataclass(frozen=True, slots=True)
class Line:
    """One line of text beside the image.

    Attributes
    ----------
    name, value : str
        What it is, and the number with its unit.
    is_chosen : bool
        Whether the keys work on it.
    """

    name: str
    value: str
    is_chosen: bool = False


class Sheet(Protocol):
    """One view: indications, measurements, or two images side by side."""

    said: str
    """What is to be said about the last action; empty for nothing."""

    plate: Plate
    """The image that is shown; empty where there are several or none."""

    @property
    def notice(self) -> str:
        """What the person should know now; empty for nothing."""

    def heading(self) -> str:
        """Return the title of what is shown."""

    def progress(self) -> str:
        """Return place and progress, such as ``37 of 112``."""

    def state(self) -> tuple[str, str]:
        """Return what was decided so far as a text, and the role that gives its colour."""

    def lines(self) -> list[Line]:
        """Return the numbers to be shown beside the image."""

    def keys(self) -> tuple[Key, ...]:
        """Return the keys that do something now."""

    def press(self, action: str) -> None:
        """Do what a key asks for."""

    def asks(self) -> str:
        """Return what a person has to type now, such as a remark; empty for nothing."""

    def answer(self, text: str) -> None:
        """Take what a person typed."""

    def show(self) -> None:
        """Put the view's image on the stage."""

    def close(self) -> None:
        """Take everything of the view off the stage."""
