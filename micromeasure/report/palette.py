"""Colours and signs of figures and page.

Revisions differ in shape and lightness as well as in colour, verdicts in sign and border, so
that nothing hangs on seeing colours; all texts have a contrast of 4.5 to 1 or more.
"""

from dataclasses import dataclass

from micromeasure.compare.verdicts import DIFFERS, NOT_RESOLVED, SAME

INK = "#1b2430"
MUTED = "#55606d"
RULE = "#d3d9df"
WASH = "#f2f5f6"
ACCENT = "#0b5563"
BAND = "#dcecee"


@dataclass(frozen=True, slots=True, kw_only=True)
class RevisionStyle:
    """Colour and marker of one revision.

    Attributes
    ----------
    colour : str
    shape : str
        Name of a marker in `svg.marker`.
    """

    colour: str
    shape: str


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictStyle:
    """Sign, colours and name of the CSS class of a verdict."""

    sign: str
    colour: str
    name: str


_REVISIONS = (
    RevisionStyle(colour="#1d5a7a", shape="circle"),
    RevisionStyle(colour="#b4600f", shape="diamond"),
    RevisionStyle(colour="#5d4a92", shape="triangle"),
    RevisionStyle(colour="#3c6a30", shape="square"),
    RevisionStyle(colour="#8c2e52", shape="bar"),
)

VERDICTS = {
    DIFFERS: VerdictStyle(sign="≠", colour="#8f3a08", name="differs"),
    SAME: VerdictStyle(sign="≈", colour=ACCENT, name="same"),
    NOT_RESOLVED: VerdictStyle(sign="?", colour="#4a5460", name="open"),
}


def revision_style(number: int) -> RevisionStyle:
    """Return the style of the revision with a number, from 0; they repeat after five."""
    return _REVISIONS[number % len(_REVISIONS)]
