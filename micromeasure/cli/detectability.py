"""`micromeasure detectability`: how small a crack is found, from a table or a rendered set."""

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from micromeasure.compare.detectability import Detectability, FloatArray

CAUTION = (
    "These figures hold for the conditions the cracks were looked at in; any crack may be missed. "
    "Safety-relevant parts need qualified inspection under the applicable code."
)


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Declare the command."""
    parser = subparsers.add_parser(
        "detectability",
        help="probability of detection against crack length, a50, a90, a90/95",
        description="Probability of detection against crack length. " + CAUTION,
    )
    parser.add_argument(
        "cracks", type=Path, nargs="?", metavar="CRACKS.csv",
        help="true cracks: length_um and hit (0 or 1) or signal",
    )  # fmt: skip
    parser.add_argument(
        "--candidates", type=Path, metavar="CSV", help="candidates with a column true (0 or 1)"
    )
    parser.add_argument("--area-mm2", type=float, help="area searched for the candidates")
    parser.add_argument("--decision", type=float, help="signals above this are detections")
    parser.add_argument("--floor", type=float, help="least signal that is more than noise")
    parser.add_argument("--link", choices=("logit", "probit"), default="logit")
    parser.add_argument(
        "--scale", choices=("length", "log-length"), help="default: whichever is more likely"
    )
    parser.add_argument("--out", type=Path, default=Path("detectability"), help="folder to write")
    own = parser.add_argument_group("rendered set, instead of a table")
    own.add_argument("--render", type=int, metavar="VIEWS", help="number of views to render")
    own.add_argument("--um-per-px", type=float, help="pixel size")
    own.add_argument("--blur-um", type=float, help="standard deviation of the optical blur")
    own.add_argument("--noise", type=float, default=0.01, help="camera noise, share of full scale")
    own.add_argument("--contrast-to-noise", type=float, default=3.0)
    own.add_argument("--width-um", type=float, help="width of the cracks; default 2 pixels")
    own.add_argument("--min-length-um", type=float, help="as in the study; default 16 pixels")
    own.add_argument("--threshold", type=float, help="least score, as in the study")
    own.add_argument("--seed", type=int, default=1)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Fit, write and print; 0 done, 2 where the request is wrong."""
    from micromeasure.errors import MeasurementError, StudyError

    problem = _problem(args)
    if problem:
        print(problem, file=sys.stderr)
        return 2
    try:
        lines = _from_render(args) if args.render else _from_table(args)
    except MeasurementError as error:
        raise StudyError([str(error)]) from error
    print("\n".join([*lines, CAUTION]))
    return 0


def _from_table(args: argparse.Namespace) -> list[str]:
    import numpy as np

    from micromeasure.compare.detectability import FalseRate, detectability_from_hits
    from micromeasure.compare.signal_detectability import detectability_from_signals
    from micromeasure.errors import StudyError
    from micromeasure.tables.detectability import count_false, read_crack_table

    table = read_crack_table(args.cracks)
    false = None
    if args.candidates is not None:
        false = FalseRate(count=count_false(args.candidates), area_mm2=args.area_mm2)
    scale = args.scale and args.scale.replace("-", " ")
    length, hit = np.array(table.length_um), None if table.hit is None else np.array(table.hit)
    if hit is not None:
        found = detectability_from_hits(length, hit, link=args.link, scale=scale, false=false)
    elif args.decision is None or table.signal is None:
        message = f"{args.cracks.name}: holds signals; give the decision level with --decision."
        raise StudyError([message])
    else:
        found = detectability_from_signals(
            length, np.array(table.signal), decision=args.decision, floor=args.floor,
            is_log=scale != "length", false=false,
        )  # fmt: skip
    return _written(args.out, found, length, hit)


def _from_render(args: argparse.Namespace) -> list[str]:
    import numpy as np

    from micromeasure.compare.detectability import FalseRate, detectability_from_hits
    from micromeasure.quantities.crack_length import CrackSettings
    from micromeasure.reference.detectability_set import SetConditions, search_set
    from micromeasure.tables.detectability import CANDIDATE_COLUMNS, CRACK_COLUMNS, write_table

    pixel = args.um_per_px
    least = args.min_length_um or 16 * pixel
    settings = CrackSettings(min_length_um=least)
    if args.threshold is not None:
        settings = CrackSettings(min_length_um=least, threshold=args.threshold)
    wanted = SetConditions(
        um_per_px=(pixel, pixel), blur_um=args.blur_um, noise=args.noise,
        contrast_to_noise=args.contrast_to_noise, width_um=args.width_um or 2 * pixel,
        length_um=(12 * pixel, 250 * pixel),
    )  # fmt: skip
    views = list(search_set(wanted, settings, views=args.render, seed=args.seed))
    cracks = [row for view in views for row in view.cracks]
    candidates = [row for view in views for row in view.candidates]
    write_table(args.out / "cracks.csv", CRACK_COLUMNS, cracks)
    write_table(args.out / "candidates.csv", CANDIDATE_COLUMNS, candidates)
    length = np.array([row["length_um"] for row in cracks], dtype=float)
    hit = np.array([row["hit"] for row in cracks], dtype=float)
    found = detectability_from_hits(
        length, hit, link=args.link, scale=args.scale and args.scale.replace("-", " "),
        false=FalseRate(
            count=sum(row["true"] == 0 for row in candidates),
            area_mm2=sum(view.area_mm2 for view in views),
        ),
    )  # fmt: skip
    return _written(args.out, found, length, hit)


def _written(
    out: Path, found: "Detectability", length: "FloatArray", hit: "FloatArray | None"
) -> list[str]:
    """Write figures, curve and plot; return the figures as lines."""
    from micromeasure.compare.pod_plot import curve_rows, figure_rows, pod_svg
    from micromeasure.tables.detectability import (
        CURVE_COLUMNS,
        RESULT_COLUMNS,
        write_plot,
        write_table,
    )

    rows = figure_rows(found)
    write_table(out / "detectability.csv", RESULT_COLUMNS, rows)
    write_table(out / "pod.csv", CURVE_COLUMNS, curve_rows(found, length))
    write_plot(out / "pod.svg", pod_svg(found, length, hit))
    shown = [row for row in rows if isinstance(row["value"], (int, float))]
    lines = [f"{row['statistic']}: {row['value']:.4g} {row['unit']}" for row in shown]
    if found.a90_95_um is None:
        lines.append("a90/95: the data set no bound; add more cracks near a90.")
    return [*lines, f"written to {out}: detectability.csv, pod.csv, pod.svg"]


def _problem(args: argparse.Namespace) -> str:
    if (args.cracks is None) == (args.render is None):
        return "detectability: give either a table of cracks or --render VIEWS."
    if args.render is not None and (args.um_per_px is None or args.blur_um is None):
        return "detectability --render: give the pixel size --um-per-px and the blur --blur-um."
    numbers = (args.um_per_px, args.blur_um, args.noise, args.contrast_to_noise, args.width_um)
    if any(value is not None and value <= 0 for value in (*numbers, args.render, args.area_mm2)):
        return "detectability: sizes, noise, contrast, area and number of views must be above 0."
    if (args.candidates is None) != (args.area_mm2 is None) and args.render is None:
        return "detectability: --candidates and --area-mm2 belong together; give both or none."
    return ""
