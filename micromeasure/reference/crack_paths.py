"""Courses of rendered cracks: zigzag, varying width, branches, gaps."""

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from micromeasure.reference.metal_surface import FloatArray, Stroke


@dataclass(frozen=True, slots=True, kw_only=True)
class CrackPlan:
    """A crack that is to be drawn."""

    length_px: float
    width_px: float
    cnr: float
    angle_to_fold_deg: float
    offset_px: float = 0.0
    jag_deg: float = 18.0
    step_px: float = 5.0
    branches: int = 0
    broken: bool = False
    bright_edged: bool = False


def jagged_path(rng: np.random.Generator, plan: CrackPlan, fold_deg: float) -> FloatArray:
    """Return a path about its middle that zigzags around a heading which itself drifts slowly."""
    n = max(3, round(plan.length_px / plan.step_px))
    steps = rng.uniform(0.5, 1.5, n)
    steps *= plan.length_px / steps.sum()
    drift = np.cumsum(rng.normal(0, 4.0, n))
    heading = fold_deg + plan.angle_to_fold_deg + drift - drift.mean()
    heading = np.deg2rad(heading + rng.normal(0, plan.jag_deg, n))
    moves = steps[:, None] * np.column_stack((np.cos(heading), np.sin(heading)))
    path = np.vstack((np.zeros(2), np.cumsum(moves, axis=0)))
    return np.asarray(path - path.mean(axis=0))


def crack_strokes(
    rng: np.random.Generator, path: FloatArray, plan: CrackPlan
) -> tuple[list[Stroke], list[FloatArray]]:
    """Return what is drawn of a crack, and its branches."""
    branches = []
    for _ in range(plan.branches if len(path) > 6 and plan.length_px > 60 else 0):
        at = int(rng.integers(2, len(path) - 2))
        heading = math.degrees(math.atan2(*(path[at + 1] - path[at - 1])[::-1]))
        side = rng.choice([-1, 1]) * rng.uniform(30, 60)
        part = replace(plan, length_px=plan.length_px * rng.uniform(0.15, 0.35))
        twig = jagged_path(rng, replace(part, angle_to_fold_deg=0.0), heading + side)
        branches.append(twig - twig[0] + path[at])
    strokes: list[Stroke] = []
    for line in (path, *branches):
        dense = _densify(line)
        widths = _widths(rng, dense, plan.width_px)
        shown = np.ones(len(dense), bool)
        if plan.broken and len(dense) > 30:
            gap, at = int(rng.integers(4, 11)), int(rng.integers(10, len(dense) - 20))
            shown[at : at + gap] = False
        pieces = np.split(np.arange(len(dense)), np.flatnonzero(np.diff(shown)) + 1)
        strokes.extend(
            Stroke(points_px=dense[piece], widths_px=widths[piece])
            for piece in pieces
            if len(piece) > 1 and shown[piece[0]]
        )
    return strokes, branches


def _densify(line: FloatArray) -> FloatArray:
    """Return the same line with a point about every pixel, its corners kept."""
    pieces = [line[:1]]
    for a, b in pairwise(line):
        n = max(1, math.ceil(math.hypot(*(b - a))))
        pieces.append(a + (b - a) * (np.arange(1, n + 1) / n)[:, None])
    return np.vstack(pieces)


def _widths(rng: np.random.Generator, line: FloatArray, width_px: float) -> FloatArray:
    """Return widths that wander slowly by a fifth and narrow over the last few pixels."""
    n = len(line)
    knots = rng.lognormal(0.0, 0.2, max(3, n // 12))
    widths = width_px * np.interp(np.linspace(0, 1, n), np.linspace(0, 1, len(knots)), knots)
    taper = rng.uniform(1.0, 4.0, 2)
    i = np.arange(n)
    return np.asarray(
        widths * np.clip((i + 1) / taper[0], 0.3, 1) * np.clip((n - i) / taper[1], 0.3, 1)
    )
