"""A whole verification: every reference set, in the short or the long form."""

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from micromeasure.errors import StudyError
from micromeasure.fields import nearest
from micromeasure.reference import calibration_check
from micromeasure.reference.sets import trial_sets
from micromeasure.reference.trial import Conditions, TrialSet
from micromeasure.reference.trial_study import write_study
from micromeasure.reference.verify import Verdict, verify_set

LONG_FACTOR = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Campaign:
    """What to verify, and how.

    Attributes
    ----------
    conditions : Conditions
        The user's own; empty for the ranges of the reference sets.
    seed : int
    long : bool
    jobs : int
        Worker processes; 0 for all cores.
    only : str
        Name of one reference set; empty for all.
    """

    conditions: Conditions
    seed: int
    long: bool = False
    jobs: int = 0
    only: str = ""

    def sets(self) -> list[TrialSet]:
        """Return the reference sets asked for.

        Raises
        ------
        StudyError
            If `only` names none.
        """
        known = trial_sets()
        names = (*known, calibration_check.NAME)
        if self.only and self.only not in names:
            raise StudyError([f"--only: found '{self.only}'; {nearest(self.only, names)}"])
        return [s for name, s in known.items() if self.only in ("", name)]

    def size(self, short: int) -> int:
        """Return the number of images where the short form has that many."""
        return short * (LONG_FACTOR if self.long else 1)

    def verify(self) -> Iterator[tuple[str, list[Verdict]]]:
        """Yield the verdicts of each set as it is done, and those of calibrations."""
        for trial_set in self.sets():
            yield (
                trial_set.name,
                verify_set(
                    trial_set,
                    self.size(trial_set.short),
                    conditions=self.conditions,
                    rng=self._rng(trial_set.name),
                    jobs=self.jobs or os.cpu_count() or 1,
                ),
            )
        name = calibration_check.NAME
        if self.only in ("", name):
            yield (
                name,
                calibration_check.verify_calibrations(
                    self.size(calibration_check.SHORT),
                    conditions=self.conditions,
                    rng=self._rng(name),
                ),
            )

    def write_studies(self, folder: Path) -> Iterator[Path]:
        """Write each set as a study with its truth, and yield the study folders.

        Raises
        ------
        StudyError
            If a study is there already.
        """
        for trial_set in self.sets():
            study = folder / trial_set.name
            if study.exists():
                raise StudyError([f"{study}: is there already; name a new folder."])
            write_study(
                trial_set,
                study,
                self.size(trial_set.short),
                conditions=self.conditions,
                rng=self._rng(trial_set.name),
            )
            yield study

    def _rng(self, name: str) -> np.random.Generator:
        # Each set has its own stream, so that one set alone sees the same images.
        return np.random.default_rng([self.seed, *name.encode()])
