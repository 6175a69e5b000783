"""Forest plots: differences with their intervals against zero and the tolerance."""

from collections.abc import Sequence
from pathlib import Path

from micromeasure.compare.comparison import Comparison
from micromeasure.compare.wording import (
    difference_text,
    half_width,
    interval_text,
    subject,
    with_unit,
)
from micromeasure.estimate import rounded
from micromeasure.report import palette
from micromeasure.report.svg import element, line, marker, nice_ticks, picture, words
from micromeasure.tables.writing import replace_file, unwritable

PLOT_FILE = "comparisons.svg"

_WIDTH, _HEIGHT = 320.0, 58.0
_MARGIN = 12.0
_MIDDLE = 20.0
_ROW = 74.0
_LABELS, _VERDICT = 340.0, 290.0


def can_be_drawn(compared: Comparison) -> bool:
    """Return whether a comparison has an interval."""
    return compared.low_95 is not None and compared.high_95 is not None


def interval_figure(compared: Comparison) -> str:
    """Return the difference of one comparison as a small figure of its own."""
    return picture(_interval(compared), size=(_WIDTH, _HEIGHT), label=_label(compared))


def write_forest_plot(folder: Path, comparisons: Sequence[Comparison]) -> Path:
    """Write `comparisons.svg`, one line for every comparison that has an interval.

    Raises
    ------
    ResultsError
        If it cannot be written.
    """
    path = folder / PLOT_FILE
    try:
        replace_file(path, forest_plot(comparisons).encode())
    except OSError as error:
        raise unwritable(path, error) from error
    return path


def forest_plot(comparisons: Sequence[Comparison]) -> str:
    """Return all comparisons that have an interval in one figure.

    Each line has a scale of its own, since quantities differ in unit; zero lies in the middle.
    """
    drawn = [c for c in comparisons if can_be_drawn(c)]
    width = _LABELS + _WIDTH + _VERDICT
    height = _ROW * max(1, len(drawn)) + 20
    parts = [element("rect", width=width, height=height, fill="#ffffff")]
    if not drawn:
        parts.append(words((20, 40), "No comparison has an interval.", fill=palette.MUTED))
    for number, compared in enumerate(drawn):
        top = 10 + number * _ROW
        parts += _line_of_plot(compared, top, width)
    return picture(
        parts,
        size=(width, height),
        label=f"{len(drawn)} differences between revisions with 95 % intervals",
        standalone=True,
    )


def _line_of_plot(compared: Comparison, top: float, width: float) -> list[str]:
    question, style = compared.question, palette.VERDICTS[compared.verdict]
    step = half_width(compared) or 1.0
    span = interval_text(compared.low_95, compared.high_95, question.unit, step)
    pair = f"{question.revision} − {question.reference or 1}"
    return [
        line((0, top + _ROW - 4), (width, top + _ROW - 4), stroke=palette.RULE),
        words((14, top + 22), subject(question), fill=palette.INK, font_size=14),
        words((14, top + 40), pair, fill=palette.MUTED, font_size=12.5),
        element("g", *_interval(compared), transform=f"translate({_LABELS:g} {top + 4:g})"),
        words(
            (_LABELS + _WIDTH + 14, top + 22), f"{style.sign}  {compared.verdict}",
            fill=style.colour, font_size=14, font_weight="600",
        ),
        words(
            (_LABELS + _WIDTH + 14, top + 40), f"{difference_text(compared)} ({span})",
            fill=palette.MUTED, font_size=12,
        ),
    ]  # fmt: skip


def _interval(compared: Comparison) -> list[str]:
    low, high = compared.low_95 or 0.0, compared.high_95 or 0.0
    value, tolerance = compared.difference or 0.0, compared.tolerance
    reach = 1.08 * max(abs(low), abs(high), tolerance or 0.0) or 1.0

    def x(number: float) -> float:
        return _WIDTH / 2 + number / reach * (_WIDTH / 2 - _MARGIN)

    parts: list[str] = []
    if tolerance is not None:
        left, right = x(-tolerance), x(tolerance)
        parts.append(
            element("rect", x=left, y=4.0, width=right - left, height=32.0, fill=palette.BAND)
        )
        parts += [
            line((end, 4), (end, 36), stroke=palette.ACCENT, stroke_width=1, stroke_dasharray="3 3")
            for end in (left, right)
        ]
    style = palette.VERDICTS[compared.verdict]
    parts += [
        line((_MARGIN, 36), (_WIDTH - _MARGIN, 36), stroke=palette.RULE),
        line((x(0), 2), (x(0), 40), stroke=palette.INK, stroke_width=1.2),
        line((x(low), _MIDDLE), (x(high), _MIDDLE), stroke=style.colour, stroke_width=2.4),
        *(
            line((x(end), _MIDDLE - 5), (x(end), _MIDDLE + 5), stroke=style.colour, stroke_width=2)
            for end in (low, high)
        ),
        marker("diamond", (x(value), _MIDDLE), 5.0, fill=style.colour),
        *_ticks(reach, x(reach) - x(0)),
    ]
    return parts


def _ticks(reach: float, half_px: float) -> list[str]:
    ticks = nice_ticks(0.0, reach / 1.08, 2)
    step = ticks[1] - ticks[0] if len(ticks) > 1 else reach
    shown = [t for t in ticks if t > 0][-1:] or [reach / 1.08]
    parts = []
    for tick in (-shown[-1], 0.0, shown[-1]):
        at = _WIDTH / 2 + tick / reach * half_px
        text = "0" if tick == 0 else f"{tick:+.{_places(step)}f}".replace("-", "−")
        parts += [
            line((at, 36), (at, 40), stroke=palette.MUTED),
            words((at, 53), text, fill=palette.MUTED, font_size=11.5, text_anchor="middle"),
        ]
    return parts


def _places(step: float) -> int:
    text = f"{step:.12g}"
    return len(text.split(".")[1]) if "." in text else 0


def _label(compared: Comparison) -> str:
    question = compared.question
    step = half_width(compared) or 1.0
    span = interval_text(compared.low_95, compared.high_95, question.unit, step)
    text = (
        f"{subject(question)}: {question.revision} minus {question.reference or 1} is "
        f"{difference_text(compared)}, 95 % interval {span}"
    )
    if compared.tolerance is None:
        return text
    return f"{text}, tolerance ±{with_unit(rounded(compared.tolerance, None)[0], question.unit)}"
