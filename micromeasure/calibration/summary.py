"""A calibration in plain words."""

from collections.abc import Sequence

from micromeasure.calibration.file import DISTORTION_LIMIT, Calibration
from micromeasure.calibration.geometry import Distortion
from micromeasure.calibration.grid import GridImage
from micromeasure.calibration.scale import ArtefactImage, Scale
from micromeasure.estimate import Estimate, rounded


def describe(
    calibration: Calibration, scale: Scale, images: Sequence[ArtefactImage], names: Sequence[str]
) -> str:
    """Return what was found, the scale, its budget and what to mind, several lines."""
    width, height = calibration.image_size_px or (0, 0)
    lines = [
        f"Calibration {calibration.id} ({calibration.objective}), images of {width} x {height} px"
    ]
    lines += [
        f"  {name}: {_image(image, rotation, calibration)}"
        for name, image, rotation in zip(names, images, scale.rotation_deg, strict=True)
    ]
    lines += [
        f"  scale in {axis}: {_scale(estimate, fit)}"
        for axis, estimate, fit in zip("xy", scale.um_per_px, scale.fit_u_um_per_px, strict=True)
    ]
    lines += _geometry(scale)
    lines += _budget(scale)
    lines += _meaning(scale)
    return "\n".join(lines)


def _image(image: ArtefactImage, rotation: float, calibration: Calibration) -> str:
    mean = sum(calibration.um_per_px) / 2
    if isinstance(image, GridImage):
        columns, rows = (len(set(image.numbers[:, axis].tolist())) for axis in (0, 1))
        kind = "dark" if image.dark else "bright"
        return (
            f"grid of {len(image.numbers)} {kind} elements in {columns} columns and {rows} rows, "
            f"turned by {rotation:.2f}°, {len(image.stray_px)} left out, residual sd "
            f"{image.residual_sd_px:.3f} px ({image.residual_sd_px * mean:.3g} µm)"
        )
    span = int(image.numbers[-1] - image.numbers[0]) + 1
    missing = span - len(image.numbers) - len(image.stray_numbers)
    sd = float(image.residual_px.std(ddof=2))
    return (
        f"{len(image.numbers)} {'dark' if image.dark else 'bright'} rulings over {span - 1} "
        f"divisions, turned by {rotation:.2f}°, {missing} missing, {len(image.stray_numbers)} left "
        f"out, residual sd {sd:.3f} px ({sd * mean:.3g} µm)"
    )


def _scale(estimate: Estimate, fit_u: float) -> str:
    value = estimate.value or 0.0
    u = estimate.standard_uncertainty
    if u is None:
        text, fit = rounded(value, fit_u)
        return f"{text} µm/px, from the fit alone u = {fit} µm/px ({1e6 * fit_u / value:.0f} ppm)"
    text, u_text = rounded(value, u)
    low, high = estimate.interval_95
    places = len(text.partition(".")[2])
    return (
        f"{text} µm/px, u = {u_text} µm/px ({1e6 * u / value:.0f} ppm), 95 % interval "
        f"{low:.{places}f} to {high:.{places}f}"
    )


def _geometry(scale: Scale) -> list[str]:
    lines = []
    if scale.squareness_deg is not None:
        text, u = rounded(scale.squareness_deg, scale.u_squareness_deg)
        lines.append(f"  squareness of the axes: 90° {_signed(text)}°, u = {u}°")
    if scale.distortion is not None:
        lines.append(_distortion(scale.distortion))
    elif "distorted" in scale.flags:
        lines.append(
            f"  NOT corrected: scale changes by about {100 * scale.nonlinearity:+.2f} % towards "
            f"the corners, more than {100 * DISTORTION_LIMIT:g} %; calibrate with a grid"
        )
    return lines


def _distortion(distortion: Distortion) -> str:
    change = 100 * (distortion.corner_scale_change or 0.0)
    k1, u_k1 = distortion.k1_per_px2, distortion.u_k1_per_px2 or 0.0
    u = abs(change) * u_k1 / abs(k1) if k1 else 0.0
    return (
        f"  radial distortion: scale changes by {change:+.3f} % (u = {u:.3f} %) from the centre to "
        "the furthest corner; stored in the file, so that lengths are corrected by it"
    )


def _signed(text: str) -> str:
    return f"- {text[1:]}" if text.startswith("-") else f"+ {text}"


def _budget(scale: Scale) -> list[str]:
    x, y = scale.um_per_px
    if x.components is None or y.components is None:
        advice = (
            "  The uncertainty of the pitch is not given, so that of the scale is unknown, and of "
            "every length measured with it. Take it from the certificate (half the stated one, "
            "where k = 2) and give it as --u-pitch-um."
        )
        return [advice]
    lines = ["  uncertainty budget, in ppm of the scale:            x        y"]
    for one, other in zip(x.components, y.components, strict=True):
        ppm = [1e6 * c.u / (e.value or 1.0) for c, e in ((one, x), (other, y))]
        lines.append(f"    {one.name:<42} {ppm[0]:8.1f} {ppm[1]:8.1f}")
    return lines


def _meaning(scale: Scale) -> list[str]:
    worst = max(scale.um_per_px, key=lambda e: (e.standard_uncertainty or 0.0) / (e.value or 1.0))
    u = worst.standard_uncertainty
    if u is None or not worst.value or not worst.components:
        return []
    low, high = worst.interval_95
    half = ((high or 0.0) - (low or 0.0)) / 2 / worst.value
    largest = max(worst.components, key=lambda c: c.u)
    meaning = (
        f"  A length of 100 µm is uncertain by ±{100 * half:.2g} µm (95 %) from the scale alone; "
        f"the largest part is the {largest.name}."
    )
    return [meaning]
