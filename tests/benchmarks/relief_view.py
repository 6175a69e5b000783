"""A second renderer of fold views, sharing nothing with the package's own.

The surface is a height map: a bent sheet with grooves along its lay, scratches with thrown-up
lips, bowls and dents. It is lit from one side with diffuse and glossy reflection, so that texture,
glare and the dark flank of every groove come out of the slopes. Cracks are slits whose course is a
random midpoint-displaced line; their darkness falls with the distance from that line, taken from a
distance map three times finer than the pixels.
"""

from types import SimpleNamespace

import cv2
import numpy as np

FINE = 3


def fractal_path(rng, length, rough, levels):
    """Return a midpoint-displaced line of a given length along its course, starting at 0 0."""
    line = np.array([[0.0, 0.0], [1.0, 0.0]])
    spread = rough
    for _ in range(levels):
        middle = 0.5 * (line[:-1] + line[1:])
        step = line[1:] - line[:-1]
        normal = np.column_stack((-step[:, 1], step[:, 0]))
        middle = middle + normal * rng.normal(0, spread, (len(middle), 1))
        merged = np.empty((len(line) + len(middle), 2))
        merged[::2], merged[1::2] = line, middle
        line = merged
        spread *= 0.9
    return line * length / np.hypot(*np.diff(line, axis=0).T).sum()


def turned(points, angle):
    c, s = np.cos(angle), np.sin(angle)
    return points @ np.array([[c, s], [-s, c]])


def distance_map(shape, lines):
    """Return distance from lines (px) on the fine grid and the place along them (nearest point)."""
    fine = np.full((shape[0] * FINE, shape[1] * FINE), 255, np.uint8)
    for line in lines:
        at = np.round(((line + 0.5) * FINE - 0.5) * 16).astype(np.int32)
        cv2.polylines(fine, [at], isClosed=False, color=0, shift=4)
    return cv2.distanceTransform(fine, cv2.DIST_L2, cv2.DIST_MASK_PRECISE) / FINE


def heights(rng, shape, c):
    """Return the height map (px) without the cracks."""
    rows, cols = shape
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    lay = np.deg2rad(c.lay_deg)
    across = -x * np.sin(lay) + y * np.cos(lay)
    along = x * np.cos(lay) + y * np.sin(lay)
    height = np.zeros(shape, np.float32)
    for pitch in (2.2, 4.5, 9.0):
        n = int((across.max() - across.min()) / pitch) + 8
        m = max(2, int((along.max() - along.min()) / c.groove_px) + 4)
        table = rng.standard_normal((n, m)).astype(np.float32)
        table = cv2.GaussianBlur(table, (0, 0), 0.6)
        u = (across - across.min()) / pitch + 2
        v = (along - along.min()) / c.groove_px + 1
        u, v = u.astype(np.float32), v.astype(np.float32)
        height += cv2.remap(table, v, u, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT) * pitch
    height *= c.groove_depth
    for _ in range(rng.poisson(c.scratches)):
        a = rng.uniform(0, np.pi) if rng.random() < 0.35 else lay + rng.normal(0, 0.05)
        px, py = rng.uniform(0, cols), rng.uniform(0, rows)
        d = -(x - px) * np.sin(a) + (y - py) * np.cos(a)
        t = (x - px) * np.cos(a) + (y - py) * np.sin(a)
        d = d + rng.normal(0, 2e-5) * t * t
        reach = rng.uniform(60, 1200)
        w = rng.uniform(0.5, 1.6)
        gate = np.clip((reach / 2 - np.abs(t)) / 12, 0, 1)
        lips = 0.35 * np.exp(-0.5 * ((np.abs(d) - 2.2 * w) / w) ** 2)
        height += (
            c.scratch_depth * rng.uniform(0.3, 1) * gate * (lips - np.exp(-0.5 * (d / w) ** 2))
        )
    for _ in range(rng.poisson(c.dents)):
        px, py, r = rng.uniform(0, cols), rng.uniform(0, rows), rng.uniform(1.5, 6)
        e = rng.uniform(0.6, 1)
        q = np.hypot((x - px) * e, (y - py) / e) / r
        height -= c.scratch_depth * 1.5 * np.exp(-0.5 * q**2)
    return height


def conditions(rng, size, cnr):
    lay = rng.uniform(0, 180)
    return SimpleNamespace(
        size_px=size, lay_deg=lay, groove_px=float(np.exp(rng.uniform(np.log(15), np.log(300)))),
        groove_depth=float(np.exp(rng.uniform(np.log(0.002), np.log(0.03)))),
        scratches=rng.choice([0, 2, 6]), scratch_depth=rng.uniform(0.05, 0.3),
        dents=rng.choice([0, 3, 10]), light_deg=rng.uniform(0, 360),
        gloss=rng.uniform(0.0, 0.6), bend=rng.uniform(0.3, 1.2),
        fold_deg=rng.choice([0, 90]) + rng.normal(0, 10), blur=rng.uniform(0.6, 1.4),
        noise=rng.uniform(0.004, 0.02), band_px=0.36 * min(size), cnr=cnr, bits=8,
    )  # fmt: skip


def shade(height, c, d):
    """Return the light that the bent surface sends up; d is the distance from the fold."""
    gy, gx = np.gradient(height)
    f = np.deg2rad(c.fold_deg)
    tilt = np.clip(d / (0.5 * min(c.size_px)), -1, 1) * c.bend * 0.5
    nx, ny = -gx - tilt * -np.sin(f), -gy - tilt * np.cos(f)
    norm = np.sqrt(nx**2 + ny**2 + 1)
    a = np.deg2rad(c.light_deg)
    lx, ly, lz = 0.5 * np.cos(a), 0.5 * np.sin(a), 0.85
    hx, hy, hz = lx / 2, ly / 2, (lz + 1) / 2
    h = np.sqrt(hx**2 + hy**2 + hz**2)
    diffuse = np.clip((nx * lx + ny * ly + lz) / norm, 0, None)
    gloss = np.clip((nx * hx + ny * hy + hz) / norm / h, 0, 1) ** 30
    light = 0.1 + 0.6 * diffuse + c.gloss * gloss
    return light * 0.5 / np.median(light)


def render_relief_view(rng, *, cnr=(3.0, 8.0), size=(900, 600)):
    """Return pixels, fold_px, cracks and conditions of one view."""
    c = conditions(rng, size, cnr)
    cols, rows = size
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    f = np.deg2rad(c.fold_deg)
    mx, my = cols / 2 + rng.normal(0, 15), rows / 2 + rng.normal(0, 15)
    d = -(x - mx) * np.sin(f) + (y - my) * np.cos(f)
    light = shade(heights(rng, (rows, cols), c), c, d)
    clean = cv2.GaussianBlur(light.astype(np.float32), (0, 0), c.blur)
    rough = clean - cv2.GaussianBlur(clean, (0, 0), 6)
    spread = np.sqrt(cv2.GaussianBlur(rough**2, (0, 0), 25) + c.noise**2)
    cracks, dark = [], np.zeros((rows, cols), np.float32)
    for _ in range(rng.choice([0, 1, 1, 2, 3])):
        made = place(rng, c, (mx, my, f), cracks)
        if made is None:
            continue
        path, twigs, width = made
        i, j = np.round(path[len(path) // 2]).astype(int)[::-1]
        want = float(np.exp(rng.uniform(*np.log(cnr))))
        depth = min(want * spread[i, j] / clean[i, j], 0.95)
        low = np.maximum(np.floor(np.vstack([path, *twigs]).min(axis=0)).astype(int) - 12, 0)
        high = np.minimum(np.ceil(np.vstack([path, *twigs]).max(axis=0)).astype(int) + 13, size)
        box = (slice(low[1], high[1]), slice(low[0], high[0]))
        shape = (high[1] - low[1], high[0] - low[0])
        near = distance_map(shape, [line - low for line in (path, *twigs)])
        waver = cv2.resize(
            rng.normal(1, 0.2, (max(2, shape[0] // 15), max(2, shape[1] // 15))).astype(np.float32),
            (near.shape[1], near.shape[0]), interpolation=cv2.INTER_CUBIC,
        )  # fmt: skip
        # The line drawn on the fine grid is itself one fine pixel wide.
        half = 0.5 * width * np.clip(waver, 0.5, 1.6)
        slit = np.clip((half - near) * FINE + 0.5, 0, 1).astype(np.float32)
        slit = cv2.resize(slit, (shape[1], shape[0]), interpolation=cv2.INTER_AREA)
        dark[box] = np.maximum(dark[box], depth * slit)
        cracks.append(
            SimpleNamespace(
                centreline_px=path, branches_px=tuple(twigs), width_px=width,
                cnr=depth * clean[i, j] / spread[i, j], broken=False,
                # Drawn by distance, a slit has round ends half its width beyond its line.
                length_um=lambda um, p=path, w=width: float(
                    np.hypot(*(np.diff(p, axis=0) * np.asarray(um)).T).sum() + w * um[0]
                ),
            )
        )  # fmt: skip
    image = cv2.GaussianBlur((light * (1 - dark)).astype(np.float32), (0, 0), c.blur)
    image = image + rng.normal(0, 1, image.shape) * c.noise * np.sqrt(np.maximum(image, 0) / 0.5)
    pixels = np.clip(np.round(image * 255), 0, 255).astype(np.uint8)
    reach = 2000 * np.array((np.cos(f), np.sin(f)))
    ok, a, b = cv2.clipLine(
        (0, 0, cols, rows), (int(mx - reach[0]), int(my - reach[1])),
        (int(mx + reach[0]), int(my + reach[1])),
    )  # fmt: skip
    fold = (float(a[0]), float(a[1]), float(b[0]), float(b[1])) if ok else (0, my, cols - 1, my)
    return SimpleNamespace(pixels=pixels, fold_px=fold, cracks=tuple(cracks), conditions=c)


def place(rng, c, fold, others):
    mx, my, f = fold
    cols, rows = c.size_px
    for _ in range(40):
        length = float(np.exp(rng.uniform(np.log(15), np.log(300))))
        levels = int(np.clip(np.log2(length / rng.uniform(3, 8)), 1, 6))
        rough = float(np.exp(rng.uniform(np.log(0.004), np.log(0.22))))
        path = fractal_path(rng, length, rough, levels)
        angle = f + (rng.normal(0, 0.3) if rng.random() < 0.6 else rng.uniform(0, np.pi))
        t, v = rng.uniform(-0.45, 0.45) * max(c.size_px), rng.uniform(-0.8, 0.8) * c.band_px
        middle = np.array((mx + t * np.cos(f) - v * np.sin(f), my + t * np.sin(f) + v * np.cos(f)))
        path = turned(path - path.mean(axis=0), angle) + middle
        off = np.abs(-(path[:, 0] - mx) * np.sin(f) + (path[:, 1] - my) * np.cos(f)).max()
        if path.min() < 14 or (path > np.array((cols, rows)) - 15).any() or off > c.band_px - 4:
            continue
        gaps = [np.abs(path[:, None] - o.centreline_px[None]).max(axis=2).min() for o in others]
        if gaps and min(gaps) < 40:
            continue
        twigs = []
        if length > 70 and rng.random() < 0.3:
            twig = fractal_path(rng, length * rng.uniform(0.15, 0.3), 0.15, 3)
            at = int(rng.integers(2, len(path) - 1))
            twigs.append(turned(twig, angle + rng.choice([-0.8, 0.8])) + path[at])
        return path, twigs, float(1.5 + rng.exponential(1.0))
    return None
