"""Finished measures as derivations see them, fetched from the ledger when they are looked at.

A study may have a hundred thousand; kept all at once, their outcomes would fill the memory.
"""

from array import array
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import overload

from micromeasure.quantities.declare import Measured
from micromeasure.run.ledger import Ledger
from micromeasure.run.plan import job_slots
from micromeasure.study.model import Study

Fetch = Callable[[int, int], Measured]


class Recalled(Sequence[Measured]):
    """Measures of some quantities, in the order of manifest and study.

    Parameters
    ----------
    places : iterable of (int, int)
        Number of the job and of the measure within it.
    fetch : callable
        ``(job, measure) -> Measured``; decodes anew at every call.
    """

    def __init__(self, places: Iterable[tuple[int, int]], fetch: Fetch) -> None:
        self._jobs, self._measures = array("q"), array("q")
        for job, measure in places:
            self._jobs.append(job)
            self._measures.append(measure)
        self._fetch = fetch

    def __len__(self) -> int:
        """Return the number of measures."""
        return len(self._jobs)

    @overload
    def __getitem__(self, index: int) -> Measured: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[Measured]: ...

    def __getitem__(self, index: int | slice) -> Measured | Sequence[Measured]:
        """Return a measure, or some of them."""
        if isinstance(index, slice):
            places = zip(self._jobs[index], self._measures[index], strict=True)
            return Recalled(places, self._fetch)
        return self._fetch(self._jobs[index], self._measures[index])

    def __iter__(self) -> Iterator[Measured]:
        """Yield one measure after the other."""
        for job, measure in zip(self._jobs, self._measures, strict=True):
            yield self._fetch(job, measure)


def places_of(
    study: Study, quantity_names: Sequence[str], ledger: Ledger
) -> Iterator[tuple[int, int]]:
    """Yield job and measure numbers of every finished measure of some quantities."""
    for number, job in enumerate(study.jobs):
        if not any(measure.quantity in quantity_names for measure in job.measures):
            continue
        there = ledger.slots(job.record.image)
        for place, (slot, measure) in enumerate(zip(job_slots(job), job.measures, strict=True)):
            if measure.quantity in quantity_names and slot in there:
                yield number, place
