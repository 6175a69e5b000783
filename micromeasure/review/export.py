"""The record of decisions as tables: every entry with its place in the results, and agreement."""

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from micromeasure.review.agreement import Agreement, agreements
from micromeasure.review.cases import in_force
from micromeasure.review.merge import Found, Merged, merge
from micromeasure.review.opening import Opened
from micromeasure.review.record import UNDO, Entry, read_record
from micromeasure.tables.cells import number_cell, text_cell
from micromeasure.tables.columns import Column, Table
from micromeasure.tables.writing import CsvFile, unwritable

_NUMBERS = {"kappa", "low_95", "high_95", "agreement_on_confirmed", "agreement_on_rejected"}
_COUNTS = {"n", "both_confirmed", "first_only", "second_only", "both_rejected", "drawn_by_one"}


def _columns(**helps: str) -> tuple[Column, ...]:
    return tuple(
        Column(
            name=name,
            type="number" if name in _NUMBERS else "integer" if name in _COUNTS else "string",
            help=text,
        )
        for name, text in helps.items()
    )


DECISIONS_TABLE = Table(
    file="decisions.csv",
    title="one row per entry of the record of decisions, oldest first",
    columns=_columns(
        entry="name of the entry",
        at="time in UTC, ISO 8601",
        by="initials of the person",
        action="confirm, reject, remark, correct, draw, set-aside, redraw, measure or undo",
        image="image as named when it was shown",
        indication="indication as named when it was shown",
        quantity="quantity, for measurements",
        feature="feature, for measurements",
        statistic="statistic, for measurements",
        before="state before, as JSON",
        after="state after, as JSON",
        remark="words of the person, or the reason",
        independent="yes where no other person's decision was in sight",
        stands="yes, or taken back",
        place="where it is in the results now: identity, overlap, drawn, in use or unmatched",
        indication_now="name of the indication it belongs to now",
        reason="why it has no place in the results",
        shown="other numbers on the screen, as JSON",
        centreline_px="centreline that was shown, WKT LINESTRING",
        image_sha256="digest of the image that was shown",
        software="version that showed it",
    ),
)
AGREEMENT_TABLE = Table(
    file="agreement.csv",
    title="one row per two persons who decided on the same indications independently",
    columns=_columns(
        first="initials of the first person",
        second="initials of the second person",
        n="indications that both decided on independently",
        both_confirmed="confirmed by both",
        first_only="confirmed by the first, rejected by the second",
        second_only="confirmed by the second, rejected by the first",
        both_rejected="rejected by both",
        kappa="Cohen's kappa; empty where it is not defined",
        low_95="lower end of its 95 % confidence interval",
        high_95="upper end of its 95 % confidence interval",
        agreement_on_confirmed="probability that one confirms what the other confirms",
        agreement_on_rejected="probability that one rejects what the other rejects",
        drawn_by_one="cracks that only one of the two drew; not in the table",
    ),
)
DISAGREEMENTS_TABLE = Table(
    file="disagreements.csv",
    title="one row per indication that two persons decided differently",
    columns=_columns(
        image="image",
        indication="indication as named when it was first shown",
        first="initials of the first person",
        first_decision="decision of the first person",
        second="initials of the second person",
        second_decision="decision of the second person",
        settled="yes where a later decision in sight of both stands",
        centreline_px="WKT LINESTRING",
    ),
)


def export_decisions(opened: Opened) -> tuple[list[Path], tuple[Agreement, ...]]:
    """Write the record of a study as CSV files into its results folder.

    Returns
    -------
    tuple
        The files written, and the agreement of every two persons; the files on agreement are
        written only where two persons decided.

    Raises
    ------
    ResultsError
        If the folder cannot be written.
    """
    entries = read_record(opened.record).entries
    found = [
        Found(image=c.image, indication=c.indication, centreline_px=c.centreline_px)
        for c in opened.candidates
        if not c.is_blank
    ]
    merged = merge(entries, found=found, images=opened.images)
    pairs = agreements(entries)
    made = [_written(opened.folder, DECISIONS_TABLE, decision_rows(entries, merged))]
    if pairs:
        made.append(_written(opened.folder, AGREEMENT_TABLE, map(_agreement_row, pairs)))
        made.append(_written(opened.folder, DISAGREEMENTS_TABLE, _disagreement_rows(pairs)))
    return made, pairs


def decision_rows(entries: Sequence[Entry], merged: Merged) -> Iterator[list[str]]:
    """Make the rows of `decisions.csv`, every entry of the record one row."""
    standing = {entry.entry for entry in in_force(entries)}
    places = _places(merged)
    for entry in entries:
        place, now, reason = places.get(entry.entry, ("", "", ""))
        stands = "yes" if entry.entry in standing else "" if entry.action == UNDO else "taken back"
        texts = (
            entry.entry, entry.at, entry.by, entry.action, entry.image, entry.indication,
            entry.quantity, entry.feature, entry.statistic, _plain(entry.before),
            _plain(entry.after), entry.remark, "yes" if entry.independent else "no", stands, place,
            now, reason, _plain(entry.shown), entry.centreline_px, entry.image_sha256,
            entry.software,
        )  # fmt: skip
        yield [text_cell(text) for text in texts]


def _places(merged: Merged) -> dict[str, tuple[str, str, str]]:
    places: dict[str, tuple[str, str, str]] = {}
    for (_, indication), judgement in merged.judgements.items():
        for entry in judgement.entries:
            places[entry.entry] = (judgement.match, indication, "")
    for drawn in merged.drawn:
        for entry in drawn.entries:
            places[entry.entry] = ("drawn", drawn.indication, "")
    used = [*merged.set_aside.values(), *merged.redrawn.values(), *merged.manual]
    places.update({entry.entry: ("in use", "", "") for entry in used})
    for lost in merged.unmatched:
        for entry in lost.entries:
            places[entry.entry] = ("unmatched", "", lost.reason)
    return places


def _agreement_row(found: Agreement) -> list[str]:
    counts = (
        found.n, found.both_confirmed, found.first_only, found.second_only, found.both_rejected
    )  # fmt: skip
    numbers = (
        found.kappa, found.low_95, found.high_95, found.agreement_on_confirmed,
        found.agreement_on_rejected,
    )  # fmt: skip
    return [
        text_cell(found.first), text_cell(found.second), *map(str, counts),
        *map(number_cell, numbers), str(found.drawn_by_one),
    ]  # fmt: skip


def _disagreement_rows(pairs: Iterable[Agreement]) -> Iterator[list[str]]:
    for pair in pairs:
        for one in pair.disagreements:
            opinions = [text for opinion in one.opinions for text in opinion]
            settled = "yes" if one.is_settled else "no"
            cells = (one.image, one.indication, *opinions, settled, one.centreline_px)
            yield [text_cell(cell) for cell in cells]


def _written(folder: Path, table: Table, rows: Iterable[list[str]]) -> Path:
    path = folder / table.file
    try:
        with CsvFile(path, table.header) as file:
            for row in rows:
                file.add(row)
    except OSError as error:
        raise unwritable(folder, error) from error
    return path


def _plain(values: Mapping[str, Any]) -> str:
    return json.dumps(dict(values), ensure_ascii=False) if values else ""
