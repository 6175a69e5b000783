"""Specimens: the unit of replication. Repeats and positions are averaged within each of them."""

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.errors import ResultsError
from micromeasure.estimate import Estimate, mean_of
from micromeasure.tables.reading import Result

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Specimen:
    """One specimen's value of one quantity.

    Attributes
    ----------
    name : str
    estimate : Estimate
        Mean over its positions, each of which is the mean over its repeats. A lower limit where
        any of them is one.
    positions : tuple of float
        The means of its positions; empty for a lower limit.
    flags, calibrations : tuple of str
        Of all rows it rests on, sorted.
    """

    name: str
    estimate: Estimate
    positions: tuple[float, ...]
    flags: tuple[str, ...] = ()
    calibrations: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """All specimens of one revision, in one quantity.

    Attributes
    ----------
    revision : str
    specimens : tuple of Specimen
        In the order of the results.
    """

    revision: str
    specimens: tuple[Specimen, ...]

    @property
    def values(self) -> FloatArray:
        """Means of the specimens, shape (n,); those that are lower limits left out."""
        return np.array(
            [s.estimate.value for s in self.specimens if s.estimate.value is not None],
            dtype=np.float64,
        )

    @property
    def n_limits(self) -> int:
        """Number of specimens of which only a lower limit is known."""
        return sum(s.estimate.value is None for s in self.specimens)

    @property
    def n_positions(self) -> int:
        """Number of positions over all specimens."""
        return sum(len(s.positions) for s in self.specimens)

    @property
    def is_uncertainty_known(self) -> bool:
        """Whether every specimen's measurement uncertainty is known."""
        return all(s.estimate.components is not None for s in self.specimens)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """How a group's values vary, split by level.

    Attributes
    ----------
    means_sd : float or None
        Standard deviation of the specimens' means; None for a single specimen.
    between_sd : float or None
        Standard deviation between specimens with the part that positions bring taken out; 0
        where the positions explain all of it, None where it cannot be told.
    within_sd : float or None
        Pooled standard deviation between positions of one specimen; None without a second one.
    """

    means_sd: float | None
    between_sd: float | None
    within_sd: float | None


def group(revision: str, results: Iterable[Result]) -> Group:
    """Average repeats within positions and positions within specimens.

    Parameters
    ----------
    revision : str
    results : iterable of Result
        Rows of one revision, quantity, feature, statistic, view and state.

    Raises
    ------
    ResultsError
        If the rows are in different units.
    """
    by_specimen: dict[str, list[Result]] = defaultdict(list)
    for result in results:
        by_specimen[result.specimen].append(result)
    return Group(
        revision=revision,
        specimens=tuple(_specimen(name, rows) for name, rows in by_specimen.items()),
    )


def spread(found: Group) -> Spread:
    """Split a group's variation into between and within specimens, by expected mean squares.

    Notes
    -----
    With m_i positions in specimen i, the variance of the specimens' plain means is expected to be
    the variance between specimens plus that within times the mean of 1/m_i. This holds for any
    numbers of positions, so unbalanced studies need no other formula.
    """
    values = found.values
    means_sd = None if len(values) < 2 else float(values.std(ddof=1))
    inner = [np.array(s.positions) for s in found.specimens if len(s.positions) > 1]
    dof = sum(len(p) - 1 for p in inner)
    within = (
        math.sqrt(sum(float(((p - p.mean()) ** 2).sum()) for p in inner) / dof) if dof else None
    )
    if means_sd is None or within is None:
        return Spread(means_sd=means_sd, between_sd=None, within_sd=within)
    share = float(np.mean([1.0 / len(s.positions) for s in found.specimens if s.positions]))
    between = math.sqrt(max(0.0, means_sd**2 - within**2 * share))
    return Spread(means_sd=means_sd, between_sd=between, within_sd=within)


def _specimen(name: str, rows: Sequence[Result]) -> Specimen:
    units = sorted({row.estimate.unit for row in rows})
    if len(units) > 1:
        message = (
            f"{rows[0].quantity} of specimen '{name}': found the units {' and '.join(units)}; "
            "give all its values in one unit."
        )
        raise ResultsError(message)
    by_position: dict[str, list[Estimate]] = defaultdict(list)
    for number, row in enumerate(rows):
        # Without a name for the position, every image is a position of its own.
        by_position[row.position or f"#{number}"].append(row.estimate)
    flags = tuple(sorted({flag for row in rows for flag in row.flags}))
    calibrations = tuple(sorted({row.calibration for row in rows}))
    limits = [row.estimate for row in rows if row.estimate.value is None]
    if limits:
        # The mean lies above every bound only as far as the lowest of them says.
        lows = [e.low_limit if e.value is None else e.value for e in (r.estimate for r in rows)]
        low = min((v for v in lows if v is not None), default=None)
        estimate = Estimate(value=None, unit=units[0], low_limit=low)
        return Specimen(
            name=name, estimate=estimate, positions=(), flags=flags, calibrations=calibrations
        )
    means = [mean_of(repeats) for repeats in by_position.values()]
    return Specimen(
        name=name,
        estimate=mean_of(means),
        positions=tuple(float(m.value or 0.0) for m in means),
        flags=flags,
        calibrations=calibrations,
    )
