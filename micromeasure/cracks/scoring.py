"""How much a traced line looks like a crack: its features and the score made from them.

A score is an additive card: each feature passes through a piecewise linear curve, a few pairs of
features through a small table between whose entries is interpolated (even and straight matters
more the longer a line is), the sum through a logistic function. A first card judges every line, a
second one what is looked at again (see `judging`). Curves and tables were fitted to rendered views
(see `score_cards.json`, which says to which), so that of candidates scored 0.8 about 80 % were
cracks there. On other surfaces the score ranks; its value need not be a share.
"""

import json
import math
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.cracks.centreline import Centreline
from micromeasure.cracks.company import Company
from micromeasure.cracks.cross_profiles import median, normals, sample, sample_across
from micromeasure.cracks.lines import LineMap
from micromeasure.cracks.patch import Patch
from micromeasure.outcome import FloatArray

FEATURES = (
    "length",
    "response",
    "weak_response",
    "tilt",
    "far_tilt",
    "aspect",
    "width",
    "width_variation",
    "depth_variation",
    "continuity",
    "roughness",
    "straightness",
    "lay_agreement",
    "open_ends",
    "fold_line",
    "rims",
    "clutter",
    "contrast",
    "relative_contrast",
    "scratchlike",
    "turning",
    "fineness",
    "evidence",
    "prominence",
    "parallels",
    "surround",
    "runs_on",
)
# Of the second look; the first two are log odds.
SECOND_FEATURES = (
    "first_odds",
    "second_odds",
    "evidence",
    "fineness",
    "depth_variation",
    "aspect",
    "jitter",
    "peak",
    "lips",
    "removed",
)
# A line's own straight continuation is looked at over this length beyond each end.
_BEYOND_PX = (6.0, 45.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class PairTable:
    """What two features add together.

    Attributes
    ----------
    columns : tuple of two ints
        Places of the features in the card's rows.
    knots : tuple of two ndarrays
        Feature values at the rows and columns of the table.
    heights : ndarray
    """

    columns: tuple[int, int]
    knots: tuple[FloatArray, FloatArray]
    heights: FloatArray

    def value(self, features: FloatArray) -> FloatArray:
        """Return what the pair adds to each row of features, interpolated bilinearly."""
        rows, cols = (
            hat_basis(features[:, column], knots)
            for column, knots in zip(self.columns, self.knots, strict=True)
        )
        return np.asarray(((rows @ self.heights) * cols).sum(axis=1))


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoreCard:
    """Fitted curves of the score.

    Attributes
    ----------
    knots : tuple of ndarray
        Feature values between which each curve is straight.
    heights : tuple of ndarray
        Heights of each curve at its knots.
    pairs : tuple of PairTable
    intercept : float
    """

    knots: tuple[FloatArray, ...]
    heights: tuple[FloatArray, ...]
    pairs: tuple[PairTable, ...]
    intercept: float

    def score(self, features: FloatArray) -> FloatArray:
        """Return the scores, 0 to 1, of rows of features."""
        total = np.full(len(features), self.intercept)
        for k, (knots, heights) in enumerate(zip(self.knots, self.heights, strict=True)):
            total += np.interp(features[:, k], knots, heights)
        for pair in self.pairs:
            total += pair.value(features)
        return np.asarray(1.0 / (1.0 + np.exp(-np.clip(total, -30, 30))))


def hat_basis(values: FloatArray, knots: FloatArray) -> FloatArray:
    """Return the piecewise linear basis of one feature, a column per knot."""
    return np.column_stack([np.interp(values, knots, row) for row in np.eye(len(knots))])


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoreCards:
    """The cards of both looks, and what they were fitted to."""

    first: ScoreCard
    second: ScoreCard
    provenance: str


@cache
def score_cards() -> ScoreCards:
    """Return the score cards that come with the package."""
    text = resources.files(__package__).joinpath("score_cards.json").read_text(encoding="utf-8")
    return cards_from(json.loads(text))


def cards_from(data: dict[str, Any]) -> ScoreCards:
    """Return score cards from their stored form."""
    return ScoreCards(
        first=card_from(data["first"], FEATURES),
        second=card_from(data["second"], SECOND_FEATURES),
        provenance=str(data["provenance"]),
    )


def card_from(data: dict[str, Any], names: tuple[str, ...]) -> ScoreCard:
    """Return a score card for features of these names from its stored form."""
    curves = [data["curves"][name] for name in names]
    return ScoreCard(
        knots=tuple(np.array(curve["knots"], dtype=float) for curve in curves),
        heights=tuple(np.array(curve["heights"], dtype=float) for curve in curves),
        pairs=tuple(_pair_from(pair, names) for pair in data["pairs"]),
        intercept=float(data["intercept"]),
    )


def _pair_from(data: dict[str, Any], names: tuple[str, ...]) -> PairTable:
    first, second = data["features"]
    rows, cols = data["knots"]
    return PairTable(
        columns=(names.index(first), names.index(second)),
        knots=(np.array(rows, dtype=float), np.array(cols, dtype=float)),
        heights=np.array(data["heights"], dtype=float),
    )


def line_features(
    line: Centreline, patch: Patch, lines: LineMap, company: Company
) -> NDArray[np.float64]:
    """Return the features of one measured line, in the order of `FEATURES`.

    Parameters
    ----------
    line : Centreline
    patch : Patch
    lines : LineMap
    company : Company
    """
    finest = sample(lines.octaves[0], line.points)
    z = responses_on(line.points, lines, finest)
    on = median(z)
    evidence = _evidence(on, line.length_px)
    fine = median(finest)
    depth = max(line.depth, 1e-6)
    chord = float(np.hypot(*(line.points[-1] - line.points[0])))
    angle = direction_deg(line.points)
    off_lay = math.radians(angle - lines.lay.angle_deg)
    straightness = chord / max(line.length_px, 1.0)
    # Long and straight beyond what chance makes of a crack: a scratch.
    bow = _bow(line.points)
    scratchlike = math.log(max(chord, 1.0) / 40.0) - 1.5 * math.log(bow + 0.3)
    turning = _turning_deg(line.points)
    widths = line.widths_px if len(line.widths_px) else np.array([line.width_px])
    values = (
        math.log(max(line.length_px, 1.0) / 30.0),
        math.log(max(on, 0.5)),
        math.log(max(_quantile(z, 0.2), 0.3)),
        min(line.tilt, 3.0),
        min(_far_tilt(line, patch), 4.0),
        math.log(max(line.length_px, 1.0) / line.width_px),
        math.log(line.width_px),
        float(np.std(widths)) / line.width_px,
        median(np.abs(line.depths - median(line.depths))) / depth,
        _quantile(line.depths, 0.1) / depth,
        math.log(line.roughness_px + 0.1),
        straightness,
        lines.lay.strength * math.cos(2 * off_lay),
        float(line.open_ends),
        _fold_share(line, patch, angle),
        min(max(line.rims, -1.0), 1.0),
        math.log(company.clutter + 0.1),
        math.log(max(depth / max(line.noise, 1e-6), 0.1)),
        math.log(max(depth / max(line.level, 1e-6), 1e-4)),
        scratchlike,
        math.log(turning + 1.0),
        math.log(max(fine, 0.3) / max(on, 0.3)),
        evidence,
        min(max(evidence - company.rivals, -2.0), 3.0),
        company.parallels,
        _surround(line.points, fine, lines),
        _runs_on(line.points, on, patch, lines),
    )
    return np.array(values, dtype=float)


def responses_on(
    points: FloatArray, lines: LineMap, finest: FloatArray | None = None
) -> FloatArray:
    """Return the greatest response over the octaves at each point; the finest may be known."""
    best = sample(lines.octaves[0], points) if finest is None else finest
    for k, octave in enumerate(lines.octaves[1:], start=1):
        best = np.maximum(best, sample(octave, points / 2**k))
    return best


def evidence_of(line: Centreline, lines: LineMap) -> float:
    """Return how far a line as a whole stands out, as a logarithm: noise averages along it."""
    return _evidence(median(responses_on(line.points, lines)), line.length_px)


def _evidence(response: float, length_px: float) -> float:
    return math.log(max(response, 0.5)) + 0.5 * math.log(max(length_px, 1.0))


def _quantile(values: FloatArray, q: float) -> float:
    """Return a quantile, interpolated; NumPy's own takes most of its time for checks."""
    place = q * (len(values) - 1)
    k = int(place)
    ordered = np.sort(values)
    return float(ordered[k] + (place - k) * (ordered[min(k + 1, len(values) - 1)] - ordered[k]))


def _surround(points: FloatArray, on: float, lines: LineMap) -> float:
    """Return the response on a line over its mean around the line, as a logarithm."""
    around = median(sample(lines.around, points[::4]))
    return math.log(max(on, 0.3) / max(around, 0.1))


def _runs_on(points: FloatArray, on: float, patch: Patch, lines: LineMap) -> float:
    """Return how strong a response goes on straight beyond the ends, over that on the line.

    A scratch that was found in part goes on; a crack that ended does not. The stronger end counts.
    """
    reach = min(16, len(points) - 1)
    ahead = np.arange(*_BEYOND_PX, 1.5)
    aside = np.arange(-3.0, 3.1, 1.0)
    ends = points[[0, -1]]
    way = ends - points[[reach, -1 - reach]]
    way /= np.maximum(np.hypot(way[:, 0], way[:, 1]), 1e-9)[:, None]
    normal = np.column_stack((-way[:, 1], way[:, 0]))
    # End, ahead, aside, u and v.
    middle = ends[:, None] + ahead[:, None] * way[:, None]
    grid = middle[:, :, None] + aside[:, None] * normal[:, None, None]
    response = responses_on(grid, lines).max(axis=2)
    inside = patch.in_band(middle.reshape(-1, 2)).reshape(middle.shape[:2])
    seen = [
        float(along[is_inside].mean())
        for along, is_inside in zip(response, inside, strict=True)
        if is_inside.sum() >= 8
    ]
    return min(max([0.0, *seen]) / max(on, 0.5), 2.0)


def direction_deg(points: FloatArray) -> float:
    """Return the direction of a line's longest spread, 0 to 180, from columns towards rows."""
    centred = points - points.mean(axis=0)
    (xx, xy), (_, yy) = centred.T @ centred
    return float(np.degrees(0.5 * math.atan2(2 * xy, xx - yy)) % 180.0)


def _bow(points: FloatArray) -> float:
    """Return the rms distance of a line from the parabola along its chord, px."""
    chord = points[-1] - points[0]
    length = max(float(np.hypot(*chord)), 1.0)
    along = (points - points[0]) @ chord / length**2
    across = (points - points[0]) @ np.array((-chord[1], chord[0])) / length
    design = np.column_stack((np.ones_like(along), along, along**2))
    fitted, *_ = np.linalg.lstsq(design, across, rcond=None)
    return float(np.sqrt(np.mean((across - design @ fitted) ** 2)))


def _turning_deg(points: FloatArray) -> float:
    """Return the median turn between stretches of six pixels, deg."""
    if len(points) < 14:
        return 0.0
    steps = points[6::3] - points[:-6:3]
    heading = np.unwrap(np.arctan2(steps[:, 1], steps[:, 0]))
    return math.degrees(median(np.abs(np.diff(heading[::2])))) if len(heading) > 2 else 0.0


def _far_tilt(line: Centreline, patch: Patch) -> float:
    """Return the difference of the surfaces on both sides, well off the line, over its depth."""
    reach = np.array((2.0, 2.7, 3.4)) * max(line.width_px, 2.5)
    offsets = np.concatenate((-reach, reach))
    beside = sample_across(patch.values, line.points, normals(line.points), offsets)
    sides = (beside[:, :3], beside[:, 3:])
    return abs(median(sides[0]) - median(sides[1])) / max(line.depth, 1e-6)


def _fold_share(line: Centreline, patch: Patch, angle_deg: float) -> float:
    """Return the share of the visible fold that a line lying along it takes up, else 0."""
    if math.isnan(patch.fold_row):
        return 0.0
    off = min(angle_deg, 180.0 - angle_deg)
    if off > 12 or median(np.abs(line.points[:, 1] - patch.fold_row)) > 15:
        return 0.0
    return line.length_px / max(patch.fold_columns[1] - patch.fold_columns[0], 1.0)
