"""Result files made from the ledger, one image after the other, in the order of the manifest."""

import contextlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from micromeasure.errors import MeasurementError
from micromeasure.micrograph.image import ImageRecord
from micromeasure.outcome import Failure, Outcome
from micromeasure.quantities import derivations
from micromeasure.quantities.declare import Derivation, Drawing, Measured
from micromeasure.review.cases import Standing
from micromeasure.review.merge import Drawn, Found, Unmatched
from micromeasure.review.record import read_record, record_path
from micromeasure.run.drawing import derived_files, drawing_svg
from micromeasure.run.fingerprint import Fingerprint, Written, result_stamps
from micromeasure.run.ledger import Ledger, Line
from micromeasure.run.plain import outcome_from_text
from micromeasure.run.plan import job_slots
from micromeasure.run.recall import Recalled, places_of
from micromeasure.run.redrawn import image_digests
from micromeasure.study.model import Job, Measure, Study
from micromeasure.tables.columns import (
    FAILURES_TABLE,
    INDICATIONS_TABLE,
    MEASUREMENTS_TABLE,
    TABLES,
    UNCERTAINTY_TABLE,
    Table,
)
from micromeasure.tables.decisions import Decisions, decision_cells, merged_decisions
from micromeasure.tables.package import PACKAGE_FILE, package_text
from micromeasure.tables.rows import (
    Finished,
    drawn_cells,
    failure_rows,
    indication_cells,
    indication_id,
    indication_row,
    line_string,
    measurement_rows,
    uncertainty_rows,
)
from micromeasure.tables.writing import CsvFile, replace_file, unwritable


def write_results(study: Study, ledger: Ledger, out: Path, *, software: str) -> Written:
    """Write every CSV file and the data package.

    Raises
    ------
    ResultsError
        If the folder cannot be written; the files of an earlier run are still whole then.
    """
    record = read_record(record_path(study.path))
    decisions = Decisions()
    if record.entries:
        digests = image_digests(study, ledger)
        decisions = merged_decisions(record.entries, _found(study, ledger), digests)
    notes = (*record.doubts, *(_lost_sentence(lost) for lost in decisions.merged.unmatched))
    try:
        written = _write_all(study, ledger, out, decisions=decisions, software=software)
    except OSError as error:
        raise unwritable(out, error) from error
    return replace(written, notes=notes, stamps=result_stamps(out))


def _lost_sentence(lost: Unmatched) -> str:
    entry = lost.entries[-1]
    return (
        f"A decision of {entry.by} on {entry.image} is kept but has no place in these results: "
        f"{lost.reason}."
    )


def finished_images(
    study: Study, ledger: Ledger, fingerprint: Fingerprint | None = None
) -> Iterator[list[tuple[Measure, Finished]]]:
    """Yield the finished measures of each image, in the order of manifest and study.

    Parameters
    ----------
    study : Study
    ledger : Ledger
    fingerprint : Fingerprint or None
        Every image is added to it.
    """
    for job in study.jobs:
        lines = ledger.lines(job.record.image)
        slots = [slot for slot in job_slots(job) if slot in lines]
        if fingerprint is not None:
            fingerprint.add(job, ((slot, lines[slot].key) for slot in slots))
        yield [
            (measure, _finished(job, line))
            for slot, measure in zip(job_slots(job), job.measures, strict=True)
            if (line := lines.get(slot)) is not None
        ]


def _finished(job: Job, line: Line) -> Finished:
    return Finished(
        record=job.record,
        quantity=line.quantity,
        outcome=outcome_from_text(line.outcome),
        method=line.method,
        software=line.software,
        calibration=line.calibration,
        image_sha256=line.image_sha256,
    )


class _Files:
    """The four CSV files while they are being written."""

    def __init__(self, stack: contextlib.ExitStack, out: Path, extra: Sequence[str]) -> None:
        def opened(table: Table) -> CsvFile:
            columns = (*table.header, *extra) if table.carries_extra else table.header
            return stack.enter_context(CsvFile(out / table.file, columns))

        self._extra = extra
        self.made = {table: opened(table) for table in TABLES}
        self.measurements = self.made[MEASUREMENTS_TABLE]
        self.uncertainty = self.made[UNCERTAINTY_TABLE]
        self.failures = self.made[FAILURES_TABLE]
        self.indications = self.made[INDICATIONS_TABLE]

    def add(self, finished: Finished) -> None:
        """Add the rows of a finished measure, indications apart."""
        for row in measurement_rows(finished, self._extra):
            self.measurements.add(row)
        for row in uncertainty_rows(finished):
            self.uncertainty.add(row)
        for row in failure_rows(finished):
            self.failures.add(row)

    def add_indications(self, finished: Finished, decisions: Decisions) -> None:
        """Add the rows of the indications of a finished measure."""
        for indication in finished.outcome.indications:
            name = indication_id(finished.image_sha256, indication)
            cells = indication_cells(indication)
            self._add_indication(
                finished, name, cells, decisions.standing(finished.record.image, name)
            )

    def add_drawn(self, finished: Finished, drawn: Sequence[Drawn]) -> None:
        """Add the rows of cracks that a person drew in an image."""
        for one in drawn:
            self._add_indication(finished, one.indication, {}, one.standing)

    def _add_indication(
        self, finished: Finished, name: str, cells: Mapping[str, str], standing: Standing
    ) -> None:
        # What a person drew stands in the place of what the program found.
        drawn = {**drawn_cells(standing.drawn or {}), "flags": " ".join(standing.flags)}
        self.indications.add(
            indication_row(finished, name, {**cells, **drawn}, decision_cells(standing))
        )


def _write_all(
    study: Study, ledger: Ledger, out: Path, *, decisions: Decisions, software: str
) -> Written:
    fingerprint = Fingerprint(study)
    with contextlib.ExitStack() as stack:
        files = _Files(stack, out, study.extra_columns)
        for image in finished_images(study, ledger, fingerprint):
            for _, finished in image:
                judged = decisions.applied(finished)
                files.add(judged)
                files.add_indications(judged, decisions)
            if image:
                _, last = image[-1]
                files.add_drawn(last, decisions.drawn.get(last.record.image, ()))
                for by_hand in decisions.by_hand(last):
                    files.add(by_hand)
        for finished, more in _derived(study, ledger, decisions, software):
            files.add(finished)
            for name, content in more:
                data = content.encode() if isinstance(content, str) else drawing_svg(content)
                replace_file(out / name, data)
    written = _described(study, out, files)
    return replace(written, fingerprint=fingerprint.text())


def _described(study: Study, out: Path, files: _Files) -> Written:
    """Write the data package for finished files."""
    tables = [(table, file.sha256) for table, file in files.made.items()]
    text = package_text(title=study.title, tables=tables, extra_columns=study.extra_columns)
    replace_file(out / PACKAGE_FILE, text.encode())
    return Written(
        rows={table.file: file.rows for table, file in files.made.items()},
        sha256={table.file: file.sha256 for table, file in files.made.items()},
        stamps={},
    )


def _derivations(study: Study) -> list[Derivation]:
    """Return the derived quantities whose every ingredient the study measures."""
    there = {measure.quantity for measure in study.measures}
    return [d for d in derivations().values() if there.issuperset(d.needs)]


def _derived(
    study: Study, ledger: Ledger, decisions: Decisions, software: str
) -> Iterator[tuple[Finished, Iterable[tuple[Path, str | Drawing]]]]:
    """Yield every derived number with the files that belong to it."""

    def fetch(number: int, place: int) -> Measured:
        job = study.jobs[number]
        line = ledger.lines(job.record.image)[job_slots(job)[place]]
        return Measured(
            record=job.record,
            quantity=line.quantity,
            settings=job.measures[place].settings,
            outcome=decisions.applied(_finished(job, line)).outcome,
        )

    for derivation in _derivations(study):
        measured = Recalled(places_of(study, derivation.needs, ledger), fetch)
        try:
            rows = derivation.derive(measured)
        except MeasurementError as error:
            outcome = Outcome(failures=(Failure(reason=str(error)),))
            yield _of_several(derivation, ImageRecord(image=""), outcome, software), ()
            continue
        for row in rows:
            outcome = Outcome(measurements=(row.measurement,))
            finished = _of_several(derivation, row.record, outcome, software)
            yield finished, derived_files(derivation.name, row)


def _of_several(
    derivation: Derivation, record: ImageRecord, outcome: Outcome, software: str
) -> Finished:
    return Finished(
        record=record,
        quantity=derivation.name,
        outcome=outcome,
        method=derivation.method,
        software=software,
        calibration=record.calibration,
    )


def _found(study: Study, ledger: Ledger) -> Iterator[Found]:
    for image in finished_images(study, ledger):
        for _, finished in image:
            for indication in finished.outcome.indications:
                yield Found(
                    image=finished.record.image,
                    indication=indication_id(finished.image_sha256, indication),
                    centreline_px=line_string(indication.centreline_px),
                )
