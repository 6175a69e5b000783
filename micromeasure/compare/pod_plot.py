"""The plot of a detectability study, and its figures as rows."""

import io

import numpy as np

from micromeasure.compare.detectability import Detectability, FloatArray

CAUTION = (
    "Holds for the conditions the cracks were looked at in; a crack longer than a90/95 may still "
    "be missed. Safety-relevant parts need qualified inspection under the applicable code."
)


def figure_rows(found: Detectability) -> list[dict[str, object]]:
    """Return the figures of a detectability study as rows: statistic, value, unit, remark."""
    curve = found.curve
    bound = "upper 95 % confidence bound of a90 by profile likelihood"
    if found.a90_95_um is None:
        bound = "the data set no upper bound of a90; add more cracks near it"
    false = found.false
    rows: list[tuple[str, object, str, str]] = [
        ("a50", found.a50_um, "um", "length found with probability 50 %"),
        ("a90", found.a90_um, "um", "length found with probability 90 %"),
        ("a90/95", found.a90_95_um, "um", bound),
        ("cracks", curve.n, "1", "true cracks looked at"),
        ("hits", curve.hits, "1", "cracks found"),
        ("intercept", curve.intercept, "1", f"of the {curve.link} curve on {curve.scale} in um"),
        ("slope", curve.slope, "1", f"of the {curve.link} curve on {curve.scale} in um"),
        ("log_likelihood", curve.log_likelihood, "1", found.kind),
        ("false_candidates", false and false.count, "1", "candidates that were no crack"),
        ("area", false and false.area_mm2, "mm2", "area searched"),
        ("false_per_area", false and false.per_mm2, "1/mm2", "false candidates per area"),
        ("false_per_area_high", false and false.per_mm2_high, "1/mm2", "its upper 95 % bound"),
        ("caution", None, "", CAUTION),
    ]
    return [dict(zip(("statistic", "value", "unit", "remark"), row, strict=True)) for row in rows]


def curve_rows(found: Detectability, length_um: FloatArray) -> list[dict[str, object]]:
    """Return the curve over the range of lengths as rows."""
    at = np.linspace(0.0, float(np.max(length_um)) * 1.05, 121)[1:]
    return [
        {"length_um": float(a), "probability_of_detection": float(p)}
        for a, p in zip(at, found.curve.probability(at), strict=True)
    ]


def pod_svg(found: Detectability, length_um: FloatArray, hit: FloatArray | None) -> bytes:
    """Return the curve with hits, misses, a50, a90 and a90/95 as SVG."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context({"svg.hashsalt": "pod", "svg.fonttype": "none"}):
        figure = Figure(figsize=(6.4, 4.2), layout="constrained")
        axes = figure.add_subplot()
        at = np.linspace(0.0, float(np.max(length_um)) * 1.05, 400)[1:]
        axes.plot(at, found.curve.probability(at), color="#1f4e79", lw=1.8)
        if hit is not None:
            shift = 0.012 * np.cos(np.arange(len(hit)) * 2.4)
            axes.plot(length_um, hit + shift, "|", color="#444444", alpha=0.5, ms=7)
        for value, label, style in (
            (found.a50_um, "a50", ":"), (found.a90_um, "a90", "--"),
            (found.a90_95_um, "a90/95", "-"),
        ):  # fmt: skip
            if value is not None and value < at[-1]:
                axes.axvline(
                    value, color="#b3541e", ls=style, lw=1.2, label=f"{label} {value:.0f} µm"
                )
        axes.set(
            xlabel="crack length (µm)", ylabel="probability of detection", ylim=(-0.04, 1.04),
            xlim=(0, at[-1]),
        )  # fmt: skip
        axes.grid(alpha=0.3)
        axes.legend(frameon=False, loc="lower right")
        data = io.BytesIO()
        figure.savefig(data, format="svg", metadata={"Date": None})
    return data.getvalue()
