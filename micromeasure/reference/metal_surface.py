"""Rendered metal surfaces: lay, scratches, pits, stains and oxide, drawn with exact area coverage.

Strokes are drawn from continuous geometry by the exact area they cover of each pixel, so that
sub-pixel widths and positions come out right. Lengths are in pixels here; the
view that uses a surface knows how long a pixel is.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.reference.render import polygon_coverage

FloatArray = NDArray[np.float64]
Image = NDArray[np.float32]

# Points of a stroke that are filled at once: small pieces touch few pixels.
_PIECE = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """A drawn line of varying width: a crack, a scratch or a part of one.

    Attributes
    ----------
    points_px : ndarray, shape (n, 2)
        Points ``x y`` along its middle.
    widths_px : ndarray, shape (n,)
        Full width at each point.
    strength : float
        Share of full darkness (or brightness), 0 to 1.
    """

    points_px: FloatArray
    widths_px: FloatArray
    strength: float = 1.0


def draw_coverage(shape: tuple[int, int], strokes: list[Stroke]) -> Image:
    """Return the share of each pixel that strokes cover, times their strength.

    Parameters
    ----------
    shape : tuple of two ints
        Rows and columns.
    strokes : list of Stroke
        Where strokes overlap, the stronger one counts.

    Returns
    -------
    ndarray of float32, shape (rows, cols)
        Between 0 and 1, exact but for the insides of sharp corners. Ends are cut square.
    """
    canvas = np.zeros(shape, dtype=np.float32)
    for stroke in strokes:
        left, right = _sides(stroke)
        low_all, high_all = _box(np.vstack((left, right)), shape)
        if np.any(high_all <= low_all):
            continue
        layer = np.zeros((high_all[1] - low_all[1], high_all[0] - low_all[0]))
        # Neighbouring pieces share a side, so their areas add up to the whole.
        for start in range(0, len(left) - 1, _PIECE):
            part = slice(start, start + _PIECE + 1)
            outline = np.vstack((left[part], right[part][::-1]))
            low, high = _box(outline, shape)
            if np.any(high <= low):
                continue
            area = polygon_coverage(outline - low, (high[1] - low[1], high[0] - low[0]))
            y, x = low[1] - low_all[1], low[0] - low_all[0]
            layer[y : y + area.shape[0], x : x + area.shape[1]] += area
        view = canvas[low_all[1] : high_all[1], low_all[0] : high_all[0]]
        np.maximum(view, stroke.strength * np.minimum(layer, 1.0), out=view, casting="same_kind")
    return canvas


def _sides(stroke: Stroke) -> tuple[FloatArray, FloatArray]:
    """Return the two sides of a stroke, mitred at its corners."""
    points, half = stroke.points_px, 0.5 * stroke.widths_px
    along = np.diff(points, axis=0)
    along /= np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-9)[:, None]
    normal = np.column_stack((-along[:, 1], along[:, 0]))
    joint = np.vstack((normal[:1], normal[:-1] + normal[1:], normal[-1:]))
    joint /= np.maximum(np.hypot(joint[:, 0], joint[:, 1]), 1e-9)[:, None]
    cosine = np.concatenate(([1.0], np.sum(joint[1:-1] * normal[1:], axis=1), [1.0]))
    reach = (half / np.clip(cosine, 0.6, 1.0))[:, None]
    return points + reach * joint, points - reach * joint


def _box(points: FloatArray, shape: tuple[int, int]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return first and one past the last pixel, x and y, of what points enclose in the image."""
    low = np.maximum(np.floor(points.min(axis=0) + 0.5).astype(np.intp), 0)
    high = np.minimum(np.ceil(points.max(axis=0) + 0.5).astype(np.intp) + 1, shape[::-1])
    return low, high


def lay_texture(
    rng: np.random.Generator,
    shape: tuple[int, int],
    *,
    angle_deg: float,
    streak_px: float,
    grain_px: float,
) -> Image:
    """Return the texture of a brushed, rolled or ground surface, mean 0 and spread 1.

    Parameters
    ----------
    rng : numpy.random.Generator
    shape : tuple of two ints
    angle_deg : float
        Direction of the lay, counted from x towards y.
    streak_px : float
        Correlation length along the lay; with about `grain_px` the texture has no direction.
    grain_px : float
        Correlation length across the lay.
    """
    from scipy import fft

    rows, cols = shape
    size = (fft.next_fast_len(rows + 32), fft.next_fast_len(cols + 32))
    noise = rng.standard_normal(size, dtype=np.float32)
    fy = np.fft.fftfreq(size[0]).astype(np.float32)[:, None]
    fx = np.fft.rfftfreq(size[1]).astype(np.float32)[None, :]
    angle = np.deg2rad(angle_deg)
    along = fx * np.cos(angle) + fy * np.sin(angle)
    across = -fx * np.sin(angle) + fy * np.cos(angle)
    gain = np.exp(-2 * (np.pi * along * streak_px) ** 2) / (
        1 + (2 * np.pi * across * grain_px) ** 2
    )
    texture = fft.irfft2(fft.rfft2(noise) * gain.astype(np.float32), s=size)[:rows, :cols]
    texture = texture - texture.mean()
    return np.asarray(texture / texture.std(), dtype=np.float32)


def patches(
    rng: np.random.Generator, shape: tuple[int, int], *, size_px: float, share: float, soft: float
) -> Image:
    """Return smooth-edged irregular patches (stains, oxide), 0 outside and 1 inside.

    Parameters
    ----------
    size_px : float
        Typical extent of a patch.
    share : float
        Share of the surface that is covered.
    soft : float
        Width of the edge in spreads of the field that is cut: small is sharp.
    """
    field = lay_texture(rng, shape, angle_deg=0.0, streak_px=size_px / 4, grain_px=size_px / 4)
    level = float(np.quantile(field[::8, ::8], 1.0 - share))
    return np.asarray(np.clip((field - level) / max(soft, 1e-3) + 0.5, 0.0, 1.0), np.float32)


def scratch(
    rng: np.random.Generator,
    shape: tuple[int, int],
    *,
    angle_deg: float,
    length_px: float,
    width_px: float,
    strength: float,
) -> Stroke:
    """Return one scratch: nearly straight, of even width, through a random place."""
    rows, cols = shape
    middle = rng.uniform((0, 0), (cols, rows))
    n = max(4, int(length_px / 40))
    t = np.linspace(-0.5, 0.5, n)
    bow = rng.normal(0.0, 0.008) * length_px * (1 - 4 * t**2)
    angle = np.deg2rad(angle_deg)
    c, s = np.cos(angle), np.sin(angle)
    x = middle[0] + t * length_px * c - bow * s
    y = middle[1] + t * length_px * s + bow * c
    ends = np.clip(np.minimum(t + 0.5, 0.5 - t) * 12, 0.3, 1.0)
    return Stroke(points_px=np.column_stack((x, y)), widths_px=width_px * ends, strength=strength)


def pit(
    rng: np.random.Generator, shape: tuple[int, int], *, size_px: float, strength: float
) -> Stroke:
    """Return one pit: a short thick stroke, from round to three times as long as wide."""
    rows, cols = shape
    middle = rng.uniform((0, 0), (cols, rows))
    angle = rng.uniform(0, np.pi)
    reach = size_px * rng.uniform(0.05, 1.0)
    n = 5
    t = np.linspace(-0.5, 0.5, n)
    points = middle + np.column_stack((t * reach * np.cos(angle), t * reach * np.sin(angle)))
    points += rng.normal(0, size_px * 0.06, points.shape)
    widths = size_px * rng.uniform(0.7, 1.2, n)
    return Stroke(points_px=points, widths_px=widths, strength=strength)
