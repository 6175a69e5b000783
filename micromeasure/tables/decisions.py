"""Decisions of persons as the tables need them: by indication and by measurement."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from micromeasure.cracks.summary import SUMMARY_QUANTITIES, summarise_indications
from micromeasure.outcome import Indication, Measurement, Outcome
from micromeasure.review.cases import CANDIDATE, Standing
from micromeasure.review.merge import Drawn, Found, Merged, merge
from micromeasure.review.record import Entry
from micromeasure.review.remeasure import estimate_of, indication_of
from micromeasure.tables.rows import Finished, indication_id

SET_ASIDE = "set-aside"
BY_PERSON = "by-person"
BY_HAND = "by hand 1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Decisions:
    """Decisions with their places in the results of one run.

    Attributes
    ----------
    merged : Merged
    drawn : mapping of str to sequence of Drawn
        Cracks that a person drew and the program did not find, by image.
    is_reviewed : bool
        Whether anybody has decided anything yet.
    """

    merged: Merged = field(default_factory=Merged)
    drawn: Mapping[str, Sequence[Drawn]] = field(default_factory=dict)
    is_reviewed: bool = False

    def standing(self, image: str, indication: str) -> Standing:
        """Return what stands of an indication; a candidate where nobody decided."""
        judgement = self.merged.judgements.get((image, indication))
        return Standing(decision=CANDIDATE) if judgement is None else judgement.standing

    def applied(self, finished: Finished) -> Finished:
        """Return a finished measure as it stands after the decisions.

        Measurements that a person set aside, or that rest on a region or fold a person drew
        anew, are flagged; numbers and lengths of indications are
        counted anew over candidates and confirmed ones, with a person's lines in their places.
        """
        if not self.is_reviewed:
            return finished
        image = finished.record.image
        measurements = self._counted(finished)
        judged = tuple(self._flagged(image, finished.quantity, m) for m in measurements)
        return replace(finished, outcome=replace(finished.outcome, measurements=judged))

    def by_hand(self, beside: Finished) -> Iterator[Finished]:
        """Yield what a person measured with the ruler in the image of a finished measure."""
        for entry in self.merged.manual:
            if entry.image == beside.record.image:
                measurement = Measurement(
                    feature=entry.feature,
                    statistic=entry.statistic,
                    estimate=estimate_of(entry.after["estimate"]),
                    flags=(BY_PERSON,),
                )
                made = replace(
                    beside,
                    quantity=entry.quantity,
                    outcome=Outcome(measurements=(measurement,)),
                    method=BY_HAND,
                    calibration=str(entry.after.get("calibration", "")),
                )
                yield self.applied(made)

    def _flagged(self, image: str, quantity: str, measurement: Measurement) -> Measurement:
        named = measurement.quantity or quantity
        flags = list(measurement.flags)
        if (image, quantity) in self.merged.redrawn:
            flags.append(BY_PERSON)
        if self.merged.is_set_aside(image, named, measurement.feature, measurement.statistic):
            flags.append(SET_ASIDE)
        return replace(measurement, flags=tuple(dict.fromkeys(flags)))

    def _counted(self, finished: Finished) -> Iterable[Measurement]:
        """Return the measurements, those made of indications counted anew."""
        measurements = finished.outcome.measurements
        counts = [m for m in measurements if m.quantity in SUMMARY_QUANTITIES]
        if not counts:
            return measurements
        decided = list(self._decided(finished))
        drawn_folds = {indication.fold for indication, _ in decided}
        folds = list(dict.fromkeys(m.feature for m in counts))
        folds += sorted(drawn_folds.difference(folds))
        others = [m for m in measurements if m.quantity not in SUMMARY_QUANTITIES]
        return [*others, *summarise_indications(decided, folds=folds, flags=counts[0].flags)]

    def _decided(self, finished: Finished) -> Iterator[tuple[Indication, str]]:
        image = finished.record.image
        for indication in finished.outcome.indications:
            name = indication_id(finished.image_sha256, indication)
            standing = self.standing(image, name)
            if standing.drawn is None:
                yield indication, standing.decision
            else:
                yield indication_of(standing.drawn), standing.decision
        for one in self.drawn.get(image, ()):
            if one.standing.drawn is not None:
                yield indication_of(one.standing.drawn), one.standing.decision


def merged_decisions(
    entries: Sequence[Entry], found: Iterable[Found], images: Mapping[str, str]
) -> Decisions:
    """Find the place of every decision in the results."""
    merged = merge(entries, found=tuple(found), images=images)
    drawn: dict[str, list[Drawn]] = defaultdict(list)
    for one in merged.drawn:
        drawn[one.image].append(one)
    return Decisions(merged=merged, drawn=drawn, is_reviewed=True)


def decision_cells(standing: Standing) -> tuple[str, str, str, str]:
    """Return the columns ``decision``, ``decided_by``, ``decided_at`` and ``remark``."""
    return standing.decision, standing.decided_by, standing.decided_at, standing.remark
