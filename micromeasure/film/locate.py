"""Locating the edges of a stack to sub-pixel along the whole film, leaving out what is spoilt."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from micromeasure.edges.step import position_bound_px
from micromeasure.errors import MeasurementError
from micromeasure.film.fit import (
    UNSETTLED,
    WINDOW_PX,
    WINDOW_SIGMAS,
    Common,
    Group,
    Step,
    Window,
    cosines,
    gather,
    linear_model,
    moved,
    reweighted,
    solve,
)
from micromeasure.film.frame import Frame
from micromeasure.film.noise import misfit, noise_inflation
from micromeasure.film.spoilt import pixel_weights, rows_in_place, usable_rows
from micromeasure.film.stack import Stack

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

FIRST_ROWS = 256  # rows of the first fit, spread over the film; it finds blur and levels
FIRST_REACH_PX = 24.0
FIRST_SIGMAS_PX = (0.7, 1.0, 1.5, 2.2, 3.2, 5.0)
FIRST_ROOM_PX = 6.0
FIRST_ROUNDS = 20
MOST_CHANGE = 0.35
SETTLED_BLUR = 0.03
FINE_ROUNDS = 6
SETTLED_SIGMAS = 0.1  # the model is linear to a percent of such a move
MANY_ROWS = 2600
GOOD_ENOUGH_PX = 0.005
MIN_ROWS = 48  # fewer usable rows are no basis for a mean with a stated uncertainty


@dataclass(frozen=True, slots=True, kw_only=True)
class LocatedGroup:
    """Edges fitted together, with everything an uncertainty needs.

    Attributes
    ----------
    edges : tuple of int
        Numbers of the edges, from the left.
    group : Group
        Rows, smooth course, direction and common parameters.
    offset_px : ndarray, shape (n_edges, n)
        What each row adds to the course, along the normal.
    good : ndarray of bool, shape (n,)
        Rows that are used.
    row_cov_px2 : ndarray, shape (n, n_edges, n_edges)
        Covariance of the offsets of single rows, noise taken as white.
    mean_cov_px2 : ndarray, shape (n_edges, n_edges)
        Covariance of the mean offsets, correlation between rows included.
    inflation : float
        Variance of a mean over many rows against that of independent rows.
    noise : float
        Standard deviation of the residuals, in the image's values.
    misfit : float
        Root mean square of what the model leaves systematically, as a share of the contrast.
    clipped : float
        Share of pixels at either end of the camera's range.
    every : int
        Rows of the frame from one row used to the next.
    """

    edges: tuple[int, ...]
    group: Group
    offset_px: FloatArray
    good: BoolArray
    row_cov_px2: FloatArray
    mean_cov_px2: FloatArray
    inflation: float
    noise: float
    misfit: float
    clipped: float
    every: int = 1

    @property
    def sigma_px(self) -> float:
        """Median blur, px along the normal."""
        return float(np.median(self.group.common.sigma_px))


def locate_edges(frame: Frame, stack: Stack, full_scale: float) -> list[LocatedGroup]:
    """Fit every edge of a stack over its whole length.

    Parameters
    ----------
    frame : Frame
    stack : Stack
        Edges to about a pixel.
    full_scale : float
        Greatest value a pixel can hold.

    Returns
    -------
    list of LocatedGroup
        From left to right; thin layers share a group.

    Raises
    ------
    MeasurementError
        If a fit does not settle or too few rows are left.
    """
    rows = np.arange(frame.shape[0])
    courses = _courses(stack, rows.astype(np.float64))
    located: list[tuple[tuple[int, ...], Group]] = []
    loudest = 0.0
    for edges in _groups(courses, FIRST_REACH_PX):
        reach = _reach(stack, courses, edges, wanted=FIRST_REACH_PX, sigma=2.0)
        seen = _rows_inside(frame, courses[edges[0] : edges[-1] + 1], FIRST_ROOM_PX)
        seen = seen[_within_bands(stack, edges, seen)]
        first = seen[np.unique(np.rint(np.linspace(0, seen.size - 1, FIRST_ROWS)).astype(np.intp))]
        start = _start(
            frame,
            first,
            courses[edges[0] : edges[-1] + 1, first],
            reach=reach,
            sigmas=FIRST_SIGMAS_PX,
        )
        group, noise = _settle(frame, start)
        located.append((edges, group))
        loudest = max(loudest, noise)
    sigma = float(np.median([np.median(g.common.sigma_px) for _, g in located]))
    fine = _refined_courses(rows, courses, located)
    every = _thinning(rows.size, loudest, [g for _, g in located])
    window = float(np.clip(WINDOW_SIGMAS * sigma, *WINDOW_PX))
    result = []
    for edges in _groups(fine, window + 5.0 * sigma):
        reach = _reach(stack, fine, edges, wanted=window, sigma=sigma)
        start = _restart(
            frame, rows[::every], fine[:, ::every], edges=edges, reach=reach, sigma=sigma
        )
        result.append(replace(_finish(frame, start, edges, full_scale), every=every))
    return result


def _thinning(n_rows: int, noise: float, groups: list[Group]) -> int:
    """Return 2 where every second row will do, else 1.

    In a very large image the mean is located far better than its scale can be known; half of
    the rows then costs nothing that matters and saves half of the time.
    """
    if n_rows <= MANY_ROWS:
        return 1
    contrast = min(float(np.min(np.abs(np.median(g.common.steps, axis=1)))) for g in groups)
    sigma = max(float(np.median(g.common.sigma_px)) for g in groups)
    located = position_bound_px(contrast, noise, sigma, 0.5 * n_rows)
    return 2 if located < GOOD_ENOUGH_PX else 1


def _rows_inside(frame: Frame, courses: FloatArray, room_px: float) -> NDArray[np.intp]:
    """Return the rows in which edges lie inside the image with some room."""
    inside = (courses[0] > room_px) & (courses[-1] < frame.shape[1] - 1 - room_px)
    count = int(np.count_nonzero(inside))
    if count < MIN_ROWS:
        message = (
            f"An edge of the film is seen over {count} px only, at least {MIN_ROWS} are needed; "
            "give a larger region or take the image again."
        )
        raise MeasurementError(message)
    return np.flatnonzero(inside)


def _courses(stack: Stack, rows: FloatArray) -> FloatArray:
    """Return edge columns at rows: polynomials through the bands, straight beyond them."""
    return np.stack(
        [
            _course(stack.rows[seen], edge[seen], rows)
            for edge, seen in zip(stack.edges_px, stack.seen, strict=True)
        ]
    )


def _within_bands(stack: Stack, edges: tuple[int, ...], rows: NDArray[np.intp]) -> BoolArray:
    """Return which rows lie between bands in which the edges were seen, or next to them."""
    seen = np.flatnonzero(stack.seen[list(edges)].all(axis=0))
    if seen.size < 4:
        raise MeasurementError(UNSETTLED)
    room = 0.6 * float(np.median(np.diff(stack.rows)))
    low, high = stack.rows[seen[0]] - room, stack.rows[seen[-1]] + room
    return np.asarray((rows >= low) & (rows <= high))


def _course(bands: FloatArray, edge: FloatArray, rows: FloatArray) -> FloatArray:
    if bands.size < 4:
        raise MeasurementError(UNSETTLED)
    low, high = bands[0], bands[-1]
    t, at = (2.0 * (r - low) / (high - low) - 1.0 for r in (bands, np.clip(rows, low, high)))
    fit = np.polynomial.chebyshev.chebfit(t, edge, min(6, bands.size // 3))
    course = np.polynomial.chebyshev.chebval(at, fit)
    slopes = np.polynomial.chebyshev.chebval([-0.97, 0.97], np.polynomial.chebyshev.chebder(fit))
    per_row = slopes * 2.0 / (high - low)
    beyond = per_row[0] * np.minimum(rows - low, 0.0) + per_row[1] * np.maximum(rows - high, 0.0)
    return np.asarray(course + beyond)


def _groups(courses: FloatArray, joined_px: float) -> list[tuple[int, ...]]:
    """Split edges where the distance of neighbours is greater than `joined_px`."""
    middle = courses.shape[1] // 2
    slope = float(np.median(np.abs(np.gradient(courses[0]))))
    gaps = np.diff(courses[:, middle]) / math.sqrt(1.0 + slope**2)
    groups: list[list[int]] = [[0]]
    for k, gap in enumerate(gaps):
        if gap < joined_px:
            groups[-1].append(k + 1)
        else:
            groups.append([k + 1])
    return [tuple(g) for g in groups]


def _reach(
    stack: Stack, courses: FloatArray, edges: tuple[int, ...], *, wanted: float, sigma: float
) -> tuple[float, float]:
    """Return how far pixels may be used on both sides without meeting the next edge's blur."""
    slope = float(np.median(np.abs(np.gradient(courses[edges[0]]))))
    cosine = 1.0 / math.sqrt(1.0 + slope**2)

    def free(a: int, b: int) -> float:
        return float(np.min(courses[b] - courses[a])) * cosine

    last = len(courses) - 1
    left = stack.clear_px[0] * cosine if edges[0] == 0 else free(edges[0] - 1, edges[0])
    right = stack.clear_px[1] * cosine if edges[-1] == last else free(edges[-1], edges[-1] + 1)
    least = 4.0 * sigma
    return (
        float(np.clip(left - 4.0 * sigma, least, wanted)),
        float(np.clip(right - 4.0 * sigma, least, wanted)),
    )


def _start(
    frame: Frame,
    rows: NDArray[np.intp],
    course: FloatArray,
    *,
    reach: tuple[float, float],
    sigmas: tuple[float, ...],
) -> Group:
    """Return a first state: the blur that fits best, levels by linear least squares."""
    n = rows.size
    blank = Common(
        base=np.zeros(n),
        steps=np.zeros(course.shape),
        sigma_px=np.ones(n),
        slope=np.zeros(n),
    )
    group = Group(
        rows=rows, course_px=course, cosine=cosines(rows, course), reach_px=reach, common=blank
    )
    window = gather(frame, group)
    trials = [_levels(window, s) for s in sigmas]
    return replace(group, common=min(trials, key=lambda trial: trial[1])[0])


def _levels(window: Window, sigma: float) -> tuple[Common, float]:
    """Return levels common to all rows and the sum of squares they leave."""
    from scipy.special import ndtr

    share = ndtr(window.distance_px / sigma)
    design = np.concatenate([np.ones((1, *share.shape[1:])), share])
    flat = design.reshape(len(design), -1)
    weighted = flat * window.weights.ravel()
    solution = np.linalg.lstsq(weighted @ flat.T, weighted @ window.values.ravel(), rcond=None)[0]
    n = window.values.shape[0]
    common = Common(
        base=np.full(n, solution[0]),
        steps=np.repeat(solution[1:, None], n, axis=1),
        sigma_px=np.full(n, sigma),
        slope=np.zeros(n),
    )
    rest = window.values.ravel() - solution @ flat
    return common, float(np.sum(window.weights.ravel() * rest * rest))


def _settle(frame: Frame, group: Group) -> tuple[Group, float]:
    """Iterate the first, coarse fit until it stands still; return it with its noise."""
    good = np.ones(group.rows.size, dtype=bool)
    for _ in range(FIRST_ROUNDS):
        _, step, good = _solve_clean(frame, group, good)
        before = group
        group = _held_back(group, moved(group, step, rows_in_place(group, step)))
        change = float(np.max(np.abs(group.course_px - before.course_px)))
        ratio = float(np.median(group.common.sigma_px / before.common.sigma_px))
        if change < 0.1 and abs(ratio - 1.0) < SETTLED_BLUR:
            break
    return group, step.noise


def _held_back(before: Group, after: Group) -> Group:
    """Return a state between two, so that contrast, blur and distances change by a share only.

    In a thin layer a little less contrast looks like a little more thickness; a full linear
    step far from the solution would run along that valley and out of it.
    """
    share = max(
        _relative_change(before.common.steps, after.common.steps),
        _relative_change(before.common.sigma_px, after.common.sigma_px),
        _relative_change(np.diff(before.course_px, axis=0), np.diff(after.course_px, axis=0)),
    )
    if share <= MOST_CHANGE:
        return after
    part = MOST_CHANGE / share

    def between(a: FloatArray, b: FloatArray) -> FloatArray:
        return a + part * (b - a)

    old, new = before.common, after.common
    common = Common(
        base=between(old.base, new.base),
        steps=between(old.steps, new.steps),
        sigma_px=between(old.sigma_px, new.sigma_px),
        slope=between(old.slope, new.slope),
    )
    return replace(after, course_px=between(before.course_px, after.course_px), common=common)


def _relative_change(before: FloatArray, after: FloatArray) -> float:
    if before.size == 0:
        return 0.0
    old, new = (np.median(v, axis=-1) for v in (before, after))
    return float(np.max(np.abs(new - old) / np.maximum(np.abs(old), 1e-12)))


def _refined_courses(
    rows: NDArray[np.intp],
    courses: FloatArray,
    located: list[tuple[tuple[int, ...], Group]],
) -> FloatArray:
    fine = courses.copy()
    for edges, group in located:
        for i, k in enumerate(edges):
            known = np.interp(group.rows, rows, courses[k])
            fine[k] += np.interp(rows, group.rows, group.course_px[i] - known)
    return fine


def _restart(
    frame: Frame,
    rows: NDArray[np.intp],
    courses: FloatArray,
    *,
    edges: tuple[int, ...],
    reach: tuple[float, float],
    sigma: float,
) -> Group:
    course = courses[edges[0] : edges[-1] + 1]
    # An edge is located with part of its outer plateau beyond the border as well.
    seen = _rows_inside(frame, course, 2.0 * sigma + 1.0)
    rows, course = rows[seen], course[:, seen]
    # A few rows tell the levels well enough to start from.
    few = np.unique(np.rint(np.linspace(0, rows.size - 1, FIRST_ROWS)).astype(np.intp))
    start = _start(frame, rows[few], course[:, few], reach=reach, sigmas=(sigma,))
    return Group(
        rows=rows,
        course_px=course,
        cosine=cosines(rows, course),
        reach_px=reach,
        common=_constant(start.common, rows.size),
    )


def _constant(common: Common, n: int) -> Common:
    return Common(
        base=np.full(n, common.base[0]),
        steps=np.repeat(common.steps[:, :1], n, axis=1),
        sigma_px=np.full(n, common.sigma_px[0]),
        slope=np.zeros(n),
    )


def _finish(frame: Frame, group: Group, edges: tuple[int, ...], full_scale: float) -> LocatedGroup:
    """Fit all rows, leave out spoilt pixels and rows, and work out the covariance."""
    good = np.ones(group.rows.size, dtype=bool)
    for _ in range(FINE_ROUNDS):
        window, step, good = _solve_clean(frame, group, good)
        # The course follows every row in place, also one that does not look like the others
        # yet: where the film is rough it does so only once it is followed.
        in_place = rows_in_place(group, step)
        ahead = moved(group, step, in_place)
        change = np.abs(ahead.course_px - group.course_px)[:, in_place]
        allowed = _allowed_move(group, step)
        ratio = float(np.median(step.common.sigma_px / group.common.sigma_px))
        if float(np.quantile(change, 0.98)) < allowed and abs(ratio - 1.0) < SETTLED_BLUR:
            break
        group = ahead
    _check_settled(group, step, good)
    clipped = _clipped(window, full_scale)
    factor = noise_inflation(group, window, step, good)
    contrast = float(np.min(np.abs(np.median(step.common.steps, axis=1))))
    return LocatedGroup(
        edges=edges,
        group=replace(group, common=step.common),
        offset_px=step.offset_px,
        good=good,
        row_cov_px2=step.row_cov * step.noise**2,
        mean_cov_px2=step.mean_cov * step.noise**2 * factor,
        inflation=factor,
        noise=step.noise,
        misfit=misfit(window, step, good) / max(contrast, 1e-12),
        clipped=clipped,
    )


def _allowed_move(group: Group, step: Step) -> float:
    """Return the change of course, px, within which the linear model is good enough."""
    sigma = float(np.median(step.common.sigma_px))
    apart = np.median(np.diff(group.course_px, axis=0) * group.cosine, axis=1)
    # Where blurs overlap, thickness trades against contrast and small moves matter.
    thin = bool(np.any(apart < 5.0 * sigma))
    return (0.1 if thin else 1.0) * SETTLED_SIGMAS * sigma


def _solve_clean(frame: Frame, group: Group, good: BoolArray) -> tuple[Window, Step, BoolArray]:
    """Solve, find spoilt pixels and rows by what is left, and solve again without them."""
    window = gather(frame, group)
    linear = linear_model(group, window)
    step = solve(group, linear, good)
    for _ in range(2):
        before, good = good, usable_rows(group, window, step)
        _check_enough(good)
        clean = window.weights * pixel_weights(group, window, step)
        changed = np.count_nonzero(clean != linear.weights) / clean.size
        changed += np.count_nonzero(good != before) / good.size
        # A handful of pixels more or less does not show in a mean over all rows.
        if changed < 1e-3:
            break
        linear = reweighted(linear, clean)
        step = solve(group, linear, good)
    return replace(window, weights=linear.weights), step, good


def _check_settled(group: Group, step: Step, good: BoolArray) -> None:
    """Refuse a fit that still moves, or whose blur or contrast make no sense."""
    sigma = float(np.median(step.common.sigma_px))
    before = float(np.median(group.common.sigma_px))
    mean = np.mean(step.offset_px[:, good], axis=1)
    standing = float(np.max(np.abs(mean))) < 0.3 * sigma and abs(sigma / before - 1.0) < 0.15
    steps = step.common.steps[:, good]
    one_sign = np.all(np.abs(np.mean(np.sign(steps), axis=1)) > 0.9)
    if not (standing and one_sign and 0.25 < sigma < 40.0):
        raise MeasurementError(UNSETTLED)


def _check_enough(good: BoolArray) -> None:
    if np.count_nonzero(good) < max(MIN_ROWS, 0.3 * good.size):
        message = (
            f"Only {np.count_nonzero(good)} of {good.size} profiles across the film are free of "
            f"dust, scratches and gaps, at least {max(MIN_ROWS, math.ceil(0.3 * good.size))} are "
            "needed; clean the section or give a better region."
        )
        raise MeasurementError(message)


def _clipped(window: Window, full_scale: float) -> float:
    at_end = (window.values >= full_scale) | (window.values <= 0.0)
    return float(np.sum(at_end * window.weights) / max(float(window.weights.sum()), 1.0))
