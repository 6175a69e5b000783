"""Distributions: every position and every specimen of every revision, and the mean of each."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from micromeasure.compare.contrast import quantile
from micromeasure.compare.specimens import Group, Specimen
from micromeasure.compare.wording import signed, unit_for_people, value_text, with_unit
from micromeasure.estimate import rounded
from micromeasure.report import palette
from micromeasure.report.palette import RevisionStyle
from micromeasure.report.svg import line, marker, nice_ticks, picture, tick_text, words

_HEIGHT = 250.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 60.0, 12.0, 24.0, 46.0
_COLUMN = 168.0
# Specimens beyond this number are no longer named under the axis.
_NAMED = 8


@dataclass(frozen=True, slots=True)
class _Axis:
    """The vertical axis: values at its ends."""

    low: float
    high: float

    def y(self, value: float) -> float:
        """Return where a value lies."""
        bottom = _HEIGHT - _BOTTOM
        return bottom - (value - self.low) / (self.high - self.low) * (bottom - _TOP)


def strip_plot(
    groups: Sequence[Group],
    *,
    subject: str,
    unit: str,
    revisions: Sequence[str] = (),
    with_intervals: bool = True,
) -> str:
    """Return a figure with one column a revision.

    Small dots are positions, large markers the means of specimens; the line across is the mean
    over specimens and the bracket its 95 % interval for specimens like these.

    Parameters
    ----------
    groups : sequence of Group
    subject : str
        What is shown, for the alternative text.
    unit : str
    revisions : sequence of str
        All revisions of the report, so that each looks alike in every figure; those of `groups`
        where not given.
    with_intervals : bool
        Not for counts, whose scatter is far from normal.
    """
    # A single revision gets no larger letters than two.
    width = _LEFT + _COLUMN * max(2, len(groups)) + _RIGHT
    known = list(revisions) or [group.revision for group in groups]
    axis = _axis(groups, with_intervals=with_intervals)
    parts = _grid(axis, width, unit)
    for number, group in enumerate(groups):
        centre = _LEFT + _COLUMN * (number + 0.5)
        parts += _mean_marks(group, centre, axis, with_interval=with_intervals)
        look = known.index(group.revision) if group.revision in known else number
        parts += _column(group, centre, palette.revision_style(look), axis=axis, unit=unit)
    return picture(parts, size=(width, _HEIGHT), label=_label(groups, subject, unit))


def _axis(groups: Sequence[Group], *, with_intervals: bool) -> _Axis:
    shown = [v for g in groups for s in g.specimens for v in _shown(s)]
    for group in groups if with_intervals else ():
        shown += [end for end in _interval(group) or () if math.isfinite(end)]
    if not shown:
        return _Axis(0.0, 1.0)
    # A wide interval of two specimens must not flatten the values themselves.
    values = [v for g in groups for s in g.specimens for v in _shown(s)]
    span = (max(values) - min(values)) or abs(values[0]) * 0.02 or 1.0
    low = max(min(shown), min(values) - 1.5 * span)
    high = min(max(shown), max(values) + 1.5 * span)
    pad = 0.06 * ((high - low) or span)
    return _Axis(low - pad, high + pad)


def _shown(specimen: Specimen) -> list[float]:
    own = [] if specimen.estimate.value is None else [specimen.estimate.value]
    return [*own, *specimen.positions]


def _grid(axis: _Axis, width: float, unit: str) -> list[str]:
    ticks = nice_ticks(axis.low, axis.high)
    step = ticks[1] - ticks[0] if len(ticks) > 1 else abs(ticks[0]) or 1.0
    parts = [
        words((4, 14), unit_for_people(unit), fill=palette.MUTED, font_size=12),
        line((_LEFT, _HEIGHT - _BOTTOM), (width - _RIGHT, _HEIGHT - _BOTTOM), stroke=palette.MUTED),
    ]
    for tick in ticks:
        y = axis.y(tick)
        parts += [
            line((_LEFT, y), (width - _RIGHT, y), stroke=palette.RULE, stroke_width=0.7),
            words((_LEFT - 7, y + 4), tick_text(tick, step), fill=palette.MUTED, font_size=11.5,
                  text_anchor="end"),
        ]  # fmt: skip
    return parts


def _column(
    group: Group, centre: float, style: RevisionStyle, *, axis: _Axis, unit: str
) -> list[str]:
    specimens = [s for s in group.specimens if s.estimate.value is not None]
    gap = min(26.0, (_COLUMN - 44) / max(1, len(specimens)))
    parts: list[str] = []
    for i, specimen in enumerate(specimens):
        x = centre + (i - (len(specimens) - 1) / 2) * gap
        parts += _specimen_marks(specimen, x, style, axis=axis, unit=unit, gap=gap)
        if len(specimens) <= _NAMED:
            parts.append(
                words((x, _HEIGHT - 30), specimen.name[-6:], fill=palette.MUTED, font_size=10.5,
                      text_anchor="middle")
            )  # fmt: skip
    label = f"{group.revision or 'pairs'} (n = {len(group.specimens)})"
    return [
        *parts,
        words((centre, _HEIGHT - 9), label, fill=style.colour, font_size=13, font_weight="600",
              text_anchor="middle"),
    ]  # fmt: skip


def _specimen_marks(
    specimen: Specimen, x: float, style: RevisionStyle, *, axis: _Axis, unit: str, gap: float
) -> list[str]:
    radius = 5.0 if gap > 11 else max(2.0, gap / 2.4)
    parts = []
    if len(specimen.positions) > 1:
        ends = [axis.y(v) for v in (min(specimen.positions), max(specimen.positions))]
        parts.append(line((x, ends[0]), (x, ends[1]), stroke=style.colour, stroke_opacity=0.35))
        parts += [
            marker("circle", (x, axis.y(v)), radius * 0.36, fill=style.colour, fill_opacity=0.75)
            for v in specimen.positions
        ]
    title = f"{specimen.name}: {with_unit(signed(value_text(specimen.estimate)), unit)}"
    value = specimen.estimate.value or 0.0
    parts.append(
        marker(style.shape, (x, axis.y(value)), radius, title=title, fill="#ffffff",
               fill_opacity=0.55, stroke=style.colour, stroke_width=1.8)
    )  # fmt: skip
    return parts


def _mean_marks(group: Group, centre: float, axis: _Axis, *, with_interval: bool) -> list[str]:
    if not len(group.values):
        return []
    half = _COLUMN / 2 - 14
    y = axis.y(float(group.values.mean()))
    parts = [line((centre - half, y), (centre + half, y), stroke=palette.INK, stroke_width=1.4)]
    ends = _interval(group) if with_interval else None
    if ends:
        x = centre + half
        low, high = (axis.y(min(max(e, axis.low), axis.high)) for e in ends)
        parts.append(line((x, low), (x, high), stroke=palette.INK, stroke_width=1.4))
        for end, value in zip((low, high), ends, strict=True):
            # An interval that leaves the figure is left open there.
            if axis.low <= value <= axis.high:
                parts.append(line((x - 5, end), (x + 5, end), stroke=palette.INK, stroke_width=1.4))
    return parts


def _interval(group: Group) -> tuple[float, float] | None:
    """Return the 95 % interval of a group's mean from its specimens alone."""
    n = len(group.values)
    if n < 2:
        return None
    half = quantile(n - 1, 0.975) * float(group.values.std(ddof=1)) / math.sqrt(n)
    mean = float(group.values.mean())
    return mean - half, mean + half


def _label(groups: Sequence[Group], subject: str, unit: str) -> str:
    parts = []
    for group in groups:
        values = group.values
        if not len(values):
            parts.append(f"{group.revision}: no value")
            continue
        step = float(values.std(ddof=1)) if len(values) > 1 else None
        ends = [
            rounded(float(v), step or None)[0] for v in (values.mean(), values.min(), values.max())
        ]
        plural = "s" if len(values) > 1 else ""
        parts.append(
            f"{group.revision or 'pairs'}: {len(values)} specimen{plural}, mean {ends[0]}, from "
            f"{ends[1]} to {ends[2]} {unit_for_people(unit)}".rstrip()
        )
    return signed(f"{subject}. " + "; ".join(parts))
