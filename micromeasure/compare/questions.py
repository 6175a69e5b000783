"""The questions of a study, put to its results."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations

from micromeasure.compare.comparison import Comparison, Question, Tolerance
from micromeasure.compare.contrast import LEVEL
from micromeasure.compare.count_comparison import compare_counts, compare_words
from micromeasure.compare.mean_comparison import compare_means, compare_with_one
from micromeasure.compare.specimens import group
from micromeasure.compare.verdicts import DIFFERS, NOT_RESOLVED, SAME, holm, verdict
from micromeasure.errors import StudyError
from micromeasure.study.model import Comparison as Asked
from micromeasure.tables.reading import Result

# Films imaged side by side: the row is a ratio already, so it is compared with 1.
SIDE_BY_SIDE = "relative_opacity"
_COUNT_ENDING = "_count"
_CONFIRMED = "confirmed_"
_CANDIDATE = "candidate_"
_UNJUDGED = "candidates that no person has confirmed, not cracks"
MAIN_STATISTICS = ("mean", "value")
_PERCENT = ("percent", "%")
# A tolerance may be given in a unit other than the quantity's own: factor to the row's unit.
_FACTORS = {("mm", "um"): 1000.0, ("nm", "um"): 0.001, ("per_mm", "1/mm"): 1.0}
_PLAIN_NUMBER_NAMES = ("1", "rel", "od", "count", "share")


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """How a study wants its revisions compared.

    Attributes
    ----------
    asked : tuple of Asked
        The study's questions.
    revisions : tuple of str
        In the order of the manifest.
    reference : str
        Empty for the first revision.
    all_pairs : bool
        Whether every pair is compared, not only each revision with the reference.
    where : str
        Name of the study file, for messages.
    views : mapping of str to set of str
        Views in which each revision was imaged; empty where that is not known.
    accompanied : mapping of str to sequence of str
        Quantities whose numbers come under other names, such as those of crack indications.
    """

    asked: tuple[Asked, ...] = ()
    revisions: tuple[str, ...] = ()
    reference: str = ""
    all_pairs: bool = False
    where: str = "study.toml"
    views: Mapping[str, set[str]] = field(default_factory=dict)
    accompanied: Mapping[str, Sequence[str]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Key:
    quantity: str
    view: str
    feature: str
    state: str
    statistic: str
    source: str


def compare_all(results: Iterable[Result], plan: Plan) -> tuple[Comparison, ...]:
    """Compare the revisions in every quantity and feature, and answer the study's questions.

    Parameters
    ----------
    results : iterable of Result
        Our own and those brought in. Values that a person set aside are left out.
    plan : Plan

    Returns
    -------
    tuple of Comparison
        The study's questions first, in its order; then everything else that can be compared.

    Raises
    ------
    StudyError
        If a tolerance is in a unit that does not fit its quantity.

    Notes
    -----
    Probabilities are corrected over the study's questions, and apart from these over the rest.
    Without any [[compare]] in the study all comparisons are one family.
    """
    tables: dict[_Key, list[Result]] = defaultdict(list)
    for result in results:
        if "set-aside" not in result.flags:
            tables[_key(result)].append(result)
    revisions = plan.revisions or _revisions(tables.values())
    pairs = _pairs(revisions, plan)
    asked: list[Comparison] = []
    done: set[_Key] = set()
    for number, ask in enumerate(plan.asked, start=1):
        hits = _matching(tables, ask) or _companions(tables, ask, plan.accompanied)
        done |= set(hits)
        for key in hits:
            tolerance = tolerance_of(ask, tables[key], f"{plan.where}, [[compare]] {number}")
            asked += _compared(key, tables[key], pairs, tolerance, due_in=plan.views)
        if not hits:
            asked += [_unmeasured(ask, *pair) for pair in pairs]
    rest: list[Comparison] = []
    for key in _main_keys(tables):
        if key not in done:
            rest += _compared(key, tables[key], pairs, None)
    # What a question brings along beside its answer is no question of the study.
    beside = [c for c in asked if not c.question.is_asked]
    asked = [c for c in asked if c.question.is_asked]
    return (*answered(asked), *answered(beside + rest))


def answered(family: Sequence[Comparison]) -> tuple[Comparison, ...]:
    """Correct the probabilities of a family of comparisons and set the verdicts."""
    ps = holm([c.p for c in family])
    equivalences = holm([c.p_equivalence for c in family])
    return tuple(
        _answer(c, p, p_equivalence)
        for c, p, p_equivalence in zip(family, ps, equivalences, strict=True)
    )


def _answer(compared: Comparison, p: float | None, p_equivalence: float | None) -> Comparison:
    found = verdict(p, p_equivalence)
    notes = (*compared.remarks, *_notes(compared, found, p))
    return replace(
        compared, p_holm=p, p_equivalence_holm=p_equivalence, verdict=found, remarks=notes
    )


def _notes(compared: Comparison, found: str, p: float | None) -> Iterator[str]:
    """Say what to know about a verdict."""
    if found == SAME and verdict(p, None) == DIFFERS:
        yield "a difference is there, and smaller than the tolerance"
    if found == DIFFERS and compared.tolerance is not None:
        yield _against_tolerance(compared, compared.tolerance)
    by_exchange = compared.p_permutation
    if found == DIFFERS and by_exchange is not None and by_exchange > LEVEL:
        yield (
            "rests on specimens scattering normally: exchanging so few of them gives no less than "
            f"p {by_exchange:.2g}"
        )
    if found == NOT_RESOLVED:
        alone = verdict(compared.p, compared.p_equivalence)
        if alone != NOT_RESOLVED:
            yield f"as a single question: {alone}; not so after correction for their number"


def _against_tolerance(compared: Comparison, tolerance: float) -> str:
    """Say whether a difference that is there exceeds the tolerance."""
    low, high = compared.low_95, compared.high_95
    if low is not None and high is not None and (low > tolerance or high < -tolerance):
        return "the difference exceeds the tolerance"
    return "whether the difference exceeds the tolerance is not resolved"


def _key(result: Result) -> _Key:
    return _Key(
        quantity=result.quantity,
        view=result.view,
        feature=result.feature,
        state=result.state,
        statistic=result.statistic,
        source=result.brought_in,
    )


def _revisions(tables: Iterable[Sequence[Result]]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(r.revision for rows in tables for r in rows if r.revision))


def _pairs(revisions: Sequence[str], plan: Plan) -> list[tuple[str, str]]:
    """Return pairs of revision and reference."""
    if plan.all_pairs:
        return [(second, first) for first, second in combinations(revisions, 2)]
    reference = plan.reference or (revisions[0] if revisions else "")
    return [(revision, reference) for revision in revisions if revision != reference]


def _is_due(
    pair: tuple[str, str], view: str, there: set[str], views: Mapping[str, set[str]]
) -> bool:
    """Return whether a pair belongs to a question: both measured, or imaged so that they could be.

    A revision that was never imaged in this view is no gap in the answer.
    """
    return bool(there.intersection(pair)) and all(
        revision in there or view in views.get(revision, ()) for revision in pair
    )


def _matching(tables: dict[_Key, list[Result]], ask: Asked) -> list[_Key]:
    hits = [
        key
        for key in tables
        if key.quantity == ask.quantity
        and (not ask.feature or key.feature == ask.feature)
        and (not ask.statistic or key.statistic == ask.statistic)
    ]
    return hits if ask.statistic else _main_only(hits)


def _companions(
    tables: dict[_Key, list[Result]], ask: Asked, accompanied: Mapping[str, Sequence[str]]
) -> list[_Key]:
    """Return the rows of a quantity that has none of its own name.

    Where a person has confirmed any, what is only a candidate does not answer a question.
    """
    names = accompanied.get(ask.quantity, ())
    hits = [h for name in names for h in _matching(tables, replace(ask, quantity=name))]
    confirmed = [h for h in hits if h.quantity.startswith(_CONFIRMED)]
    return confirmed or hits


def _main_keys(tables: dict[_Key, list[Result]]) -> list[_Key]:
    return _main_only(list(tables))


def _main_only(keys: Sequence[_Key]) -> list[_Key]:
    """Keep one statistic per quantity, view, feature and state: its main one."""
    places: dict[_Key, list[_Key]] = defaultdict(list)
    for key in keys:
        places[replace(key, statistic="")].append(key)
    return [
        next((k for name in MAIN_STATISTICS for k in found if k.statistic == name), found[0])
        for found in places.values()
    ]


def _compared(
    key: _Key,
    rows: Sequence[Result],
    pairs: Sequence[tuple[str, str]],
    tolerance: Tolerance | None,
    *,
    due_in: Mapping[str, set[str]] | None = None,
) -> list[Comparison]:
    """Compare the pairs in one table; with `due_in`, as a question of the study."""
    is_asked = due_in is not None
    question = Question(
        quantity=key.quantity,
        view=key.view,
        feature=key.feature,
        statistic=key.statistic,
        state=key.state,
        revision="",
        reference="",
        is_asked=is_asked,
        unit=next((r.estimate.unit for r in rows), ""),
        source=key.source,
    )
    if key.quantity == SIDE_BY_SIDE and len({r.revision for r in rows}) == 1:
        return _side_by_side(question, rows, pairs, tolerance)
    there = {r.revision for r in rows}
    found: list[Comparison] = []
    for revision, reference in pairs:
        mine = [r for r in rows if r.revision == revision]
        theirs = [r for r in rows if r.revision == reference]
        pair = (revision, reference)
        if (mine and theirs) or _is_due(pair, key.view, there, due_in or {}):
            asked = replace(question, revision=revision, reference=reference)
            found += _one_pair(asked, mine, theirs, tolerance)
    if key.quantity.startswith(_CANDIDATE):
        return [replace(c, remarks=(_UNJUDGED, *c.remarks)) for c in found]
    return found


def _one_pair(
    question: Question,
    mine: Sequence[Result],
    theirs: Sequence[Result],
    tolerance: Tolerance | None,
) -> tuple[Comparison, ...]:
    if any(r.text for r in (*mine, *theirs)):
        return (compare_words(question, _words(mine), _words(theirs)),)
    first, second = group(question.revision, mine), group(question.reference, theirs)
    if is_count(question.quantity):
        return compare_counts(question, first, second, tolerance)
    return (compare_means(question, first, second, tolerance),)


def is_count(quantity: str) -> bool:
    """Return whether a quantity counts things, by its name's ending."""
    return quantity.endswith(_COUNT_ENDING)


def _side_by_side(
    question: Question,
    rows: Sequence[Result],
    pairs: Sequence[tuple[str, str]],
    tolerance: Tolerance | None,
) -> list[Comparison]:
    """Compare films of one image: the feature is the film's name, the value a ratio already."""
    found = group("", rows)
    if all(v == 1.0 for v in found.values):
        return []  # the reference film itself
    reference = pairs[0][1] if pairs else ""
    return [
        compare_with_one(
            replace(question, revision=question.feature, reference=reference), found, tolerance
        )
    ]


def _words(rows: Sequence[Result]) -> list[str]:
    """Return one result a specimen; results that disagree within a specimen are joined."""
    by_specimen: dict[str, dict[str, None]] = defaultdict(dict)
    for row in rows:
        by_specimen[row.specimen][row.text or "no result"] = None
    return [" / ".join(words) for words in by_specimen.values()]


def _unmeasured(ask: Asked, revision: str, reference: str) -> Comparison:
    question = Question(
        quantity=ask.quantity,
        feature=ask.feature,
        statistic=ask.statistic,
        revision=revision,
        reference=reference,
        is_asked=True,
    )
    return Comparison(question=question, method="", remarks=("no such value is in the results",))


def tolerance_of(ask: Asked, rows: Sequence[Result], where: str) -> Tolerance | None:
    """Return the tolerance of a question in the unit of its rows.

    Raises
    ------
    StudyError
        If the units do not fit each other.
    """
    if ask.tolerance is None:
        return None
    if ask.unit in _PERCENT:
        return Tolerance(relative=ask.tolerance / 100.0)
    unit = next((r.estimate.unit for r in rows), "")
    if ask.unit == unit or (unit == "1" and ask.unit in _PLAIN_NUMBER_NAMES):
        return Tolerance(absolute=ask.tolerance)
    factor = _FACTORS.get((ask.unit, unit))
    if factor is None:
        message = (
            f"{where}: found tolerance_{ask.unit}, but {ask.quantity} is in '{unit}'; give "
            f"tolerance_{unit.replace('1/', 'per_')} or tolerance_percent."
        )
        raise StudyError([message])
    return Tolerance(absolute=factor * ask.tolerance)
