"""The dated record of a verification: a page for people, or one table in Markdown."""

import base64
import datetime as dt
import io
import platform
from collections.abc import Sequence
from html import escape
from pathlib import Path

from micromeasure import __version__
from micromeasure.reference.campaign import Campaign
from micromeasure.reference.verify import Verdict

_STYLE = """
body { font: 15px/1.5 system-ui, sans-serif; color: #1d2730; max-width: 72rem; margin: 2rem auto;
       padding: 0 1rem; }
h1 { font-size: 1.5rem; } h2 { font-size: 1.15rem; margin-top: 2rem; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }
th, td { border-bottom: 1px solid #cfd6dc; padding: .3rem .5rem; text-align: right; }
th:first-child, td:first-child { text-align: left; }
.broken { background: #fbe9e1; } figure { margin: 1rem 0; } img { max-width: 100%; }
.wrap { overflow-x: auto; }
@media print { body { margin: 0; } }
"""


def write_record(path: Path, verdicts: Sequence[Verdict], campaign: Campaign) -> None:
    """Write the record of a verification: Markdown where the name ends so, else HTML.

    Parameters
    ----------
    path : pathlib.Path
    verdicts : sequence of Verdict
    campaign : Campaign
    """
    if path.suffix == ".md":
        path.write_text(_markdown(verdicts, campaign), encoding="utf-8")
    else:
        _write_page(path, verdicts, campaign)


def _markdown(verdicts: Sequence[Verdict], campaign: Campaign) -> str:
    form = " --long" if campaign.long else ""
    today = dt.datetime.now(dt.UTC).date().isoformat()
    lines = [
        "# What is promised, and what was measured",
        "",
        (
            "Images of exactly known truth, written to disk and measured as a study. Made by "
            f"`micromeasure verify{form} --seed {campaign.seed} --report accuracy.md`, "
            f"micromeasure {__version__}, Python {platform.python_version()}, "
            f"{platform.machine()}, {today}; conditions: {_conditions(campaign)}."
        ),
        "",
        (
            "| number | images | n | failed | bias (promised) | scatter | p95 (promised) | "
            "unit | scatter / Cramér–Rao bound (promised) | coverage of the 95 % interval | "
            "errors > 5 u |"
        ),
        "|" + " --- |" * 11,
    ]
    for v in verdicts:
        p = v.promise
        bound = "" if v.bound_ratio is None else f"{v.bound_ratio:.2f}"
        cells = (
            f"{p.quantity} {p.statistic}", p.condition, v.n, v.failures,
            f"{v.bias:+.4f} ({p.bias:g})", f"{v.scatter:.4f}", f"{v.p95:.4f} ({p.p95:g})",
            p.step_name, f"{bound} ({p.bound_ratio:g})" if p.bound_ratio else bound,
            _percent(v.coverage), v.wild,
        )  # fmt: skip
        lines.append("| " + " | ".join(str(c) for c in cells) + " |")
    return "\n".join(lines) + "\n"


def _write_page(path: Path, verdicts: Sequence[Verdict], campaign: Campaign) -> None:
    """Write one self-contained HTML page."""
    broken = [f for v in verdicts for f in v.broken]
    now = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
    summary = "Every promise held." if not broken else f"{len(broken)} promises broken."
    parts = [
        "<!doctype html><html lang='en'><meta charset='utf-8'>",
        "<meta name='viewport' content='width=device-width, initial-scale=1'>",
        f"<title>Verification of micromeasure {__version__}</title><style>{_STYLE}</style>",
        f"<h1>Verification of micromeasure {__version__}</h1><p><b>{summary}</b></p>",
        f"<p>{now}; Python {platform.python_version()} on {escape(platform.platform())}; ",
        f"seed {campaign.seed}, {'long' if campaign.long else 'short'} form; conditions: ",
        f"{escape(_conditions(campaign))}.</p>",
        "<p>Images of exactly known truth were rendered, written to disk and measured as a study. ",
        "An interval is stated at 95 %; the images cover the conditions named here and no others.",
        "</p><div class='wrap'>",
        _table(verdicts),
        "</div>",
    ]
    parts.extend(f"<p class='broken'>{escape(f)}</p>" for f in broken)
    parts.extend(_figure(v) for v in verdicts if v.n > 1)
    path.write_text("".join(parts) + "</html>\n", encoding="utf-8")


def _conditions(campaign: Campaign) -> str:
    c = campaign.conditions
    given = {"pixel size": (c.um_per_px, "um"), "blur": (c.blur_px, "px"), "noise": (c.noise, "")}
    words = [f"{name} {value:g} {unit}".strip() for name, (value, unit) in given.items() if value]
    return ", ".join(words) or "the ranges of the reference sets"


def _table(verdicts: Sequence[Verdict]) -> str:
    titles = (
        "number", "condition", "n", "failed", "bias", "scatter", "95 % of errors below", "unit",
        "scatter / Cramér–Rao bound", "coverage of stated 95 % interval", "errors over 5 u", "",
    )  # fmt: skip
    rows = ["<tr>" + "".join(f"<th>{t}</th>" for t in titles) + "</tr>"]
    for v in verdicts:
        cells = (
            f"{v.promise.quantity} {v.promise.statistic}", v.promise.condition, v.n, v.failures,
            f"{v.bias:+.4f}", f"{v.scatter:.4f}", f"{v.p95:.4f}", v.promise.step_name,
            "" if v.bound_ratio is None else f"{v.bound_ratio:.2f}", _percent(v.coverage),
            v.wild, "broken" if v.broken else "held",
        )  # fmt: skip
        mark = " class='broken'" if v.broken else ""
        rows.append(f"<tr{mark}>" + "".join(f"<td>{escape(str(c))}</td>" for c in cells) + "</tr>")
    return "<table>" + "".join(rows) + "</table>"


def _percent(share: float | None) -> str:
    return "" if share is None else f"{100 * share:.1f} %"


def _figure(verdict: Verdict) -> str:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7, 2.2), layout="constrained")
    axes = figure.subplots()
    axes.hist(verdict.errors, bins=40, color="#33658a")
    axes.axvline(0, color="#1d2730", linewidth=0.8)
    promise = verdict.promise
    axes.set_xlabel(f"error / {promise.step_name}")
    axes.set_ylabel("images")
    title = f"{promise.quantity} {promise.statistic}, {promise.condition}"
    picture = io.BytesIO()
    figure.savefig(picture, format="png", dpi=110)
    data = base64.b64encode(picture.getvalue()).decode("ascii")
    return (
        f"<figure><figcaption>{escape(title)}</figcaption>"
        f"<img alt='histogram of errors of {escape(title)}' src='data:image/png;base64,{data}'>"
        "</figure>"
    )
