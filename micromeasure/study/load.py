"""Reading a study: the study file, its calibrations and its manifest, with every problem found."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Any

from micromeasure.calibration.file import Calibration, read_calibration
from micromeasure.errors import CalibrationError, StudyError
from micromeasure.fields import declared, nearest, parse
from micromeasure.micrograph.image import ImageRecord
from micromeasure.quantities import derivations, quantities
from micromeasure.study.manifest import Manifest, records_from_names, records_from_table
from micromeasure.study.model import Comparison, Job, Measure, Study

STUDY_FILE = "study.toml"
_TOLERANCE = "tolerance_"


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyTable:
    """The top level of a study file."""

    schema: int = declared("integer", low=1, high=1, help="version of this file format")
    title: str = declared("text", "", help="title of the study, shown in the report")
    calibrations: str = declared(
        "text", "", help="folder of calibration files, relative to the study file"
    )
    images: str = declared("text", "images", help="images folder, relative to the study file")
    manifest: str = declared("text", "", help="CSV file with one row an image")
    pattern: str = declared("text", "", help="file name pattern, where there is no manifest")
    calibration: str = declared("text", "", help="calibration for images that name none")
    reference: str = declared("text", "", help="revision that the others are compared with")
    evidence: tuple[str, ...] = declared(
        "texts", (), help="CSV files brought in from other instruments"
    )
    measure: Any = declared("anything", (), help="what to measure, one table each")
    compare: Any = declared("anything", (), help="what to compare, one table each")


@dataclass(frozen=True, slots=True, kw_only=True)
class _CompareTable:
    quantity: str = declared("text", help="quantity to compare")
    feature: str = declared("text", "", help="feature; every one where not given")
    statistic: str = declared("text", "", help="statistic; the main one where not given")
    tolerance: float | None = declared("number", None, above=0, help="see tolerance_um")


def find_study(path: Path) -> Path:
    """Return the study file for a path given on the command line.

    Raises
    ------
    StudyError
        If there is none.
    """
    file = path / STUDY_FILE if path.is_dir() else path
    if not file.is_file():
        raise StudyError([f"{file}: no such study file; name a study file or its folder."])
    return file


def load_study(path: Path) -> Study:
    """Read a study and check everything in it but the images themselves.

    Parameters
    ----------
    path : pathlib.Path
        A study file, or a folder with a ``study.toml`` in it.

    Returns
    -------
    Study

    Raises
    ------
    StudyError
        With one sentence for each problem in the study file, the manifest and the calibrations.
    """
    study, problems = examine_study(path)
    if problems or study is None:
        raise StudyError(problems)
    return study


def examine_study(path: Path) -> tuple[Study | None, list[str]]:
    """Read as much of a study as can be read, and list what is wrong with it.

    Returns
    -------
    study : Study or None
        Without its faulty parts; None where the study file itself cannot be used.
    problems : list of str
        One sentence each; empty for a sound study.

    Raises
    ------
    StudyError
        If there is no study file.
    """
    file = find_study(path)
    problems: list[str] = []
    table = _study_table(file, problems)
    if table is None:
        return None, problems
    folder = file.parent
    images = folder / table.images
    measures = _measures(table.measure, file.name, problems)
    manifest = _manifest(table, file, images, problems)
    records = tuple(
        replace(r, calibration=r.calibration or table.calibration) for r in manifest.records
    )
    _check_views(measures, records, file.name, problems)
    _check_reference(table.reference, records, file.name, problems)
    used = {r.calibration for r in records} | {table.calibration}
    study = Study(
        path=file,
        title=table.title or folder.resolve().name,
        images=images,
        calibrations=_calibrations(folder / table.calibrations, used - {""}, file.name, problems),
        measures=measures,
        comparisons=_comparisons(
            table.compare, file.name, problems, has_evidence=bool(table.evidence)
        ),
        reference=table.reference,
        evidence=_evidence(table.evidence, folder, file.name, problems),
        records=records,
        jobs=(),
        extra_columns=manifest.extra_columns,
    )
    return replace(study, jobs=_jobs(study)), problems


def _study_table(file: Path, problems: list[str]) -> StudyTable | None:
    try:
        given = tomllib.loads(file.read_text(encoding="utf-8-sig"))
    except OSError as error:
        problems.append(f"{file.name}: cannot be read ({error.strerror}).")
        return None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        problems.append(f"{file.name}: is not valid TOML ({error}).")
        return None
    table = parse(StudyTable, given, where=file.name, problems=problems)
    if table is not None and bool(table.manifest) == bool(table.pattern):
        found = "both" if table.manifest else "neither"
        problems.append(
            f"{file.name}: found {found} of 'manifest' and 'pattern'; give one of the two."
        )
    return table


def _tables(given: Any, where: str, problems: list[str]) -> list[Mapping[str, Any]]:  # noqa: ANN401
    if isinstance(given, (list, tuple)) and all(isinstance(item, Mapping) for item in given):
        return list(given)
    problems.append(f"{where}: must be a list of tables, written [[...]].")
    return []


def _measures(given: Any, name: str, problems: list[str]) -> tuple[Measure, ...]:  # noqa: ANN401
    measures = []
    tables = _tables(given, f"{name}, measure", problems)
    if not tables and not given:
        problems.append(f"{name}: there is no [[measure]]; say what is to be measured.")
    for number, table in enumerate(tables, start=1):
        where = f"{name}, [[measure]] {number}"
        chosen, view = table.get("quantity"), table.get("view", "")
        if not isinstance(chosen, str) or chosen not in quantities():
            hint = nearest(str(chosen), quantities())
            problems.append(
                f"{where}, quantity: found {chosen!r}; must be a quantity measured in images "
                f"({hint})"
                if chosen not in derivations()
                else f"{where}, quantity: {chosen} is derived from "
                f"{' and '.join(derivations()[str(chosen)].needs)}; measure these instead."
            )
            continue
        if not isinstance(view, str):
            problems.append(f"{where}, view: found {view!r}; must be a text.")
            continue
        rest = {k: v for k, v in table.items() if k not in ("quantity", "view")}
        settings = parse(quantities()[chosen].settings, rest, where=where, problems=problems)
        if settings is not None and _frames_inside(chosen, settings, where, problems):
            measures.append(Measure(number=number, quantity=chosen, view=view, settings=settings))
    return tuple(measures)


def _frames_inside(quantity: str, settings: Any, where: str, problems: list[str]) -> bool:  # noqa: ANN401
    """Refuse companion images that lie outside the images folder."""
    before = len(problems)
    for field in quantities()[quantity].frame_fields():
        problems.extend(
            f"{where}, {field}: found '{name}'; must be a path inside the images folder."
            for name in getattr(settings, field) or ()
            if PurePosixPath(name).is_absolute()
            or ".." in PurePosixPath(name).parts
            or "\0" in name
        )
    return len(problems) == before


def _comparisons(
    given: Any,  # noqa: ANN401
    name: str,
    problems: list[str],
    *,
    has_evidence: bool,
) -> tuple[Comparison, ...]:
    comparisons = []
    known = {*quantities(), *derivations()}
    known.update(name for q in quantities().values() for name in q.accompanied_by)
    for number, table in enumerate(_tables(given, f"{name}, compare", problems), start=1):
        where = f"{name}, [[compare]] {number}"
        tolerances = [key for key in table if key.startswith(_TOLERANCE)]
        if len(tolerances) > 1:
            problems.append(f"{where}: found {', '.join(tolerances)}; give one tolerance.")
            continue
        rest = {k: v for k, v in table.items() if k not in tolerances}
        if tolerances:
            rest["tolerance"] = table[tolerances[0]]
        row = parse(_CompareTable, rest, where=where, problems=problems)
        if row is None:
            continue
        # Evidence from other instruments brings quantities of its own.
        if row.quantity not in known and not has_evidence:
            problems.append(
                f"{where}, quantity: found '{row.quantity}'; {nearest(row.quantity, known)}"
            )
            continue
        comparisons.append(
            Comparison(
                quantity=row.quantity,
                feature=row.feature,
                statistic=row.statistic,
                tolerance=row.tolerance,
                unit=tolerances[0].removeprefix(_TOLERANCE) if tolerances else "",
            )
        )
    return tuple(comparisons)


def _manifest(table: StudyTable, file: Path, images: Path, problems: list[str]) -> Manifest:
    if not images.is_dir():
        problems.append(f"{file.name}, images: there is no folder {table.images}; correct it.")
        return Manifest()
    if table.manifest:
        return records_from_table(file.parent / table.manifest, images, problems)
    if table.pattern:
        return records_from_names(table.pattern, images, file.name, problems)
    return Manifest()


def _check_views(
    measures: tuple[Measure, ...],
    records: tuple[ImageRecord, ...],
    name: str,
    problems: list[str],
) -> None:
    if not records:
        return
    views = {record.view for record in records}
    problems.extend(
        f"{name}, [[measure]] {m.number}, view: no image has the view '{m.view}'; "
        f"{nearest(m.view, views - {''})}"
        for m in measures
        if m.view and m.view not in views
    )


def _calibrations(
    folder: Path, used: set[str], name: str, problems: list[str]
) -> dict[str, Calibration]:
    if not used:
        return {}
    if not folder.is_dir():
        problems.append(f"{name}, calibrations: there is no folder {folder}; correct it.")
        return {}
    found: dict[str, Calibration] = {}
    faults: dict[str, list[str]] = {}
    for file in sorted(folder.glob("*.toml")):
        try:
            calibration = read_calibration(file)
        except CalibrationError as error:
            faults[file.stem] = error.problems
            continue
        if calibration.id in found and calibration.id in used:
            problems.append(
                f"{file.name}, id: '{calibration.id}' stands in another file of {folder.name} too; "
                "give each calibration an id of its own."
            )
        found[calibration.id] = calibration
    for wanted in sorted(used - found.keys()):
        # A file that names itself so but is faulty is the likelier cause than a missing one.
        if wanted in faults:
            problems.extend(faults.pop(wanted))
        else:
            problems.append(
                f"{name}, calibration: there is no calibration '{wanted}' in {folder.name}; "
                f"{nearest(wanted, found)}"
            )
            problems.extend(sentence for sentences in faults.values() for sentence in sentences)
            faults = {}
    return {key: found[key] for key in sorted(used & found.keys())}


def _evidence(
    names: tuple[str, ...], folder: Path, study: str, problems: list[str]
) -> tuple[Path, ...]:
    paths = tuple(folder / name for name in names)
    problems.extend(
        f"{study}, evidence: there is no file {path.name} beside the study; correct the name."
        for path in paths
        if not path.is_file()
    )
    return paths


def _check_reference(
    reference: str, records: tuple[ImageRecord, ...], name: str, problems: list[str]
) -> None:
    revisions = {record.revision for record in records} - {""}
    if reference and revisions and reference not in revisions:
        problems.append(
            f"{name}, reference: no image has the revision '{reference}'; "
            f"{nearest(reference, revisions)}"
        )


def _jobs(study: Study) -> tuple[Job, ...]:
    """Return one job per image that any measure asks for, in the manifest's order."""
    jobs: list[Job] = []
    frames = {
        (m.number, name): tuple(study.images / item for item in getattr(m.settings, name))
        for m in study.measures
        for name in quantities()[m.quantity].frame_fields()
        if getattr(m.settings, name)
    }
    companions = {path for paths in frames.values() for path in paths}
    stated = {
        study.images / r.image: r for r in study.records if study.images / r.image in companions
    }
    for record in study.records:
        asked = tuple(m for m in study.measures if m.view in ("", record.view))
        if not asked:
            continue
        numbers = {m.number for m in asked}
        own = {key: paths for key, paths in frames.items() if key[0] in numbers}
        jobs.append(
            Job(
                number=len(jobs),
                record=record,
                path=study.images / record.image,
                calibration=study.calibrations.get(record.calibration),
                measures=asked,
                frames=own,
                frame_records={
                    path: stated[path] for paths in own.values() for path in paths if path in stated
                },
            )
        )
    return tuple(jobs)
