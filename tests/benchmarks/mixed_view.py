"""A third renderer of views for the score card: many surfaces, sharing nothing with the others.

Five kinds of scene, drawn at random: worked metal (brushed, turned, blasted), a ground of single
scratches, granular photograph-like ground (mortar, concrete, asphalt), natural textures of
scikit-image, and nearly even ground. On them whatever else is dark and thin: scratches with lips,
that break off or bend, fibres, grain boundaries, rings of dried drops, oxide islands, pores,
joints, shadows. Cracks take the cheapest way through a random field of strength, or wander by a
heading that remembers; they are drawn four times finer than the pixels, with a width that varies.
Then blur, noise, perhaps sharpening and JPEG.
"""

from functools import cache
from types import SimpleNamespace

import cv2
import numpy as np

SUB = 4


def smooth_noise(rng, shape, size):
    """Return a field of a given correlation length, mean 0 and spread 1."""
    small = (max(3, int(shape[0] / size) + 3), max(3, int(shape[1] / size) + 3))
    grid = rng.standard_normal(small).astype(np.float32)
    big = cv2.resize(
        grid, (int(small[1] * size), int(small[0] * size)), interpolation=cv2.INTER_CUBIC
    )
    i, j = (
        rng.integers(0, big.shape[0] - shape[0] + 1),
        rng.integers(0, big.shape[1] - shape[1] + 1),
    )
    field = big[i : i + shape[0], j : j + shape[1]]
    return (field - field.mean()) / max(field.std(), 1e-6)


def log_uniform(rng, low, high):
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


# Grounds, each about 1 with a spread of about 1 that is scaled later.


def brushed(rng, shape):
    """Return grooves along one direction, each of a random length: sheared rows of noise."""
    side = int(np.hypot(*shape)) + 8
    noise = rng.standard_normal((side, side)).astype(np.float32)
    reach = int(log_uniform(rng, 6, 250))
    lines = cv2.blur(noise, (reach, 1))
    if rng.random() < 0.5:
        coarse = cv2.blur(cv2.GaussianBlur(noise, (1, 0), 1.5), (int(reach * 1.7) + 1, 1))
        lines = lines / lines.std() + rng.uniform(0.3, 1.5) * coarse / coarse.std()
    lines = cv2.GaussianBlur(lines, (0, 0), 0.01 + rng.uniform(0, 1.0))
    return turn(rng, lines, shape)


def turned_face(rng, shape):
    """Return concentric grooves about a far centre."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    centre = rng.normal(0, 900, 2) + np.array(shape)[::-1] / 2
    radius = np.hypot(x - centre[0], y - centre[1])
    angle = np.arctan2(y - centre[1], x - centre[0])
    n = int(radius.max() - radius.min()) + 4
    table = rng.standard_normal((n, 40)).astype(np.float32)
    table = cv2.resize(table, (400, n), interpolation=cv2.INTER_LINEAR)
    column = (angle - angle.min()) / max(np.ptp(angle), 1e-3) * 398
    return cv2.remap(
        table, column.astype(np.float32), (radius - radius.min()).astype(np.float32),
        cv2.INTER_LINEAR,
    )  # fmt: skip


def blasted(rng, shape):
    """Return fine bumps, lit from one side."""
    bumps = smooth_noise(rng, shape, rng.uniform(1.5, 6))
    if rng.random() < 0.5:
        bumps = bumps + 0.5 * smooth_noise(rng, shape, rng.uniform(6, 14))
    dx, dy = np.gradient(bumps)
    a = rng.uniform(0, 2 * np.pi)
    return dx * np.cos(a) + dy * np.sin(a)


def scratched(rng, shape):
    """Return single scratches, tens to thousands, in one direction or all, mostly dark."""
    ground = np.zeros(shape, np.float32)
    families = int(rng.integers(3, 10))
    lay, spread = rng.uniform(0, np.pi), rng.choice([0.03, 0.15, 3.0])
    each = log_uniform(rng, 20, 2500) / families
    dark = rng.uniform(0.4, 1.0)
    for _ in range(families):
        n = rng.poisson(each) + 1
        seeds = np.zeros(shape, np.float32)
        depth = rng.exponential(1.0, n) * np.where(rng.random(n) < dark, -1, 1)
        seeds[rng.integers(0, shape[0], n), rng.integers(0, shape[1], n)] = depth
        half = log_uniform(rng, 4, 60)
        angle = lay + rng.normal(0, spread)
        way = np.array((np.cos(angle), np.sin(angle)))
        bend = rng.normal(0, 0.06) * half
        t = np.linspace(-1, 1, int(4 * half) + 2)[:, None]
        line = t * half * way + bend * t**2 * np.array((-way[1], way[0]))
        size = 2 * int(np.ceil(half + abs(bend))) + 3
        stamp = np.zeros((size, size), np.float32)
        at = np.round(line[:, ::-1]).astype(int) + size // 2
        stamp[at[:, 0], at[:, 1]] = 1.0
        # Scratches of several widths.
        stamp = cv2.GaussianBlur(stamp, (0, 0), rng.uniform(0.3, 1.0))
        ground += cv2.filter2D(seeds, -1, stamp / stamp.max())
    return ground + 0.1 * rng.standard_normal(shape).astype(np.float32)


def granular(rng, shape):
    """Return stones in mortar: cells of random shade with dark or bright rims, and sand."""
    size = log_uniform(rng, 3, 18)
    a, b = smooth_noise(rng, shape, size), smooth_noise(rng, shape, size * 1.6)
    stones = np.tanh(3 * (np.maximum(a, b) - rng.uniform(0.2, 0.9)))
    ground = stones * rng.uniform(-0.6, 0.8) + rng.uniform(0.3, 1) * smooth_noise(rng, shape, 1.6)
    ground += rng.uniform(0, 0.8) * smooth_noise(rng, shape, 5)
    if rng.random() < 0.5:
        pores = smooth_noise(rng, shape, rng.uniform(4, 9))
        ground -= rng.uniform(0.5, 3) * np.clip(pores - rng.uniform(2.2, 3), 0, 0.5) * 2
    return ground


@cache
def photograph(name):
    from skimage import data

    picture = getattr(data, name)()
    return (
        picture.astype(np.float32) if picture.ndim == 2 else picture.mean(axis=2, dtype=np.float32)
    )


def natural(rng, shape):
    """Return a stretched, turned piece of a natural texture, its slow shading taken out."""
    name = rng.choice(["gravel", "grass", "moon", "brick", "gravel", "moon"])
    picture = photograph(str(name))
    picture = picture[:: rng.choice([-1, 1]), :: rng.choice([-1, 1])]
    if rng.random() < 0.5:
        picture = np.ascontiguousarray(picture.T)
    zoom = rng.uniform(0.5, 1.8)
    size = (int(picture.shape[1] * zoom), int(picture.shape[0] * zoom))
    how = cv2.INTER_AREA if zoom < 1 else cv2.INTER_CUBIC
    picture = cv2.resize(np.ascontiguousarray(picture), size, interpolation=how)
    top = max(0, shape[0] - picture.shape[0])
    side = max(0, shape[1] - picture.shape[1])
    picture = cv2.copyMakeBorder(picture, 0, top, 0, side, cv2.BORDER_WRAP)[: shape[0], : shape[1]]
    if picture.shape != shape:
        picture = cv2.resize(picture, shape[::-1])
    picture = picture - cv2.GaussianBlur(picture, (0, 0), 25)
    return picture * (0.5 if name == "brick" else 1.0) / max(picture.std(), 1e-3)


def even(rng, shape):
    return rng.standard_normal(shape).astype(np.float32) * 0.3 + smooth_noise(rng, shape, 12)


def turn(rng, picture, shape, angle=None):
    angle = rng.uniform(0, 180) if angle is None else angle
    side = picture.shape[0]
    matrix = cv2.getRotationMatrix2D((side / 2, side / 2), angle, 1.0)
    return cv2.warpAffine(picture, matrix, (side, side), borderMode=cv2.BORDER_REFLECT)[
        (side - shape[0]) // 2 :, (side - shape[1]) // 2 :
    ][: shape[0], : shape[1]]


# Lines of all sorts, drawn four times finer than the pixels.


def draw(shape, line, widths):
    """Return the share of each pixel that a line of varying width covers, and where."""
    reach = int(widths.max()) + 3
    low = np.maximum(np.floor(line.min(axis=0)).astype(int) - reach, 0)
    high = np.minimum(np.ceil(line.max(axis=0)).astype(int) + reach + 1, shape[::-1])
    if (high <= low).any():
        return None
    fine = np.zeros(((high[1] - low[1]) * SUB, (high[0] - low[0]) * SUB), np.uint8)
    at = np.round(((line - low + 0.5) * SUB - 0.5) * 16).astype(int)
    thick = np.maximum(np.round(0.5 * (widths[1:] + widths[:-1]) * SUB), 1).astype(int)
    faint = np.clip(0.5 * (widths[1:] + widths[:-1]) * SUB, 0.3, 1)
    for k, w in enumerate(thick):
        cv2.line(fine, at[k].tolist(), at[k + 1].tolist(), int(255 * faint[k]), int(w), shift=4)
    box = (slice(low[1], high[1]), slice(low[0], high[0]))
    size = (high[0] - low[0], high[1] - low[1])
    return box, cv2.resize(fine, size, interpolation=cv2.INTER_AREA).astype(np.float32) / 255


def wander(rng, n, jag_deg, memory):
    """Return a walk of unit steps whose heading remembers: from smooth to jagged."""
    turn_by = rng.normal(0, jag_deg, n)
    heading = np.zeros(n)
    for k in range(1, n):
        heading[k] = memory * heading[k - 1] + turn_by[k]
    heading = np.deg2rad(heading)
    return np.vstack(
        (np.zeros(2), np.cumsum(np.column_stack((np.cos(heading), np.sin(heading))), 0))
    )


def walked_path(rng, length):
    step = rng.uniform(1.5, 7)
    n = max(3, int(length / step))
    jag_deg = float(np.exp(rng.uniform(np.log(0.7), np.log(40))))
    path = wander(rng, n, jag_deg, rng.uniform(0.0, 0.8))
    return path * length / np.hypot(*np.diff(path, axis=0).T).sum()


def weakest_path(rng, length):
    """Return the cheapest way through a random strength: along grain boundaries, as it were."""
    from skimage.graph import route_through_array

    scale = 1 if length < 120 else 2
    n = max(8, int(length / scale / 1.15))
    shape = (max(12, n // 2), n)
    grain = rng.uniform(3, 12) / scale
    cost = np.exp(rng.uniform(0.6, 2.0) * smooth_noise(rng, shape, max(grain, 1.5)))
    middle = shape[0] // 2
    route, _ = route_through_array(
        cost, (middle, 0), (middle, n - 1), fully_connected=True, geometric=True
    )
    path = np.array(route, float)[:, ::-1] * scale
    # Stairs of the grid are no feature of the crack.
    kernel = np.ones(3) / 3
    inner = np.column_stack([np.convolve(c, kernel, "valid") for c in path.T])
    path = np.vstack((path[:1], inner, path[-1:]))
    return path[:: rng.integers(2, 4)]


def densified(path):
    s = np.concatenate(([0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))))
    at = np.linspace(0, s[-1], max(3, int(s[-1] / 1.5)))
    return np.column_stack([np.interp(at, s, c) for c in path.T])


def rotated(points, angle):
    c, s = np.cos(angle), np.sin(angle)
    return points @ np.array([[c, s], [-s, c]])


def varying(rng, n, spread, every):
    knots = np.exp(rng.normal(0, spread, max(3, int(n / every) + 2)))
    return np.interp(np.linspace(0, len(knots) - 1, n), np.arange(len(knots)), knots)


# What is dark and thin and no crack.


def scratches(rng, surface, lay, depth):
    shape = surface.shape
    for _ in range(rng.poisson(rng.choice([0, 2, 5, 9]))):
        length = log_uniform(rng, 30, 1500)
        n = max(4, int(length / 12))
        path = np.column_stack((np.linspace(0, length, n), np.zeros(n)))
        path[:, 1] += rng.normal(0, 0.03) * length * (2 * np.linspace(-1, 1, n) ** 2 - 1)
        path[:, 1] += np.cumsum(rng.normal(0, rng.choice([0, 0, 0.12]), n))
        angle = lay + rng.normal(0, 0.06) if rng.random() < 0.5 else rng.uniform(0, np.pi)
        path = rotated(path - path.mean(axis=0), angle) + rng.uniform((0, 0), shape[::-1])
        path = densified(path)
        width = log_uniform(rng, 0.5, 4)
        widths = width * varying(rng, len(path), rng.choice([0.05, 0.3]), 30)
        ends = np.minimum(np.arange(len(path)), np.arange(len(path))[::-1])
        widths *= np.clip(ends / rng.uniform(2, 40), 0.2, 1)
        strength = depth * rng.uniform(0.3, 1.2) * varying(rng, len(path), 0.25, 40).mean()
        cuts = [path]
        if rng.random() < 0.3:
            cuts = np.array_split(path, int(rng.integers(3, 12)))[:: int(rng.integers(1, 3))]
        normal = np.array((-np.sin(angle), np.cos(angle)))
        lip = rng.choice([0, 0, 0.3, 0.7, 1.0]) * rng.choice([-1, 1])
        both = rng.random() < 0.3
        for cut in cuts:
            if len(cut) < 3:
                continue
            wide = widths[: len(cut)]
            if lip:
                for side in (-1, 1) if both else (np.sign(lip),):
                    paint(
                        surface,
                        cut + side * normal * (0.8 * width + 0.4),
                        wide,
                        abs(lip) * strength,
                    )
            if rng.random() < 0.9 or not lip:
                paint(surface, cut, wide, -strength)


def paint(surface, path, widths, strength):
    drawn = draw(surface.shape, path, np.asarray(widths))
    if drawn is not None:
        box, share = drawn
        surface[box] *= 1 + np.clip(strength, -0.9, 2) * share


def fibres(rng, surface, depth):
    for _ in range(rng.poisson(rng.choice([0, 0, 1]))):
        path = wander(rng, 40, rng.uniform(1, 6), 0.97) * rng.uniform(1.5, 9)
        path = rotated(path, rng.uniform(0, 2 * np.pi)) + rng.uniform((0, 0), surface.shape[::-1])
        path = densified(path)
        width = np.full(len(path), rng.uniform(0.8, 3.5))
        paint(surface, path, width, -depth * rng.uniform(0.5, 1.5))
        if rng.random() < 0.5:
            paint(surface, path + rng.normal(0, 2, 2), width * 0.7, depth * rng.uniform(0.2, 0.6))


def rings(rng, surface, depth):
    """Dry drops: a dark rim of uneven strength, the inside a little darker or brighter."""
    y, x = np.mgrid[: surface.shape[0], : surface.shape[1]].astype(np.float32)
    for _ in range(rng.poisson(rng.choice([0, 0, 1, 3]))):
        middle = rng.uniform((0, 0), surface.shape[::-1])
        radius = log_uniform(rng, 15, 200)
        angle = np.arctan2(y - middle[1], x - middle[0])
        waves = sum(
            rng.normal(0, 0.25 / k) * np.cos(k * angle + rng.uniform(0, 6.3)) for k in range(1, 7)
        )
        rough = rng.choice([0.0, 0.6, 2.0]) * smooth_noise(rng, surface.shape, rng.uniform(5, 15))
        d = np.hypot(x - middle[0], (y - middle[1]) * rng.uniform(0.7, 1.4))
        d = (d - radius * (1 + 0.4 * waves)) + rough
        w = rng.uniform(1, 6)
        rim = np.where(d < 0, np.exp(np.maximum(d, -60) / w / 2), np.exp(-((d / w) ** 2) * 2))
        uneven = np.clip(1 + 0.5 * smooth_noise(rng, surface.shape, 60), 0, 2)
        surface *= 1 - np.clip(depth * rng.uniform(0.2, 0.9), 0, 0.6) * rim * uneven
        surface *= 1 + depth * rng.normal(0, 0.3) / (1 + np.exp(np.clip(d / 1.5, -30, 30)))


def grains(rng, surface, depth):
    """Etched grain boundaries: fine dark lines between cells."""
    n = int(surface.size / log_uniform(rng, 400, 4000))
    points = rng.uniform((0, 0), surface.shape[::-1], (n, 2))
    seeds = np.full(surface.shape, 255, np.uint8)
    seeds[points[:, 1].astype(int), points[:, 0].astype(int)] = 0
    _, labels = cv2.distanceTransformWithLabels(
        seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    shades = rng.normal(0, 0.3, labels.max() + 1)[labels]
    edge = (cv2.dilate(labels.astype(np.float32), np.ones((2, 2))) != labels).astype(np.float32)
    edge = cv2.GaussianBlur(edge, (0, 0), 0.7)
    surface *= 1 + depth * (rng.uniform(0, 0.5) * shades - rng.uniform(0.1, 0.6) * edge)


def islands(rng, surface, depth):
    field = smooth_noise(rng, surface.shape, log_uniform(rng, 5, 60))
    edge = rng.uniform(0.02, 0.5)
    inside = np.clip((field - rng.uniform(0.3, 1.8)) / edge, 0, 1)
    surface *= 1 - np.clip(depth * rng.uniform(-0.5, 1.0), -0.6, 0.6) * inside


def spots(rng, surface, depth):
    for _ in range(rng.poisson(rng.choice([0, 4, 20]))):
        middle = rng.uniform((0, 0), surface.shape[::-1])
        path = middle + rng.normal(0, rng.uniform(0.3, 3.5), (3, 2))
        paint(surface, path, np.full(3, rng.uniform(1.5, 8)), -depth * rng.uniform(0.3, 2.0))


def joints(rng, surface, depth):
    """A formwork joint or seam through the whole picture: even, straight, dark, with steps."""
    across = rng.uniform(0, np.pi)
    path = np.column_stack((np.linspace(-900, 900, 60), np.zeros(60)))
    path = rotated(path, across) + rng.uniform((0, 0), surface.shape[::-1])
    paint(surface, path, np.full(60, rng.uniform(1.5, 8)), -depth * rng.uniform(0.5, 2.5))


# The view.


def conditions(rng, size, cnr):
    kind = str(rng.choice(["metal", "metal", "scratched", "granular", "natural", "even"]))
    photo = kind in ("granular", "natural") and rng.random() < 0.7
    return SimpleNamespace(
        size_px=size, kind=kind, photo=photo, cnr=cnr, bits=int(rng.choice([8, 8, 8, 12, 16])),
        texture=log_uniform(rng, 0.008, 0.15), depth=log_uniform(rng, 0.05, 0.5),
        level=rng.uniform(0.2, 0.65), fold_rad=rng.choice([0, np.pi / 2]) + rng.normal(0, 0.15),
        blur=rng.uniform(0.5, 1.8), noise=log_uniform(rng, 0.002, 0.025),
        band_px=(0.5 if photo else rng.uniform(0.28, 0.45)) * min(size),
        sharpen=rng.choice([0, 0, 0, 0.8]), jpeg=rng.random() < (0.5 if photo else 0.15),
        glare=rng.uniform(0, 0.6) * (not photo), dark_line=rng.choice([0, 0.1, 0.35]) * (not photo),
    )  # fmt: skip


def ground(rng, c, shape):
    """Return the reflectance, about 1."""
    makers = {
        "metal": [brushed, brushed, turned_face, blasted],
        "scratched": [scratched],
        "granular": [granular], "natural": [natural], "even": [even],
    }[c.kind]  # fmt: skip
    base = makers[int(rng.integers(len(makers)))](rng, shape)
    base = np.clip((base - base.mean()) / max(base.std(), 1e-6), -8, 5)
    surface = (1 + c.texture * base).astype(np.float32)
    surface *= np.exp(rng.uniform(0, 0.08) * smooth_noise(rng, shape, rng.uniform(60, 300)))

    def worked(surface, depth):
        scratches(rng, surface, rng.uniform(0, np.pi), depth)

    clutter = [
        (1.0 if c.kind not in ("granular", "natural") else 0.35, worked),
        (1.0, lambda s, d: fibres(rng, s, d)), (0.5, lambda s, d: rings(rng, s, d)),
        (0.12 if c.kind in ("metal", "even") else 0, lambda s, d: grains(rng, s, d)),
        (0.25, lambda s, d: islands(rng, s, d)), (1.0, lambda s, d: spots(rng, s, d)),
        (0.08, lambda s, d: joints(rng, s, d)),
    ]  # fmt: skip
    for chance, add in clutter:
        if rng.random() < chance:
            add(surface, c.depth)
    return np.maximum(surface, 0.05)


def light(rng, c, shape, across):
    scene = c.level * (1 + c.glare * (np.exp(-((across / rng.uniform(40, 200)) ** 2)) - 0.4))
    scene = scene * (1 + 0.15 * smooth_noise(rng, shape, 500))
    if c.dark_line:
        stray = rng.uniform(0, 3) * smooth_noise(rng, (1, shape[1]), 150)
        wide = log_uniform(rng, 2, 25)
        scene = scene * (1 - c.dark_line * np.exp(-(((across + stray) / wide) ** 2)))
    if rng.random() < 0.25:
        d = across - rng.normal(0, 0.5) * c.band_px + 12 * smooth_noise(rng, shape, 300)
        soft = log_uniform(rng, 0.8, 20)
        scene = scene * (1 - rng.uniform(0.1, 0.6) / (1 + np.exp(np.clip(d / soft, -30, 30))))
    return scene.astype(np.float32)


def cracks_of(rng, c, fold, clean, spread):
    """Return darkening, brightening and the truth."""
    shape = clean.shape
    dark, bright, truth = np.zeros(shape, np.float32), np.zeros(shape, np.float32), []
    for _ in range(rng.choice([0, 1, 1, 2, 3])):
        made = placed(rng, c, fold, truth)
        if made is None:
            continue
        path, twigs, width = made
        at = np.clip(np.round(path[len(path) // 2]).astype(int), 0, np.array(shape[::-1]) - 1)
        level, local = float(clean[at[1], at[0]]), float(spread[at[1], at[0]])
        depth = min(log_uniform(rng, *c.cnr) * local / level, 0.9)
        lip = rng.choice([0, 0, 0, 0.5]) * depth
        gap = rng.random() < 0.2
        for line in (path, *twigs):
            dense = densified(line)
            n = len(dense)
            widths = width * varying(rng, n, rng.uniform(0.05, 0.4), rng.uniform(6, 25))
            ends = np.minimum(np.arange(n), np.arange(n)[::-1]) * 1.5 + 1
            widths = widths * np.clip(ends / rng.uniform(1, 5), 0.25, 1)
            pieces = [(dense, widths)]
            if gap and n > 30:
                cut, hole = int(rng.integers(8, n - 16)), int(rng.integers(3, 8))
                pieces = [(dense[:cut], widths[:cut]), (dense[cut + hole :], widths[cut + hole :])]
            for points, wide in pieces:
                drawn = draw(shape, points, wide)
                if drawn is not None:
                    np.maximum(dark[drawn[0]], depth * drawn[1], out=dark[drawn[0]])
                if lip:
                    drawn = draw(shape, points + rng.choice([-1, 1], 2) * 0.7 * width, 0.7 * wide)
                    if drawn is not None:
                        np.maximum(bright[drawn[0]], lip * drawn[1], out=bright[drawn[0]])
        truth.append(
            SimpleNamespace(
                centreline_px=path, branches_px=tuple(twigs), width_px=width, broken=gap,
                cnr=depth * level / local, bright_edged=bool(lip),
                length_um=lambda um, p=path, w=width: float(
                    np.hypot(*(np.diff(p, axis=0) * np.asarray(um)).T).sum() + 0.3 * w * um[0]
                ),
            )
        )  # fmt: skip
    bright *= 1 - np.minimum(dark * 4, 1)
    return dark, bright, truth


def placed(rng, c, fold, others):
    mx, my, f = fold
    size = np.array(c.size_px)
    for _ in range(25):
        through = c.photo and rng.random() < 0.5
        length = rng.uniform(0.7, 1.5) * max(size) if through else log_uniform(rng, 15, 350)
        path = (weakest_path if rng.random() < 0.5 else walked_path)(rng, length)
        angle = f + (rng.normal(0, 0.3) if rng.random() < 0.5 else rng.uniform(0, np.pi))
        t, v = rng.uniform(-0.45, 0.45) * max(size), rng.uniform(-0.85, 0.85) * c.band_px
        middle = np.array((mx + t * np.cos(f) - v * np.sin(f), my + t * np.sin(f) + v * np.cos(f)))
        if through:
            middle = size / 2 + rng.normal(0, 0.15, 2) * size
        path = rotated(path - path.mean(axis=0), angle) + middle
        off = np.abs(-(path[:, 0] - mx) * np.sin(f) + (path[:, 1] - my) * np.cos(f))
        inside = (path > 2).all(axis=1) & (path < size - 3).all(axis=1)
        if through:
            stretch = longest(inside & (off < c.band_px - 1))
            if stretch.stop - stretch.start < 10:
                continue
            path = path[stretch]
        elif not inside.all() or off.max() > c.band_px - 4 or path.min() < 12:
            continue
        gaps = [np.hypot(*(path[:, None] - o.centreline_px[None]).T).min() for o in others]
        if gaps and min(gaps) < 40:
            continue
        twigs = []
        whole = np.hypot(*np.diff(path, axis=0).T).sum()
        for _ in range(int(rng.choice([0, 0, 1, 3])) if whole > 70 else 0):
            at = int(rng.integers(2, max(3, len(path) - 2)))
            twig = walked_path(rng, whole * rng.uniform(0.1, 0.35))
            heading = np.arctan2(*(path[min(at + 2, len(path) - 1)] - path[at - 2])[::-1])
            twig = rotated(twig, heading + rng.choice([-1, 1]) * rng.uniform(0.4, 1.3)) + path[at]
            keep = ((twig > 2) & (twig < size - 3)).all(axis=1)
            if keep.all():
                twigs.append(twig)
        width = log_uniform(rng, 2, 10) if c.photo else float(1.5 + rng.exponential(1.2))
        return path, twigs, min(width, 0.1 * whole)
    return None


def longest(flags):
    """Return the longest run of true flags as a slice."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(int), [0]))))
    runs = edges.reshape(-1, 2)
    return slice(*max(runs.tolist(), key=lambda r: r[1] - r[0])) if len(runs) else slice(0, 0)


def render_mixed_view(rng, *, cnr=(3.0, 8.0), size=(900, 600)):
    """Return pixels, fold_px, cracks and conditions of one view."""
    c = conditions(rng, size, cnr)
    shape = size[::-1]
    f = c.fold_rad
    mx, my = size[0] / 2 + rng.normal(0, 12), size[1] / 2 + rng.normal(0, 12)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    across = -(x - mx) * np.sin(f) + (y - my) * np.cos(f)
    scene = ground(rng, c, shape) * light(rng, c, shape, across)
    if not c.photo and rng.random() < 0.2:
        # The part ends: another ground behind its edge.
        beyond = rng.choice([-1, 1]) * across - rng.uniform(0.5, 1.1) * c.band_px
        share = np.clip(beyond + 0.5, 0, 1)
        scene = scene * (1 - share) + rng.choice([0.02, 0.15, 0.8]) * share
    scene = scene.astype(np.float32)
    clean = cv2.GaussianBlur(scene, (0, 0), c.blur)
    rough = clean - cv2.GaussianBlur(clean, (0, 0), 6)
    spread = np.sqrt(cv2.GaussianBlur(rough**2, (0, 0), 25) + c.noise**2)
    dark, bright, truth = cracks_of(rng, c, (mx, my, f), clean, spread)
    image = cv2.GaussianBlur(scene * (1 - dark) * (1 + bright), (0, 0), c.blur)
    image = image + rng.normal(0, c.noise, shape).astype(np.float32)
    if c.sharpen:
        image = image + c.sharpen * (image - cv2.GaussianBlur(image, (0, 0), 1.5))
    if c.jpeg:
        c.bits = 8
        quality = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(60, 96))]
        _, coded = cv2.imencode(".jpg", np.clip(image * 255, 0, 255).astype(np.uint8), quality)
        image = cv2.imdecode(coded, cv2.IMREAD_GRAYSCALE).astype(np.float32) / 255
    top = (1 << c.bits) - 1
    kind = np.uint8 if c.bits == 8 else np.uint16
    pixels = np.clip(np.round(image * top), 0, top).astype(kind)
    return SimpleNamespace(
        pixels=pixels, fold_px=fold_ends(size, (mx, my, f)), cracks=tuple(truth), conditions=c
    )


def fold_ends(size, fold):
    mx, my, f = fold
    reach = 3000 * np.array((np.cos(f), np.sin(f)))
    start, end = np.array((mx, my)) - reach, np.array((mx, my)) + reach
    _, a, b = cv2.clipLine(
        (0, 0, *size), tuple(np.round(start).astype(int).tolist()),
        tuple(np.round(end).astype(int).tolist()),
    )  # fmt: skip
    return (float(a[0]), float(a[1]), float(b[0]), float(b[1]))
