"""What a finished measure depends on, as one digest: same key, same result.

The key holds the contents of image, companion frames and calibration, the settings, the
method's version and those fields of the manifest that a measurement may depend on. It holds
neither the program's version nor a specimen's labels: correcting those measures nothing again.
"""

import dataclasses
import datetime as dt
import hashlib
import json
from collections.abc import Mapping, Sequence

from micromeasure.calibration.file import Calibration
from micromeasure.micrograph.image import ImageRecord
from micromeasure.quantities import quantities
from micromeasure.study.model import Job, Measure

# Raise it when the engine itself changes what a measure gets to see or what is kept of it.
FORMAT = 1

# Labels: they name a result, no measurement depends on them.
_LABELS = ("specimen", "revision", "position")


class Requests:
    """Digests of what is asked for, apart from the contents of image files.

    A study's jobs share their calibrations and measures, so their texts are made once.
    """

    def __init__(self) -> None:
        self._texts: dict[int, tuple[object, str]] = {}

    def digests(self, job: Job) -> tuple[str, ...]:
        """Return one digest for each measure of a job, in its order."""
        start = hashlib.sha256(str(FORMAT).encode())
        start.update(plain_json(_record_plain(job.record)).encode())
        if job.calibration is not None:
            start.update(self._calibration_text(job.calibration).encode())
        digests = []
        for measure in job.measures:
            whole = start.copy()
            whole.update(self._measure_text(measure).encode())
            whole.update(_frames_text(job, measure).encode())
            digests.append(whole.hexdigest())
        return tuple(digests)

    def _calibration_text(self, calibration: Calibration) -> str:
        # Held by identity, because a calibration's table of fit statistics cannot be hashed.
        if id(calibration) not in self._texts:
            text = plain_json(dataclasses.asdict(calibration))
            self._texts[id(calibration)] = (calibration, text)
        return self._texts[id(calibration)][1]

    def _measure_text(self, measure: Measure) -> str:
        if id(measure) not in self._texts:
            method = quantities()[measure.quantity].method
            text = plain_json([measure.quantity, method, dataclasses.asdict(measure.settings)])
            self._texts[id(measure)] = (measure, text)
        return self._texts[id(measure)][1]


def measure_key(request: str, image_sha256: str, frames: Mapping[str, Sequence[str]]) -> str:
    """Return the key of one measure.

    Parameters
    ----------
    request : str
        From `Requests.digests`.
    image_sha256 : str
        Digest of the image file.
    frames : mapping of str to sequence of str
        Digests of the companion frames by settings field.
    """
    text = plain_json([request, image_sha256, {name: list(d) for name, d in frames.items()}])
    return hashlib.sha256(text.encode()).hexdigest()


def plain_json(value: object) -> str:
    """Write plain data as one line of JSON, always the same for the same data."""
    return json.dumps(value, sort_keys=True, default=_date_text, separators=(",", ":"))


def _frames_text(job: Job, measure: Measure) -> str:
    """Return what the manifest says about the companion frames of a measure; often nothing."""
    if not job.frame_records:
        return ""
    stated = [
        [
            field,
            [_record_plain(job.frame_records[path]) for path in paths if path in job.frame_records],
        ]
        for (number, field), paths in sorted(job.frames.items())
        if number == measure.number
    ]
    return plain_json(stated)


def _record_plain(record: ImageRecord) -> dict[str, object]:
    names = (field.name for field in dataclasses.fields(record))
    plain = {name: getattr(record, name) for name in names if name not in _LABELS}
    return {**plain, "extra": dict(record.extra)}


def _date_text(value: object) -> str:
    if isinstance(value, dt.date):
        return value.isoformat()
    message = f"a {type(value).__name__} cannot be part of a key"
    raise TypeError(message)
