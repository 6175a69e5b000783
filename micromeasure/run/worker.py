"""Measuring one image: read once, make every measure of it, paint and write what is to be seen.

`measure_image` is what every worker runs, in this process, in another or on a cluster. It
writes pictures and traces under names that depend on the image alone, whole or not at all, so
that doing an image twice does no harm; everything else travels back in the result.
"""

import errno
import math
import re
import time
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from micromeasure.errors import ImageReadError, MeasurementError, MicromeasureError
from micromeasure.estimate import Estimate
from micromeasure.micrograph.image import Micrograph
from micromeasure.micrograph.reading import digest_of, read_micrograph
from micromeasure.outcome import Failure, Measurement, Outcome, Trace
from micromeasure.quantities import quantities
from micromeasure.quantities.declare import Frames, Quantity
from micromeasure.run.frames import FrameStore
from micromeasure.run.keys import measure_key
from micromeasure.run.plain import outcome_text
from micromeasure.run.task import (
    FileStamp,
    ImageResult,
    MeasureResult,
    Task,
    settled,
    stamp_of,
)
from micromeasure.run.window import needed_window
from micromeasure.study.model import Measure
from micromeasure.tables.names import overlay_name, profile_name
from micromeasure.tables.writing import csv_line, replace_file, unwritable

if TYPE_CHECKING:
    from micromeasure.run.overlay import Picture

# Errors of the results folder that will meet every further image as well.
_HALTING = frozenset({errno.ENOSPC, errno.EROFS, errno.EACCES, errno.EPERM, errno.EDQUOT})
_TRACE_DIGITS = 7
_NO_NUMBER = re.compile("-?(nan|inf)")

_FRAMES = FrameStore()


def measure_image(task: Task) -> ImageResult:
    """Make the measures of one image that are not finished yet.

    Returns
    -------
    ImageResult
        Never raises for a fault of the image; that is part of the result.
    """
    started = time.perf_counter()
    try:
        result = _measured(task)
    except Exception as error:  # noqa: BLE001  # one image must never stop a night's run
        result = failed_image(task, _fault(error))
    return replace(result, seconds=time.perf_counter() - started)


def failed_image(task: Task, reason: str) -> ImageResult:
    """Return the result of an image of which nothing could be measured; the next run tries again.

    Parameters
    ----------
    task : Task
    reason : str
        One sentence.
    """
    outcome = Outcome(failures=(Failure(reason=reason),))
    measures = tuple(
        _result(slot, quantities()[measure.quantity], outcome, key="", final=False)
        for slot, measure in zip(task.slots, task.job.measures, strict=True)
    )
    return ImageResult(number=task.job.number, image=task.job.record.image, measures=measures)


def _measured(task: Task) -> ImageResult:
    job = task.job
    try:
        before = stamp_of(job.path)
        if task.known and (same := _unchanged(task, before)) is not None:
            return same
        micrograph = read_micrograph(
            job.path,
            record=job.record,
            calibration=job.calibration,
            max_pixels=task.max_pixels,
            window=needed_window(job, size_bytes=before[0], max_pixels=task.max_pixels),
        )
        after = stamp_of(job.path)
    except OSError as error:
        reason = f"{job.record.image}: cannot be read ({error.strerror}); see where it has gone."
        return failed_image(task, reason)
    except ImageReadError as error:
        return failed_image(task, str(error))
    if before != after:
        reason = (
            f"{job.record.image}: changed while it was being read ({before[0]} bytes before, "
            f"{after[0]} after); run again when it is complete."
        )
        return failed_image(task, reason)
    return _all_measures(task, micrograph, before)


def _unchanged(task: Task, stamp: tuple[int, int]) -> ImageResult | None:
    """Return an empty result if the files only look different, by date or place."""
    sha256 = digest_of(task.job.path)
    stamps = [FileStamp(path=str(task.job.path), size=stamp[0], mtime_ns=settled(stamp[1]),
                        sha256=sha256)]  # fmt: skip
    for slot, request, measure in _parts(task):
        frames, frame_stamps = _FRAMES.digests(task.job, measure)
        stamps += frame_stamps
        if task.known.get(slot) != measure_key(request, sha256, frames):
            return None
    return ImageResult(
        number=task.job.number,
        image=task.job.record.image,
        image_sha256=sha256,
        stamps=tuple(stamps),
    )


def _parts(task: Task) -> list[tuple[str, str, Measure]]:
    return list(zip(task.slots, task.requests, task.job.measures, strict=True))


def _all_measures(task: Task, micrograph: Micrograph, stamp: tuple[int, int]) -> ImageResult:
    painter = _Painter(task, micrograph)
    stamps = {
        str(task.job.path): FileStamp(
            path=str(task.job.path),
            size=stamp[0],
            mtime_ns=settled(stamp[1]),
            sha256=micrograph.sha256,
        )
    }
    measures = []
    for slot, request, measure in _parts(task):
        quantity = quantities()[measure.quantity]
        try:
            frames, digests, frame_stamps = _FRAMES.read(task.job, measure, task.max_pixels)
        except MicromeasureError as error:
            outcome = Outcome(failures=(Failure(reason=str(error)),))
            measures.append(_result(slot, quantity, outcome, key="", final=False))
            continue
        stamps.update({s.path: s for s in frame_stamps})
        key = measure_key(request, micrograph.sha256, digests)
        if task.known.get(slot) == key:
            continue
        outcome, final = _outcome(quantity, micrograph, measure, frames)
        try:
            written = painter.write(slot, quantity, outcome)
        except OSError as error:
            if error.errno in _HALTING:
                return _halted(task, str(unwritable(task.out, error)))
            reason = f"overlay or trace cannot be written ({error.strerror or error})"
            outcome, final, written = Outcome(failures=(Failure(reason=reason),)), False, ()
        measures.append(_result(slot, quantity, outcome, key=key, final=final, written=written))
    return ImageResult(
        number=task.job.number,
        image=task.job.record.image,
        image_sha256=micrograph.sha256,
        calibration=micrograph.calibration.id,
        stamps=tuple(stamps.values()),
        measures=tuple(measures),
    )


def _halted(task: Task, sentence: str) -> ImageResult:
    return ImageResult(number=task.job.number, image=task.job.record.image, halt=sentence)


def _result(
    slot: str,
    quantity: Quantity,
    outcome: Outcome,
    *,
    key: str,
    final: bool,
    written: tuple[str, ...] = (),
) -> MeasureResult:
    return MeasureResult(
        slot=slot,
        quantity=quantity.name,
        method=quantity.method,
        key=key,
        final=final,
        outcome=outcome_text(outcome),
        reasons=tuple(failure.reason for failure in outcome.failures),
        written=written,
    )


def _outcome(
    quantity: Quantity, micrograph: Micrograph, measure: Measure, frames: Frames
) -> tuple[Outcome, bool]:
    """Measure one quantity; the second value says whether the outcome hangs on the image alone."""
    try:
        return _checked(quantity.measure(micrograph, measure.settings, frames), micrograph), True
    except MeasurementError as error:
        return Outcome(failures=(Failure(reason=str(error)),)), True
    except MemoryError:
        reason = "not enough memory to measure it; run with fewer --jobs or give a region"
        return Outcome(failures=(Failure(reason=reason),)), False
    except Exception as error:  # noqa: BLE001  # one image must never stop a night's run
        return Outcome(failures=(Failure(reason=_fault(error)),)), False


def _fault(error: Exception) -> str:
    """Return one line for an error that nobody foresaw."""
    text = " ".join(f"{type(error).__name__}: {error}".split())
    return f"fault in the program ({text}); please report it"


def _checked(outcome: Outcome, micrograph: Micrograph) -> Outcome:
    """Add the image's own flags to every measurement and turn what is no number into a failure."""
    measurements, failures = [], list(outcome.failures)
    for measurement in outcome.measurements:
        estimate = measurement.estimate
        if not all(v is None or math.isfinite(v) for v in (estimate.value, estimate.low_limit)):
            reason = f"{measurement.statistic} did not come out as a finite number"
            failures.append(Failure(reason=reason, feature=measurement.feature))
            continue
        measurements.append(_with_flags(measurement, micrograph.flags))
    return replace(outcome, measurements=tuple(measurements), failures=tuple(failures))


def _with_flags(measurement: Measurement, flags: tuple[str, ...]) -> Measurement:
    return replace(
        measurement,
        estimate=_known_uncertainty(measurement.estimate),
        flags=tuple(dict.fromkeys((*measurement.flags, *flags))),
    )


def _known_uncertainty(estimate: Estimate) -> Estimate:
    """Return the estimate, its uncertainty unknown if any component is no number."""
    if all(math.isfinite(c.u) for c in estimate.components or ()):
        return estimate
    return replace(estimate, components=None)


class _Painter:
    """Writes the overlay and the traces of one image's measures; the picture is scaled once."""

    def __init__(self, task: Task, micrograph: Micrograph) -> None:
        self._out = task.out
        self._image = task.job.record.image
        self._micrograph = micrograph
        self._picture: Picture | None = None

    def write(self, slot: str, quantity: Quantity, outcome: Outcome) -> tuple[str, ...]:
        """Write the files and return their paths inside the results folder."""
        if self._picture is None:
            from micromeasure.run.overlay import Picture

            self._picture = Picture(self._micrograph)
        overlay = overlay_name(self._image, slot)
        replace_file(self._out / overlay, self._picture.painted(outcome, quantity.title))
        written = [overlay]
        for trace in outcome.traces:
            name = profile_name(self._image, slot, trace.name)
            replace_file(self._out / name, trace_text(trace).encode())
            written.append(name)
        return tuple(written)


def trace_text(trace: Trace) -> str:
    """Write a trace as CSV with seven significant digits; empty cells where it has gaps."""
    header = csv_line(list(trace.columns))
    table = np.column_stack([np.asarray(column, float) for column in trace.columns.values()])
    # One formatting of the whole table is ten times quicker than one of each cell.
    line = ",".join([f"%.{_TRACE_DIGITS}g"] * table.shape[1]) + "\r\n"
    body = (line * len(table)) % tuple(table.ravel().tolist())
    return header + (body if np.isfinite(table).all() else _NO_NUMBER.sub("", body))
