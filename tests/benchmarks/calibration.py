"""How well the calibration keeps its promises: bias, scatter against the bound, coverage, speed.

    python tests/benchmarks/calibration.py rulings --pairs 500 --seed 7
    python tests/benchmarks/calibration.py ideal --images 200
    python tests/benchmarks/calibration.py grids --images 200
    python tests/benchmarks/calibration.py speed

Its images of rulings are made in closed form (stripes through a Gaussian and the pixel's
area, analytically), which is not how the package's own renderer makes them; `--renderer own`
takes that one.
"""

import argparse
import math
import os
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import numpy as np

from micromeasure.calibration.artefact import measure_artefact
from micromeasure.calibration.grid import measure_grid
from micromeasure.calibration.rulings import RuledImage
from micromeasure.calibration.scale import Artefact, solve_scale
from micromeasure.errors import CalibrationError
from micromeasure.estimate import coverage_factor
from micromeasure.reference.micrometer import Grid, Rulings, View, pattern_share, render
from micromeasure.reference.render import blurred_half_plane

cv2.setNumThreads(1)


@dataclass(kw_only=True)
class Case:
    """One ruled image: geometry, optics, light, faults."""

    size_px: tuple
    um_per_px: tuple
    rotation_deg: float
    pitch_um: float
    width_um: float
    blur_px: float
    halo: float
    cnr: float
    contrast: float
    light: tuple
    bright: bool
    lengths_px: tuple
    foot_px: float
    missing: frozenset
    errors_um: dict
    offset: float
    dust: int
    numerals: bool
    n_lines: int

    def __str__(self):
        told = {f: getattr(self, f) for f in self.__dataclass_fields__ if f != "errors_um"}
        return f"{told} errors {bool(self.errors_um)}"


def gradient(case):
    c, s = math.cos(math.radians(case.rotation_deg)), math.sin(math.radians(case.rotation_deg))
    return np.array([c * case.um_per_px[0], s * case.um_per_px[1]]) / case.pitch_um


def number_at(case, x, y):
    """True number (a real one) of the point of the artefact seen at a pixel."""
    a, b = gradient(case)
    cx, cy = (case.size_px[0] - 1) / 2, (case.size_px[1] - 1) / 2
    return a * (x - cx) + b * (y - cy) + case.offset


def closed_form(case):
    """Share of each pixel covered by lines, after the optics."""
    width, height = case.size_px
    x, y = np.arange(width)[None, :].astype(float), np.arange(height)[:, None].astype(float)
    a, b = gradient(case)
    norm = math.hypot(a, b)
    normal = (a / norm, b / norm)
    number = number_at(case, x, y)
    along = -normal[1] * (x - (width - 1) / 2) + normal[0] * (y - (height - 1) / 2)
    nearest = np.rint(number).astype(int)
    # The line's width in pixels along the normal: that of the pitch in proportion.
    half = case.width_um / case.pitch_um / norm / 2
    shift = np.zeros(4000)
    for k, e in case.errors_um.items():
        shift[k + 2000] = e / case.pitch_um
    there = np.ones(4000)
    for k in case.missing:
        there[k + 2000] = 0.0
    # The stripe's profile is the same for all lines: worked out once, finely, then looked up.
    reach = half + 14 * case.blur_px + 2
    table_at = np.linspace(-reach, reach, round(2 * reach * 400) + 1)
    profile = sum(
        weight
        * (
            blurred_half_plane(table_at + half, normal, sigma)
            - blurred_half_plane(table_at - half, normal, sigma)
        )
        for sigma, weight in ((case.blur_px, 1 - case.halo), (2.5 * case.blur_px, case.halo))
    )
    share = np.zeros((height, width))
    for side in (-1, 0, 1):
        k = nearest + side
        distance = (number - k - shift[k + 2000]) / norm
        stripe = np.interp(distance, table_at, profile)
        length = np.where(
            k % 10 == 0,
            case.lengths_px[2],
            np.where(k % 5 == 0, case.lengths_px[1], case.lengths_px[0]),
        )
        ends = _soft(along - case.foot_px, case.blur_px) * _soft(
            case.foot_px + length - along, case.blur_px
        )
        share += stripe * ends * there[k + 2000]
    if case.numerals:
        share = np.maximum(share, _numerals(case))
    return share


def _soft(t, sigma):
    from scipy.special import ndtr

    at = np.linspace(-6, 6, 2401)
    return np.interp(t / sigma, at, ndtr(at))


def _numerals(case):
    """Figures beside every tenth line, drawn with a stroke font."""
    width, height = case.size_px
    a, b = gradient(case)
    norm = math.hypot(a, b)
    picture = np.zeros((height, width), dtype=np.uint8)
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    beyond = case.foot_px + case.lengths_px[2] + 12
    for k in range(-2000, 2000, 10):
        where = centre + np.array([a, b]) / norm**2 * (k - case.offset)
        where = where + np.array([-b, a]) / norm * beyond
        if (where > -40).all() and (where < np.array([width, height]) + 40).all():
            scale = min(1.2, 0.03 / norm)
            cv2.putText(
                picture,
                str(abs(k) // 10),
                tuple(int(v) for v in where),
                cv2.FONT_HERSHEY_SIMPLEX,
                scale,
                255,
                2,
                cv2.LINE_AA,
            )
    return cv2.GaussianBlur(picture.astype(np.float64) / 255, (0, 0), case.blur_px)


def photograph(case, share, rng):
    height, width = share.shape
    y, x = np.mgrid[-1 : 1 : height * 1j, -1 : 1 : width * 1j]
    fall, slope_x, slope_y, level = case.light
    light = level * (1 - fall * (x * x + y * y) / 2) * (1 + slope_x * x + slope_y * y)
    clear = share if case.bright else 1 - share
    signal = light * (1 - case.contrast + case.contrast * clear)
    for _ in range(case.dust):
        r = rng.uniform(3, 0.04 * min(width, height))
        cx, cy = rng.uniform(0, width), rng.uniform(0, height)
        d = np.hypot((x + 1) / 2 * width - cx, (y + 1) / 2 * height - cy)
        signal = signal * (1 - rng.uniform(0.3, 0.9) * (d < r))
    sd = level * case.contrast / case.cnr
    shot = np.sqrt(np.clip(signal, 0.02, None) / level)
    signal = signal + sd * shot * rng.standard_normal(signal.shape)
    return np.clip(np.rint(signal * 4095), 0, 4095).astype(np.uint16)


def draw_case(rng, *, around_deg, hard):
    while True:
        size = (int(rng.integers(700, 1300)), int(rng.integers(500, 1000)))
        sx = math.exp(rng.uniform(math.log(0.05), math.log(2)))
        scale = (sx, sx * (1 + rng.uniform(-0.02, 0.02)))
        count = math.exp(rng.uniform(math.log(9), math.log(200)))
        pitch_px = size[0] / count
        if pitch_px >= 5 and size[1] / pitch_px >= 9:
            break
    pitch_um = pitch_px * sx
    blur = min(rng.uniform(0.6, 2.5), 0.22 * pitch_px)
    across = size[1] if around_deg == 0 else size[0]
    ticks = rng.random() < 0.6
    lengths = np.array([1.0, 1.3, 1.6]) * rng.uniform(0.25, 0.5) * across if ticks else [9e3] * 3
    foot = rng.uniform(-0.4, 0.0) * across if ticks else -4.5e3
    n = int(count) + 40
    errors = {}
    if hard and rng.random() < 0.4:
        sd = rng.uniform(0.0005, 0.005) * pitch_um
        errors = {k: rng.normal(0, sd) for k in range(-n, n)}
    missing = frozenset(int(k) for k in rng.integers(-n // 2, n // 2, rng.integers(0, 4)))
    return Case(
        size_px=size,
        um_per_px=scale,
        pitch_um=pitch_um,
        rotation_deg=around_deg + rng.uniform(-8, 8),
        width_um=rng.uniform(0.12, 0.4) * pitch_um,
        blur_px=blur,
        halo=float(hard and rng.random() < 0.4) * rng.uniform(0.05, 0.25),
        cnr=math.exp(rng.uniform(math.log(3), math.log(30))),
        contrast=rng.uniform(0.3, 0.85),
        light=(
            rng.uniform(0, 0.5) * hard,
            rng.uniform(-0.1, 0.1) * hard,
            rng.uniform(-0.1, 0.1) * hard,
            rng.uniform(0.45, 0.65),
        ),
        bright=bool(rng.random() < 0.4),
        lengths_px=tuple(lengths),
        foot_px=foot,
        missing=missing if hard else frozenset(),
        errors_um=errors,
        offset=rng.uniform(0, 1) + int(rng.integers(0, 10)),
        dust=int(rng.integers(0, 7)) if hard else 0,
        numerals=bool(hard and ticks and rng.random() < 0.5),
        n_lines=int(count),
    )


def as_first(case, first):
    """Make a second image one of the same artefact through the same objective."""
    case.size_px, case.um_per_px = first.size_px, first.um_per_px
    ratio = first.pitch_um / case.pitch_um
    case.errors_um = {k: e * ratio for k, e in case.errors_um.items()}
    case.pitch_um, case.width_um = first.pitch_um, first.width_um
    case.blur_px, case.halo, case.bright = first.blur_px, first.halo, first.bright
    across = case.size_px[0]
    if case.lengths_px[0] < 9e3:
        ratio = across * 0.4 / case.lengths_px[0]
        case.lengths_px = tuple(length * ratio for length in case.lengths_px)
        case.foot_px = -0.3 * across


def own_renderer(case, rng):
    """The same case through the package's renderer."""
    x_px = 1.0 / np.hypot(*gradient(case)) / case.pitch_um  # px per um, along the normal
    rulings = Rulings(
        pitch_um=case.pitch_um,
        width_um=case.width_um,
        first=-400,
        last=400,
        lengths_um=tuple(length / x_px for length in case.lengths_px),
        missing=case.missing,
        errors_um=case.errors_um,
    )
    view = View(
        size_px=case.size_px,
        um_per_px=case.um_per_px,
        rotation_deg=case.rotation_deg,
        centre_um=(case.offset * case.pitch_um, -case.foot_px / x_px),
        blur_um=case.blur_px * case.um_per_px[0],
    )
    return pattern_share(rulings, view).astype(np.float64)


def bound(case, share, axis):
    """Cramér–Rao bound of the spacing of lines along an axis, relative, for white noise."""
    gx = np.gradient(share, axis=1 - axis) * case.contrast
    light = case.light[3]
    height, width = share.shape
    y, x = np.mgrid[0:height, 0:width].astype(float)
    number = np.rint(number_at(case, x, y))
    other = (y if axis == 0 else x) - ((height if axis == 0 else width) - 1) / 2
    regressors = np.stack([gx.ravel(), (gx * number).ravel(), (gx * other).ravel()])
    clear = share if case.bright else 1 - share
    variance = (case.contrast / case.cnr) ** 2 * np.clip(
        (1 - case.contrast + case.contrast * clear), 0.02 / light, None
    )
    information = (regressors / variance.ravel()) @ regressors.T
    return math.sqrt(np.linalg.inv(information)[1, 1]) * abs(gradient(case)[axis])


def wrong_number(case, image):
    middle = image.ends_px.mean(axis=1)
    true = number_at(case, middle[:, 0], middle[:, 1])
    sign = np.sign(np.dot(true - true.mean(), image.numbers - image.numbers.mean()))
    off = true - sign * image.numbers
    # Where line and gap are alike, the gaps may be what was numbered: a constant half.
    return bool((np.abs(off - np.median(off)) > 0.3).any())


def rulings(args):
    reasons, rows, wrong = Counter(), [], 0
    for trial in range(args.first, args.first + args.pairs):
        rng = np.random.default_rng([args.seed, trial])
        images, cases, names = [], [], []
        for around in (0, 90):
            case = draw_case(rng, around_deg=around, hard=True)
            if cases:
                as_first(case, cases[0])
            share = own_renderer(case, rng) if args.renderer == "own" else closed_form(case)
            grey = photograph(case, share, rng)
            try:
                image = measure_artefact(grey, full_scale=4095, name=f"{trial}-{around}")
            except CalibrationError as error:
                reasons[_short(error)] += 1
                if args.verbose:
                    print(trial, around, error.problems, str(case))
                continue
            if not isinstance(image, RuledImage):
                reasons["taken for a grid"] += 1
                continue
            if wrong_number(case, image):
                wrong += 1
                print("WRONG NUMBERS", trial, around, str(case))
            images.append(image)
            cases.append(case)
            names.append(str(around))
        if len(images) < 2:
            continue
        try:
            scale = solve_scale(images, names, Artefact(pitch_um=cases[0].pitch_um, u_pitch_um=0.0))
        except CalibrationError as error:
            reasons[_short(error)] += 2
            continue
        for axis in (0, 1):
            estimate = scale.um_per_px[axis]
            true = cases[0].um_per_px[axis]
            u = estimate.standard_uncertainty
            image, case = images[axis], cases[axis]
            extent = np.ptp(image.ends_px.mean(axis=1)[:, axis]) / case.size_px[axis]
            rows.append(
                (
                    estimate.value / true - 1,
                    u / true,
                    coverage_factor(estimate.dof),
                    len(image.numbers),
                    extent,
                    case.cnr,
                    bool(case.errors_um),
                    case.bright,
                    trial,
                    axis,
                )
            )
            z = rows[-1][0] / rows[-1][1]
            if args.verbose and abs(z) > 4:
                print(f"z {z:.1f}", trial, axis, str(case))
    r = np.array(rows)
    print(f"{args.pairs} pairs of images, renderer {args.renderer}, seed {args.seed}")
    print(f"not calibrated: {sum(reasons.values())} images of {2 * args.pairs}: {dict(reasons)}")
    print(f"wrong numbering: {wrong}")
    _report("all", r)
    good = (r[:, 3] >= 50) & (r[:, 4] >= 0.8)
    _report(">= 50 lines over >= 80 %", r[good])
    _report("CNR < 6", r[r[:, 5] < 6])
    _report("no ruling errors", r[r[:, 6] == 0])
    _report("ruling errors", r[r[:, 6] == 1])
    _report("< 20 lines", r[r[:, 3] < 20])
    _report("bright", r[r[:, 7] == 1])
    _report("dark", r[r[:, 7] == 0])


def _report(label, r):
    if len(r) == 0:
        return
    e, u, k = r[:, 0], r[:, 1], r[:, 2]
    print(
        f"{label:<26} n {len(r):5d}  bias {1e6 * e.mean():7.2f}  sd {1e6 * e.std():7.1f}  p95 "
        f"{1e6 * np.percentile(np.abs(e), 95):7.1f} ppm  coverage {np.mean(np.abs(e) <= k * u):.3f}"
        f" (k=2: {np.mean(np.abs(e) <= 2 * u):.3f})  worst z {np.max(np.abs(e / u)):.1f}"
    )


def _short(error):
    text = str(error)
    for key in (
        "no ruling",
        "two rulings",
        "do not make",
        "blurred",
        "stand in pairs",
        "fainter",
        "broken",
        "saturated",
        "no regular grid",
    ):
        if key in text:
            return key
    return text[:60]


def ideal(args):
    scatter = []
    for trial in range(args.first, args.first + args.images):
        rng = np.random.default_rng([args.seed, trial])
        case = draw_case(rng, around_deg=0, hard=False)
        case.lengths_px, case.foot_px = (9e3,) * 3, -4.5e3
        share = closed_form(case)
        grey = photograph(case, share, rng)
        image = measure_artefact(grey, full_scale=4095, name="ideal")
        error = image.gradient_per_px[0] / gradient(case)[0] - 1
        crb = bound(case, share, 0)
        u = math.sqrt(image.covariance[0, 0]) / abs(image.gradient_per_px[0])
        scatter.append((error / crb, u / crb, error / u, case.blur_px, case.cnr))
    s = np.array(scatter)
    print(
        f"{args.images} ideal images, seed {args.seed}: rms error / bound "
        f"{np.sqrt(np.mean(s[:, 0] ** 2)):.3f}, stated u / bound median "
        f"{np.median(s[:, 1]):.3f}, 95th {np.percentile(s[:, 1], 95):.3f}, "
        f"rms error / u {np.sqrt(np.mean(s[:, 2] ** 2)):.3f}"
    )


def grids(args):
    rows, reasons = [], Counter()
    for trial in range(args.first, args.first + args.images):
        rng = np.random.default_rng([args.seed, trial])
        kind = ("dots", "squares", "crossed lines")[trial % 3]
        size = (int(rng.integers(800, 1300)), int(rng.integers(600, 1000)))
        s = math.exp(rng.uniform(math.log(0.05), math.log(2)))
        pitch_px = math.exp(rng.uniform(math.log(18), math.log(90)))
        view = View(
            size_px=size,
            um_per_px=(s, s * (1 + rng.uniform(-0.02, 0.02))),
            rotation_deg=rng.uniform(-20, 20),
            centre_um=tuple(rng.uniform(0, 9 * s, 2)),
            blur_um=rng.uniform(0.7, 2.0) * s,
            contrast=rng.uniform(0.4, 0.8),
            light=(0.6, rng.uniform(0, 0.4), rng.uniform(-0.08, 0.08), rng.uniform(-0.08, 0.08)),
            noise=0.0,
            bits=12,
            k1_per_px2=rng.choice([0.0, 1.0]) * rng.uniform(-1, 1) * 1e-8,
        )
        cnr = math.exp(rng.uniform(math.log(4), math.log(30)))
        view = View(
            **{f: getattr(view, f) for f in view.__slots__} | {"noise": 0.6 * view.contrast / cnr}
        )
        share = {"dots": 0.5, "squares": 0.5, "crossed lines": 0.2}[kind]
        grid = Grid(kind=kind, pitch_um=pitch_px * s, size_um=share * pitch_px * s)
        grey = render(grid, view, rng, dust=int(rng.integers(0, 4)), bright=rng.random() < 0.3)
        try:
            image = measure_grid(grey, str(trial))
        except CalibrationError as error:
            reasons[f"{kind}: {_short(error)}"] += 1
            if args.verbose:
                print(trial, kind, pitch_px, cnr, view)
            continue
        scale = solve_scale([image], ["g"], Artefact(pitch_um=grid.pitch_um, u_pitch_um=0.0))
        for axis in (0, 1):
            e = scale.um_per_px[axis]
            u = e.standard_uncertainty / e.value
            error = e.value / view.um_per_px[axis] - 1
            rows.append(
                (
                    error,
                    u,
                    coverage_factor(e.dof),
                    len(image.numbers),
                    1.0,
                    cnr,
                    trial % 3,
                    view.k1_per_px2 != 0,
                )
            )
            if args.verbose and abs(error / u) > 4:
                print(
                    f"z {error / u:.1f}",
                    trial,
                    kind,
                    pitch_px,
                    cnr,
                    image.is_distorted,
                    image.k1_per_px2,
                    view,
                )
    r = np.array(rows)
    print(f"{args.images} grids, seed {args.seed}; not calibrated: {dict(reasons)}")
    for label, part in (
        ("all", slice(None)),
        ("dots", r[:, 6] == 0),
        ("squares", r[:, 6] == 1),
        ("crossed lines", r[:, 6] == 2),
        ("distorted", r[:, 7] == 1),
    ):
        _report(label, r[part])


def speed(args):
    import tifffile

    from micromeasure.calibration.file import SCHEMA, Calibration
    from micromeasure.micrograph.reading import read_micrograph

    unscaled = Calibration(schema=SCHEMA, id="", um_per_px=(1.0, 1.0))
    ticks = Rulings(pitch_um=10, width_um=2, last=200, lengths_um=(500, 600, 700))
    fine = Rulings(pitch_um=10, width_um=3, last=900, lengths_um=(3500, 4200, 4900))
    whole = Rulings(pitch_um=10, width_um=2, first=-300, last=400, lengths_um=(5000,) * 3)
    grids = {kind: Grid(kind=kind, pitch_um=20, size_um=size)
             for kind, size in (("dots", 10), ("squares", 10), ("crossed lines", 4))}  # fmt: skip
    cases = (
        ("rulings, 29 px apart", ticks, 0.345, 2.0, 0.02),
        ("the same, noisy", ticks, 0.345, 2.0, 0.1),
        ("rulings, 5 px apart", fine, 2.0, 2.0, 0.02),
        ("rulings, turned by 30°", whole, 0.345, 30.0, 0.02),
        ("rulings, turned by 88°", whole, 0.345, 88.0, 0.02),
        *((f"{kind}, 58 px apart", grid, 0.345, 2.0, 0.02) for kind, grid in grids.items()),
    )
    print("4000 x 3000 px, deflate TIFF with predictor, time of the processor, median of 5")
    with TemporaryDirectory() as folder:
        path = Path(folder) / "large.tif"
        for label, artefact, scale, turn_deg, noise in cases:
            for bits in (8, 12):
                rng = np.random.default_rng(args.seed)
                view = View(
                    size_px=(4000, 3000),
                    um_per_px=(scale, scale * 1.001),
                    rotation_deg=turn_deg,
                    blur_um=scale * 1.2,
                    noise=noise,
                    bits=bits,
                    centre_um=(2000 * scale, 700 * scale),
                    light=(0.7, 0.2, 0, 0),
                )
                tifffile.imwrite(
                    path, render(artefact, view, rng), compression="zlib", predictor=True
                )
                reading, measuring = [], []
                for _ in range(5):
                    start = time.process_time()
                    micrograph = read_micrograph(path, calibration=unscaled)
                    reading.append(time.process_time() - start)
                    start = time.process_time()
                    measure_artefact(micrograph.pixels, full_scale=2**bits - 1, name="large")
                    measuring.append(time.process_time() - start)
                read, measured = np.median(reading), np.median(measuring)
                print(
                    f"{label:<26} {bits:2d} bits: reading and decoding {1e3 * read:4.0f} ms, "
                    f"measuring {1e3 * measured:4.0f} ms, all / reading {1 + measured / read:.1f}",
                    flush=True,
                )


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("rulings", "ideal", "grids", "speed"))
    parser.add_argument("--pairs", type=int, default=200)
    parser.add_argument("--images", type=int, default=150)
    parser.add_argument("--first", type=int, default=0, help="number of the first trial")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--renderer", choices=("closed form", "own"), default="closed form")
    parser.add_argument("--verbose", action="store_true")
    args = parser.parse_args()
    {"rulings": rulings, "ideal": ideal, "grids": grids, "speed": speed}[args.what](args)


if __name__ == "__main__":
    main()
