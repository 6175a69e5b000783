"""Writing reference images as a study with its truth, so that any tool can be tried on them."""

import csv
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from micromeasure.calibration.file import Calibration
from micromeasure.reference.trial import Conditions, Trial, TrialSet, Truth

TRUTH_FILE = "truth.csv"
TRUTH_COLUMNS = (
    "image", "condition", "quantity", "feature", "statistic", "truth", "step", "bound",
)  # fmt: skip
_MANIFEST = ("image", "specimen", "revision", "view", "calibration")


def write_study(
    trial_set: TrialSet, folder: Path, n: int, *, conditions: Conditions, rng: np.random.Generator
) -> dict[str, Trial]:
    """Render reference images into a study folder.

    Parameters
    ----------
    trial_set : TrialSet
    folder : pathlib.Path
        Gets ``study.toml``, ``images.csv``, ``images/``, ``calibrations/`` and ``truth.csv``.
    n : int
        Number of images.
    conditions : Conditions
    rng : numpy.random.Generator

    Returns
    -------
    dict of str to Trial
        Trials by image name, their pixels dropped.
    """
    import dataclasses

    import tifffile
    import tomli_w

    images, calibrations = folder / "images", folder / "calibrations"
    images.mkdir(parents=True)
    calibrations.mkdir()
    frames = trial_set.frames(conditions, rng) if trial_set.frames else {}
    for name, pixels in frames.items():
        tifffile.imwrite(images / name, pixels)
    trials: dict[str, Trial] = {}
    made: dict[str, Calibration] = {}
    rows = []
    for number, trial in enumerate(trial_set.trials(n, conditions, rng)):
        name = f"{trial_set.name}_{number:05d}.tif"
        tifffile.imwrite(images / name, trial.pixels)
        rows_cols = (trial.pixels.shape[0], trial.pixels.shape[1])
        calibration = trial_set.calibration(trial.um_per_px, rows_cols)
        made[calibration.id] = calibration
        rows.append(
            {
                "image": name, "specimen": f"{number:05d}", "revision": "R",
                "view": trial_set.name, "calibration": calibration.id, **trial.manifest,
            }
        )  # fmt: skip
        trials[name] = dataclasses.replace(trial, pixels=np.empty((0, 0), np.uint8))
    for calibration in made.values():
        text = tomli_w.dumps(_plain_calibration(calibration))
        (calibrations / f"{calibration.id}.toml").write_text(text, encoding="utf-8")
    _write_csv(folder / "images.csv", _columns(rows), rows)
    _write_truth(folder / TRUTH_FILE, trials)
    study = {
        "schema": 1,
        "title": f"Reference images of known truth: {trial_set.name}",
        "calibrations": "calibrations",
        "images": "images",
        "manifest": "images.csv",
        "measure": [{**trial_set.measure, "view": trial_set.name}],
    }
    (folder / "study.toml").write_text(tomli_w.dumps(study), encoding="utf-8")
    return trials


def _columns(rows: list[dict[str, str]]) -> list[str]:
    more = dict.fromkeys(key for row in rows for key in row if key not in _MANIFEST)
    return [*_MANIFEST, *more]


def _plain_calibration(calibration: Calibration) -> dict[str, Any]:
    plain: dict[str, Any] = {
        "schema": calibration.schema,
        "id": calibration.id,
        "um_per_px": dict(zip("xy", calibration.um_per_px, strict=True)),
    }
    if calibration.u_um_per_px is not None:
        plain["u_um_per_px"] = dict(zip("xy", calibration.u_um_per_px, strict=True))
    light = calibration.light
    given = {
        "transfer": light.transfer,
        "numerical_aperture": light.numerical_aperture,
        "wavelength_nm": light.wavelength_nm,
    }
    known = {key: value for key, value in given.items() if value is not None}
    return {**plain, "light": known} if known else plain


def _write_truth(path: Path, trials: Mapping[str, Trial]) -> None:
    rows = [
        _truth_row(name, trial, truth) for name, trial in trials.items() for truth in trial.truths
    ]
    _write_csv(path, TRUTH_COLUMNS, rows)


def _truth_row(name: str, trial: Trial, truth: Truth) -> dict[str, Any]:
    return {
        "image": name,
        "condition": trial.condition,
        "quantity": truth.quantity,
        "feature": truth.feature,
        "statistic": truth.statistic,
        "truth": repr(float(truth.value)),
        "step": repr(float(truth.step)),
        "bound": "" if truth.bound is None else repr(float(truth.bound)),
    }


def _write_csv(path: Path, columns: Iterable[str], rows: Iterable[Mapping[str, Any]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, fieldnames=list(columns), restval="")
        writer.writeheader()
        writer.writerows(rows)
