"""Which candidates lie on which true cracks, where the truth is known."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from micromeasure.cracks.finding import distances
from micromeasure.outcome import FloatArray

# A candidate lies on a crack where it is within this distance of the true path, pixels.
TOLERANCE_PX = 4.0
# A candidate is true if at least this share of it lies on one crack and its branches ...
OWN_SHARE = 0.5
# ... and a crack is hit if true candidates cover at least this share of its main path.
COVERED_SHARE = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """How candidates and true cracks of one image belong together.

    Attributes
    ----------
    crack_of : tuple of int
        For each candidate the crack it lies on, -1 for none.
    best_of : tuple of int
        For each crack the candidate that covers most of it, -1 where it is missed: where all
        candidates on it together cover too little.
    covers : tuple of float
        For each crack the share of its main path that its best candidate alone covers.
    shares : tuple of float
        For each candidate the share of it that lies on the crack it fits best.
    """

    crack_of: tuple[int, ...]
    best_of: tuple[int, ...]
    covers: tuple[float, ...]
    shares: tuple[float, ...]


def densified(points: FloatArray, step: float = 1.0) -> FloatArray:
    """Return the same polyline with points at even distances of about `step`."""
    s = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))))
    at = np.linspace(0.0, s[-1], max(2, round(s[-1] / step) + 1))
    return np.column_stack((np.interp(at, s, points[:, 0]), np.interp(at, s, points[:, 1])))


def match(
    candidates: Sequence[FloatArray],
    cracks: Sequence[tuple[FloatArray, Sequence[FloatArray]]],
    *,
    tolerance_px: float = TOLERANCE_PX,
) -> Match:
    """Match candidate centrelines with true cracks.

    Parameters
    ----------
    candidates : sequence of ndarray, shape (n, 2)
        Centrelines ``x y``, all in one frame with the cracks.
    cracks : sequence of (ndarray, sequence of ndarray)
        Main path and branches of each true crack.
    tolerance_px : float
        How far a point may lie from the path it belongs to.
    """
    lines = [densified(line) for line in candidates]
    mains = [densified(main) for main, _ in cracks]
    wholes = [
        np.vstack([main, *(densified(branch) for branch in branches)])
        for main, (_, branches) in zip(mains, cracks, strict=True)
    ]
    crack_of, own = [], []
    for line in lines:
        shares = [float((distances(line, whole) < tolerance_px).mean()) for whole in wholes]
        best = int(np.argmax(shares)) if shares else -1
        own.append(shares[best] if shares else 0.0)
        crack_of.append(best if own[-1] >= OWN_SHARE else -1)
    best_of, covers = [], []
    for number, main in enumerate(mains):
        on = np.array(
            [
                distances(main, line) < tolerance_px
                if owner == number
                else np.zeros(len(main), dtype=bool)
                for line, owner in zip(lines, crack_of, strict=True)
            ]
        ).reshape(len(lines), len(main))
        together = float(on.any(axis=0).mean())
        best_of.append(int(on.sum(axis=1).argmax()) if together >= COVERED_SHARE else -1)
        covers.append(float(on.mean(axis=1).max()) if len(on) else 0.0)
    return Match(
        crack_of=tuple(crack_of), best_of=tuple(best_of), covers=tuple(covers), shares=tuple(own)
    )
