"""Outcomes as plain JSON for the ledger, and back.

Numbers come back exactly: JSON keeps the shortest decimal that gives the same double. Traces
and marks are not kept; they have become files by then.
"""

import json
import math
from collections.abc import Mapping
from sys import intern
from typing import Any

import numpy as np

from micromeasure.estimate import Component, Estimate
from micromeasure.outcome import Failure, Indication, Measurement, Outcome

Plain = dict[str, Any]


def outcome_text(outcome: Outcome) -> str:
    """Write an outcome, without traces and marks, as one line of JSON.

    Parameters
    ----------
    outcome : Outcome
        Its `facts` may hold numbers, texts, lists, mappings and numpy arrays.
    """
    plain = {
        "measurements": [_measurement_plain(m) for m in outcome.measurements],
        "failures": [{"reason": f.reason, "feature": f.feature} for f in outcome.failures],
        "indications": [_indication_plain(i) for i in outcome.indications],
        "caption": outcome.caption,
        "facts": dict(outcome.facts),
    }
    return json.dumps(plain, default=_from_numpy, separators=(",", ":"), ensure_ascii=False)


def outcome_from_text(text: str) -> Outcome:
    """Return the outcome that `outcome_text` was given; arrays in its facts are lists now."""
    plain: Plain = json.loads(text)
    return Outcome(
        measurements=tuple(_measurement(m) for m in plain["measurements"]),
        failures=tuple(Failure(**f) for f in plain["failures"]),
        indications=tuple(_indication(i) for i in plain["indications"]),
        caption=plain["caption"],
        facts=plain["facts"],
    )


def _measurement_plain(measurement: Measurement) -> Plain:
    return {
        "feature": measurement.feature,
        "statistic": measurement.statistic,
        "estimate": _estimate_plain(measurement.estimate),
        "n": measurement.n,
        "flags": list(measurement.flags),
        "quantity": measurement.quantity,
    }


def _measurement(plain: Plain) -> Measurement:
    return Measurement(
        feature=intern(plain["feature"]),
        statistic=intern(plain["statistic"]),
        estimate=_estimate(plain["estimate"]),
        n=plain["n"],
        flags=tuple(plain["flags"]),
        quantity=plain["quantity"],
    )


def _estimate_plain(estimate: Estimate) -> Plain:
    components = estimate.components
    return {
        "value": estimate.value,
        "unit": estimate.unit,
        "low_limit": estimate.low_limit,
        "components": None if components is None else [_component_plain(c) for c in components],
    }


def _estimate(plain: Plain) -> Estimate:
    components = plain["components"]
    return Estimate(
        value=plain["value"],
        unit=intern(plain["unit"]),
        low_limit=plain["low_limit"],
        components=None if components is None else tuple(_component(c) for c in components),
    )


def _component_plain(component: Component) -> Plain:
    return {
        "name": component.name,
        "u": component.u,
        # JSON has no infinity; null stands for "taken as known".
        "dof": component.dof if math.isfinite(component.dof) else None,
        "shared": component.shared,
        "kind": component.kind,
        "source": component.source,
    }


def _component(plain: Plain) -> Component:
    # The same few texts come back in every image: kept once, they take no memory.
    shared = plain["shared"]
    return Component(
        name=intern(plain["name"]),
        u=plain["u"],
        dof=math.inf if plain["dof"] is None else plain["dof"],
        shared=None if shared is None else intern(shared),
        kind=intern(plain["kind"]),
        source=intern(plain["source"]),
    )


def _indication_plain(indication: Indication) -> Plain:
    return {
        "fold": indication.fold,
        "length": _estimate_plain(indication.length),
        "width_um": indication.width_um,
        "angle_to_fold_deg": indication.angle_to_fold_deg,
        "distance_to_fold_um": indication.distance_to_fold_um,
        "contrast": indication.contrast,
        "score": indication.score,
        "centreline_px": indication.centreline_px,
        "branches_px": list(indication.branches_px),
    }


def _indication(plain: Plain) -> Indication:
    return Indication(
        **{
            **plain,
            "length": _estimate(plain["length"]),
            "centreline_px": _points(plain["centreline_px"]),
            "branches_px": tuple(_points(branch) for branch in plain["branches_px"]),
        }
    )


def _points(rows: list[list[float]]) -> np.ndarray[Any, np.dtype[np.float64]]:
    return np.array(rows, dtype=np.float64).reshape(-1, 2)


def _from_numpy(value: object) -> object:
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, Mapping):
        return dict(value)
    message = f"facts of an outcome hold a {type(value).__name__}, which is not plain data"
    raise TypeError(message)
