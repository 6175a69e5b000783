"""Decisions merged with results: each decision finds its indication again, or is listed.

Pure functions: results and entries in, what stands out. A decision is carried only to the very
pixels it was made on (the digest of the image is the same), whatever the file is called now.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from micromeasure.review.cases import Case, Standing, cases, in_force, standing
from micromeasure.review.lines import ENOUGH
from micromeasure.review.record import DRAW, MEASURE, REDRAW, SET_ASIDE, Entry

IDENTITY, OVERLAP = "identity", "overlap"

IndicationKey = tuple[str, str]
MeasurementKey = tuple[str, str, str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """An indication as the program found it.

    Attributes
    ----------
    image : str
    indication : str
        Its name in `indications.csv`.
    centreline_px : str
        WKT LINESTRING.
    """

    image: str
    indication: str
    centreline_px: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What persons decided about one indication of the results.

    Attributes
    ----------
    standing : Standing
        Decision, by whom, when, remark, and a person's line where there is one.
    match : str
        ``identity`` (same line), ``overlap``, or empty where nobody decided anything.
    overlap : float
        Common share of the line decided on and the line found.
    entries : tuple of Entry
        The decisions it rests on.
    """

    standing: Standing = field(default_factory=Standing)
    match: str = ""
    overlap: float = 0.0
    entries: tuple[Entry, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """A crack that a person drew and the program did not find: a row of its own.

    Attributes
    ----------
    image, indication : str
    standing : Standing
        `standing.drawn` holds the columns of `indications.csv` as measured when it was drawn.
    entries : tuple of Entry
        The decisions it rests on.
    """

    image: str
    indication: str
    standing: Standing
    entries: tuple[Entry, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Unmatched:
    """A decision that found no place in the results; kept in the record and listed.

    Attributes
    ----------
    entries : tuple of Entry
    standing : Standing or None
        None where the decision was about a measurement.
    reason : str
        One sentence.
    """

    entries: tuple[Entry, ...]
    standing: Standing | None
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Merged:
    """Decisions with their places in the results.

    Attributes
    ----------
    judgements : mapping of (image, indication) to Judgement
        One for every indication found, whether decided on or not.
    drawn : tuple of Drawn
    unmatched : tuple of Unmatched
    set_aside : mapping of (image, quantity, feature, statistic) to Entry
        An empty feature or statistic stands for all of them; `Entry.remark` is the reason.
    redrawn : mapping of (image, quantity) to Entry
        `Entry.after` holds ``field``, the setting that a person drew anew, and ``value``.
    manual : tuple of Entry
        Measurements made by hand with the ruler, in `Entry.after`.
    """

    judgements: Mapping[IndicationKey, Judgement] = field(default_factory=dict)
    drawn: tuple[Drawn, ...] = ()
    unmatched: tuple[Unmatched, ...] = ()
    set_aside: Mapping[MeasurementKey, Entry] = field(default_factory=dict)
    redrawn: Mapping[tuple[str, str], Entry] = field(default_factory=dict)
    manual: tuple[Entry, ...] = ()

    def is_set_aside(self, image: str, quantity: str, feature: str, statistic: str) -> Entry | None:
        """Return the entry that set a measurement aside, or None."""
        keys = ((feature, statistic), (feature, ""), ("", ""))
        hits = (self.set_aside.get((image, quantity, *key)) for key in keys)
        return next((hit for hit in hits if hit is not None), None)


def merge(entries: Iterable[Entry], *, found: Sequence[Found], images: Mapping[str, str]) -> Merged:
    """Merge a record of decisions with the indications of a run.

    Parameters
    ----------
    entries : iterable of Entry
        The whole record, as `read_record` returns it.
    found : sequence of Found
        Every indication of the run.
    images : mapping of str to str
        Digest of every image of the run by its name, also of those without indications.

    Returns
    -------
    Merged
        Nothing is lost: what has no place in the results is in `Merged.unmatched`.
    """
    entries = list(entries)
    names = _Names(images)
    by_image: dict[str, list[Found]] = defaultdict(list)
    for one in found:
        by_image[one.image].append(one)
    judgements = {(one.image, one.indication): Judgement() for one in found}
    drawn: list[Drawn] = []
    unmatched: list[Unmatched] = []
    for image, here in _by_present_name(cases(entries), names):
        if image is None:
            unmatched += [_lost(case, names.reason(case.image, case.image_sha256)) for case in here]
            continue
        matched, left = _match(here, by_image[image])
        judgements.update(matched)
        for case in left:
            if any(entry.action == DRAW for entry in case.entries):
                drawn.append(_drawn(image, case))
            else:
                unmatched.append(_lost(case, "no indication found now overlaps the one decided on"))
    return Merged(
        judgements=judgements,
        drawn=tuple(drawn),
        **_on_measurements(entries, names, unmatched),
        unmatched=tuple(unmatched),
    )


class _Names:
    """Under which name the pixels that were decided on are in the results now."""

    def __init__(self, images: Mapping[str, str]) -> None:
        self._images = images
        self._holders: dict[str, list[str]] = defaultdict(list)
        for name, digest in images.items():
            self._holders[digest].append(name)

    def present(self, image: str, digest: str) -> str | None:
        """Return the image's name now, or None where it is not there as it was."""
        if self._images.get(image) == digest:
            return image
        # Renamed: the same bytes under one other name. Two such names would be a guess.
        holders = self._holders.get(digest, []) if digest else []
        return holders[0] if len(holders) == 1 else None

    def reason(self, image: str, digest: str) -> str:
        """Return why an image is not there as it was."""
        if image in self._images:
            return f"{image} is not the file it was when the decision was made"
        if len(self._holders.get(digest, [])) > 1:
            return f"{image} is not in the results, and several images are copies of it"
        return f"{image} is not in the results"


def _by_present_name(
    all_cases: Sequence[Case], names: _Names
) -> list[tuple[str | None, list[Case]]]:
    groups: dict[str | None, list[Case]] = defaultdict(list)
    for case in all_cases:
        groups[names.present(case.image, case.image_sha256)].append(case)
    return list(groups.items())


def _match(
    here: Sequence[Case], found: Sequence[Found]
) -> tuple[dict[IndicationKey, Judgement], list[Case]]:
    """Pair cases with indications of one image, best overlap first, each used once."""
    matched: dict[IndicationKey, Judgement] = {}
    case_of = {line: i for i, case in enumerate(here) for line in case.lines}
    used: set[int] = set()
    for one in found:
        i = case_of.get(one.centreline_px)
        if i is not None and i not in used:
            used.add(i)
            matched[one.image, one.indication] = _judgement(here[i], IDENTITY, 1.0)
    pairs = [
        (case.likeness(one.centreline_px), i, (one.image, one.indication))
        for i, case in enumerate(here)
        if i not in used
        for one in found
        if (one.image, one.indication) not in matched
    ]
    for share, i, key in sorted(pairs, key=lambda pair: -pair[0]):
        if share >= ENOUGH and i not in used and key not in matched:
            used.add(i)
            matched[key] = _judgement(here[i], OVERLAP, share)
    return matched, [case for i, case in enumerate(here) if i not in used]


def _judgement(case: Case, match: str, share: float) -> Judgement:
    return Judgement(
        standing=standing(case), match=match, overlap=share, entries=tuple(case.entries)
    )


def _drawn(image: str, case: Case) -> Drawn:
    first = next(entry for entry in case.entries if entry.action == DRAW)
    return Drawn(
        image=image,
        indication=first.indication,
        standing=standing(case),
        entries=tuple(case.entries),
    )


def _lost(case: Case, reason: str) -> Unmatched:
    return Unmatched(entries=tuple(case.entries), standing=standing(case), reason=reason)


def _on_measurements(
    entries: Sequence[Entry], names: _Names, unmatched: list[Unmatched]
) -> dict[str, Any]:
    set_aside: dict[MeasurementKey, Entry] = {}
    redrawn: dict[tuple[str, str], Entry] = {}
    manual: list[Entry] = []
    for entry in in_force(entries):
        if entry.action not in {SET_ASIDE, REDRAW, MEASURE}:
            continue
        image = names.present(entry.image, entry.image_sha256)
        if image is None:
            reason = names.reason(entry.image, entry.image_sha256)
            unmatched.append(Unmatched(entries=(entry,), standing=None, reason=reason))
        elif entry.action == SET_ASIDE:
            set_aside[image, entry.quantity, entry.feature, entry.statistic] = entry
        elif entry.action == REDRAW:
            redrawn[image, entry.quantity] = entry
        else:
            manual.append(replace(entry, image=image))
    return {"set_aside": set_aside, "redrawn": redrawn, "manual": tuple(manual)}
