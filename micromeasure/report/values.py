"""Tables of the report: values of revisions and of every specimen, with expanded uncertainty."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from micromeasure.compare.contrast import contrast, quantile
from micromeasure.compare.mean_comparison import as_sample
from micromeasure.compare.questions import MAIN_STATISTICS, is_count
from micromeasure.compare.specimens import Group, group, spread
from micromeasure.compare.wording import (
    brief,
    capitalised,
    expanded,
    plain_name,
    signed,
    unit_for_people,
    value_text,
)
from micromeasure.estimate import Estimate, mean_of, rounded
from micromeasure.report.strips import strip_plot
from micromeasure.tables.reading import Result

DASH = "–"


@dataclass(frozen=True, slots=True, kw_only=True)
class RevisionLine:
    """One revision in one quantity.

    Attributes
    ----------
    revision, mean, expanded, k, sd, within_sd : str
        Finished texts; `expanded` is for the mean of specimens like these, or, with a single
        specimen, for this specimen alone.
    n, n_positions : int
    is_single : bool
    """

    revision: str
    mean: str
    expanded: str
    k: str
    sd: str
    within_sd: str
    n: int
    n_positions: int
    is_single: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecimenLine:
    """One specimen in one quantity; finished texts."""

    revision: str
    specimen: str
    value: str
    expanded: str
    k: str
    n_positions: int
    flags: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """All that the report shows of one quantity, feature, view and state.

    Attributes
    ----------
    title, place, unit, source : str
        `place` is the view and state, `source` the file of another instrument, empty for our own
        measurements.
    figure : str
        SVG, empty for results in words.
    revisions : tuple of RevisionLine
    specimens : tuple of SpecimenLine
    """

    title: str
    place: str
    unit: str
    source: str
    figure: str
    revisions: tuple[RevisionLine, ...]
    specimens: tuple[SpecimenLine, ...]


def sections(results: Sequence[Result], revisions: Sequence[str]) -> tuple[Section, ...]:
    """Return one section per quantity, feature, view and state, main statistics only.

    Parameters
    ----------
    results : sequence of Result
        Values set aside are left out.
    revisions : sequence of str
        In the order to show them.
    """
    found: dict[tuple[str, ...], list[Result]] = defaultdict(list)
    for r in results:
        if r.statistic in MAIN_STATISTICS and "set-aside" not in r.flags:
            found[r.quantity, r.feature, r.view, r.state, r.statistic, r.brought_in].append(r)
    return tuple(_section(rows, revisions) for rows in found.values())


def _section(rows: Sequence[Result], revisions: Sequence[str]) -> Section:
    first = rows[0]
    title = capitalised(plain_name(first.quantity))
    if first.feature not in {"", "all"}:
        title += f", {first.feature}"
    place = ", ".join(word for word in (first.view, first.state) if word)
    if any(r.text for r in rows):
        return _in_words(title, place, rows)
    order = [r for r in revisions if any(row.revision == r for row in rows)]
    order += sorted({row.revision for row in rows} - set(order))
    groups = [group(name, [r for r in rows if r.revision == name]) for name in order]
    unit = first.estimate.unit
    return Section(
        title=title,
        place=place,
        unit=unit_for_people(unit),
        source=first.brought_in,
        figure=strip_plot(
            groups,
            subject=f"{title}, {place}" if place else title,
            unit=unit,
            revisions=revisions,
            with_intervals=not is_count(first.quantity),
        ),
        revisions=tuple(_revision_line(g, counts=is_count(first.quantity)) for g in groups),
        specimens=tuple(line for g in groups for line in _specimen_lines(g)),
    )


def _in_words(title: str, place: str, rows: Sequence[Result]) -> Section:
    lines = tuple(
        SpecimenLine(
            revision=r.revision, specimen=r.specimen, value=r.text or DASH, expanded=DASH, k=DASH,
            n_positions=1, flags=" ".join(r.flags),
        )
        for r in rows
    )  # fmt: skip
    return Section(
        title=title,
        place=place,
        unit="",
        source=rows[0].brought_in,
        figure="",
        revisions=(),
        specimens=lines,
    )


def _revision_line(found: Group, *, counts: bool) -> RevisionLine:
    parts = spread(found)
    # The scatter of counts is far from normal; their intervals stand with the comparisons.
    half, k = (None, 0.0) if counts else _of_mean(found)
    mean = float(found.values.mean()) if len(found.values) and not found.n_limits else None
    texts = rounded(mean, half)
    if counts and mean is not None:
        texts = f"{mean:.2f}", DASH
    return RevisionLine(
        revision=found.revision or "pairs",
        mean=signed(texts[0]),
        expanded=texts[1],
        k=DASH if half is None else f"{k:.2f}",
        sd=_sd(parts.means_sd),
        within_sd=_sd(parts.within_sd),
        n=len(found.specimens),
        n_positions=found.n_positions,
        is_single=len(found.specimens) == 1,
    )


def _of_mean(found: Group) -> tuple[float | None, float]:
    """Return the expanded uncertainty of a group's mean and its coverage factor."""
    if found.n_limits or not len(found.values):
        return None, 0.0
    if len(found.values) > 1:
        scatter = contrast(as_sample(found), None, 0.0)
        k = quantile(scatter.dof, 0.975)
        return (k * scatter.u or None), k
    estimate = mean_of([s.estimate for s in found.specimens])
    u = estimate.standard_uncertainty
    k = quantile(estimate.dof, 0.975)
    return (None if u is None else k * u), k


def _sd(sd: float | None) -> str:
    return DASH if sd is None else brief(sd)


def _specimen_lines(found: Group) -> list[SpecimenLine]:
    return [
        SpecimenLine(
            revision=found.revision or "pairs",
            specimen=specimen.name or DASH,
            **dict(zip(("value", "expanded", "k"), _cells(specimen.estimate), strict=True)),
            n_positions=len(specimen.positions),
            flags=" ".join(specimen.flags),
        )
        for specimen in found.specimens
    ]


def _cells(estimate: Estimate) -> tuple[str, str, str]:
    if estimate.value is None:
        return value_text(estimate), DASH, DASH
    value, half, k = expanded(estimate)
    return signed(value), half, k
