"""Three plain verdicts, and the correction for asking many questions at once."""

from collections.abc import Sequence

from micromeasure.compare.contrast import LEVEL

DIFFERS = "differs"
SAME = "same within the stated tolerance"
NOT_RESOLVED = "not resolved"

VERDICTS = (DIFFERS, SAME, NOT_RESOLVED)


def holm(probabilities: Sequence[float | None]) -> list[float | None]:
    """Adjust probabilities for their number by Holm's step-down method.

    Parameters
    ----------
    probabilities : sequence of float or None
        Those that are None were not tested and stay so.

    Returns
    -------
    list of float or None
        In the same order; the chance of any false finding among all is at most the level.

    References
    ----------
    .. [1] S. Holm, "A simple sequentially rejective multiple test procedure", Scand. J. Stat. 6
       (1979), 65-70.
    """
    tested = sorted((p, i) for i, p in enumerate(probabilities) if p is not None)
    adjusted: list[float | None] = [None] * len(probabilities)
    highest = 0.0
    for rank, (p, i) in enumerate(tested):
        highest = max(highest, min(1.0, (len(tested) - rank) * p))
        adjusted[i] = highest
    return adjusted


def verdict(p: float | None, p_equivalence: float | None) -> str:
    """Return the verdict on one question.

    Parameters
    ----------
    p, p_equivalence : float or None
        Probabilities of the test of a difference and of the two one-sided tests against the
        tolerance, both corrected for the number of questions; None where not tested.

    Notes
    -----
    A difference may be beyond doubt and yet smaller than the tolerance. The study said that such
    a difference does not matter for the purpose, so the verdict is then "same within the stated
    tolerance"; the difference stands beside it and the remark says so.
    """
    if p_equivalence is not None and p_equivalence <= LEVEL:
        return SAME
    if p is not None and p <= LEVEL:
        return DIFFERS
    return NOT_RESOLVED
