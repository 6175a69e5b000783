"""Cohen's kappa against published worked examples (figures quoted from memory)."""

import pytest

from micromeasure.review.agreement import kappa_of


def test_two_diagnosticians_of_fleiss_cohen_everitt() -> None:
    # Psychological Bulletin 72 (1969) 323, the example of 200 subjects and three categories:
    # kappa 0.429.
    table = [[106, 10, 4], [22, 28, 10], [2, 12, 6]]
    kappa, low, high = kappa_of(table)
    assert kappa == pytest.approx(0.429, abs=0.0005)
    assert low is not None
    assert high is not None
    assert low < kappa < high


@pytest.mark.parametrize(
    ("table", "kappa"),
    [
        # The grant-proposal example of the textbooks: 0.70 observed, 0.50 by chance.
        ([[20, 5], [10, 15]], 0.40),
        # Feinstein and Cicchetti, J. Clin. Epidemiol. 43 (1990) 543: the same observed agreement
        # of 0.85 gives 0.70 with even margins and 0.32 with skewed ones.
        ([[40, 9], [6, 45]], 0.70),
        ([[80, 10], [5, 5]], 0.32),
    ],
)
def test_two_by_two_examples(table: list[list[int]], kappa: float) -> None:
    assert kappa_of(table)[0] == pytest.approx(kappa, abs=0.005)
