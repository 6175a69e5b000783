"""How far two persons who reviewed the same indications independently agree.

Cohen's kappa is the share of agreement beyond what chance alone would give; with it go the raw
table and, because kappa misleads where one answer is rare, the specific agreement on each.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from micromeasure.review.cases import CONFIRMED, REJECTED, Case, cases
from micromeasure.review.record import CONFIRM, CORRECT, DRAW, REJECT, Entry

_VERDICTS = {CONFIRM, CORRECT, DRAW, REJECT}


@dataclass(frozen=True, slots=True, kw_only=True)
class Disagreement:
    """An indication that two persons decided differently.

    Attributes
    ----------
    image, indication, centreline_px : str
        As shown to the first who decided.
    opinions : tuple of (str, str)
        Initials and decision of the two.
    is_settled : bool
        Whether a later decision, made in sight of both, stands.
    """

    image: str
    indication: str
    centreline_px: str
    opinions: tuple[tuple[str, str], tuple[str, str]]
    is_settled: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """Agreement of two persons over the indications that both decided independently.

    Attributes
    ----------
    first, second : str
        Initials.
    both_confirmed, first_only, second_only, both_rejected : int
        The raw table; `first_only` counts what the first confirmed and the second rejected.
    kappa, low_95, high_95 : float or None
        Cohen's kappa and its 95 % confidence interval; None where it is not defined, because
        both gave one and the same answer throughout or nothing was decided by both.
    disagreements : tuple of Disagreement
    drawn_by_one : int
        Cracks that only one of the two drew; the other gave no answer, so they are not in the
        table.
    """

    first: str
    second: str
    both_confirmed: int
    first_only: int
    second_only: int
    both_rejected: int
    kappa: float | None
    low_95: float | None
    high_95: float | None
    disagreements: tuple[Disagreement, ...] = ()
    drawn_by_one: int = 0

    @property
    def n(self) -> int:
        """Number of indications that both decided."""
        return self.both_confirmed + self.first_only + self.second_only + self.both_rejected

    @property
    def agreement_on_confirmed(self) -> float | None:
        """Probability that the other confirms what one of the two confirms."""
        return _specific(self.both_confirmed, self.first_only + self.second_only)

    @property
    def agreement_on_rejected(self) -> float | None:
        """Probability that the other rejects what one of the two rejects."""
        return _specific(self.both_rejected, self.first_only + self.second_only)


def agreements(entries: Iterable[Entry]) -> tuple[Agreement, ...]:
    """Compare every two persons of a record.

    Parameters
    ----------
    entries : iterable of Entry
        The whole record.

    Returns
    -------
    tuple of Agreement
        In the order of their initials; empty where only one person decided.
    """
    all_cases = cases(entries)
    persons = sorted({entry.by for case in all_cases for entry in case.entries})
    return tuple(_agreement(all_cases, one, other) for one, other in combinations(persons, 2))


def kappa_of(table: Sequence[Sequence[int]]) -> tuple[float | None, float | None, float | None]:
    """Return Cohen's kappa of a 2 by 2 table and the ends of its 95 % confidence interval.

    Parameters
    ----------
    table : sequence of two rows of two counts
        Rows are the first person's answers, columns the second's.

    Returns
    -------
    tuple of three floats or None
        None where kappa or its interval is not defined.

    Notes
    -----
    The large-sample variance is that of Fleiss, Cohen and Everitt.

    References
    ----------
    .. [1] J. Cohen, Educational and Psychological Measurement 20 (1960) 37.
    .. [2] J. L. Fleiss, J. Cohen, B. S. Everitt, Psychological Bulletin 72 (1969) 323.
    """
    n = sum(map(sum, table))
    rows = [sum(row) for row in table]
    columns = [sum(column) for column in zip(*table, strict=True)]
    # By chance alone all answers would agree: nothing is left to measure.
    if n == 0 or sum(r * c for r, c in zip(rows, columns, strict=True)) == n * n:
        return None, None, None
    from statsmodels.stats.inter_rater import cohens_kappa

    # Its test statistic, not used here, is 0/0 where one person gave one answer throughout.
    with np.errstate(invalid="ignore", divide="ignore"):
        result = cohens_kappa([list(row) for row in table])
    low, high = float(result.kappa_low), float(result.kappa_upp)
    if math.isfinite(low) and high > low:  # no width where all agree: the variance formula ends
        # A normal interval may pass the ends of the scale; kappa itself cannot.
        return float(result.kappa), max(low, -1.0), min(high, 1.0)
    return float(result.kappa), None, None


def _agreement(all_cases: Sequence[Case], first: str, second: str) -> Agreement:
    counts = {(a, b): 0 for a in (CONFIRMED, REJECTED) for b in (CONFIRMED, REJECTED)}
    disagreements: list[Disagreement] = []
    drawn_by_one = 0
    for case in all_cases:
        mine, theirs = _independent(case, first), _independent(case, second)
        if mine is None or theirs is None:
            drawers = {entry.by for entry in case.entries if entry.action == DRAW}
            drawn_by_one += len(drawers & {first, second}) == 1
            continue
        counts[mine, theirs] += 1
        if mine != theirs:
            disagreements.append(_disagreement(case, ((first, mine), (second, theirs))))
    table = [[counts[a, b] for b in (CONFIRMED, REJECTED)] for a in (CONFIRMED, REJECTED)]
    kappa, low, high = kappa_of(table)
    return Agreement(
        first=first, second=second,
        both_confirmed=table[0][0], first_only=table[0][1],
        second_only=table[1][0], both_rejected=table[1][1],
        kappa=kappa, low_95=low, high_95=high,
        disagreements=tuple(disagreements), drawn_by_one=drawn_by_one,
    )  # fmt: skip


def _independent(case: Case, by: str) -> str | None:
    """Return the last decision a person made without sight of another's."""
    own = [
        entry.action
        for entry in case.entries
        if entry.by == by and entry.independent and entry.action in _VERDICTS
    ]
    if not own:
        return None
    return REJECTED if own[-1] == REJECT else CONFIRMED


def _disagreement(case: Case, opinions: tuple[tuple[str, str], tuple[str, str]]) -> Disagreement:
    first = case.entries[0]
    is_settled = any(not entry.independent and entry.action in _VERDICTS for entry in case.entries)
    return Disagreement(
        image=case.image, indication=first.indication, centreline_px=case.lines[0],
        opinions=opinions, is_settled=is_settled,
    )  # fmt: skip


def _specific(both: int, differ: int) -> float | None:
    return 2 * both / (2 * both + differ) if both or differ else None
