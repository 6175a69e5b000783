"""Numbers per image and fold, from indications and what persons decided about them.

The same function serves the program's own outcome, where nobody has decided yet, and tables and
viewer, where decisions are merged in: the rows of both agree by construction.
"""

from collections.abc import Iterable, Sequence

from micromeasure.estimate import Estimate, combine
from micromeasure.outcome import Indication, Measurement

CANDIDATE, CONFIRMED, REJECTED = "candidate", "confirmed", "rejected"
SUMMARY_QUANTITIES = (
    "candidate_count",
    "candidate_length_total",
    "candidate_length_max",
    "confirmed_count",
    "confirmed_length_total",
    "confirmed_length_max",
)


def summarise_indications(
    decided: Iterable[tuple[Indication, str]],
    *,
    folds: Sequence[str],
    flags: tuple[str, ...] = (),
    with_confirmed: bool = True,
) -> list[Measurement]:
    """Return number, total and greatest length of indications per fold.

    Parameters
    ----------
    decided : iterable of (Indication, str)
        Each indication of one image with its decision: ``candidate``, ``confirmed`` or
        ``rejected``. Rejected ones count nowhere.
    folds : sequence of str
        Folds that were searched; each gets its rows even where nothing was found.
    flags : tuple of str
        Flags of every row.
    with_confirmed : bool
        Whether rows over confirmed indications are wanted; not before anybody could decide.

    Returns
    -------
    list of Measurement
        Quantities `SUMMARY_QUANTITIES`, statistic ``value``, feature the fold's name, ``n`` the
        number of indications. Counts have the unit ``1``. The uncertainty of a count, and of a
        total or greatest length where nothing was found, is unknown: what was missed is not in
        it. The greatest length is that of the longest indication.
    """
    pairs = list(decided)
    kinds = (CANDIDATE, CONFIRMED) if with_confirmed else (CANDIDATE,)
    rows: list[Measurement] = []
    for fold in folds:
        for kind in kinds:
            chosen = [i.length for i, decision in pairs if i.fold == fold and decision == kind]
            rows.extend(_rows(fold, kind, chosen, flags))
    return rows


def _rows(
    fold: str, kind: str, lengths: list[Estimate], flags: tuple[str, ...]
) -> list[Measurement]:
    count = Estimate(value=float(len(lengths)), unit="1", components=None)
    total = combine(
        sum(length.value or 0.0 for length in lengths), "um", [(length, 1.0) for length in lengths]
    )
    greatest = max(lengths, key=lambda length: length.value or 0.0, default=None)
    nothing = Estimate(value=0.0, unit="um", components=None)
    values = {
        f"{kind}_count": count,
        f"{kind}_length_total": total if lengths else nothing,
        f"{kind}_length_max": greatest or nothing,
    }
    return [
        Measurement(
            feature=fold,
            statistic="value",
            estimate=estimate,
            n=len(lengths),
            flags=flags,
            quantity=name,
        )
        for name, estimate in values.items()
    ]
