"""Colours and line styles of overlays.

Every role differs from its neighbours in lightness and in line style as well as in colour, so
that it is told apart with any colour vision and in a grey print.
"""

from dataclasses import dataclass

Colour = tuple[int, int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """How marks of one role are drawn.

    Attributes
    ----------
    colour : tuple of three ints
        Red, green, blue.
    width_px : int
        On the overlay.
    dash_px : tuple of two floats or None
        Drawn and open length on the overlay; None for a solid line.
    """

    colour: Colour
    width_px: int = 2
    dash_px: tuple[float, float] | None = None


STYLES: dict[str, Style] = {
    "edge": Style(colour=(255, 150, 20)),
    "mid-line": Style(colour=(120, 215, 255), dash_px=(14.0, 10.0)),
    "base-line": Style(colour=(255, 235, 90), dash_px=(26.0, 8.0)),
    "fit": Style(colour=(80, 140, 255)),
    "region": Style(colour=(255, 255, 255), width_px=1, dash_px=(4.0, 6.0)),
    "excluded": Style(colour=(215, 60, 150), width_px=3, dash_px=(3.0, 5.0)),
    "fold": Style(colour=(255, 235, 90), dash_px=(18.0, 6.0)),
    "band": Style(colour=(255, 255, 255), width_px=1, dash_px=(10.0, 10.0)),
    "candidate": Style(colour=(255, 90, 50)),
    "point": Style(colour=(255, 235, 90)),
}
OTHER = Style(colour=(235, 235, 235), dash_px=(8.0, 4.0))

INK: Colour = (240, 240, 240)
PAPER: Colour = (26, 28, 32)
