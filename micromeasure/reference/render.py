"""Physical rendering: from exact geometry to the numbers a camera would store.

The chain is the one of a real microscope: geometry -> light collected by each pixel (area
coverage) -> blur of the objective -> uneven light -> shot and read noise -> digits. Each step
is a function of its own. Positions are those of the package: ``(x_px, y_px)`` with the centre
of the top-left pixel at ``(0, 0)``; arrays are ``[row, col]``.
"""

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micromeasure.calibration.file import SCHEMA, Calibration
from micromeasure.micrograph.image import Header, ImageRecord, Micrograph

FloatArray = NDArray[np.float64]


def pixel_grid(shape: tuple[int, int], oversample: int = 1) -> tuple[FloatArray, FloatArray]:
    """Return the x and y of every (sub-)pixel centre, in pixels of the final image.

    Parameters
    ----------
    shape : tuple of two ints
        Rows and columns of the final image.
    oversample : int
        Sub-pixels per pixel in each direction.

    Returns
    -------
    x_px, y_px : ndarray, shape (1, cols * oversample) and (rows * oversample, 1)
        They broadcast to the whole grid.
    """
    rows, cols = shape
    x = (np.arange(cols * oversample) + 0.5) / oversample - 0.5
    y = (np.arange(rows * oversample) + 0.5) / oversample - 0.5
    return x[None, :], y[:, None]


def half_plane_coverage(distance_px: FloatArray, normal: tuple[Any, Any]) -> FloatArray:
    """Return the exact share of a pixel that lies on the positive side of a straight edge.

    Parameters
    ----------
    distance_px : ndarray
        Signed distance of the pixel's centre from the edge, positive on the covered side.
    normal : tuple of two floats or ndarrays
        Unit normal of the edge, x and y; arrays broadcast with `distance_px`.

    Returns
    -------
    ndarray
        Coverage between 0 and 1.

    Notes
    -----
    Seen along the normal a unit pixel is the convolution of two boxes of widths |n_x| and
    |n_y|, so coverage is a step convolved with both: a difference of second integrals.
    """
    return _through_boxes(distance_px, normal, _ramp_integral)


def blurred_half_plane(
    distance_px: FloatArray, normal: tuple[Any, Any], sigma_px: float
) -> FloatArray:
    """Return the pixel values of a straight edge after a Gaussian blur, exactly.

    Parameters
    ----------
    distance_px, normal
        As in `half_plane_coverage`.
    sigma_px : float
        Standard deviation of the optical blur; the pixel's own area comes on top of it.

    Returns
    -------
    ndarray
        Between 0 and 1. For a curved edge it holds to first order in blur / radius.
    """
    if sigma_px <= 0.0:
        return half_plane_coverage(distance_px, normal)
    return _through_boxes(distance_px, normal, lambda t: _erf_integral(t, sigma_px))


def _through_boxes(
    distance_px: FloatArray,
    normal: tuple[Any, Any],
    twice_integrated: Callable[[FloatArray], FloatArray],
) -> FloatArray:
    # A box narrower than this blurs by less than 1e-7 px and would only cost digits.
    wide, narrow = (np.maximum(np.abs(n), 1e-3) for n in normal)
    total = np.zeros(np.broadcast(distance_px, wide).shape)
    for sign_a in (0.5, -0.5):
        for sign_b in (0.5, -0.5):
            sign = 1.0 if sign_a == sign_b else -1.0
            total += sign * twice_integrated(distance_px + sign_a * wide + sign_b * narrow)
    share: FloatArray = total / (wide * narrow)
    return share


def _ramp_integral(t: FloatArray) -> FloatArray:
    positive = np.maximum(t, 0.0)
    return 0.5 * positive * positive


def _erf_integral(t: FloatArray, sigma: float) -> FloatArray:
    """Second integral of the Gaussian step Phi(t / sigma)."""
    from scipy.special import ndtr

    z = t / sigma
    density = np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
    result: FloatArray = 0.5 * sigma * sigma * ((z * z + 1.0) * ndtr(z) + z * density)
    return result


def polygon_coverage(vertices_px: FloatArray, shape: tuple[int, int]) -> FloatArray:
    """Return the exact area of each pixel that lies inside a polygon.

    Parameters
    ----------
    vertices_px : ndarray, shape (n, 2)
        Corners ``x y`` in order; the last joins the first. It may reach beyond the image.
    shape : tuple of two ints
        Rows and columns.

    Returns
    -------
    ndarray, shape `shape`
        Coverage, the absolute winding number times area: between 0 and 1 for a simple polygon.

    Notes
    -----
    Every side is cut at all pixel borders. A piece with height dy and mean distance u from the
    left border of its pixel covers (1 - u) dy of that pixel and dy of all pixels to the right;
    the sum over the sides, with the sign of dy, is the area (Green's theorem).
    """
    rows, cols = shape
    start = np.asarray(vertices_px, dtype=np.float64) + 0.5
    end = np.roll(start, -1, axis=0)
    xa, ya, xb, yb = _pieces(start, end)
    height = yb - ya
    x_mid, y_mid = 0.5 * (xa + xb), 0.5 * (ya + yb)
    inside = (y_mid > 0) & (y_mid < rows) & (x_mid < cols) & (height != 0.0)
    x_mid, y_mid, height = np.maximum(x_mid[inside], 0.0), y_mid[inside], height[inside]
    row, col = np.floor(y_mid).astype(np.intp), np.floor(x_mid).astype(np.intp)
    share = 1.0 - (x_mid - col)
    width, flat = cols + 1, row * (cols + 1) + col
    area = np.bincount(flat, share * height, rows * width)
    area += np.bincount(flat + 1, (1.0 - share) * height, rows * width)
    coverage: FloatArray = np.abs(np.cumsum(area.reshape(rows, width), axis=1)[:, :cols])
    return coverage


def _pieces(start: FloatArray, end: FloatArray) -> tuple[FloatArray, ...]:
    """Cut all sides at every pixel border; return x and y of both ends of the pieces."""
    side = np.arange(len(start))
    sides, places = [side, side], [np.zeros(len(start)), np.ones(len(start))]
    for axis in (0, 1):
        a, b = start[:, axis], end[:, axis]
        low, high = np.ceil(np.minimum(a, b)), np.floor(np.maximum(a, b))
        count = np.maximum(high - low + 1, 0).astype(np.intp)
        count[a == b] = 0
        owner = np.repeat(side, count)
        step = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
        sides.append(owner)
        places.append((low[owner] + step - a[owner]) / (b - a)[owner])
    owner, t = np.concatenate(sides), np.clip(np.concatenate(places), 0.0, 1.0)
    order = np.lexsort((t, owner))
    owner, t = owner[order], t[order]
    same = owner[1:] == owner[:-1]
    owner, t0, t1 = owner[:-1][same], t[:-1][same], t[1:][same]
    direction = end - start
    xa, ya = (start[owner] + t0[:, None] * direction[owner]).T
    xb, yb = (start[owner] + t1[:, None] * direction[owner]).T
    return xa, ya, xb, yb


def disc_coverage(
    centre_px: tuple[float, float], radius_px: float, shape: tuple[int, int]
) -> FloatArray:
    """Return the area coverage of a disc, as a polygon of sides shorter than 0.2 px."""
    n = max(24, math.ceil(2.0 * math.pi * radius_px / 0.2))
    angle = 2.0 * math.pi * np.arange(n) / n
    # The polygon with this circumradius has the area of the disc.
    outer = radius_px * math.sqrt(2.0 * math.pi / n / math.sin(2.0 * math.pi / n))
    corners = np.column_stack(
        [centre_px[0] + outer * np.cos(angle), centre_px[1] + outer * np.sin(angle)]
    )
    return polygon_coverage(corners, shape)


def area_mean(image: FloatArray, oversample: int) -> FloatArray:
    """Return the image on the final pixels: means over squares of sub-pixels."""
    rows, cols = image.shape[0] // oversample, image.shape[1] // oversample
    means: FloatArray = image.reshape(rows, oversample, cols, oversample).mean(axis=(1, 3))
    return means


def gaussian_blur(image: FloatArray, sigma_px: tuple[float, float] | float) -> FloatArray:
    """Blur with a Gaussian of standard deviation (x, y) in pixels of `image`; mirrored borders."""
    import cv2

    sx, sy = (sigma_px, sigma_px) if isinstance(sigma_px, (int, float)) else sigma_px
    if max(sx, sy) <= 0.0:
        return image
    size = (2 * math.ceil(6.0 * sx) + 1, 2 * math.ceil(6.0 * sy) + 1)
    blurred = cv2.GaussianBlur(
        np.asarray(image, dtype=np.float64), size, max(sx, 1e-6), sigmaY=max(sy, 1e-6)
    )
    return np.asarray(blurred, dtype=np.float64)


def aperture_blur(image: FloatArray, cutoff_per_px: float) -> FloatArray:
    """Blur as a circular aperture does in incoherent light: not a Gaussian, with long tails.

    Parameters
    ----------
    image : ndarray, shape (rows, cols)
    cutoff_per_px : float
        Frequency 2 NA / wavelength at which contrast vanishes, in cycles per pixel of `image`.

    Returns
    -------
    ndarray
        Same shape; borders are mirrored.

    Notes
    -----
    Transfer of an ideal circular aperture: (2/pi) (arccos v - v sqrt(1 - v²)), v = f / cutoff.
    """
    rows, cols = image.shape
    pad = min(max(8, math.ceil(20.0 / cutoff_per_px)), rows - 1, cols - 1)
    padded = np.pad(image, pad, mode="reflect")
    fy = np.fft.fftfreq(padded.shape[0])[:, None]
    fx = np.fft.rfftfreq(padded.shape[1])[None, :]
    v = np.minimum(np.hypot(fx, fy) / cutoff_per_px, 1.0)
    transfer = (2.0 / math.pi) * (np.arccos(v) - v * np.sqrt(1.0 - v * v))
    blurred = np.fft.irfft2(np.fft.rfft2(padded) * transfer, s=padded.shape)
    result: FloatArray = blurred[pad : pad + rows, pad : pad + cols]
    return result


def uneven_light(
    shape: tuple[int, int],
    *,
    falloff: float = 0.0,
    slope: float = 0.0,
    slope_deg: float = 0.0,
    centre: tuple[float, float] = (0.5, 0.5),
) -> FloatArray:
    """Return a light field of maximum about 1.

    Parameters
    ----------
    shape : tuple of two ints
    falloff : float
        Loss from the centre to the farthest corner, quadratic in distance.
    slope : float
        Relative change from one side of the image to the other, along `slope_deg`.
    slope_deg : float
        Direction of the slope, degrees from the x axis towards y.
    centre : tuple of two floats
        Brightest point as shares of width and height.
    """
    x, y = pixel_grid(shape)
    rows, cols = shape
    u, v = x / max(cols - 1, 1), y / max(rows - 1, 1)
    far = max(math.hypot(a - centre[0], b - centre[1]) for a in (0, 1) for b in (0, 1))
    radius2 = ((u - centre[0]) ** 2 + (v - centre[1]) ** 2) / far**2
    angle = math.radians(slope_deg)
    along = (u - 0.5) * math.cos(angle) + (v - 0.5) * math.sin(angle)
    field: FloatArray = (1.0 - falloff * radius2) * (1.0 + slope * along)
    return field


def texture(shape: tuple[int, int], grain_px: float, rng: np.random.Generator) -> FloatArray:
    """Return a random texture of mean 0 and standard deviation 1, grains `grain_px` wide."""
    margin = math.ceil(4.0 * grain_px)
    white = rng.standard_normal((shape[0] + 2 * margin, shape[1] + 2 * margin))
    grains = gaussian_blur(white, grain_px)[margin : margin + shape[0], margin : margin + shape[1]]
    # Standard deviation of white noise after a Gaussian kernel, by theory: the field's own
    # standard deviation would couple distant places.
    return grains * (2.0 * math.sqrt(math.pi) * grain_px if grain_px > 0.5 else 1.0 / grains.std())


def smooth_walk(n: int, length: float, rng: np.random.Generator) -> FloatArray:
    """Return a random curve of mean 0 and standard deviation 1 over n points.

    Parameters
    ----------
    n : int
    length : float
        Correlation length (standard deviation of the smoothing kernel), in points.
    rng : numpy.random.Generator
    """
    half = math.ceil(4.0 * length)
    white = rng.standard_normal(n + 2 * half)
    offsets = np.arange(-half, half + 1)
    kernel = np.exp(-0.5 * (offsets / max(length, 1e-9)) ** 2)
    kernel /= math.sqrt(float(np.sum(kernel * kernel)))
    curve: FloatArray = np.convolve(white, kernel, mode="valid")
    return curve


def expose(
    light: FloatArray,
    rng: np.random.Generator,
    *,
    bits: int,
    full_well_e: float = 20000.0,
    read_noise_e: float = 8.0,
    black: float = 0.0,
) -> NDArray[Any]:
    """Return what a linear camera stores: shot noise, read noise, digits.

    Parameters
    ----------
    light : ndarray
        Signal as a share of full scale.
    rng : numpy.random.Generator
    bits : int
        8, or up to 16 (stored in 16-bit words).
    full_well_e : float
        Electrons at full scale; they set the shot noise.
    read_noise_e : float
        Standard deviation of the read noise, electrons.
    black : float
        Black level as a share of full scale.

    Returns
    -------
    ndarray of uint8 or uint16
    """
    electrons = np.maximum(light, 0.0) * full_well_e
    # Beyond some tens of electrons the Poisson law is a normal one to all practical digits.
    shot = np.sqrt(electrons) * rng.standard_normal(light.shape)
    if full_well_e < 2000.0:
        shot = rng.poisson(electrons) - electrons
    read = read_noise_e * rng.standard_normal(light.shape)
    return quantise((electrons + shot + read) / full_well_e + black, bits)


def quantise(signal: FloatArray, bits: int) -> NDArray[Any]:
    """Return a signal between 0 and 1 as whole numbers of that many bits, clipped at the ends."""
    top = (1 << bits) - 1
    digits = np.clip(np.rint(signal * top), 0, top)
    return digits.astype(np.uint8 if bits <= 8 else np.uint16)


def as_micrograph(
    pixels: NDArray[Any],
    *,
    um_per_px: tuple[float, float],
    bits: int | None = None,
    calibration: Calibration | None = None,
    record: ImageRecord | None = None,
) -> Micrograph:
    """Wrap rendered pixels as a micrograph that never was a file.

    Parameters
    ----------
    pixels : ndarray, shape (rows, cols) or (rows, cols, 3)
    um_per_px : tuple of two floats
        True scale; the calibration made from it, unless one is given, has no uncertainty.
    bits : int, optional
        Significant bits; default those of the type.
    calibration : Calibration, optional
    record : ImageRecord, optional
    """
    if calibration is None:
        calibration = Calibration(
            schema=SCHEMA, id="rendered", um_per_px=um_per_px, u_um_per_px=(0.0, 0.0)
        )
    return Micrograph(
        pixels=pixels,
        calibration=calibration,
        record=record or ImageRecord(image="rendered.tif"),
        header=Header(
            format="TIFF",
            width_px=pixels.shape[1],
            height_px=pixels.shape[0],
            channels=1 if pixels.ndim == 2 else pixels.shape[2],
            dtype=pixels.dtype.name,
            bits=bits or 8 * pixels.dtype.itemsize,
        ),
    )
