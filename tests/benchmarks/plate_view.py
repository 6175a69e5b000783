"""A renderer of views for verification alone: never used to fit or to choose anything.

It shares nothing with the others. The ground is either ten thousand single strokes of a tool, or a
folder of photographs of surfaces without cracks (`--photographs`), over the whole of which cracks
several pixels wide run. Cracks are bridged Brownian walks with jitter; their darkness is a flat
bottomed bell of the exact distance from that line, so that edges are soft before the optics
blur them.
"""

from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np


def strokes_ground(rng, size, c):
    """Return a surface worked stroke by stroke."""
    cols, rows = size
    canvas = np.full((rows, cols), 128, np.uint8)
    n = int(rng.choice([2500, 7000, 14000]))
    spread = rng.choice([2.0, 8.0, 90.0])
    reach = float(np.exp(rng.uniform(np.log(6), np.log(160))))
    x, y = rng.uniform(-50, cols + 50, n), rng.uniform(-50, rows + 50, n)
    a = np.deg2rad(c.lay_deg + rng.normal(0, spread, n))
    half = 0.5 * reach * rng.exponential(1.0, n)
    grey = rng.normal(128, 35, n).clip(10, 245).astype(int)
    ends = np.stack((x - half * np.cos(a), y - half * np.sin(a)), 1)
    other = np.stack((x + half * np.cos(a), y + half * np.sin(a)), 1)
    at, to = np.round(ends * 16).astype(int), np.round(other * 16).astype(int)
    for k in range(n):
        cv2.line(canvas, at[k].tolist(), to[k].tolist(), int(grey[k]), 1, cv2.LINE_AA, 4)
    ground = (canvas.astype(np.float32) - 128) / 128
    ground = cv2.GaussianBlur(ground, (0, 0), rng.uniform(0.4, 1.2))
    return 1 + c.rough * ground / max(ground.std(), 1e-3)


def photograph_ground(rng, size, folder):
    """Return a piece of a photograph, mirrored where it is too small."""
    names = sorted(p for p in Path(folder).iterdir() if p.suffix in (".png", ".jpg"))
    picture = cv2.imread(str(names[int(rng.integers(len(names)))]), cv2.IMREAD_GRAYSCALE)
    picture = picture.astype(np.float32)
    zoom = rng.uniform(0.7, 1.5)
    picture = cv2.resize(picture, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_AREA)
    right, below = max(0, size[0] - picture.shape[1]), max(0, size[1] - picture.shape[0])
    while right or below:
        r, b = min(right, picture.shape[1] - 1), min(below, picture.shape[0] - 1)
        picture = cv2.copyMakeBorder(picture, 0, b, 0, r, cv2.BORDER_REFLECT_101)
        right, below = right - r, below - b
    i = int(rng.integers(picture.shape[0] - size[1] + 1))
    j = int(rng.integers(picture.shape[1] - size[0] + 1))
    picture = picture[i : i + size[1], j : j + size[0]]
    return picture / max(float(np.median(picture)), 1.0)


def bezier(rng, start, heading, length, bend):
    """Return a cubic curve."""
    way = np.array((np.cos(heading), np.sin(heading)))
    side = np.array((-way[1], way[0]))
    b = rng.normal(0, bend, 2) * length
    knots = [start, start + way * length / 3 + side * b[0],
             start + way * length * 2 / 3 + side * b[1], start + way * length]  # fmt: skip
    t = np.linspace(0, 1, max(8, int(length / 6)))[:, None]
    weights = [(1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t**2 * (1 - t), t**3]
    return sum(w * k for w, k in zip(weights, knots, strict=True))


def ink(shape, line, thickness):
    layer = np.zeros((shape[0] * 2, shape[1] * 2), np.uint8)
    at = np.round((line * 2 + 0.5) * 16).astype(np.int32)
    cv2.polylines(layer, [at], False, 255, max(1, round(2 * thickness)), cv2.LINE_AA, 4)
    return cv2.resize(layer, shape[::-1], interpolation=cv2.INTER_AREA).astype(np.float32) / 255


def nuisances(rng, ground, c):
    shape = ground.shape
    for _ in range(rng.poisson(c.scratches)):
        heading = np.deg2rad(c.lay_deg) if rng.random() < 0.5 else rng.uniform(0, np.pi)
        length = float(np.exp(rng.uniform(np.log(40), np.log(1400))))
        line = bezier(rng, rng.uniform((-200, -200), (shape[1], shape[0])), heading, length, 0.015)
        thick, deep = rng.uniform(0.5, 2.5), c.marks * rng.uniform(0.3, 1.2)
        if rng.random() < 0.5:
            normal = np.array((-np.sin(heading), np.cos(heading))) * (thick + 0.5)
            ground *= 1 + rng.uniform(0.2, 1) * deep * ink(shape, line + normal, thick)
        pieces = [line]
        if rng.random() < 0.25:
            pieces = [p for p in np.array_split(line, 6) if len(p) > 2][::2]
        for piece in pieces:
            ground *= 1 - min(deep, 0.8) * ink(shape, piece, thick)
    for _ in range(rng.poisson(c.fluff)):
        start = rng.uniform((0, 0), shape[::-1])
        line = bezier(rng, start, rng.uniform(0, 2 * np.pi), rng.uniform(50, 250), 0.5)
        ground *= 1 - min(c.marks, 0.7) * ink(shape, line, rng.uniform(1, 3))
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    for _ in range(rng.poisson(c.stains)):
        field = sum(
            rng.normal() * np.cos((x * np.cos(a) + y * np.sin(a)) * rng.uniform(0.005, 0.06) + p)
            for a, p in rng.uniform(0, 6.3, (8, 2))
        )
        inside = (field > rng.uniform(1.5, 4)).astype(np.float32)
        soft = cv2.GaussianBlur(inside, (0, 0), rng.uniform(0.8, 4))
        rim = soft - cv2.GaussianBlur(soft, (0, 0), 4)
        ground *= 1 - c.marks * (rng.uniform(-0.2, 0.5) * soft + rng.uniform(0, 1) * np.abs(rim))
    for _ in range(rng.poisson(c.holes)):
        cx, cy = rng.uniform((0, 0), shape[::-1])
        r = rng.uniform(1, 5)
        box = np.s_[max(0, int(cy) - 15) : int(cy) + 16, max(0, int(cx) - 15) : int(cx) + 16]
        d = np.hypot((x[box] - cx) * rng.uniform(0.6, 1.5), y[box] - cy)
        ground[box] *= 1 - 0.6 / (1 + np.exp(np.clip((d - r) * 2, -30, 30)))


def bridge(rng, length, wide):
    """Return a Brownian bridge with jitter, of a given length."""
    n = max(3, int(length / rng.uniform(2.5, 6)))
    walk = np.cumsum(rng.normal(0, 1, n + 1))
    walk -= walk[0] + (walk[-1] - walk[0]) * np.linspace(0, 1, n + 1)
    across = wide * walk * length / n + rng.normal(0, 0.25, n + 1) * length / n
    along = np.linspace(0, length, n + 1) + rng.normal(0, 0.15, n + 1) * length / n
    path = np.column_stack((along, across))
    return path * length / np.hypot(*np.diff(path, axis=0).T).sum()


def segment_distance(points, line):
    """Return the distance of points from a polyline and the place along it, exactly."""
    best, place = np.full(len(points), np.inf), np.zeros(len(points))
    for k, (a, b) in enumerate(pairwise(line)):
        near = np.all(
            (points > np.minimum(a, b) - 16) & (points < np.maximum(a, b) + 16), axis=1
        ).nonzero()[0]
        step = b - a
        t = np.clip((points[near] - a) @ step / max(step @ step, 1e-9), 0, 1)
        d = np.hypot(*(points[near] - a - t[:, None] * step).T)
        better = d < best[near]
        best[near[better]], place[near[better]] = d[better], k + t[better]
    return best, place


def slit(rng, shape, line, width):
    """Return where a crack's box lies and its darkness there, 0 to 1."""
    low = np.maximum(np.floor(line.min(axis=0)).astype(int) - 16, 0)
    high = np.minimum(np.ceil(line.max(axis=0)).astype(int) + 17, shape[::-1])
    y, x = np.mgrid[low[1] : high[1], low[0] : high[0]]
    d, place = segment_distance(np.column_stack((x.ravel(), y.ravel())).astype(float), line)
    waver = np.exp(rng.normal(0, rng.uniform(0.05, 0.3), len(line)))
    half = 0.5 * width * np.interp(place, np.arange(len(line)), waver)
    dark = np.exp(-np.log(2) * np.minimum(d / np.maximum(half, 0.3), 6) ** 4)
    return (slice(low[1], high[1]), slice(low[0], high[0])), dark.reshape(x.shape)


def turned(points, angle):
    return points @ np.array(((np.cos(angle), np.sin(angle)), (-np.sin(angle), np.cos(angle))))


def course(rng, c, fold, others):
    mx, my, f = fold
    size = np.array(c.size_px)
    for _ in range(30):
        length = np.exp(rng.uniform(np.log(15), np.log(300)))
        if c.photographs:
            length = rng.uniform(200, 900)
        path = bridge(rng, length, rng.uniform(0.1, 0.5))
        angle = f + rng.normal(0, 0.4) if rng.random() < 0.5 else rng.uniform(0, np.pi)
        t, v = rng.uniform(-0.4, 0.4) * size.max(), rng.uniform(-0.8, 0.8) * c.band_px
        middle = np.array((mx + t * np.cos(f) - v * np.sin(f), my + t * np.sin(f) + v * np.cos(f)))
        path = turned(path - path.mean(axis=0), angle) + middle
        off = np.abs(-(path[:, 0] - mx) * np.sin(f) + (path[:, 1] - my) * np.cos(f))
        if c.photographs:
            good = ((path > 1) & (path < size - 2)).all(axis=1) & (off < c.band_px - 1)
            path = path[good] if good.sum() > 0.6 * len(good) else path[:0]
            if len(path) < 8 or np.hypot(*np.diff(path, axis=0).T).max() > 25:
                continue
        elif path.min() < 12 or (path > size - 13).any() or off.max() > c.band_px - 4:
            continue
        apart = [np.hypot(*(path[:, None] - o.centreline_px).T).min() for o in others]
        if not apart or min(apart) > 40:
            return path, angle
    return None


def draw_cracks(rng, c, fold, clean, spread):
    shape = clean.shape
    dark, truth = np.zeros(shape), []
    for _ in range(rng.choice([1, 1, 2]) if c.photographs else rng.choice([0, 1, 1, 2, 3])):
        made = course(rng, c, fold, truth)
        if made is None:
            continue
        path, angle = made
        length = np.hypot(*np.diff(path, axis=0).T).sum()
        twigs = []
        for _ in range(int(rng.choice([0, 0, 1, 2])) if length > 80 else 0):
            twig = bridge(rng, length * rng.uniform(0.1, 0.3), 0.3)
            turn = angle + rng.choice([-1, 1]) * rng.uniform(0.5, 1.2)
            twig = turned(twig - twig[0], turn) + path[int(rng.integers(1, len(path) - 1))]
            if (twig > 2).all() and (twig < np.array(c.size_px) - 3).all():
                twigs.append(twig)
        width = rng.uniform(2, 9) if c.photographs else 1.5 + rng.exponential(1.0)
        j, i = np.round(path[len(path) // 2]).astype(int)
        level, local = float(clean[i, j]), float(spread[i, j])
        depth = min(np.exp(rng.uniform(*np.log(c.cnr))) * local / level, 0.9)
        for line in (path, *twigs):
            box, share = slit(rng, shape, line, width)
            dark[box] = np.maximum(dark[box], depth * share)
        truth.append(
            SimpleNamespace(
                centreline_px=path, branches_px=tuple(twigs), width_px=width,
                cnr=depth * level / local, broken=False,
                length_um=lambda um, p=path, w=width: float(
                    np.hypot(*(np.diff(p, axis=0) * np.asarray(um)).T).sum() + w * um[0]
                ),
            )
        )  # fmt: skip
    return dark, truth


def conditions(rng, size, cnr, photographs):
    return SimpleNamespace(
        size_px=size, cnr=cnr, photographs=photographs, bits=8 if photographs else int(
            rng.choice([8, 12])), lay_deg=rng.uniform(0, 180),
        rough=float(np.exp(rng.uniform(np.log(0.008), np.log(0.08)))),
        scratches=0 if photographs else rng.choice([0, 2, 6]), marks=rng.uniform(0.04, 0.4),
        fluff=0.0 if photographs else 0.3, stains=0.0 if photographs else 0.5,
        holes=0 if photographs else rng.choice([0, 4]), level=rng.uniform(0.25, 0.6),
        fold_rad=rng.choice([0, np.pi / 2]) + rng.normal(0, 0.12), blur=rng.uniform(0.6, 1.4),
        noise=float(np.exp(rng.uniform(np.log(0.003), np.log(0.02)))),
        band_px=(0.49 if photographs else rng.uniform(0.3, 0.42)) * min(size),
    )  # fmt: skip


def render_plate_view(rng, *, cnr=(3.0, 8.0), size=(900, 600), photographs=None):
    """Return pixels, fold_px, cracks and conditions of one view."""
    c = conditions(rng, size, cnr, photographs)
    f = c.fold_rad
    mx, my = size[0] / 2 + rng.normal(0, 10), size[1] / 2 + rng.normal(0, 10)
    if photographs:
        ground = photograph_ground(rng, size, photographs)
        f, mx, my = 0.0, size[0] / 2, size[1] / 2
    else:
        ground = strokes_ground(rng, size, c)
    nuisances(rng, ground, c)
    y, x = np.mgrid[: size[1], : size[0]]
    across = -(x - mx) * np.sin(f) + (y - my) * np.cos(f)
    along = (x - mx) * np.cos(f) + (y - my) * np.sin(f)
    # Curvature of the bend turns the mirror image of a lamp into a band; the valley is darker.
    tilt = across / c.band_px
    lamp = rng.uniform(0, 0.7) / (1 + ((tilt - rng.normal(0, 0.3)) / rng.uniform(0.1, 0.5)) ** 2)
    valley = rng.choice([0, 0.08, 0.3]) / np.cosh(across / np.exp(rng.uniform(0.5, 3)))
    scene = c.level * (1 + (not photographs) * (lamp - valley)) * (1 + 0.1 * along / size[0])
    scene = np.clip(ground * scene, 0.01, 1.5).astype(np.float32)
    clean = cv2.GaussianBlur(scene, (0, 0), c.blur)
    local = clean - cv2.GaussianBlur(clean, (0, 0), 6)
    spread = np.sqrt(cv2.GaussianBlur(local**2, (0, 0), 25) + c.noise**2)
    dark, truth = draw_cracks(rng, c, (mx, my, f), clean, spread)
    image = cv2.GaussianBlur((scene * (1 - dark)).astype(np.float32), (0, 0), c.blur)
    image = image + rng.standard_normal(image.shape) * c.noise * np.sqrt(image / c.level)
    top = (1 << c.bits) - 1
    pixels = np.clip(np.round(image * top), 0, top).astype(np.uint8 if c.bits == 8 else np.uint16)
    reach = 3000 * np.array((np.cos(f), np.sin(f)))
    a, b = np.array((mx, my)) - reach, np.array((mx, my)) + reach
    _, a, b = cv2.clipLine((0, 0, *size), (int(a[0]), int(a[1])), (int(b[0]), int(b[1])))
    return SimpleNamespace(
        pixels=pixels, fold_px=(float(a[0]), float(a[1]), float(b[0]), float(b[1])),
        cracks=tuple(truth), conditions=c,
    )  # fmt: skip
