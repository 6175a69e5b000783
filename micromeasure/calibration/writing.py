"""Writing calibration files: as tables, whole, or not at all."""

import contextlib
import dataclasses
import datetime as dt
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from micromeasure.calibration.file import SCHEMA, Calibration, Light, Reference
from micromeasure.calibration.grid import GridImage
from micromeasure.calibration.scale import Artefact, ArtefactImage, Scale
from micromeasure.errors import CalibrationError
from micromeasure.fields import specs

_PLENTY = 1000.0  # degrees of freedom; more are as good as infinitely many


@dataclass(frozen=True, slots=True, kw_only=True)
class Labels:
    """What a person says about a calibration.

    Attributes
    ----------
    id, objective : str
    made, valid_until : datetime.date
    artefact, certificate : str
        The reference and its certificate; empty where not given.
    """

    id: str
    objective: str
    made: dt.date
    valid_until: dt.date
    artefact: str = ""
    certificate: str = ""

    def __post_init__(self) -> None:
        """Check what a person has typed."""
        problems = []
        if not self.id.strip():
            problems.append("id: is empty; give the name by which studies refer to it.")
        if self.valid_until < self.made:
            problems.append(
                f"valid until {self.valid_until} is before made {self.made}; correct the date."
            )
        if problems:
            raise CalibrationError(problems)


def calibration_from(
    scale: Scale,
    artefact: Artefact,
    labels: Labels,
    *,
    images: Sequence[ArtefactImage],
    sources: Sequence[Mapping[str, str]],
    light: Light,
) -> Calibration:
    """Return the calibration that a fitted scale amounts to.

    Parameters
    ----------
    scale : Scale
    artefact : Artefact
    labels : Labels
    images : sequence of RuledImage or GridImage
    sources : sequence of mapping
        ``image`` and ``sha256`` of each.
    light : Light

    Returns
    -------
    Calibration
    """
    x, y = scale.um_per_px
    u = None
    dof = None
    if x.standard_uncertainty is not None and y.standard_uncertainty is not None:
        u = (_digits(x.standard_uncertainty, 3), _digits(y.standard_uncertainty, 3))
        if min(x.dof, y.dof) < _PLENTY:
            dof = (_digits(min(x.dof, _PLENTY), 3), _digits(min(y.dof, _PLENTY), 3))
    return Calibration(
        schema=SCHEMA,
        id=labels.id,
        objective=labels.objective,
        image_size_px=images[0].size_px,
        um_per_px=(_digits(x.value or 0.0, 9), _digits(y.value or 0.0, 9)),
        u_um_per_px=u,
        dof=dof,
        squareness_deg=_digits(scale.squareness_deg, 4),
        made=labels.made,
        valid_until=labels.valid_until,
        reference=Reference(
            artefact=labels.artefact,
            certificate=labels.certificate,
            pitch_um=artefact.pitch_um,
            u_pitch_um=artefact.u_pitch_um,
            temperature_c=artefact.temperature_c,
            expansion_per_k=artefact.expansion_per_k,
        ),
        distortion=scale.distortion,
        fit=_fit_table(scale, images, sources),
        light=light,
    )


def _fit_table(
    scale: Scale, images: Sequence[ArtefactImage], sources: Sequence[Mapping[str, str]]
) -> dict[str, Any]:
    lines, residual = {"x": 0, "y": 0}, {"x": 0.0, "y": 0.0}
    entries = []
    for image, source, rotation in zip(images, sources, scale.rotation_deg, strict=True):
        if isinstance(image, GridImage):
            counts = {"x": len(set(image.numbers[:, 0])), "y": len(set(image.numbers[:, 1]))}
            sd = {"x": image.residual_sd_px, "y": image.residual_sd_px}
            kind = {"pattern": "grid", "elements": len(image.numbers)}
        else:
            a, b = (abs(v) for v in image.gradient_per_px)
            axis = "x" if a >= b else "y"
            counts, sd = {axis: len(image.numbers)}, {axis: float(image.residual_px.std(ddof=2))}
            kind = {"pattern": "rulings", "lines": len(image.numbers)}
        for axis, count in counts.items():
            if count >= lines[axis]:
                lines[axis], residual[axis] = int(count), _digits(sd[axis], 3)
        entries.append({**source, **kind, "rotation_deg": round(rotation, 4)})
    budget = []
    for one, other in zip(*(e.components or () for e in scale.um_per_px), strict=True):
        budget.append(
            {"component": one.name, "u_x": _digits(one.u, 3), "u_y": _digits(other.u, 3),
             "kind": one.kind, "source": one.source}
        )  # fmt: skip
    return {
        "lines": lines,
        "residual_sd_px": residual,
        "u_um_per_px": {a: _digits(u, 3) for a, u in zip("xy", scale.fit_u_um_per_px, strict=True)},
        "nonlinearity": _digits(scale.nonlinearity, 3),
        "images": entries,
        "budget": budget,
    }


def calibration_toml(calibration: Calibration) -> str:
    """Return a calibration file's text; what is unknown is left out."""
    import tomli_w

    return tomli_w.dumps(_table(calibration))


def write_calibration(calibration: Calibration, path: Path) -> None:
    """Write a calibration file whole, in place of what is there.

    Raises
    ------
    CalibrationError
        If it cannot be written; the old file is then untouched.
    """
    write_whole({path: calibration_toml(calibration).encode()})


def write_whole(files: Mapping[Path, bytes]) -> None:
    """Write files so that all of them appear, or none.

    Raises
    ------
    CalibrationError
        If one cannot be written.
    """
    parts: list[tuple[Path, Path]] = []
    target = next(iter(files))
    try:
        for target, content in files.items():
            target.parent.mkdir(parents=True, exist_ok=True)
            part = target.with_name(f"{target.name}.{os.getpid()}.part")
            parts.append((part, target))
            part.write_bytes(content)
        for part, target in parts:
            part.replace(target)
    except OSError as error:
        for part, _ in parts:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)
        message = (
            f"{target}: cannot be written ({error.strerror}); give a place where you may write."
        )
        raise CalibrationError([message]) from error


def _table(declared: Any) -> dict[str, Any]:  # noqa: ANN401  # any dataclass of declared fields
    """Return the declared fields of an object that say something, ready for TOML."""
    table: dict[str, Any] = {}
    nested: dict[str, Any] = {}
    defaults = {f.name: f.default for f in dataclasses.fields(declared)}
    for name, spec in specs(type(declared)).items():
        value = getattr(declared, name)
        if value is None or (value == "" and defaults[name] == ""):
            continue
        if spec.kind == "table":
            inner = _table(value)
            if inner:
                nested[name] = inner
        elif spec.kind == "tables":
            if value:
                nested[name] = [_table(item) for item in value]
        elif spec.kind == "xy":
            table[name] = {"x": value[0], "y": value[1]}
        elif spec.kind == "anything":
            if value:
                nested[name] = value
        else:
            table[name] = list(value) if isinstance(value, tuple) else value
    return {**table, **nested}


def _digits(value: float | None, n: int) -> Any:  # noqa: ANN401  # a float where one is given
    return None if value is None else float(f"{value:.{n - 1}e}")
