"""Images of stage micrometers and calibration grids with known truth.

The pattern is laid out in micrometres, sampled as area coverage on a grid finer than the
pixels, blurred by the optics, integrated over each pixel and given uneven light, noise and
quantisation. Nothing here uses the code that measures.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatImage = NDArray[np.float32]

_FINE = 3  # samples across a pixel; the blur after it hides what is left of the sampling


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """How an artefact is looked at.

    Attributes
    ----------
    size_px : tuple of two ints
        Width and height.
    um_per_px : tuple of two floats
        True scale in x and y, at the centre of distortion.
    rotation_deg : float
        Direction of the artefact's measuring axis against the image's x axis.
    centre_um : tuple of two floats
        Point of the artefact, along and across its axis, seen at the centre of the image.
    blur_um : float
        Standard deviation of the optical blur.
    light : tuple of four floats
        Level of the bright parts as a share of full scale at the centre, fall towards the
        corners, and slope in x and y over half the image.
    contrast : float
        Share of the light that is lost in dark parts.
    noise : float
        Standard deviation of the white noise as a share of full scale.
    k1_per_px2 : float
        Radial distortion: ideal position = centre + (seen - centre)·(1 + k1·r²).
    distortion_centre_px : tuple of two floats or None
        None for the centre of the image.
    bits : int
        8, or up to 16.
    """

    size_px: tuple[int, int]
    um_per_px: tuple[float, float]
    rotation_deg: float = 0.0
    centre_um: tuple[float, float] = (0.0, 0.0)
    blur_um: float = 0.4
    light: tuple[float, float, float, float] = (0.7, 0.0, 0.0, 0.0)
    contrast: float = 0.8
    noise: float = 0.01
    k1_per_px2: float = 0.0
    distortion_centre_px: tuple[float, float] | None = None
    bits: int = 8

    def artefact_um(self, x_px: FloatImage, y_px: FloatImage) -> tuple[FloatImage, FloatImage]:
        """Return where on the artefact a point of the image lies, along and across its axis."""
        middle_x, middle_y = (self.size_px[0] - 1) / 2, (self.size_px[1] - 1) / 2
        cx, cy = self.distortion_centre_px or (middle_x, middle_y)
        dx, dy = x_px - cx, y_px - cy
        stretch = 1.0 + self.k1_per_px2 * (dx * dx + dy * dy)
        x_um = (cx - middle_x + dx * stretch) * self.um_per_px[0]
        y_um = (cy - middle_y + dy * stretch) * self.um_per_px[1]
        c, s = math.cos(math.radians(self.rotation_deg)), math.sin(math.radians(self.rotation_deg))
        along = c * x_um + s * y_um + self.centre_um[0]
        across = c * y_um - s * x_um + self.centre_um[1]
        return along.astype(np.float32), across.astype(np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rulings:
    """A ruled stage micrometer, its axis along `u`, line 0 at the origin.

    Attributes
    ----------
    pitch_um, width_um : float
    first, last : int
        Numbers of the outermost lines.
    lengths_um : tuple of three floats
        Length of ordinary lines, of every fifth and of every tenth; all start at ``v = 0``.
    missing : frozenset of int
        Numbers of lines that are not there.
    errors_um : mapping of int to float
        How far single lines lie from their place.
    numerals : bool
        Whether strokes of figures stand above every tenth line.
    """

    pitch_um: float
    width_um: float
    first: int = 0
    last: int = 100
    lengths_um: tuple[float, float, float] = (60.0, 90.0, 120.0)
    missing: frozenset[int] = frozenset()
    errors_um: Mapping[int, float] = field(default_factory=dict)
    numerals: bool = False

    def coverage(self, u_um: FloatImage, v_um: FloatImage, fine_um: float) -> FloatImage:
        """Return the share of each sample of size `fine_um` that is covered by lines."""
        count = self.last - self.first + 1
        number = np.arange(self.first, self.last + 1)
        length = np.where(number % 10 == 0, self.lengths_um[2], self.lengths_um[0])
        length = np.where((number % 5 == 0) & (number % 10 != 0), self.lengths_um[1], length)
        length[[i for i, k in enumerate(number) if int(k) in self.missing]] = -1e9
        shift = np.array([self.errors_um.get(int(k), 0.0) for k in number])
        index = np.rint(u_um / self.pitch_um).astype(np.int32) - self.first
        inside = (index >= 0) & (index < count)
        index = np.clip(index, 0, count - 1)
        distance = u_um - ((index + self.first) * self.pitch_um + shift[index])
        covered = _box(distance, self.width_um, fine_um) * _slab(v_um, length[index], fine_um)
        covered = np.where(inside, covered, 0.0).astype(np.float32)
        if self.numerals:
            for box in self._strokes():
                u0, u1, v0, v1 = box
                stroke = _box(u_um - (u0 + u1) / 2, u1 - u0, fine_um)
                stroke = stroke * _box(v_um - (v0 + v1) / 2, v1 - v0, fine_um)
                np.maximum(covered, stroke, out=covered)
        return covered

    def _strokes(self) -> list[tuple[float, float, float, float]]:
        """Return the boxes of seven-stroke figures, u0 u1 v0 v1."""
        unit, thick = 1.5 * self.pitch_um, max(self.width_um, 0.2 * self.pitch_um)
        boxes = []
        for k in range(self.first, self.last + 1):
            if k % 10:
                continue
            u, v = k * self.pitch_um - unit / 2, self.lengths_um[2] + self.pitch_um
            for stroke in _FIGURES[(abs(k) // 10) % 10]:
                a0, b0, a1, b1 = _STROKES[stroke]
                boxes.append(
                    (u + a0 * unit - thick / 2, u + a1 * unit + thick / 2,
                     v + b0 * unit - thick / 2, v + b1 * unit + thick / 2)
                )  # fmt: skip
        return boxes


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """A grid of dots, squares or crossed lines with one pitch in both directions.

    Attributes
    ----------
    kind : str
        ``dots``, ``squares`` or ``crossed lines``.
    pitch_um : float
    size_um : float
        Diameter, side or line width.
    missing : frozenset of pairs of ints
        Dots or squares that are not there.
    out_of_square_deg : float
        By how much the second axis of the artefact is off a right angle.
    """

    kind: str
    pitch_um: float
    size_um: float
    missing: frozenset[tuple[int, int]] = frozenset()
    out_of_square_deg: float = 0.0

    def coverage(self, u_um: FloatImage, v_um: FloatImage, fine_um: float) -> FloatImage:
        """Return the share of each sample of size `fine_um` that is covered."""
        if self.out_of_square_deg:
            u_um = u_um + np.float32(math.tan(math.radians(self.out_of_square_deg))) * v_um
        i, j = np.rint(u_um / self.pitch_um), np.rint(v_um / self.pitch_um)
        du, dv = u_um - i * self.pitch_um, v_um - j * self.pitch_um
        if self.kind == "dots":
            covered = np.clip((self.size_um / 2 - np.hypot(du, dv)) / fine_um + 0.5, 0, 1)
        elif self.kind == "squares":
            covered = _box(du, self.size_um, fine_um) * _box(dv, self.size_um, fine_um)
        else:
            a, b = _box(du, self.size_um, fine_um), _box(dv, self.size_um, fine_um)
            covered = a + b - a * b
        for column, row in self.missing:
            covered = np.where((i == column) & (j == row), 0.0, covered)
        return np.asarray(covered, dtype=np.float32)


def render(
    artefact: Rulings | Grid,
    view: View,
    rng: np.random.Generator,
    *,
    bright: bool = False,
    dust: int = 0,
) -> NDArray[Any]:
    """Render one image.

    Parameters
    ----------
    artefact : Rulings or Grid
    view : View
    rng : numpy.random.Generator
        Source of noise and dust.
    bright : bool
        Whether the pattern is bright on a dark ground.
    dust : int
        Number of dark specks.

    Returns
    -------
    ndarray of uint8 or uint16, shape (height, width)
    """
    covered = pattern_share(artefact, view)
    height, width = covered.shape
    clear = covered if bright else 1.0 - covered
    transmitted = 1.0 - view.contrast + view.contrast * clear
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    x, y = 2 * x / (width - 1) - 1, 2 * y / (height - 1) - 1
    level, fall, slope_x, slope_y = view.light
    light = level * (1 - fall * (x * x + y * y) / 2 + slope_x * x + slope_y * y)
    for _ in range(dust):
        radius = rng.uniform(0.01, 0.04) * min(width, height)
        cx, cy = rng.uniform(0, width), rng.uniform(0, height)
        away = np.hypot((x + 1) / 2 * (width - 1) - cx, (y + 1) / 2 * (height - 1) - cy)
        light *= 1 - rng.uniform(0.3, 0.8) / (1 + np.exp(np.minimum((away - radius) / 1.5, 50)))
    signal = light * transmitted
    signal += rng.normal(0.0, view.noise, signal.shape).astype(np.float32)
    top = (1 << view.bits) - 1
    kind = np.uint8 if view.bits == 8 else np.uint16
    return np.asarray(np.clip(np.rint(signal * top), 0, top), dtype=kind)


def pattern_share(artefact: Rulings | Grid, view: View) -> FloatImage:
    """Return the blurred share of each pixel covered by the pattern, without light or noise."""
    import cv2

    width, height = view.size_px
    margin = math.ceil(4 * view.blur_um / min(view.um_per_px)) + 1
    shares = np.empty((height, width), dtype=np.float32)
    sigma = [view.blur_um / s * _FINE for s in view.um_per_px]
    strip = max(64, 4_000_000 // (width * _FINE * _FINE))
    fine_um = min(view.um_per_px) / _FINE
    x = (np.arange((width + 2 * margin) * _FINE) + 0.5) / _FINE - 0.5 - margin
    for top in range(0, height, strip):
        rows = min(strip, height - top)
        y = (np.arange((rows + 2 * margin) * _FINE) + 0.5) / _FINE - 0.5 - margin + top
        u, v = view.artefact_um(x[None, :].astype(np.float32), y[:, None].astype(np.float32))
        fine = artefact.coverage(u, v, fine_um)
        blurred = cv2.GaussianBlur(fine, (0, 0), sigmaX=sigma[0], sigmaY=sigma[1])
        size = (width + 2 * margin, rows + 2 * margin)
        pixels = cv2.resize(blurred, size, interpolation=cv2.INTER_AREA)
        shares[top : top + rows] = pixels[margin : margin + rows, margin : margin + width]
    return shares


def sample_images(folder: Path, *, seed: int = 20260211) -> Mapping[str, Mapping[str, Any]]:
    """Write the sample images of a stage micrometer and a grid, and return what is true of them.

    Parameters
    ----------
    folder : pathlib.Path
        Made where it is not there.
    seed : int
        Of the noise.

    Returns
    -------
    mapping of str to mapping
        By file name: true ``um_per_px``, ``pitch_um`` and ``rotation_deg``.
    """
    import tifffile

    rng = np.random.default_rng(seed)
    scale = (0.34512, 0.34508)
    light = (0.72, 0.25, 0.04, -0.03)
    ruled = Rulings(
        pitch_um=10.0, width_um=2.0, last=100, missing=frozenset({57}), numerals=True,
        lengths_um=(80.0, 110.0, 140.0),
    )  # fmt: skip
    common: dict[str, Any] = {
        "um_per_px": scale, "blur_um": 0.45, "light": light, "noise": 0.003,
    }  # fmt: skip
    views: Sequence[tuple[str, Rulings | Grid, View]] = (
        ("micrometer-x.tif", ruled,
         View(size_px=(1024, 800), rotation_deg=1.3, centre_um=(450.0, 80.0), **common)),
        ("micrometer-y.tif", ruled,
         View(size_px=(1024, 800), rotation_deg=91.1, centre_um=(520.0, 80.0), **common)),
        ("grid.tif", Grid(kind="dots", pitch_um=20.0, size_um=10.0),
         View(size_px=(1024, 800), rotation_deg=2.4, k1_per_px2=4e-9, **common)),
    )  # fmt: skip
    folder.mkdir(parents=True, exist_ok=True)
    truth = {}
    for name, artefact, view in views:
        image = render(artefact, view, rng, dust=3)
        tifffile.imwrite(folder / name, image, compression="zlib", predictor=True)
        truth[name] = {
            "um_per_px": scale,
            "pitch_um": artefact.pitch_um,
            "rotation_deg": view.rotation_deg,
        }
    return truth


def _box(distance: FloatImage, width: float, fine: float) -> FloatImage:
    """Return the share of samples `fine` wide that a line of a width covers, seen end on."""
    half = width / 2
    low = np.maximum(distance - fine / 2, -half)
    high = np.minimum(distance + fine / 2, half)
    return np.asarray(np.maximum(high - low, 0.0) / fine, dtype=np.float32)


def _slab(v: FloatImage, length: NDArray[np.float64], fine: float) -> FloatImage:
    share = np.minimum(v / fine + 0.5, (length - v) / fine + 0.5)
    return np.asarray(np.clip(share, 0.0, 1.0), dtype=np.float32)


# Seven strokes in a box of 0.6 by 1, a figure being a set of strokes.
_STROKES = {
    "top": (0.0, 1.0, 0.6, 1.0),
    "middle": (0.0, 0.5, 0.6, 0.5),
    "bottom": (0.0, 0.0, 0.6, 0.0),
    "left up": (0.0, 0.5, 0.0, 1.0),
    "right up": (0.6, 0.5, 0.6, 1.0),
    "left down": (0.0, 0.0, 0.0, 0.5),
    "right down": (0.6, 0.0, 0.6, 0.5),
}
_RIGHT = ("right up", "right down")
_FIGURES = (
    ("top", "bottom", "left up", "left down", *_RIGHT),
    _RIGHT,
    ("top", "right up", "middle", "left down", "bottom"),
    ("top", "middle", "bottom", *_RIGHT),
    ("left up", "middle", *_RIGHT),
    ("top", "left up", "middle", "right down", "bottom"),
    ("top", "left up", "left down", "middle", "right down", "bottom"),
    ("top", *_RIGHT),
    ("top", "middle", "bottom", "left up", "left down", *_RIGHT),
    ("top", "middle", "bottom", "left up", *_RIGHT),
)
