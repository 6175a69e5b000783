"""`repeatability.csv`: gauge studies as rows."""

import math
from collections.abc import Iterable, Iterator
from pathlib import Path

from micromeasure import __version__
from micromeasure.compare.repeatability import GaugeStudy
from micromeasure.compare.wording import joined
from micromeasure.tables.cells import number_cell, text_cell
from micromeasure.tables.repeated import REPEATABILITY_TABLE
from micromeasure.tables.writing import CsvFile, unwritable

_PLACES = ("quantity", "view", "feature", "statistic", "state", "unit")

Value = str | float | None


def write_repeatability(folder: Path, studies: Iterable[GaugeStudy]) -> Path:
    """Write `repeatability.csv`, whole or not at all.

    Raises
    ------
    ResultsError
        If it cannot be written.
    """
    path = folder / REPEATABILITY_TABLE.file
    try:
        with CsvFile(path, REPEATABILITY_TABLE.header) as file:
            for study in studies:
                for values in repeatability_rows(study):
                    file.add([_cell(values.get(name)) for name in REPEATABILITY_TABLE.header])
    except OSError as error:
        raise unwritable(path, error) from error
    return path


def repeatability_rows(study: GaugeStudy) -> Iterator[dict[str, Value]]:
    """Return the whole study as values by column, then each of its parts."""
    result = study.result
    common: dict[str, Value] = {name: getattr(study, name) for name in _PLACES}
    common |= {"software": f"micromeasure {__version__}", "n_operators": result.n_operators}
    interaction = next((line for line in result.lines if line.source == "interaction"), None)
    yield common | {
        "n_parts": result.n_parts,
        "n_repeats": result.n_repeats or None,
        "dof": result.repeatability_dof,
        "repeatability_sd": result.repeatability_sd,
        "repeatability_low_95": result.repeatability_low,
        "repeatability_high_95": result.repeatability_high,
        "operator_sd": result.operator_sd,
        "interaction_sd": result.interaction_sd,
        "reproducibility_sd": result.reproducibility_sd,
        "gauge_sd": result.gauge_sd,
        "part_sd": result.part_sd if result.n_parts > 1 else None,
        "repeatability_limit_r": result.limit_r,
        "reproducibility_limit_r": result.limit_big_r,
        "tolerance": study.tolerance,
        "share_of_tolerance": study.share_of_tolerance,
        "p_interaction": interaction.p if interaction else None,
        "categories": result.categories if result.n_parts > 1 else None,
        "interaction": ("pooled" if result.is_pooled else "kept") if interaction else "",
        "remark": joined(study.remarks),
    }
    for level in study.levels:
        precision = level.precision
        yield common | {
            "part": level.part,
            "n_repeats": result.n_repeats,
            "mean": precision.mean,
            "repeatability_sd": precision.repeatability_sd,
            "operator_sd": precision.between_sd,
            "reproducibility_sd": precision.reproducibility_sd,
            "repeatability_limit_r": precision.limit_r,
            "reproducibility_limit_r": precision.limit_big_r,
            "p_scatter": precision.cochran_p,
        }


def _cell(value: Value) -> str:
    if isinstance(value, str):
        return text_cell(value)
    return number_cell(None if value is None or math.isnan(value) else float(value))
