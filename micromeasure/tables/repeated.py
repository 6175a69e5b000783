"""The columns of `repeatability.csv`."""

from micromeasure.tables.columns import Column, Table

_TEXTS = (
    ("quantity", "what was measured repeatedly"),
    ("view", "as in the measurements"),
    ("feature", "as in the measurements"),
    ("statistic", "as in the measurements"),
    ("state", "as in the measurements"),
    ("part", "part, for its precision alone; empty for the whole study"),
    ("unit", "unit of the standard deviations and limits"),
)
_COUNTS = (
    ("n_parts", "parts"),
    ("n_operators", "operators"),
    ("n_repeats", "repeats of each; empty where they differ"),
    ("dof", "degrees of freedom of the repeatability"),
)
_NUMBERS = (
    ("mean", "mean of all values of the part"),
    ("repeatability_sd", "standard deviation, same part and same operator"),
    ("repeatability_low_95", "lower end of its 95 % interval"),
    ("repeatability_high_95", "upper end of its 95 % interval"),
    ("operator_sd", "standard deviation between operators"),
    ("interaction_sd", "standard deviation of operators' differences from part to part"),
    ("reproducibility_sd", "operators and interaction together; for a part, with repeatability"),
    ("gauge_sd", "repeatability and reproducibility together"),
    ("part_sd", "standard deviation between parts"),
    ("repeatability_limit_r", "two results of one operator differ by more one time in twenty"),
    ("reproducibility_limit_r", "the same for two operators"),
    ("tolerance", "half of the width that the measuring system is compared with"),
)
_SHARES = (
    ("share_of_tolerance", "six gauge standard deviations over the whole width"),
    ("p_interaction", "probability of the interaction where there is none"),
    ("p_scatter", "probability that the greatest scatter among operators is chance (Cochran)"),
)

REPEATABILITY_TABLE = Table(
    file="repeatability.csv",
    title="one row per quantity and feature, then one per part",
    columns=(
        *(Column(name=name, type="string", help=help) for name, help in _TEXTS),
        *(Column(name=name, type="integer", help=help) for name, help in _COUNTS),
        *(Column(name=name, type="number", help=help) for name, help in _NUMBERS),
        *(Column(name=name, type="number", help=help, unit="1") for name, help in _SHARES),
        Column(name="categories", type="integer", help="categories of parts it can tell apart"),
        Column(name="interaction", type="string", help="pooled with the repeats, or kept apart",
               choices=("pooled", "kept")),
        Column(name="remark", type="string", help="what to know about this row"),
        Column(name="software", type="string", help="program and version"),
    ),
)  # fmt: skip
