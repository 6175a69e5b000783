"""The calibrations of one objective over time: control chart, drift, next due date."""

import csv
import datetime as dt
import io
import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from micromeasure.calibration.file import Calibration, read_calibration
from micromeasure.calibration.straight_line import fit_line
from micromeasure.errors import CalibrationError
from micromeasure.estimate import coverage_factor

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FloatArray = NDArray[np.float64]

# Mean range of two normal values in standard deviations (d2 for n = 2).
_D2 = 1.128
_LIMITS_FROM = 4  # calibrations; fewer moving ranges tell nothing
_SURE_FROM = 10  # below this the limits themselves are rough
_LONGEST_DAYS = 3653  # no due date further away than ten years


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """Individuals control chart of one axis.

    Attributes
    ----------
    days : ndarray, shape (n,)
        Since the first calibration.
    um_per_px, u_um_per_px : ndarray, shape (n,)
        The latter NaN where unknown.
    centre, lower, upper : float
        Mean and control limits; the limits are NaN with fewer than four calibrations.
    moving_range : ndarray, shape (n - 1,)
    out : ndarray of bool, shape (n,)
        Beyond the limits.
    drift_per_year, u_drift_per_year : float
        Slope of a straight line, relative to the mean, and its standard uncertainty; NaN with
        fewer than three.
    drifts : bool
        Whether a drift is significant at the 5 % level.
    """

    days: FloatArray
    um_per_px: FloatArray
    u_um_per_px: FloatArray
    centre: float
    lower: float
    upper: float
    moving_range: FloatArray
    out: NDArray[np.bool_]
    drift_per_year: float
    u_drift_per_year: float
    drifts: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """All calibrations of one objective and camera mode.

    Attributes
    ----------
    objective : str
    image_size_px : tuple of two ints or None
    files : tuple of str
        Names in order of time.
    calibrations : tuple of Calibration
    x, y : Chart
    due : datetime.date or None
        Day by which to calibrate again; None where nothing is known of it.
    due_reason : str
    """

    objective: str
    image_size_px: tuple[int, int] | None
    files: tuple[str, ...]
    calibrations: tuple[Calibration, ...]
    x: Chart
    y: Chart
    due: dt.date | None
    due_reason: str


def individuals_limits(values: FloatArray) -> tuple[float, float, float]:
    """Return centre, lower and upper limit of an individuals control chart.

    Parameters
    ----------
    values : ndarray, shape (n,), n at least 2
        In order of time.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2: limits at the mean plus
       and minus three times the mean moving range divided by 1.128.
    """
    centre = float(np.mean(values))
    spread = 3.0 * float(np.mean(np.abs(np.diff(values)))) / _D2
    return centre, centre - spread, centre + spread


def chart_of(days: FloatArray, um_per_px: FloatArray, u_um_per_px: FloatArray) -> Chart:
    """Return the control chart of a series of scales."""
    n = len(um_per_px)
    centre, lower, upper = float(np.mean(um_per_px)), math.nan, math.nan
    if n >= _LIMITS_FROM:
        centre, lower, upper = individuals_limits(um_per_px)
    slope = u_slope = math.nan
    drifts = False
    if n >= 3 and np.ptp(days) > 0:
        line = fit_line(days / 365.25, um_per_px / centre)
        slope, u_slope = line.slope, line.u_slope
        drifts = abs(slope) > coverage_factor(line.dof) * u_slope
    with np.errstate(invalid="ignore"):
        out = (um_per_px < lower) | (um_per_px > upper)
    return Chart(
        days=days,
        um_per_px=um_per_px,
        u_um_per_px=u_um_per_px,
        centre=centre,
        lower=lower,
        upper=upper,
        moving_range=np.abs(np.diff(um_per_px)),
        out=out,
        drift_per_year=slope,
        u_drift_per_year=u_slope,
        drifts=drifts,
    )


def read_history(folder: Path, *, tolerance: float | None = None) -> list[History]:
    """Read all calibration files of a folder, one history for each objective and image size.

    Parameters
    ----------
    folder : pathlib.Path
    tolerance : float or None
        Relative change of scale that can be borne; None: the expanded uncertainty of the
        newest calibration.

    Raises
    ------
    CalibrationError
        If the folder holds no dated calibration, or a file is wrong.
    """
    if not folder.is_dir():
        message = f"{folder}: is not a folder; give the one that holds the calibration files."
        raise CalibrationError([message])
    groups: dict[tuple[str, tuple[int, int] | None], list[tuple[str, Calibration]]]
    groups = defaultdict(list)
    problems = []
    for path in sorted(folder.glob("*.toml")):
        try:
            calibration = read_calibration(path)
        except CalibrationError as error:
            problems += error.problems
            continue
        if calibration.made is None:
            problems.append(f"{path.name}: 'made' is missing; give the day of the calibration.")
            continue
        objective = calibration.objective or calibration.id
        groups[objective, calibration.image_size_px].append((path.name, calibration))
    if problems:
        raise CalibrationError(problems)
    if not groups:
        raise CalibrationError([f"{folder}: holds no calibration file (*.toml)."])
    return [_history(key, members, tolerance) for key, members in sorted(groups.items(), key=str)]


def _history(
    key: tuple[str, tuple[int, int] | None],
    members: Sequence[tuple[str, Calibration]],
    tolerance: float | None,
) -> History:
    members = sorted(members, key=lambda member: (member[1].made or dt.date.min, member[0]))
    calibrations = tuple(calibration for _, calibration in members)
    first = calibrations[0].made or dt.date.min
    days = np.array([((c.made or first) - first).days for c in calibrations], dtype=np.float64)
    charts = []
    for axis in (0, 1):
        scale = np.array([c.um_per_px[axis] for c in calibrations])
        u = np.array([c.u_um_per_px[axis] if c.u_um_per_px else math.nan for c in calibrations])
        charts.append(chart_of(days, scale, u))
    due, reason = _due(calibrations[-1], charts, tolerance)
    return History(
        objective=key[0],
        image_size_px=key[1],
        files=tuple(name for name, _ in members),
        calibrations=calibrations,
        x=charts[0],
        y=charts[1],
        due=due,
        due_reason=reason,
    )


def _due(
    newest: Calibration, charts: Sequence[Chart], tolerance: float | None
) -> tuple[dt.date | None, str]:
    """Return the day by which to calibrate again, and why then."""
    made = newest.made or dt.date.min
    # Under a drift the last points lie beyond flat limits as a matter of course.
    if any(chart.out[-1] and not chart.drifts for chart in charts):
        return made, "the newest calibration is beyond the control limits: find out why, now"
    due, reason = newest.valid_until, "end of the newest calibration's validity"
    for axis, chart in zip("xy", charts, strict=True):
        if not chart.drifts:
            continue
        borne = tolerance
        if borne is None and newest.u_um_per_px is not None:
            borne = 2.0 * newest.u_um_per_px["xy".index(axis)] / newest.um_per_px["xy".index(axis)]
        if not borne:
            continue
        days = min(365.25 * borne / abs(chart.drift_per_year), float(_LONGEST_DAYS))
        then = made + dt.timedelta(days=int(days))
        if due is None or then < due:
            due = then
            reason = f"by then the drift in {axis} will have used up {1e6 * borne:.0f} ppm"
    return due, reason


def history_csv(histories: Sequence[History]) -> bytes:
    """Return one row for each calibration and axis, RFC 4180."""
    stream = io.StringIO()
    writer = csv.writer(stream)
    writer.writerow(
        ["objective", "file", "calibration", "made", "valid_until", "axis", "um_per_px",
         "u_um_per_px", "moving_range_um_per_px", "centre_um_per_px", "lower_limit_um_per_px",
         "upper_limit_um_per_px", "beyond_limits"]
    )  # fmt: skip
    for history in histories:
        for i, (name, calibration) in enumerate(
            zip(history.files, history.calibrations, strict=True)
        ):
            for axis, chart in (("x", history.x), ("y", history.y)):
                moving = chart.moving_range[i - 1] if i else math.nan
                numbers = (chart.um_per_px[i], chart.u_um_per_px[i], moving, chart.centre,
                           chart.lower, chart.upper)  # fmt: skip
                writer.writerow(
                    [history.objective, name, calibration.id, calibration.made,
                     calibration.valid_until or "", axis,
                     *("" if math.isnan(v) else f"{v:.9g}" for v in numbers),
                     "yes" if chart.out[i] else "no"]
                )  # fmt: skip
    return stream.getvalue().encode()


def history_chart(histories: Sequence[History]) -> bytes:
    """Return an SVG with a control chart for each objective and axis, in ppm of the mean."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    stream = io.BytesIO()
    # Months and years, each said once: whole dates would run into one another.
    with mpl.rc_context(
        {"svg.hashsalt": "micromeasure", "svg.fonttype": "none", "date.converter": "concise"}
    ):
        figure = Figure(figsize=(9, 2.6 * len(histories)), layout="constrained")
        axes = figure.subplots(len(histories), 2, squeeze=False)
        for row, history in zip(axes, histories, strict=True):
            made = [c.made or dt.date.min for c in history.calibrations]
            for axis, name, chart in zip(row, "xy", (history.x, history.y), strict=True):
                _draw(axis, chart, made)
                axis.set_title(f"{history.objective}, {name}", fontsize="medium")
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    return stream.getvalue()


def _draw(axis: "Axes", chart: Chart, made: Sequence[dt.date]) -> None:
    def ppm(value: FloatArray | float) -> FloatArray:
        return np.asarray(1e6 * (np.asarray(value) / chart.centre - 1.0))

    when = np.asarray(made, dtype="datetime64[D]")
    known = np.nan_to_num(1.96e6 * chart.u_um_per_px / chart.centre)
    axis.errorbar(when, ppm(chart.um_per_px), known, fmt="o-", ms=4, lw=0.8, color="#0072b2")
    axis.plot(when[chart.out], ppm(chart.um_per_px)[chart.out], "s", ms=8, mfc="none",
              color="#d55e00")  # fmt: skip
    axis.axhline(0, color="0.5", lw=0.8)
    for limit in (chart.lower, chart.upper):
        if not math.isnan(limit):
            axis.axhline(float(ppm(limit)), color="#d55e00", lw=0.8, ls="--")
    axis.set_ylabel("scale, ppm of the mean")
    axis.tick_params(axis="x", labelsize="small")


def describe_history(history: History, today: dt.date) -> str:
    """Return what the charts say, in plain words, several lines."""
    n = len(history.calibrations)
    size = history.image_size_px
    mode = f", {size[0]} x {size[1]} px" if size else ""
    times = "1 calibration" if n == 1 else f"{n} calibrations"
    first, last = history.calibrations[0].made, history.calibrations[-1].made
    lines = [f"{history.objective}{mode}: {times}, {first} to {last}"]
    for name, chart in (("x", history.x), ("y", history.y)):
        lines.append(f"  {name}: {_says(chart, history.files)}")
    if n < _SURE_FROM:
        lines.append(f"  with fewer than {_SURE_FROM} calibrations limits and drift are rough")
    if history.due is None:
        lines.append("  next calibration: not known; no end of validity is given")
    else:
        late = ", overdue" if history.due < today else ""
        lines.append(f"  next calibration due {history.due}{late}: {history.due_reason}")
    return "\n".join(lines)


def _says(chart: Chart, files: Sequence[str]) -> str:
    parts = [f"mean {chart.centre:.7g} µm/px"]
    if math.isnan(chart.lower):
        parts.append(f"no limits from fewer than {_LIMITS_FROM} calibrations")
    else:
        parts.append(f"limits ± {1e6 * (chart.upper / chart.centre - 1):.0f} ppm")
        beyond = [name for name, out in zip(files, chart.out, strict=True) if out]
        parts.append(f"beyond the limits: {', '.join(beyond)}" if beyond else "all within them")
    if not math.isnan(chart.drift_per_year):
        drift = f"{1e6 * chart.drift_per_year:+.0f} ± {1e6 * chart.u_drift_per_year:.0f} ppm a year"
        parts.append(f"drift {drift}" if chart.drifts else f"no significant drift ({drift})")
    return ", ".join(parts)


def history_files(histories: Sequence[History], folder: Path) -> Mapping[Path, bytes]:
    """Return the table and the picture of histories, by where they are to be written."""
    return {
        folder / "calibration-history.csv": history_csv(histories),
        folder / "calibration-history.svg": history_chart(histories),
    }
