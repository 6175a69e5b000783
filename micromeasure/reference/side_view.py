"""Side views of a dome with bent feet, drawn from exact geometry.

The sheet is a chain of straight pieces and arcs; its two surfaces are offsets of that chain.
The outline is drawn by exact area coverage, blurred, lit and given noise. No part of the
measuring code is used, so that truth and measurement stay independent.
"""

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.outcome import FloatArray
from micromeasure.reference.render import polygon_coverage

Pixels = NDArray[Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Leg:
    """One side of the dome from the end of the crown's arc to the tip of the foot.

    Attributes
    ----------
    limb_um, foot_um : float
        Lengths of the straight pieces before and behind the fold.
    turn_deg : float
        Turn at the fold; above 0 outwards and up (the heel touches), below 0 downwards.
    inner_radius_um : float
        Radius of the fold's inner surface.
    tip_radius_um : float
        Rounding of the two corners at the foot's end; at most half the sheet's thickness.
    """

    limb_um: float = 260.0
    foot_um: float = 200.0
    turn_deg: float = 55.0
    inner_radius_um: float = 40.0
    tip_radius_um: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Dome:
    """A dome in micrometres: crown, thickness and two legs.

    Attributes
    ----------
    crown_radius_um : float
        Radius of the crown's outer surface.
    left_deg, right_deg : float
        Angle of the crown's arc from its apex to each side.
    thickness_um : float
    left, right : Leg
    """

    crown_radius_um: float = 1500.0
    left_deg: float = 30.0
    right_deg: float = 30.0
    thickness_um: float = 60.0
    left: Leg = field(default_factory=Leg)
    right: Leg = field(default_factory=Leg)

    def outline_um(self, *, fineness: int = 1) -> tuple[FloatArray, FloatArray]:
        """Return outline corners ``x y`` (y upwards, apex at 0 0) and which are outer surface.

        `fineness` is how many times as many corners an arc has as for drawing.
        """
        right_outer, right_inner, right_tip = _half(self, self.right, self.right_deg, fineness)
        left_outer, left_inner, left_tip = _half(self, self.left, self.left_deg, fineness)
        mirror = np.array([-1.0, 1.0])
        points = np.vstack(
            [
                right_outer,
                right_tip,
                right_inner[::-1],
                left_inner[1:] * mirror,
                (left_tip * mirror)[::-1],
                (left_outer * mirror)[::-1][:-1],
            ]
        )
        outer = np.zeros(len(points), dtype=bool)
        outer[: len(right_outer)] = True
        outer[len(points) - len(left_outer) + 1 :] = True
        return points, outer


@dataclass(frozen=True, slots=True, kw_only=True)
class DomeTruth:
    """What a perfect measurement of a dome would give."""

    dome_height_um: float
    base_chord_um: float
    dome_asymmetry_um: float
    crown_radius_um: float
    thickness_um: float
    fold_angle_deg: tuple[float, float]
    fold_radius_um: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """How the dome is put before the camera.

    Attributes
    ----------
    size_px : tuple of two ints
        Width and height.
    um_per_px : tuple of two floats
    apex_px : tuple of two floats
        Where the apex lies, ``x y``.
    tilt_deg : float
        Turn of the whole part in the image, anticlockwise.
    support : bool
        Whether a straight support carries the part; it reaches from side to side.
    blur_px : float
        Standard deviation of the Gaussian blur.
    bright : float
        Level of the background in back light, of the metal in reflected light (0 to 1).
    dark : float
        The other level.
    reflected : bool
        Whether the metal is brighter than what surrounds it.
    uneven : float
        Relative fall of the light from the centre to the corners.
    texture : float
        Relative standard deviation of a texture of about 3 px grain on metal and surroundings.
    noise : float
        Standard deviation of read noise at mid level, as a share of full scale.
    bits : int
        8, or up to 16.
    """

    size_px: tuple[int, int] = (1200, 700)
    um_per_px: tuple[float, float] = (2.0, 2.0)
    apex_px: tuple[float, float] = (600.0, 150.0)
    tilt_deg: float = 0.0
    support: bool = False
    blur_px: float = 1.2
    bright: float = 0.8
    dark: float = 0.06
    reflected: bool = False
    uneven: float = 0.1
    texture: float = 0.0
    noise: float = 0.01
    bits: int = 8


def dome_truth(dome: Dome) -> DomeTruth:
    """Return the dome's height and the rest from its outline, without any image."""
    # A rounded tip touches at any place of its arc, not only at the corners it is drawn with.
    points, outer = dome.outline_um(fineness=20)
    left, right = _lowest_chord(points)
    direction = (right - left) / math.hypot(*(right - left))
    normal = np.array([-direction[1], direction[0]])
    height = (points - left) @ normal
    chord = math.hypot(*(right - left))
    place = (points - left) @ direction
    # Tips of feet that point up may rise above the crown; they lie beyond the contacts.
    inside = np.logical_and(place > 0, place < chord)
    between = np.flatnonzero(np.logical_and(outer, inside))
    along = float(place[between][np.argmax(height[between])])
    # The corners of the outline are a thousandth of a radian apart; a circle's top is exact.
    centre = np.array([0.0, -dome.crown_radius_um])
    lean = math.degrees(math.atan2(-direction[1], direction[0]))
    if -dome.left_deg < lean < dome.right_deg:
        along = float((centre - left) @ direction)
    return DomeTruth(
        dome_height_um=float(height[between].max()),
        base_chord_um=chord,
        dome_asymmetry_um=along - chord / 2,
        crown_radius_um=dome.crown_radius_um,
        thickness_um=dome.thickness_um,
        fold_angle_deg=(180.0 - abs(dome.left.turn_deg), 180.0 - abs(dome.right.turn_deg)),
        fold_radius_um=(dome.left.inner_radius_um, dome.right.inner_radius_um),
    )


def render_dome(
    dome: Dome, scene: Scene, rng: np.random.Generator, *, clutter: bool = False
) -> Pixels:
    """Draw a side view.

    Parameters
    ----------
    dome, scene : Dome, Scene
    rng : numpy.random.Generator
        Source of noise, texture and clutter.
    clutter : bool
        Whether dust lies about and highlights shine on the metal's face.

    Returns
    -------
    ndarray of uint8 or uint16, shape (rows, cols)
    """
    cover = scene_coverage(dome, scene)
    if clutter:
        cover = _clutter(cover, rng)
    return _photograph(cover, scene, rng)


def scene_coverage(dome: Dome, scene: Scene) -> FloatArray:
    """Return the blurred share of metal (and support) in each pixel."""
    import cv2

    fine = 2
    points, _ = dome.outline_um()
    cover = polygon_coverage(_to_px(points, scene, fine), _fine_shape(scene, fine))
    if scene.support:
        left, right = _lowest_chord(points)
        along = (right - left) / math.hypot(*(right - left))
        down = np.array([along[1], -along[0]])
        span = 20.0 * math.hypot(*(right - left))
        slab = np.array(
            [left - span * along, right + span * along, right + span * (along + down),
             left + span * (down - along)]
        )  # fmt: skip
        cover += polygon_coverage(_to_px(slab, scene, fine), cover.shape)
        cover = np.minimum(cover, 1.0)
    blurred = cv2.GaussianBlur(
        cover.astype(np.float32), (0, 0), scene.blur_px * fine, borderType=cv2.BORDER_REPLICATE
    )
    small = cv2.resize(blurred, scene.size_px, interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=np.float64)


def sample_domes(rng: np.random.Generator) -> dict[tuple[str, str, str], Pixels]:
    """Return side views of lots K and M, free and pressed, by (revision, specimen, state).

    Both lots have practically the same dome: what differs between them is within the scatter
    of one lot.
    """
    images = {}
    for revision in ("K", "M"):
        for specimen in ("1", "2", "3"):
            free = _vary(SAMPLE_DOME, rng)
            pressed = _flattened(free, 1.35)
            for state, dome in (("free", free), ("pressed", pressed)):
                scene = replace(
                    SAMPLE_SCENE,
                    apex_px=(600 + rng.uniform(-10, 10), 190 + rng.uniform(-10, 10)),
                    tilt_deg=rng.uniform(-1.5, 1.5),
                )
                images[revision, specimen, state] = render_dome(dome, scene, rng)
    return images


_SAMPLE_LEG = Leg(
    limb_um=250.0, foot_um=220.0, turn_deg=48.0, inner_radius_um=60.0, tip_radius_um=15.0
)
SAMPLE_DOME = Dome(
    crown_radius_um=3000.0, left_deg=20.0, right_deg=20.0, thickness_um=70.0,
    left=_SAMPLE_LEG, right=_SAMPLE_LEG,
)  # fmt: skip
SAMPLE_SCENE = Scene(um_per_px=(2.98, 3.02), support=True, noise=0.002)


def _flattened(dome: Dome, factor: float) -> Dome:
    """Return a dome with its crown bent to a larger radius, the arc's length kept."""
    return replace(
        dome,
        crown_radius_um=dome.crown_radius_um * factor,
        left_deg=dome.left_deg / factor,
        right_deg=dome.right_deg / factor,
    )


def _vary(dome: Dome, rng: np.random.Generator) -> Dome:
    """Return a dome as the press makes it: nearly, not exactly, the same."""
    angle = dome.left_deg * (1 + 0.004 * rng.standard_normal())
    legs = [
        replace(
            leg,
            limb_um=leg.limb_um * (1 + 0.01 * rng.standard_normal()),
            turn_deg=leg.turn_deg + 0.5 * rng.standard_normal(),
        )
        for leg in (dome.left, dome.right)
    ]
    return replace(dome, left_deg=angle, right_deg=angle, left=legs[0], right=legs[1])


def _half(
    dome: Dome, leg: Leg, crown_deg: float, fineness: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return outer surface, inner surface and the rounded end of the right half."""
    t = dome.thickness_um
    fold_radius = leg.inner_radius_um + t / 2
    turn = math.radians(leg.turn_deg)
    chain = [
        ((dome.crown_radius_um - t / 2) * math.radians(crown_deg), -math.radians(crown_deg)),
        (leg.limb_um, 0.0),
        (fold_radius * abs(turn), turn),
        (leg.foot_um, 0.0),
    ]
    points, headings = _walk(np.array([0.0, -t / 2]), chain, fineness)
    normals = np.column_stack([-np.sin(headings), np.cos(headings)])
    outer, inner = points + normals * t / 2, points - normals * t / 2
    r = min(leg.tip_radius_um, t / 2)
    along = np.array([math.cos(headings[-1]), math.sin(headings[-1])])
    normal = normals[-1]
    if r <= 0:
        return outer, inner, np.empty((0, 2))
    angle = np.linspace(0.0, math.pi / 2, 24 * fineness)[:, None]
    upper = (
        outer[-1] - r * normal - r * along + r * (np.cos(angle) * normal + np.sin(angle) * along)
    )
    lower = (
        inner[-1] + r * normal - r * along + r * (np.sin(angle) * along - np.cos(angle) * normal)
    )
    outer[-1], inner[-1] = outer[-1] - r * along, inner[-1] - r * along
    return outer, inner, np.vstack([upper[1:], lower[::-1][:-1]])


def _walk(
    start: FloatArray, chain: list[tuple[float, float]], fineness: int
) -> tuple[FloatArray, FloatArray]:
    """Return points and headings along straight pieces and arcs (length, turn)."""
    points, headings = [start], [0.0]
    for length, turn in chain:
        heading = headings[-1]
        # A thousandth of a radian keeps the chords of a 2 mm arc within 0.3 nm of it.
        steps = max(1, math.ceil(abs(turn) / 0.001) * fineness)
        at = np.arange(1, steps + 1) / steps
        if turn == 0:
            moves = length * at[:, None] * np.array([math.cos(heading), math.sin(heading)])
        else:
            radius = length / turn
            moves = radius * np.column_stack(
                [np.sin(heading + turn * at) - math.sin(heading),
                 math.cos(heading) - np.cos(heading + turn * at)]
            )  # fmt: skip
        points.extend(points[-1] + moves)
        headings.extend(heading + turn * at)
    return np.array(points), np.array(headings)


def _lowest_chord(points: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the two points on which the outline would stand: the longest hull edge below."""
    from scipy.spatial import ConvexHull

    hull = points[ConvexHull(points).vertices]
    edges = np.roll(hull, -1, axis=0) - hull
    # The hull runs anticlockwise, so edges below run to the right.
    longest = int(np.argmax(edges[:, 0]))
    return hull[longest], hull[(longest + 1) % len(hull)]


def _to_px(points_um: FloatArray, scene: Scene, fine: int) -> FloatArray:
    """Turn micrometres (y upwards) into pixels of a grid `fine` times as dense."""
    a = math.radians(scene.tilt_deg)
    x = points_um[:, 0] * math.cos(a) - points_um[:, 1] * math.sin(a)
    y = points_um[:, 0] * math.sin(a) + points_um[:, 1] * math.cos(a)
    px = np.column_stack([x / scene.um_per_px[0], -y / scene.um_per_px[1]]) + scene.apex_px
    return (px + 0.5) * fine - 0.5


def _fine_shape(scene: Scene, fine: int) -> tuple[int, int]:
    return scene.size_px[1] * fine, scene.size_px[0] * fine


def _clutter(cover: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Add dust beside the part and highlights on its face."""
    rows, cols = cover.shape
    y, x = np.mgrid[:rows, :cols]
    for _ in range(12):
        r = rng.uniform(1.5, 5.0)
        cx, cy = rng.uniform(0, cols), rng.uniform(0, rows)
        spot = np.clip(r + 0.5 - np.hypot(x - cx, y - cy), 0.0, 1.0)
        inside = cover[int(cy), int(cx)] > 0.5
        cover = cover * (1 - 0.6 * spot) if inside else np.maximum(cover, spot)
    return cover


def _photograph(cover: FloatArray, scene: Scene, rng: np.random.Generator) -> Pixels:
    """Light the scene, add texture and noise, and quantise."""
    import cv2

    rows, cols = cover.shape
    y, x = np.ogrid[:rows, :cols]
    reach = ((x - cols / 2) / (cols / 2)) ** 2 + ((y - rows / 2) / (rows / 2)) ** 2
    light = 1.0 - scene.uneven * reach / 2
    metal, around = (scene.bright, scene.dark) if scene.reflected else (scene.dark, scene.bright)
    signal = (around + (metal - around) * cover) * light
    if scene.texture > 0:
        grain = cv2.GaussianBlur(rng.standard_normal((rows, cols)), (0, 0), 1.5)
        signal *= 1.0 + scene.texture * grain / grain.std()
    # Shot noise: variance in proportion to the signal, `noise` where the signal is one half.
    signal += (
        scene.noise * np.sqrt(np.maximum(signal, 0.05) * 2) * rng.standard_normal(signal.shape)
    )
    top = (1 << scene.bits) - 1
    stored = np.clip(np.rint(signal * top), 0, top)
    result: Pixels = stored.astype(np.uint8 if scene.bits == 8 else np.uint16)
    return result
