"""The outline in micrometres, and stretches of it around a point."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.outcome import FloatArray
from micromeasure.sideview.arc import into_frame
from micromeasure.sideview.contour import Contour
from micromeasure.sideview.frame import Frame
from micromeasure.sideview.stretch import Noise

Booleans = NDArray[np.bool_]

# Noise is what a cubic through so many points on each side leaves; its correlation is summed
# over so many points.
_SMOOTHING_REACH, _LAGS, _MAX_INFLATION = 15, 8, 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """A closed outline in micrometres, y upwards, in clockwise order.

    Attributes
    ----------
    points_um, normals_um : ndarray of float, shape (n, 2)
        Edge positions and unit normals out of the part.
    valid : ndarray of bool, shape (n,)
    sigma_um : float
        Blur of the edges.
    pixel_um : float
        Geometric mean of the pixel's two sides.
    frame : Frame
        From pixels to micrometres.
    length_um : ndarray of float, shape (n + 1,)
        Distance along the outline from its first point; the last entry is the perimeter.
    pixels : ndarray, shape (rows, cols)
        The grey values it was traced in.
    step : float
        Grey values of surroundings minus part.
    noise : Noise
        How far single points lie off a smooth curve.
    edge_model_um : float
        What the model of an edge leaves of a position even without noise: it is alike all
        along the outline.
    noise_share : float
        Noise of a grey value as a share of the step.
    """

    points_um: FloatArray
    normals_um: FloatArray
    valid: Booleans
    sigma_um: float
    pixel_um: float
    frame: Frame
    length_um: FloatArray
    pixels: NDArray[Any]
    step: float
    noise: Noise
    edge_model_um: float
    noise_share: float

    def to_px(self, points_um: FloatArray) -> FloatArray:
        """Return points in pixels of the traced image, ``x y``."""
        return self.frame.to_px(points_um)

    @property
    def pixel_blur_um(self) -> float:
        """Blur of the pixels themselves: that of the outline less what sampling added.

        Bilinear sampling at random places is a convolution with a triangle whose variance,
        over all places, is 1/6 px².
        """
        return self.pixel_um * math.sqrt(max((self.sigma_um / self.pixel_um) ** 2 - 1 / 6, 0.05))

    def pixels_near(self, point_um: FloatArray, reach_um: float) -> tuple[FloatArray, FloatArray]:
        """Return centres and grey values of the pixels within a square about a point."""
        x, y = self.to_px(point_um[None])[0]
        half_x, half_y = (reach_um / s for s in self.frame.um_per_px)
        rows, cols = self.pixels.shape
        columns = np.arange(
            max(0, math.ceil(x - half_x)), min(cols - 1, math.floor(x + half_x)) + 1
        )
        lines = np.arange(max(0, math.ceil(y - half_y)), min(rows - 1, math.floor(y + half_y)) + 1)
        grid_y, grid_x = np.meshgrid(lines, columns, indexing="ij")
        values = self.pixels[grid_y, grid_x].ravel().astype(float)
        return self.frame.to_um(np.column_stack([grid_x.ravel(), grid_y.ravel()])), values

    def distance_from(self, index: int) -> FloatArray:
        """Return the signed distance along the outline from one point to each, the short way."""
        perimeter = self.length_um[-1]
        rest = self.length_um[:-1] - self.length_um[index]
        wrapped: FloatArray = (rest + perimeter / 2) % perimeter - perimeter / 2
        return wrapped

    def stretch(
        self, index: int, low_um: float, high_um: float
    ) -> tuple[NDArray[np.intp], FloatArray]:
        """Return valid points between two distances from one point, in order, and distances."""
        distance = self.distance_from(index)
        chosen = np.flatnonzero((distance >= low_um) & (distance <= high_um) & self.valid)
        order = np.argsort(distance[chosen], kind="stable")
        return chosen[order], distance[chosen[order]]

    def path(self, first: int, last: int) -> NDArray[np.intp]:
        """Return the points from one to another in clockwise order, ends included."""
        n = len(self.points_um)
        return (first + np.arange((last - first) % n + 1)) % n


def outline_of(contour: Contour, frame: Frame, pixels: NDArray[Any], *,
               is_bright: bool) -> Outline:  # fmt: skip
    """Turn a contour in pixels into an outline in micrometres.

    Parameters
    ----------
    contour : Contour
        In coordinates of `pixels`.
    frame : Frame
        Of that window.
    pixels : ndarray, shape (rows, cols)
    is_bright : bool
        Whether the part is brighter than its surroundings.

    Returns
    -------
    Outline
    """
    scale = np.array([frame.um_per_px[0], -frame.um_per_px[1]])
    points = frame.to_um(contour.points_px)
    # A normal turns as the inverse of the scale: across the edge stays across it.
    normals = contour.normals_px / scale
    normals /= np.hypot(*normals.T)[:, None]
    valid = contour.valid
    x, y = points.T
    if np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)) > 0:
        points, normals, valid = points[::-1], normals[::-1], valid[::-1]
    pixel = frame.pixel_um
    legs = np.hypot(*np.diff(points, axis=0, append=points[:1]).T)
    return Outline(
        points_um=points, normals_um=normals, valid=valid,
        sigma_um=contour.sigma_px * pixel, pixel_um=pixel, frame=frame,
        length_um=np.concatenate([[0.0], np.cumsum(legs)]), pixels=pixels,
        step=-contour.step if is_bright else contour.step,
        noise=estimate_noise(points, normals, valid, pixel),
        edge_model_um=contour.edge_model_px * pixel, noise_share=contour.noise_share,
    )  # fmt: skip


def local_frame(
    outline: Outline, index: int, along: FloatArray, *, low_um: float, high_um: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return u, v and the distance along the outline of the valid points around one point.

    Parameters
    ----------
    outline : Outline
    index : int
        Point the frame sits on.
    along : ndarray of float, shape (2,)
        Unit vector of u; v is to its left.
    low_um, high_um : float
        Distances along the outline between which points are taken.
    """
    chosen, distance = outline.stretch(index, low_um, high_um)
    uv = into_frame(outline.points_um[chosen], outline.points_um[index], along)
    return uv[:, 0], uv[:, 1], distance


def estimate_noise(points: FloatArray, normals: FloatArray, valid: Booleans, pixel: float) -> Noise:
    """Estimate the scatter of points about the outline smoothed over some pixels.

    The smoothing is a cubic through the neighbours (Savitzky and Golay 1964), which follows
    bends; a mean over as many points would take them for scatter.

    Parameters
    ----------
    points, normals : ndarray of float, shape (n, 2)
        A closed outline, points about a pixel apart.
    valid : ndarray of bool, shape (n,)
    pixel : float
        Length of a pixel.

    Returns
    -------
    Noise
    """
    reach = min(_SMOOTHING_REACH, (len(points) - 1) // 2)
    kernel = _cubic_weights(reach)
    padded = np.concatenate([points[-reach:], points, points[:reach]])
    smooth = np.column_stack([np.convolve(padded[:, k], kernel, mode="valid") for k in (0, 1)])
    rest = np.sum((points - smooth) * normals, axis=1)
    rest = rest[valid] - np.median(rest[valid])
    scatter = max(1.4826 * float(np.median(np.abs(rest))), 1e-6 * pixel)
    # Corners and specks stand out for other reasons than noise.
    bounded = np.where(np.abs(rest) < 3 * scatter, rest, 0.0)
    seen = np.array([bounded[k:] @ bounded[: len(bounded) - k] for k in range(2 * _LAGS)])
    own = _before_smoothing(seen / max(float(seen[0]), 1e-300), kernel)
    inflation = float(np.clip((own[0] + 2 * own[1:].sum()) / own[0], 1.0, _MAX_INFLATION))
    return Noise(scatter=scatter * math.sqrt(own[0]), inflation=inflation, pixel=pixel)


def _before_smoothing(seen: FloatArray, kernel: FloatArray) -> FloatArray:
    """Return the autocovariance of the noise from that of what a smoothing left of it.

    Taking off the smoothed values is a linear filter: it turns the autocovariance into that
    convolved with the filter's own. The one over some lags that fits best is sought.
    """
    left = -kernel
    left[len(kernel) // 2] += 1
    response = np.convolve(left, left)
    middle, lags = len(response) // 2, np.arange(_LAGS + 1)
    apart = np.arange(len(seen))[:, None]
    # The noise's autocovariance is even: each lag counts on both sides, the first one once.
    columns = response[middle + apart - lags] + response[middle - apart - lags]
    columns[:, 0] /= 2
    own, *_ = np.linalg.lstsq(columns, seen, rcond=None)
    return np.array([max(float(own[0]), 1.0), *own[1:]])


def _cubic_weights(reach: int) -> FloatArray:
    """Return the weights that give the middle of a least-squares cubic over 2 reach + 1 points."""
    at = np.arange(-reach, reach + 1.0)
    size = 2 * reach + 1
    # Savitzky and Golay's weights for the smoothed value, second and third order alike.
    weights: FloatArray = (
        3 * (3 * reach * (reach + 1) - 1 - 5 * at**2) / ((size - 2) * size * (size + 2))
    )
    return weights
