"""Decisions of persons as the tables need them: by indication and by measurement."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from micromeasure.outcome import Measurement
from micromeasure.review.cases import CANDIDATE, Standing
from micromeasure.review.merge import Drawn, Found, Merged, merge
from micromeasure.review.record import Entry

SET_ASIDE = "set-aside"


@dataclass(frozen=True, slots=True, kw_only=True)
class Decisions:
    """Decisions with their places in the results of this run.

    Attributes
    ----------
    merged : Merged
    drawn : mapping of str to sequence of Drawn
        Cracks drawn by a person, by image.
    """

    merged: Merged = field(default_factory=Merged)
    drawn: Mapping[str, Sequence[Drawn]] = field(default_factory=dict)

    def standing(self, image: str, indication: str) -> Standing:
        """Return what stands of an indication; a candidate where nobody decided."""
        judgement = self.merged.judgements.get((image, indication))
        return Standing(decision=CANDIDATE) if judgement is None else judgement.standing

    def on(self, image: str, quantity: str, measurement: Measurement) -> Measurement:
        """Return a measurement, flagged where a person has set it aside."""
        if not self.merged.set_aside:
            return measurement
        entry = self.merged.is_set_aside(
            image, measurement.quantity or quantity, measurement.feature, measurement.statistic
        )
        if entry is None:
            return measurement
        return replace(measurement, flags=(*measurement.flags, SET_ASIDE))


def merged_decisions(
    entries: Sequence[Entry], found: Iterable[Found], images: Mapping[str, str]
) -> Decisions:
    """Find the place of every decision in the results."""
    merged = merge(entries, found=tuple(found), images=images)
    drawn: dict[str, list[Drawn]] = defaultdict(list)
    for one in merged.drawn:
        drawn[one.image].append(one)
    return Decisions(merged=merged, drawn=drawn)


def decision_cells(standing: Standing) -> tuple[str, str, str, str]:
    """Return the columns ``decision``, ``decided_by``, ``decided_at`` and ``remark``."""
    return standing.decision, standing.decided_by, standing.decided_at, standing.remark
