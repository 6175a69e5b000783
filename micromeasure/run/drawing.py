"""Files of what several images give together: drawings to scale as SVG, and traces."""

import io
from collections.abc import Iterator
from pathlib import Path

from micromeasure.micrograph.image import ImageRecord
from micromeasure.quantities.declare import Derived, Drawing
from micromeasure.run.palette import INK, PAPER, STYLES, Colour
from micromeasure.tables.names import OVERLAYS, PROFILES, safe_name

# Lines of a drawing in their order: what is compared with, then what is compared.
_ROLES = ("mid-line", "edge", "fit", "base-line")
_WIDTH_INCH, _HEIGHT_INCH = 10.0, 6.0


def derived_files(quantity: str, derived: Derived) -> Iterator[tuple[Path, str | Drawing]]:
    """Yield path inside the results folder and content (CSV text or drawing) of each file.

    Parameters
    ----------
    quantity : str
        Name of the derived quantity.
    derived : Derived
    """
    from micromeasure.run.worker import trace_text

    stem = f"{safe_name(quantity)}/{_record_name(derived.record)}"
    for trace in derived.traces:
        yield Path(PROFILES) / f"{stem}.{safe_name(trace.name)}.csv", trace_text(trace)
    if derived.drawing is not None:
        yield Path(OVERLAYS) / f"{stem}.svg", derived.drawing


def _record_name(record: ImageRecord) -> str:
    words = (record.revision, record.specimen, record.view, record.position, record.state)
    return safe_name(" ".join(word for word in words if word) or "all")


def drawing_svg(drawing: Drawing) -> bytes:
    """Paint a drawing: both axes in micrometres at one scale, on the overlays' dark ground."""
    from matplotlib.figure import Figure

    ink, paper = _colour(INK), _colour(PAPER)
    figure = Figure(figsize=(_WIDTH_INCH, _HEIGHT_INCH), facecolor=paper, layout="constrained")
    axes = figure.add_subplot(facecolor=paper)
    for (name, points), role in zip(drawing.lines.items(), _ROLES, strict=False):
        style = STYLES[role]
        dash = "-" if style.dash_px is None else (0, style.dash_px)
        x, y = ([*axis, axis[0]] for axis in points.T)
        axes.plot(x, y, color=_colour(style.colour), linestyle=dash, linewidth=1.2, label=name)
    axes.set_aspect("equal", adjustable="datalim")
    axes.set_xlabel("x in µm", color=ink)
    axes.set_ylabel("y in µm", color=ink)
    axes.set_title(drawing.caption, color=ink)
    axes.tick_params(colors=ink)
    for spine in axes.spines.values():
        spine.set_color(ink)
    axes.legend(facecolor=paper, labelcolor=ink, edgecolor=ink)
    buffer = io.BytesIO()
    # No date and fixed ids: the same results give the same bytes.
    figure.savefig(buffer, format="svg", metadata={"Date": None})
    return buffer.getvalue()


def _colour(colour: Colour) -> tuple[float, float, float]:
    red, green, blue = colour
    return red / 255, green / 255, blue / 255
