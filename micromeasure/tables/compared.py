"""The columns of `comparisons.csv`."""

from micromeasure.tables.columns import Column, Table

_NUMBERS = (
    ("mean", "mean of the specimens of the revision"),
    ("mean_reference", "mean of the specimens of the reference"),
    ("sd", "standard deviation of the specimens' values, revision"),
    ("sd_reference", "the same, reference"),
    ("between_sd", "standard deviation between specimens without what positions bring, revision"),
    ("between_sd_reference", "the same, reference"),
    ("within_sd", "pooled standard deviation between positions of one specimen, revision"),
    ("within_sd_reference", "the same, reference"),
    ("difference", "revision minus reference"),
    (
        "standard_uncertainty",
        (
            "of the difference, for specimens like these; empty where only "
            "measurement uncertainty is known"
        ),
    ),
    (
        "shared_uncertainty",
        ("the part of it from causes common to several specimens, such as the scale"),
    ),
    (
        "measurement_uncertainty",
        (
            "of the difference between these very specimens, from the "
            "measurements alone; empty where unknown"
        ),
    ),
    ("low_95", "lower end of the 95 % interval of the difference"),
    ("high_95", "upper end of the 95 % interval of the difference"),
    ("low_90", "lower end of the 90 % interval, the one that must lie within the tolerance"),
    ("high_90", "upper end of the 90 % interval"),
)

_SHARES = (
    ("dof", "degrees of freedom of the difference"),
    ("p", "probability of such a difference where there is none"),
    ("p_holm", "the same, corrected for the number of questions"),
    ("p_permutation", "the same by exchanging specimens, for comparison"),
)

_EQUIVALENCE = (
    ("tolerance", "differences smaller than this count as the same for the purpose"),
    ("p_equivalence", "larger probability of the two one-sided tests against the tolerance"),
    ("p_equivalence_holm", "the same, corrected for the number of questions"),
    ("smallest_resolvable", "true difference that such a study finds with 90 % probability"),
    (
        "smallest_tolerance",
        ("smallest tolerance within which this single question could have been called the same"),
    ),
    ("ratio", "revision over reference"),
    ("ratio_low_95", "lower end of its 95 % interval"),
    ("ratio_high_95", "upper end of its 95 % interval; empty where nothing bounds it"),
)


def _text(name: str, help: str, choices: tuple[str, ...] = ()) -> Column:
    return Column(name=name, type="string", help=help, choices=choices)


def _count(name: str, help: str) -> Column:
    return Column(name=name, type="integer", help=help)


COMPARISONS_TABLE = Table(
    file="comparisons.csv",
    title="one row per quantity, feature and pair of revisions",
    columns=(
        Column(name="quantity", type="string", help="what is compared", required=True),
        _text("view", "as in the measurements"),
        _text("feature", "as in the measurements"),
        _text("statistic", "as in the measurements; present for the share of specimens with any"),
        _text("state", "as in the measurements"),
        _text("revision", "revision that is compared"),
        _text("reference", "revision it is compared with; empty for the number 1"),
        _text("question", "yes where the study asks it by name", ("yes", "no")),
        _text(
            "verdict",
            "what the data say",
            ("differs", "same within the stated tolerance", "not resolved"),
        ),
        _text("remark", "what to know about the verdict"),
        _text("unit", "unit of the numbers in this row"),
        _count("n", "specimens of the revision"),
        _count("n_reference", "specimens of the reference"),
        _count("n_positions", "positions over all specimens of the revision"),
        _count("n_positions_reference", "positions over all specimens of the reference"),
        *(Column(name=name, type="number", help=help) for name, help in _NUMBERS),
        *(Column(name=name, type="number", help=help, unit="1") for name, help in _SHARES),
        *(Column(name=name, type="number", help=help) for name, help in _EQUIVALENCE),
        _text("flags", "doubts about any of the measurements, words separated by spaces"),
        _text("method", "name of the statistical method"),
        _text("source", "file of another instrument; empty for our own measurements"),
        _text("software", "program and version that compared"),
    ),
)
