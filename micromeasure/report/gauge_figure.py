"""Figure of a gauge study: every value by part and operator, and where the variation comes from."""

from collections.abc import Sequence
from pathlib import Path

from micromeasure.compare.repeatability import GaugeStudy
from micromeasure.compare.wording import brief, capitalised, plain_name, unit_for_people
from micromeasure.report import palette
from micromeasure.report.svg import (
    element,
    line,
    marker,
    nice_ticks,
    picture,
    tick_text,
    words,
)
from micromeasure.tables.names import safe_name
from micromeasure.tables.writing import replace_file, unwritable

_SIZE = (920.0, 380.0)
_LEFT, _RIGHT, _TOP, _BOTTOM = 64.0, 590.0, 64.0, 330.0
_BARS_LEFT, _BARS_RIGHT = 740.0, 900.0
_NAMED = 14


def write_gauge_figures(folder: Path, studies: Sequence[GaugeStudy]) -> list[Path]:
    """Write one figure per gauge study.

    Raises
    ------
    ResultsError
        If one cannot be written.
    """
    paths = []
    for study in studies:
        places = (study.quantity, study.feature, study.view, study.state)
        name = "-".join(word for word in places if word)
        path = folder / f"{safe_name(f'repeatability-{name}')}.svg"
        try:
            replace_file(path, gauge_figure(study).encode())
        except OSError as error:
            raise unwritable(path, error) from error
        paths.append(path)
    return paths


def gauge_figure(study: GaugeStudy) -> str:
    """Return the figure of one gauge study."""
    title = capitalised(plain_name(study.quantity))
    title += f", {study.feature}" if study.feature not in {"", "all"} else ""
    parts = [
        element("rect", width=_SIZE[0], height=_SIZE[1], fill="#ffffff"),
        words((20, 26), title, font_size=17, font_weight="600", fill=palette.INK),
        *_legend(study),
        *_values(study),
        *_bars(study),
    ]
    result = study.result
    label = (
        f"{title}: {result.n_parts} parts, {result.n_operators} operators; repeatability "
        f"{brief(result.repeatability_sd)} {unit_for_people(study.unit)}"
    )
    return picture(parts, size=_SIZE, label=label, standalone=True)


def _legend(study: GaugeStudy) -> list[str]:
    parts, x = [], _LEFT
    for number, operator in enumerate(study.operators):
        if not operator:
            continue
        style = palette.revision_style(number)
        parts.append(marker(style.shape, (x + 5, 44), 4.5, fill=style.colour))
        parts.append(words((x + 15, 48), operator, font_size=12.5, fill=palette.MUTED))
        x += 34 + 7.5 * len(operator)
    return parts


def _values(study: GaugeStudy) -> list[str]:
    """Draw every value; operators of one part stand side by side."""
    everything = [float(v) for values in study.values.values() for v in values]
    pad = 0.06 * ((max(everything) - min(everything)) or 1.0)
    low, high = min(everything) - pad, max(everything) + pad

    def y(value: float) -> float:
        return _BOTTOM - (value - low) / (high - low) * (_BOTTOM - _TOP)

    names = list(dict.fromkeys(part for part, _ in study.values))
    step_x = (_RIGHT - _LEFT) / len(names)
    parts = [*_grid(low, high, study.unit), line((_LEFT, _BOTTOM), (_RIGHT, _BOTTOM),
                                                 stroke=palette.MUTED)]  # fmt: skip
    for (part, operator), values in study.values.items():
        column, number = names.index(part), study.operators.index(operator)
        style = palette.revision_style(number)
        offset = (number - (len(study.operators) - 1) / 2) * step_x / (len(study.operators) + 1)
        x = _LEFT + (column + 0.5) * step_x + offset
        ends = y(float(values.min())), y(float(values.max()))
        parts.append(line((x, ends[0]), (x, ends[1]), stroke=style.colour, stroke_opacity=0.4))
        parts += [
            marker(style.shape, (x, y(float(v))), 3.2, fill=style.colour, fill_opacity=0.8)
            for v in values
        ]
    if len(names) <= _NAMED:
        parts += [
            words((_LEFT + (i + 0.5) * step_x, _BOTTOM + 18), name[-9:], font_size=11,
                  fill=palette.MUTED, text_anchor="middle")
            for i, name in enumerate(names)
        ]  # fmt: skip
    return parts


def _grid(low: float, high: float, unit: str) -> list[str]:
    ticks = nice_ticks(low, high)
    step = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
    parts = [words((_LEFT - 44, _TOP - 8), unit_for_people(unit), font_size=12, fill=palette.MUTED)]
    for tick in ticks:
        at = _BOTTOM - (tick - low) / (high - low) * (_BOTTOM - _TOP)
        parts += [
            line((_LEFT, at), (_RIGHT, at), stroke=palette.RULE, stroke_width=0.7),
            words((_LEFT - 7, at + 4), tick_text(tick, step), font_size=11.5, fill=palette.MUTED,
                  text_anchor="end"),
        ]  # fmt: skip
    return parts


def _bars(study: GaugeStudy) -> list[str]:
    """Draw the standard deviation of every source of variation."""
    result = study.result
    bars = [("repeatability", result.repeatability_sd)]
    if result.reproducibility_sd is not None:
        bars += [("reproducibility", result.reproducibility_sd), ("gauge", result.gauge_sd)]
    if result.n_parts > 1:
        bars.append(("parts", result.part_sd))
    widest = max(sd for _, sd in bars) or 1.0
    unit = unit_for_people(study.unit)
    title = f"standard deviation{f', {unit}' if unit else ''}"
    parts = [words((_BARS_LEFT - 105, 48), title, font_size=12.5, fill=palette.MUTED)]
    for number, (name, sd) in enumerate(bars):
        top = _TOP + 12 + 44 * number
        width = sd / widest * (_BARS_RIGHT - _BARS_LEFT - 46)
        parts += [
            words((_BARS_LEFT - 8, top + 16), name, font_size=12.5, fill=palette.INK,
                  text_anchor="end"),
            element("rect", x=_BARS_LEFT, y=top, width=max(width, 1.0), height=22.0,
                    fill=palette.MUTED if name == "parts" else palette.ACCENT),
            words((_BARS_LEFT + width + 6, top + 16), brief(sd), font_size=12.5, fill=palette.INK),
        ]  # fmt: skip
    return parts
