"""A renderer of fold views of plain brushed metal, sharing nothing with the others.

For verification alone: the score was never fitted to it, and nothing in the search was chosen by it
but that nearly straight cracks had to be drawn in the other renderers too. White noise averaged
along a line makes the lay; scratches along it, pits and sometimes the fold's dark line are added.
Cracks are walks of remembered headings, drawn as strokes with round ends.
"""

import math
from types import SimpleNamespace

import cv2
import numpy as np

FINE = 2
# Turns of a crack, in degrees a step: wavy, or straight to a pixel or two.
TURNS_DEG = {"wavy": (10.0, 35.0), "straight": (0.5, 6.0)}


def walk(rng, length, step, turn_deg):
    """Return a walk of remembered headings about its chord, of a length along its course."""
    heading, points = 0.0, [(0.0, 0.0)]
    for _ in range(max(4, int(length / step))):
        heading = 0.7 * heading + math.radians(rng.normal(0, turn_deg))
        x, y = points[-1]
        points.append((x + step * math.cos(heading), y + step * math.sin(heading)))
    path = np.array(points)
    path *= length / np.hypot(*np.diff(path, axis=0).T).sum()
    return turned(path, -math.atan2(*(path[-1] - path[0])[::-1]))


def turned(points, angle):
    c, s = math.cos(angle), math.sin(angle)
    return points @ np.array([[c, s], [-s, c]])


def stroke(shape, path, width):
    """Return the share of each pixel that a stroke covers."""
    fine = np.zeros((shape[0] * FINE, shape[1] * FINE), np.uint8)
    at = np.round(((path + 0.5) * FINE - 0.5) * 16).astype(np.int32)
    thickness = max(1, round(width * FINE))
    cv2.polylines(fine, [at], isClosed=False, color=255, thickness=thickness,
                  lineType=cv2.LINE_AA, shift=4)  # fmt: skip
    small = cv2.resize(fine, (shape[1], shape[0]), interpolation=cv2.INTER_AREA)
    return small.astype(np.float32) / 255


def noise(rng, shape, sigma):
    rough = cv2.GaussianBlur(rng.standard_normal(shape).astype(np.float32), (0, 0), sigma)
    return rough / rough.std()


def texture(rng, shape, lay):
    """Return the lay with finer and coarser mottling, in grey values."""
    size = int(rng.choice([9, 25, 61, 121]))
    half = size // 2
    kernel = np.zeros((size, size), np.float32)
    reach = np.round(half * np.array((math.cos(lay), math.sin(lay)))).astype(int)
    cv2.line(kernel, tuple(half - reach), tuple(half + reach), 1.0, 1)
    rows, cols = shape
    white = rng.standard_normal((rows + 160, cols + 160)).astype(np.float32)
    streaks = cv2.GaussianBlur(cv2.filter2D(white, -1, kernel), (0, 0), rng.uniform(0.6, 1.2))
    streaks = streaks[80 : 80 + rows, 80 : 80 + cols]
    mottle = rng.uniform(0.3, 3) * noise(rng, shape, rng.uniform(0.8, 2.5))
    return rng.uniform(1, 6) * streaks / streaks.std() + mottle


def render_brushed_view(rng, *, cnr=(3.0, 8.0), size=(960, 640), course="wavy"):
    """Return pixels, fold_px, cracks and conditions of one view."""
    cols, rows = size
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    fold = rng.choice([0, math.pi / 2]) + rng.normal(0, 0.08)
    middle = np.array(size) / 2 + rng.normal(0, 20, 2)
    across = -(x - middle[0]) * math.sin(fold) + (y - middle[1]) * math.cos(fold)
    lay = rng.uniform(0, math.pi)
    rough, read = texture(rng, (rows, cols), lay), rng.uniform(1, 4)
    spread = math.hypot(float(rough.std()), read)
    bend = np.exp(-0.5 * ((across - rng.normal(0, 20)) / rng.uniform(30, 120)) ** 2)
    image = 110 + rng.uniform(-30, 40) + rng.uniform(10, 60) * bend + rough
    image += rng.uniform(0, 6) * noise(rng, (rows, cols), 40)
    image -= faults(rng, (x, y), lay, spread)
    if rng.random() < 0.5:
        image -= rng.uniform(2, 25) * np.exp(-0.5 * (across / rng.uniform(2, 15)) ** 2)
    band, cracks = rng.uniform(0.25, 0.4) * min(size), []
    for _ in range(rng.choice([0, 1, 2, 3])):
        path = place(rng, (fold, middle, band), cracks, (size, TURNS_DEG[course]))
        if path is None:
            continue
        width, contrast = rng.uniform(1.5, 4), float(np.exp(rng.uniform(*np.log(cnr))))
        image -= contrast * spread * stroke((rows, cols), path, width)
        cracks.append(true_crack(path, width, contrast))
    image = cv2.GaussianBlur(image.astype(np.float32), (0, 0), rng.uniform(0.6, 1.3))
    image += rng.normal(0, read, image.shape)
    reach = 3000 * np.array((math.cos(fold), math.sin(fold)))
    ends = [tuple(int(v) for v in middle + sign * reach) for sign in (-1, 1)]
    _, first, last = cv2.clipLine((0, 0, cols, rows), *ends)
    return SimpleNamespace(
        pixels=np.clip(np.round(image), 0, 255).astype(np.uint8),
        fold_px=(float(first[0]), float(first[1]), float(last[0]), float(last[1])),
        cracks=tuple(cracks), conditions=SimpleNamespace(bits=8, band_px=band),
    )  # fmt: skip


def faults(rng, grid, lay, spread):
    """Return what scratches along the lay and pits take from the light."""
    x, y = grid
    rows, cols = x.shape
    taken = np.zeros(x.shape, np.float32)
    for _ in range(rng.poisson(3)):
        angle, length = lay + rng.normal(0, 0.03), rng.uniform(150, 2000)
        half = length / 2 * np.array((math.cos(angle), math.sin(angle)))
        at = rng.uniform((0, 0), (cols, rows))
        path, width = np.array([at - half, at + half]), rng.uniform(0.7, 2.2)
        strength = rng.uniform(1, 5) * spread * rng.choice([1, 1, -1])
        taken += strength * stroke((rows, cols), path, width)
    for _ in range(rng.poisson(6)):
        at, radius = rng.uniform((0, 0), (cols, rows)), rng.uniform(1.5, 7)
        off = np.hypot(x - at[0], (y - at[1]) * rng.uniform(0.8, 1.25))
        taken += rng.uniform(3, 8) * spread * np.clip(radius + 0.5 - off, 0, 1)
    return taken


def place(rng, fold, others, wanted):
    """Return a course inside image and band, clear of the other cracks; None if none is found."""
    (angle, middle, band), (size, turns_deg) = fold, wanted
    along = np.array((math.cos(angle), math.sin(angle)))
    normal = np.array((-along[1], along[0]))
    for _ in range(50):
        length = float(np.exp(rng.uniform(math.log(18), math.log(250))))
        path = walk(rng, length, rng.uniform(3, 8), rng.uniform(*turns_deg))
        lean = rng.normal(0, 0.3) if rng.random() < 0.6 else rng.uniform(0, math.pi)
        path = turned(path - path.mean(axis=0), angle + lean) + middle
        path += (
            rng.uniform(-0.45, 0.45) * max(size) * along + rng.uniform(-0.8, 0.8) * band * normal
        )
        inside = path.min() > 15 and (path < np.array(size) - 16).all()
        if not inside or np.abs((path - middle) @ normal).max() > band - 4:
            continue
        gaps = [np.hypot(*(path[:, None] - o.centreline_px).T).min() for o in others]
        if all(gap > 40 for gap in gaps):
            return path
    return None


def true_crack(path, width, contrast):
    def length_um(um_per_px):
        steps = np.diff(path, axis=0) * np.asarray(um_per_px)
        # A stroke's round ends reach half its width beyond its course.
        return float(np.hypot(*steps.T).sum()) + width * um_per_px[0]

    return SimpleNamespace(
        centreline_px=path, branches_px=(), width_px=width, cnr=contrast, broken=False,
        length_um=length_um,
    )  # fmt: skip
