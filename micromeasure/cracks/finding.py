"""Finding candidate crack indications in a patch: lines, features, scores, branches.

Every traced line gets a quick first look and a first score; most are dropped there. What may be
a crack is looked at a second time, carefully, and scored anew: that score is reported.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from micromeasure.cracks.background import remove_background
from micromeasure.cracks.centreline import Centreline, measure_line, measure_lines
from micromeasure.cracks.company import Company, company_of
from micromeasure.cracks.judging import second_features
from micromeasure.cracks.lines import LineMap, find_lines
from micromeasure.cracks.patch import Image, Patch
from micromeasure.cracks.refining import refine_line
from micromeasure.cracks.scoring import (
    FEATURES,
    SECOND_FEATURES,
    direction_deg,
    evidence_of,
    line_features,
    score_cards,
)
from micromeasure.cracks.tracing import trace_lines
from micromeasure.outcome import FloatArray

# Of two measured lines this near over this share of the shorter one, only the better is kept:
# the other is the same line, or runs from it into something else.
_SAME_PX = 3.0
_SAME_SHARE = 0.25
# A line whose first score is lower is not looked at again.
_WORTH_A_LOOK = 0.08
# Where a line leaves a better one by so many pixels, it is another thing, which must look like a
# crack at least this much as often as the whole.
_ELSEWHERE_PX = 6.0
_REST_SHARE = 0.5
_GAP_DEPTH = 0.4
# A second look that makes a line longer by more than this share has followed it into something
# else if it looks less like a crack by more than this.
_LONGER = 0.25
_DOUBT = 0.15
# A line that starts this near another one's side is its branch.
_BRANCH_PX = 6.0
# It is one only if that line looks like a crack not much less than itself.
_WORSE = 0.2
_CLEAR_ODDS = 3.0
# Parts of a broken crack lie no farther apart than this.
_GAP_PX = 25.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A line that may be a crack.

    Attributes
    ----------
    line : Centreline
    features : ndarray
        In the order of `scoring.FEATURES`, of the first look.
    score : float
        Of the first look until the second one was taken.
    company : Company
    branches : tuple of Centreline
    """

    line: Centreline
    features: FloatArray
    score: float
    company: Company
    branches: tuple[Centreline, ...] = ()


def find_candidates(
    patch: Patch, *, min_length_um: float, max_width_um: float, threshold: float
) -> list[Candidate]:
    """Return the candidates of a patch, best score first.

    Parameters
    ----------
    patch : Patch
    min_length_um : float
        Shorter ones are not returned.
    max_width_um : float
        Widest line looked for.
    threshold : float
        Least score, 0 to 1.
    """
    found, features = second_looks(
        patch, min_length_um=min_length_um, max_width_um=max_width_um,
        least=min(_WORTH_A_LOOK, threshold),
    )  # fmt: skip
    scores = score_cards().second.score(features)
    scored = [replace(item, score=float(score)) for item, score in zip(found, scores, strict=True)]
    return sorted(
        (item for item in scored if item.score >= threshold), key=lambda item: -item.score
    )


def second_looks(
    patch: Patch, *, min_length_um: float, max_width_um: float, least: float = _WORTH_A_LOOK
) -> tuple[list[Candidate], FloatArray]:
    """Return the lines looked at twice, with first scores, and their features of both looks.

    Parameters
    ----------
    patch : Patch
    min_length_um : float
        Shorter ones are not returned.
    max_width_um : float
        Widest line looked for.
    least : float
        Least first score.

    Returns
    -------
    list of Candidate
    ndarray, shape (n, 10)
        In the order of `scoring.SECOND_FEATURES`.
    """
    # Without it, a crack that meets the fold's own dark line would be followed along it.
    flat = replace(patch, values=remove_background(patch))
    min_length_px = min_length_um / patch.um_per_px
    measured, lines = _measured_lines(flat, min_length_px, max_width_um / patch.um_per_px)
    features, company = _features(measured, flat, lines)
    scores = score_cards().first.score(features)
    found = [
        Candidate(line=line, features=row, score=float(score), company=beside)
        for line, row, score, beside in zip(measured, features, scores, company, strict=True)
        if score >= least and line.length_px >= min_length_px
    ]
    own = [item for item in found if not _runs_astray(item, found, (flat, lines), min_length_px)]
    whole = _with_branches(_joined(_distinct(own), flat, lines))
    kept = _refined(whole, found, (flat, lines), min_length_px)
    rows = [_second_row(item, patch.values, flat, lines) for item in kept]
    return kept, np.array(rows).reshape(len(kept), len(SECOND_FEATURES))


def _refined(
    whole: list[Candidate],
    found: list[Candidate],
    place: tuple[Patch, LineMap],
    min_length_px: float,
) -> list[Candidate]:
    """Measure candidates once more, carefully.

    A line that its second look makes run along a better one, or much longer and less like a crack,
    is kept as first seen. Branches get
    none: followed on, they would run along the line they spring from. What a longer line took up
    and its second look let go again comes last, on its own.
    """
    kept: list[Candidate] = []
    for item in (*sorted(whole, key=_rank, reverse=True), *sorted(found, key=_rank, reverse=True)):
        if not _is_apart(item, kept):
            continue
        careful = replace(item, line=refine_line(place[0], item.line))
        if careful.line.length_px > (1 + _LONGER) * item.line.length_px:
            again = _first_score(careful.line, place, item.company)
            careful = item if again < item.score - _DOUBT else careful
        for look in (careful, item):
            if look.line.length_px >= min_length_px and _is_apart(look, kept):
                kept.append(look)
                break
    return kept


def _second_row(item: Candidate, values: Image, flat: Patch, lines: LineMap) -> FloatArray:
    """Return the features of a line's second look."""
    # The surroundings were looked at before: company stays.
    features = line_features(item.line, flat, lines, item.company)
    again = float(score_cards().first.score(features[None, :])[0])
    return second_features(item.line, features, (item.score, again), (flat.values, values))


def _runs_astray(
    item: Candidate, found: list[Candidate], place: tuple[Patch, LineMap], min_length_px: float
) -> bool:
    """Return whether a line is a better one that runs on into something less like a crack."""
    points = item.line.points
    rest = np.full(len(points), fill_value=True)
    for other in found:
        inner = other.line
        if other is item or inner.length_px > 0.8 * item.line.length_px:
            continue
        if other.score < item.score - _WORSE or _shared_share(inner.points, points) < 0.7:
            continue
        rest &= distances(points, inner.points) >= _ELSEWHERE_PX
    if rest.all():
        return False
    patch = place[0]
    borders = np.flatnonzero(np.diff(rest.astype(int), prepend=0, append=0))
    for first, last in zip(borders[::2], borders[1::2], strict=True):
        if last - first < max(0.7 * min_length_px, 8):
            continue
        if float(np.median(item.line.depths[first:last])) < _GAP_DEPTH * item.line.depth:
            # Two lines with nothing much between them.
            return True
        line = measure_line(patch, points[first:last])
        if line is None:
            return True
        if _first_score(line, place, item.company) < _REST_SHARE * item.score:
            return True
    return False


def _first_score(line: Centreline, place: tuple[Patch, LineMap], company: Company) -> float:
    features = line_features(line, *place, company)
    return float(score_cards().first.score(features[None, :])[0])


def all_lines(
    patch: Patch, *, min_length_um: float, max_width_um: float
) -> tuple[list[Centreline], FloatArray]:
    """Return every measured line with its features, whatever its score: to fit the first card."""
    patch = replace(patch, values=remove_background(patch))
    measured, lines = _measured_lines(
        patch, min_length_um / patch.um_per_px, max_width_um / patch.um_per_px
    )
    return measured, _features(measured, patch, lines)[0]


def octaves_for(max_width_px: float) -> int:
    """Return how many octaves of width the search takes; each is twice as wide as the last."""
    return int(np.clip(math.ceil(math.log2(max(max_width_px, 1.0) / 4.0)) + 1, 1, 4))


def _measured_lines(
    patch: Patch, min_length_px: float, max_width_px: float
) -> tuple[list[Centreline], LineMap]:
    # Rounding to steps alone gives a pixel this spread.
    floor = max(patch.quantum / math.sqrt(12), 1e-9)
    lines = find_lines(patch.values, patch, octaves=octaves_for(max_width_px), floor=floor)
    paths = [
        chain * 2**number
        for number, octave in enumerate(lines.octaves)
        for chain in trace_lines(octave, min_length_px=min_length_px / 2**number)
    ]
    found = measure_lines(patch, [path for path in paths if patch.in_band(path).any()])
    least = 0.7 * min_length_px
    measured = [
        line for line in found if line is not None and line.length_px >= least and line.depth > 0
    ]
    return measured, lines


def _distinct(found: list[Candidate]) -> list[Candidate]:
    """Drop candidates that lie on a better one; of nearly equal ones the longer is better."""
    kept: list[Candidate] = []
    for item in sorted(found, key=_rank, reverse=True):
        if _is_apart(item, kept):
            kept.append(item)
    return kept


def _is_apart(item: Candidate, kept: list[Candidate]) -> bool:
    """Return whether a line shares no more than a little with each of those kept."""
    points = item.line.points
    return all(
        max(_shared_share(points, line.points), _shared_share(line.points, points)) < _SAME_SHARE
        for other in kept
        for line in (other.line, *other.branches)
    )


def _joined(found: list[Candidate], patch: Patch, lines: LineMap) -> list[Candidate]:
    """Measure candidates that continue each other over a gap as one: parts of a broken crack.

    Parts belong together if they are alike in depth, the whole is found from end to end and looks
    no less like a crack than its parts.
    """
    items = list(found)
    k = 0
    while k < len(items):
        for other in range(k + 1, len(items)):
            whole = _whole(items[k], items[other], patch, lines)
            if whole is not None:
                items[k] = whole
                del items[other]
                break
        else:
            k += 1
    return items


def _whole(first: Candidate, second: Candidate, patch: Patch, lines: LineMap) -> Candidate | None:
    """Return two candidates as one, or None where they do not belong together."""
    path = _common_path(first.line.points, second.line.points)
    if path is None or not _alike(first.line, second.line):
        return None
    line = measure_line(patch, path)
    if line is None or line.length_px < 0.9 * (first.line.length_px + second.line.length_px):
        return None
    # Surroundings are those of the parts: their company stands for that of the whole.
    features = line_features(line, patch, lines, first.company)
    score = float(score_cards().first.score(features[None, :])[0])
    if score < min(first.score, second.score) - 0.1:
        return None
    return replace(first, line=line, features=features, score=max(score, first.score, second.score))


def _alike(a: Centreline, b: Centreline) -> bool:
    """Return whether two lines are about as dark as each other."""
    return 0.5 < a.depth / max(b.depth, 1e-9) < 2.0


def _common_path(a: FloatArray, b: FloatArray) -> FloatArray | None:
    """Return two lines end to end if a short gap continues both."""
    for first in (a, a[::-1]):
        for second in (b, b[::-1]):
            gap = second[0] - first[-1]
            distance = float(np.hypot(*gap))
            if distance > _GAP_PX:
                continue
            headings = [-_heading(first[::-1]), _heading(second)]
            along = gap / max(distance, 1e-9)
            facing = distance < 4 or min(along @ headings[0], along @ headings[1]) > 0.6
            if facing and headings[0] @ headings[1] > 0.3:
                return np.vstack((first, second))
    return None


def _heading(points: FloatArray) -> FloatArray:
    """Return the direction of a line's first stretch, away from its start."""
    reach = min(14, len(points) - 1)
    way = points[reach] - points[0]
    return np.asarray(way / max(float(np.hypot(*way)), 1e-9))


def _rank(item: Candidate) -> float:
    # Part of a clear crack may look even clearer than the whole: beyond this, only length counts.
    odds = min(math.log(max(item.score, 1e-9) / max(1 - item.score, 1e-9)), _CLEAR_ODDS)
    return odds + math.log(item.line.length_px)


def _shared_share(points: FloatArray, other: FloatArray) -> float:
    """Return the share of points that lie on another line."""
    low, high = other.min(axis=0) - _SAME_PX, other.max(axis=0) + _SAME_PX
    near = np.all((points >= low) & (points <= high), axis=1)
    if not near.any():
        return 0.0
    return float((distances(points[near], other) < _SAME_PX).sum() / len(points))


def distances(points: FloatArray, other: FloatArray) -> NDArray[np.float64]:
    """Return the distance of each point from the nearest point of another line."""
    gaps = points[:, None, :] - other[None, :, :]
    return np.asarray(np.sqrt((gaps**2).sum(axis=2)).min(axis=1))


def _features(
    measured: list[Centreline], patch: Patch, lines: LineMap
) -> tuple[FloatArray, list[Company]]:
    evidence = np.array([evidence_of(line, lines) for line in measured])
    angles = np.array([direction_deg(line.points) for line in measured])
    company = company_of(measured, evidence, angles)
    rows = [
        line_features(line, patch, lines, beside)
        for line, beside in zip(measured, company, strict=True)
    ]
    return np.array(rows).reshape(len(measured), len(FEATURES)), company


def _with_branches(found: list[Candidate]) -> list[Candidate]:
    """Make side lines of longer candidates their branches."""
    order = sorted(found, key=lambda item: -item.line.length_px)
    mains: list[Candidate] = []
    branches: dict[int, list[Centreline]] = {}
    for item in order:
        ends = item.line.points[[0, -1]]
        host = next(
            (
                k
                for k, main in enumerate(mains)
                if float(distances(ends, main.line.points).min()) < _BRANCH_PX
                and _alike(item.line, main.line)
                and main.score > item.score - _WORSE
            ),
            None,
        )
        if host is None:
            mains.append(item)
        else:
            branches.setdefault(host, []).append(item.line)
    joined = [replace(main, branches=tuple(branches.get(k, ()))) for k, main in enumerate(mains)]
    return sorted(joined, key=lambda item: -item.score)
