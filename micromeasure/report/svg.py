"""Scalable figures from a few plain elements: small files, sharp in print, readable by machines."""

import math
from collections.abc import Sequence
from html import escape

FONT = "'Source Sans 3', 'Segoe UI', Roboto, 'Helvetica Neue', 'DejaVu Sans', sans-serif"


def element(name: str, *children: str, **attributes: str | float | None) -> str:
    """Return one SVG element.

    Parameters
    ----------
    name : str
    children : str
        Finished elements, or text that is escaped already.
    attributes : str or float or None
        ``_`` in a name stands for ``-``, a final one is dropped; None leaves the attribute out.
    """
    parts = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{_attribute(value)}"'
        for key, value in attributes.items()
        if value is not None
    )
    inner = "".join(children)
    return f"<{name}{parts}>{inner}</{name}>" if inner else f"<{name}{parts}/>"


def picture(
    children: Sequence[str], *, size: tuple[float, float], label: str, standalone: bool = False
) -> str:
    """Return a whole figure.

    Parameters
    ----------
    children : sequence of str
    size : tuple of two floats
        Width and height in its own units.
    label : str
        What it shows, for those who cannot see it.
    standalone : bool
        Whether it becomes a file of its own.
    """
    width, height = size
    return element(
        "svg",
        element("title", escape(label)) if standalone else "",
        *children,
        xmlns="http://www.w3.org/2000/svg" if standalone else None,
        viewBox=f"0 0 {width:g} {height:g}",
        width=width if standalone else None,
        height=height if standalone else None,
        role="img",
        aria_label=label,
        font_family=FONT if standalone else None,
    )


def line(start: tuple[float, float], end: tuple[float, float], **style: str | float | None) -> str:
    """Return a straight line."""
    return element("line", x1=start[0], y1=start[1], x2=end[0], y2=end[1], **style)


def words(at: tuple[float, float], text: str, **style: str | float | None) -> str:
    """Return a line of text."""
    return element("text", escape(text), x=at[0], y=at[1], **style)


def marker(
    shape: str, at: tuple[float, float], radius: float, *, title: str = "", **style: str | float
) -> str:
    """Return a marker of one of five shapes, with a text that shows when pointed at."""
    x, y = at
    inside = element("title", escape(title)) if title else ""
    if shape == "circle":
        return element("circle", inside, cx=x, cy=y, r=radius, **style)
    if shape == "bar":
        return element(
            "rect", inside, x=x - 0.45 * radius, y=y - 1.2 * radius, width=0.9 * radius,
            height=2.4 * radius, **style,
        )  # fmt: skip
    points = " ".join(
        f"{_short(x + radius * dx)},{_short(y + radius * dy)}" for dx, dy in _CORNERS[shape]
    )
    return element("polygon", inside, points=points, **style)


_CORNERS = {
    "diamond": ((0, -1.3), (1.3, 0), (0, 1.3), (-1.3, 0)),
    "triangle": ((0, -1.25), (1.2, 0.95), (-1.2, 0.95)),
    "square": ((-0.95, -0.95), (0.95, -0.95), (0.95, 0.95), (-0.95, 0.95)),
}


def nice_ticks(low: float, high: float, wanted: int = 5) -> list[float]:
    """Return round numbers between two limits, about as many as wanted."""
    span = high - low
    if not math.isfinite(span) or span <= 0:
        return [low]
    raw = span / wanted
    power = 10.0 ** math.floor(math.log10(raw))
    step = min((power * m for m in (1, 2, 5, 10)), key=lambda s: abs(math.log(s / raw)))
    first = math.ceil(low / step - 1e-9)
    return [i * step for i in range(first, math.floor(high / step + 1e-9) + 1)]


def tick_text(value: float, step: float) -> str:
    """Write a tick with as many places as its step needs."""
    places = max(0, -math.floor(math.log10(step) + 1e-9))
    return f"{value:.{places}f}".replace("-", "−")


def _attribute(value: str | float) -> str:
    return escape(value) if isinstance(value, str) else _short(value)


def _short(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")
