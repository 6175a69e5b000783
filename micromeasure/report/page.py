"""The page: everything gathered, set by one template into one self-contained HTML file."""

from pathlib import Path
from typing import Any

from micromeasure.compare.questions import compare_all
from micromeasure.compare.table import all_results, plan_of
from micromeasure.report import account, palette
from micromeasure.report.answers import answers, headline
from micromeasure.report.cracks import crack_findings
from micromeasure.report.notes import PLACES, Note, read_notes
from micromeasure.report.plates import plate_rows
from micromeasure.report.values import sections
from micromeasure.study.model import Study
from micromeasure.tables.reading import Result, read_failures, read_indications
from micromeasure.tables.writing import replace_file, unwritable

REPORT_FILE = "report.html"
_SEARCHED = ("candidate_count", "confirmed_count")


def write_report(study: Study, folder: Path, *, all_pairs: bool = False) -> Path:
    """Write `report.html` from a results folder.

    Parameters
    ----------
    study : Study
    folder : pathlib.Path
        The results folder.
    all_pairs : bool
        Whether every pair of revisions is compared.

    Returns
    -------
    pathlib.Path
        The file.

    Raises
    ------
    ResultsError
        If results are missing or wrong, or the file cannot be written.
    StudyError
        If a tolerance is in a unit that does not fit its quantity.
    """
    html = report_html(study, folder, all_pairs=all_pairs)
    path = folder / REPORT_FILE
    try:
        replace_file(path, html.encode())
    except OSError as error:
        raise unwritable(path, error) from error
    return path


def report_html(study: Study, folder: Path, *, all_pairs: bool = False) -> str:
    """Return the report as one self-contained page."""
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=PackageLoader("micromeasure.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    # Figures and notes are made of escaped parts only; everything else is escaped by the template.
    environment.filters["made"] = Markup
    return environment.get_template("report.html").render(
        **_contents(study, folder, all_pairs=all_pairs)
    )


def _contents(study: Study, folder: Path, *, all_pairs: bool) -> dict[str, Any]:
    results = all_results(study, folder)
    indications = read_indications(folder)
    plan = plan_of(study, all_pairs=all_pairs)
    comparisons = compare_all(results, plan)
    found = sections(results, plan.revisions)
    notes = read_notes(study.path)
    made_at, software = account.made_now()
    return {
        "palette": palette,
        "title": study.title,
        "study_file": study.path.name,
        "revisions": [(name, palette.revision_style(i)) for i, name in enumerate(plan.revisions)],
        "counts": _counts(study, results),
        "headline": headline(comparisons),
        "asked": answers(comparisons, are_asked=True),
        "besides": answers(comparisons, are_asked=False),
        "notes": _placed(notes),
        "plates": plate_rows(study, folder, results, indications),
        "own": [s for s in found if not s.source],
        "brought_in": [s for s in found if s.source],
        "cracks": crack_findings(folder, indications, _searched(results)),
        "calibrations": account.calibration_lines(study, results),
        "failures": account.failure_lines(read_failures(folder)),
        "set_aside": account.set_aside_lines(study),
        "flags": account.flag_lines(results),
        "methods": account.methods(results),
        "run": account.run_facts(folder),
        "made_at": made_at,
        "software": software,
    }


def _counts(study: Study, results: tuple[Result, ...]) -> dict[str, int]:
    own = [r for r in results if not r.brought_in]
    return {
        "images": len({r.image for r in own if r.image}),
        "images_of_study": len(study.jobs),
        "specimens": len({(r.revision, r.specimen) for r in own if r.specimen}),
        "values": len(own),
    }


def _searched(results: tuple[Result, ...]) -> dict[str, int]:
    """Return how many specimens' folds were searched, by revision."""
    found: dict[str, set[str]] = {}
    for r in results:
        if r.quantity in _SEARCHED:
            found.setdefault(r.revision, set()).add(r.specimen)
    return {revision: len(specimens) for revision, specimens in found.items()}


def _placed(notes: tuple[Note, ...]) -> dict[str, Any]:
    """Sort text blocks by the places they have in the report."""
    named = {note.title.casefold(): note for note in notes}
    placed: dict[str, Any] = {place: named.get(place) for place in PLACES}
    placed["more"] = [n for n in notes if n.title.casefold() not in PLACES]
    return placed
