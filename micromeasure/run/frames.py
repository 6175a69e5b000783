"""Companion frames (open light, dark, ...): read once in each worker, not once an image."""

from collections import OrderedDict
from pathlib import Path

from micromeasure.errors import ImageReadError
from micromeasure.micrograph.image import ImageRecord, Micrograph
from micromeasure.micrograph.reading import digest_of, read_micrograph
from micromeasure.quantities import quantities
from micromeasure.quantities.declare import Frames
from micromeasure.run.task import FileStamp, settled, stamp_of
from micromeasure.study.model import Job, Measure

# An open-light, a dark and an opaque frame of two views, with room to spare.
_KEPT = 8

Digests = dict[str, tuple[str, ...]]
# Path, size, date; then calibration and what the manifest carries for the frame.
_Key = tuple[str, int, int, tuple[str, tuple[tuple[str, str], ...]]]


class FrameStore:
    """The frames last used, as long as their files do not change."""

    def __init__(self) -> None:
        self._kept: OrderedDict[_Key, Micrograph] = OrderedDict()
        self._digests: dict[tuple[str, int, int], str] = {}

    def read(
        self, job: Job, measure: Measure, max_pixels: int
    ) -> tuple[Frames, Digests, list[FileStamp]]:
        """Return the frames of a measure by settings field, their digests and their stamps.

        Raises
        ------
        ImageReadError
            If one of them cannot be read.
        """
        frames: dict[str, tuple[Micrograph, ...]] = {}
        stamps: list[FileStamp] = []
        for field, paths in _paths(job, measure).items():
            read = [self._frame(job, path, max_pixels) for path in paths]
            frames[field] = tuple(micrograph for micrograph, _ in read)
            stamps += [stamp for _, stamp in read]
        digests = {field: tuple(m.sha256 for m in many) for field, many in frames.items()}
        return frames, digests, stamps

    def digests(self, job: Job, measure: Measure) -> tuple[Digests, list[FileStamp]]:
        """Return digests and stamps without decoding.

        Raises
        ------
        OSError
            If a file cannot be read.
        """
        digests: Digests = {}
        stamps: list[FileStamp] = []
        for field, paths in _paths(job, measure).items():
            found = [self._digest(path) for path in paths]
            digests[field] = tuple(stamp.sha256 for stamp in found)
            stamps += found
        return digests, stamps

    def _digest(self, path: Path) -> FileStamp:
        size, mtime_ns = stamp_of(path)
        key = (str(path), size, mtime_ns)
        if key not in self._digests:
            self._digests[key] = digest_of(path)
        return _stamp(key, self._digests[key])

    def _frame(self, job: Job, path: Path, max_pixels: int) -> tuple[Micrograph, FileStamp]:
        try:
            size, mtime_ns = stamp_of(path)
        except OSError as error:
            message = f"{path.name}: cannot be read ({error.strerror}); see where it has gone."
            raise ImageReadError(message) from error
        calibration = job.calibration
        record = job.frame_records.get(path, ImageRecord(image=path.name))
        asked = "" if calibration is None else calibration.id, tuple(sorted(record.extra.items()))
        key = (str(path), size, mtime_ns, asked)
        if key not in self._kept:
            self._kept[key] = read_micrograph(
                path,
                record=record,
                calibration=calibration,
                max_pixels=max_pixels,
            )
            while len(self._kept) > _KEPT:
                self._kept.popitem(last=False)
        self._kept.move_to_end(key)
        micrograph = self._kept[key]
        return micrograph, _stamp(key[:3], micrograph.sha256)


def _stamp(key: tuple[str, int, int], sha256: str) -> FileStamp:
    return FileStamp(path=key[0], size=key[1], mtime_ns=settled(key[2]), sha256=sha256)


def _paths(job: Job, measure: Measure) -> dict[str, tuple[Path, ...]]:
    """Return the frame files of a measure by settings field, in the order of its declaration."""
    fields = quantities()[measure.quantity].frame_fields()
    named = {field: job.frames.get((measure.number, field), ()) for field in fields}
    return {field: paths for field, paths in named.items() if paths}
