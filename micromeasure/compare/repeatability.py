"""Gauge studies from the results of a study: who measured what how often, and how it came out."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from micromeasure.compare.contrast import LEVEL
from micromeasure.compare.gauge import (
    GaugeResult,
    Precision,
    crossed_study,
    precision_at,
    repeated_study,
)
from micromeasure.compare.questions import MAIN_STATISTICS, tolerance_of
from micromeasure.errors import StudyError
from micromeasure.study.model import Comparison as Asked
from micromeasure.tables.reading import Result

FloatArray = NDArray[np.float64]

OPERATOR_COLUMN = "operator"


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """Precision on one part.

    Attributes
    ----------
    part : str
    precision : Precision
    straggler : str
        Operator whose repeats scatter more than chance allows; empty where there is none.
    """

    part: str
    precision: Precision
    straggler: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeStudy:
    """The gauge study of one quantity.

    Attributes
    ----------
    quantity, view, feature, statistic, state, unit : str
    result : GaugeResult
    values : mapping of (part, operator) to ndarray
        Every single value.
    operators : tuple of str
        One empty name where nobody is named.
    levels : tuple of Level
        Precision by part; empty without operators.
    tolerance : float or None
        Half of the width that the measuring system is compared with.
    remarks : tuple of str
    """

    quantity: str
    view: str
    feature: str
    statistic: str
    state: str
    unit: str
    result: GaugeResult
    values: Mapping[tuple[str, str], FloatArray]
    operators: tuple[str, ...]
    levels: tuple[Level, ...]
    tolerance: float | None
    remarks: tuple[str, ...]

    @property
    def share_of_tolerance(self) -> float | None:
        """Share of the tolerance's whole width taken up by the measuring system."""
        return None if self.tolerance is None else self.result.share_of(2 * self.tolerance)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Key:
    quantity: str
    view: str
    feature: str
    state: str
    statistic: str


def gauge_studies(
    results: Iterable[Result],
    *,
    asked: Sequence[Asked] = (),
    quantity: str = "",
    tolerance: float | None = None,
) -> tuple[GaugeStudy, ...]:
    """Return the gauge study of every quantity that was measured repeatedly.

    Parameters
    ----------
    results : iterable of Result
        A part is a specimen at a position; a carried-through column `operator` names who measured.
    asked : sequence of Asked
        The study's comparisons; their tolerances are used.
    quantity : str
        The only quantity wanted; empty for all.
    tolerance : float or None
        Used in place of the study's, in the quantity's unit.

    Raises
    ------
    StudyError
        If nothing was measured twice, or operators measured parts unequally often.
    """
    tables: dict[_Key, list[Result]] = defaultdict(list)
    for r in results:
        wanted = r.statistic in MAIN_STATISTICS and quantity in {"", r.quantity}
        if wanted and r.image and r.estimate.value is not None and "set-aside" not in r.flags:
            key = _Key(
                quantity=r.quantity, view=r.view, feature=r.feature, state=r.state,
                statistic=r.statistic,
            )  # fmt: skip
            tables[key].append(r)
    studies = []
    for key, rows in tables.items():
        values = _by_part_and_operator(rows)
        if any(len(v) > 1 for v in values.values()):
            limit = _limit(asked, key, rows) if tolerance is None else tolerance
            studies.append(_study(key, rows, values, limit))
    if not studies:
        message = (
            "repeatability: nothing was measured twice; image specimens again at the same position "
            "and give each image its row in the manifest, with the columns operator and repeat."
        )
        raise StudyError([message])
    return tuple(studies)


def _by_part_and_operator(rows: Sequence[Result]) -> dict[tuple[str, str], FloatArray]:
    found: dict[tuple[str, str], list[float]] = defaultdict(list)
    for r in rows:
        part = " ".join(t for t in (r.revision, r.specimen, r.position) if t)
        found[part, r.extra.get(OPERATOR_COLUMN, "")].append(r.estimate.value or 0.0)
    return {key: np.array(values) for key, values in found.items()}


def _limit(asked: Sequence[Asked], key: _Key, rows: Sequence[Result]) -> float | None:
    for number, ask in enumerate(asked, start=1):
        if ask.quantity == key.quantity and ask.feature in {"", key.feature}:
            limit = tolerance_of(ask, rows, f"[[compare]] {number}")
            if limit is not None and limit.absolute is not None:
                return limit.absolute
    return None


def _study(
    key: _Key,
    rows: Sequence[Result],
    values: Mapping[tuple[str, str], FloatArray],
    tolerance: float | None,
) -> GaugeStudy:
    operators = tuple(sorted({operator for _, operator in values}))
    parts = list(dict.fromkeys(part for part, _ in values))
    study = GaugeStudy(
        quantity=key.quantity, view=key.view, feature=key.feature, statistic=key.statistic,
        state=key.state, unit=rows[0].estimate.unit, values=values, operators=operators,
        tolerance=tolerance, levels=(), remarks=(),
        result=repeated_study([np.concatenate(_of_part(values, part)) for part in parts])
        if len(operators) == 1
        else crossed_study(_crossed(key, values, parts, operators)),
    )  # fmt: skip
    if len(operators) == 1:
        name = f"one operator ({operators[0]})" if operators[0] else "no operator named"
        remark = f"{name}: reproducibility cannot be told"
        return replace(study, remarks=(remark,))
    levels = tuple(_level(part, values, operators) for part in parts)
    remarks = [
        f"{level.part}: the repeats of {level.straggler} scatter more than those of the others "
        f"(Cochran, p {level.precision.cochran_p:.2g}); look at these values"
        for level in levels
        if level.straggler
    ]
    return replace(study, levels=levels, remarks=tuple(remarks))


def _of_part(values: Mapping[tuple[str, str], FloatArray], part: str) -> list[FloatArray]:
    return [v for (name, _), v in values.items() if name == part]


def _crossed(
    key: _Key,
    values: Mapping[tuple[str, str], FloatArray],
    parts: Sequence[str],
    operators: Sequence[str],
) -> FloatArray:
    """Return values as an array of parts, operators and repeats, or say what is missing."""
    sizes = {(p, o): len(values.get((p, o), ())) for p in parts for o in operators}
    wanted = max(sizes.values())
    short = [f"{o or 'nobody'} measured {p} {n} times" for (p, o), n in sizes.items() if n < wanted]
    if short or len(parts) < 2:
        message = (
            f"repeatability of {key.quantity}: every operator must measure every part equally "
            f"often, and there must be two parts or more; found {len(parts)} parts, and "
            f"{'; '.join(short[:4]) or 'no gap'}, where others measured {wanted} times. Complete "
            "the study or leave the incomplete parts out of the manifest."
        )
        raise StudyError([message])
    return np.array([[values[p, o] for o in operators] for p in parts])


def _level(
    part: str, values: Mapping[tuple[str, str], FloatArray], operators: Sequence[str]
) -> Level:
    precision = precision_at(np.array([values[part, o] for o in operators]))
    is_odd = len(operators) > 2 and precision.cochran_p <= LEVEL
    return Level(
        part=part,
        precision=precision,
        straggler=operators[precision.straggler] if is_odd else "",
    )
