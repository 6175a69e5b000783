"""Images read ahead by a thread, so that moving on does not wait for the disk."""

from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.errors import MicromeasureError
from micromeasure.micrograph.image import Micrograph
from micromeasure.micrograph.reading import read_micrograph
from micromeasure.outcome import Mark
from micromeasure.study.model import Job

Marks = Mapping[int, tuple[Mark, ...]]
Prepare = Callable[[Job, Micrograph], Marks]

# Room for about ten colour images of twelve million pixels.
KEPT_BYTES = 400_000_000
_SAMPLES = 200_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Plate:
    """An image ready to be shown, or the reason why it cannot be.

    Attributes
    ----------
    micrograph : Micrograph or None
    grey_range : tuple of two floats
        Values shown as black and white: nearly all of those in the image.
    marks : mapping of int to tuple of Mark
        What was prepared to be drawn over it, by the number of the measure.
    fault : str
        Sentence where there is no micrograph.
    """

    micrograph: Micrograph | None = None
    grey_range: tuple[float, float] = (0.0, 1.0)
    marks: Marks = field(default_factory=dict)
    fault: str = ""

    @property
    def sha256(self) -> str:
        """Digest of the file's bytes, empty where it could not be read."""
        return "" if self.micrograph is None else self.micrograph.sha256


class Shelf:
    """Keeps the images last shown and reads those that come next.

    Parameters
    ----------
    jobs : sequence of Job
    prepare : callable or None
        ``(job, micrograph) -> marks``, done by the thread as well.
    kept_bytes : int
        Memory for images.
    """

    def __init__(
        self,
        jobs: Sequence[Job],
        *,
        prepare: Prepare | None = None,
        kept_bytes: int = KEPT_BYTES,
    ) -> None:
        self._by_image = {job.record.image: job for job in jobs}
        self._kept_bytes = kept_bytes
        self._prepare = prepare or _nothing
        self._plates: OrderedDict[str, Future[Plate]] = OrderedDict()
        # One: two would share the disk with each other and the processor with the display.
        self._reader = ThreadPoolExecutor(max_workers=1, thread_name_prefix="read-ahead")

    def job(self, image: str) -> Job | None:
        """Return what the study says about an image."""
        return self._by_image.get(image)

    def plate(self, image: str) -> Plate:
        """Return an image, waiting for it if need be."""
        return self._asked(image).result()

    def read_ahead(self, images: Sequence[str]) -> None:
        """Read images that will be asked for, in this order; forget what is not among them."""
        wanted = set(images)
        for image, future in list(self._plates.items()):
            if image not in wanted and future.cancel():
                del self._plates[image]
        for image in images:
            self._asked(image)
        self._make_room(keep=wanted)

    def is_ready(self, image: str) -> bool:
        """Return whether an image can be shown without waiting."""
        future = self._plates.get(image)
        return future is not None and future.done()

    def close(self) -> None:
        """Stop reading; safe to call twice."""
        self._reader.shutdown(wait=False, cancel_futures=True)

    def _asked(self, image: str) -> "Future[Plate]":
        future = self._plates.get(image)
        if future is None:
            future = self._reader.submit(self._load, image)
            self._plates[image] = future
        self._plates.move_to_end(image)
        return future

    def _load(self, image: str) -> Plate:
        job = self._by_image.get(image)
        if job is None:
            fault = f"{image}: is in the results but no longer in the study; run the study again."
            return Plate(fault=fault)
        try:
            micrograph = read_micrograph(job.path, record=job.record, calibration=job.calibration)
        except MicromeasureError as error:
            return Plate(fault=str(error))
        except OSError as error:
            return Plate(
                fault=f"{image}: cannot be read ({error.strerror}); see where it has gone."
            )
        return Plate(
            micrograph=micrograph,
            grey_range=grey_range(micrograph.pixels),
            marks=self._prepare(job, micrograph),
        )

    def _make_room(self, keep: set[str]) -> None:
        held = {i: _bytes(f.result()) for i, f in self._plates.items() if f.done()}
        total = sum(held.values())
        for image in list(self._plates):
            if total <= self._kept_bytes:
                return
            if image in held and image not in keep:
                total -= held[image]
                del self._plates[image]


def grey_range(pixels: NDArray[Any]) -> tuple[float, float]:
    """Return the values to show as black and white: all but the outermost half per cent."""
    step = max(1, round((pixels.shape[0] * pixels.shape[1] / _SAMPLES) ** 0.5))
    low, high = np.percentile(pixels[::step, ::step], [0.5, 99.5])
    return float(low), float(max(high, low + 1e-6 * max(1.0, abs(low))))


def _nothing(job: Job, micrograph: Micrograph) -> Marks:
    return {}


def _bytes(plate: Plate) -> int:
    return 0 if plate.micrograph is None else plate.micrograph.pixels.nbytes
