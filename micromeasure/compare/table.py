"""`comparisons.csv`: comparisons as rows, and the whole way from a study to them."""

from collections.abc import Iterable
from pathlib import Path

from micromeasure import __version__
from micromeasure.compare.comparison import Comparison
from micromeasure.compare.questions import Plan, compare_all
from micromeasure.compare.wording import joined
from micromeasure.quantities import quantities
from micromeasure.study.model import Study
from micromeasure.tables.cells import count_cell, dof_cell, number_cell, text_cell
from micromeasure.tables.columns import Column
from micromeasure.tables.compared import COMPARISONS_TABLE
from micromeasure.tables.evidence import read_evidence
from micromeasure.tables.package import PACKAGE_FILE, with_table
from micromeasure.tables.reading import Result, read_results
from micromeasure.tables.writing import CsvFile, replace_file, unwritable

_OF_THE_QUESTION = ("quantity", "view", "feature", "statistic", "state", "unit", "source")


def all_results(study: Study, folder: Path) -> tuple[Result, ...]:
    """Return the study's own results and those brought in from other instruments.

    Raises
    ------
    ResultsError
        If a file is missing or wrong.
    """
    brought_in = [result for path in study.evidence for result in read_evidence(path)]
    return (*read_results(folder), *brought_in)


def plan_of(study: Study, *, all_pairs: bool = False) -> Plan:
    """Return how a study wants its revisions compared."""
    views: dict[str, set[str]] = {}
    for record in study.records:
        views.setdefault(record.revision, set()).add(record.view)
    return Plan(
        asked=study.comparisons,
        revisions=tuple(dict.fromkeys(r.revision for r in study.records if r.revision)),
        reference=study.reference,
        all_pairs=all_pairs,
        where=study.path.name,
        views=views,
        accompanied={m.quantity: quantities()[m.quantity].accompanied_by for m in study.measures},
    )


def compare_study(study: Study, folder: Path, *, all_pairs: bool = False) -> tuple[Comparison, ...]:
    """Compare a study's revisions from its results folder.

    Raises
    ------
    ResultsError
        If a file of results is missing or wrong.
    StudyError
        If a tolerance is in a unit that does not fit its quantity.
    """
    return compare_all(all_results(study, folder), plan_of(study, all_pairs=all_pairs))


def write_comparisons(folder: Path, comparisons: Iterable[Comparison]) -> Path:
    """Write `comparisons.csv`, whole or not at all, and describe it in the data package.

    Returns
    -------
    pathlib.Path
        The file.

    Raises
    ------
    ResultsError
        If it cannot be written.
    """
    path = folder / COMPARISONS_TABLE.file
    package = folder / PACKAGE_FILE
    try:
        with CsvFile(path, COMPARISONS_TABLE.header) as file:
            for compared in comparisons:
                file.add(comparison_row(compared))
        if package.is_file():
            described = with_table(
                package.read_text(encoding="utf-8"), COMPARISONS_TABLE, file.sha256
            )
            replace_file(package, described.encode())
    except OSError as error:
        raise unwritable(path, error) from error
    return path


def comparison_row(compared: Comparison) -> list[str]:
    """Return the cells of one comparison, in the order of the columns."""
    question = compared.question
    texts = {name: getattr(question, name) for name in _OF_THE_QUESTION}
    texts |= {
        "revision": question.revision,
        "reference": question.reference,
        "question": "yes" if question.is_asked else "no",
        "verdict": compared.verdict,
        "remark": joined(compared.remarks),
        "flags": " ".join(compared.flags),
        "method": compared.method,
        "software": f"micromeasure {__version__}",
    }
    return [_cell(column, compared, texts) for column in COMPARISONS_TABLE.columns]


def _cell(column: Column, compared: Comparison, texts: dict[str, str]) -> str:
    if column.name in texts:
        return text_cell(texts[column.name])
    number = getattr(compared, column.name)
    if column.type == "integer":
        return count_cell(number)
    if column.name == "dof" and number is not None:
        return dof_cell(number)
    return number_cell(number)
