"""What other lines lie beside each line of a patch: context that tells texture from a crack.

A texture gives many lines much alike, a lay or a set of scratches many in one direction; a crack
stands out from them. Traces of the same line at another octave, or of its parts, are no company.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micromeasure.cracks.centreline import Centreline
from micromeasure.outcome import FloatArray

_NEAR_PX = 60.0
# Lines that share this much of the shorter one's cells are the same.
_CELL_PX = 5
_SAME_SHARE = 0.2
_PARALLEL_DEG = 12.0
# Chance puts this share of lines within that angle.
_CHANCE = 2 * _PARALLEL_DEG / 180.0
_CHANCE_PX = 60.0
# Evidence of the strongest line that even noise alone shows.
_LEAST_RIVAL = math.log(3.0) + 0.5 * math.log(15.0)
_RIVAL_SHARE = 0.85


@dataclass(frozen=True, slots=True, kw_only=True)
class Company:
    """What other lines there are beside one line.

    Attributes
    ----------
    clutter : float
        Length of other lines nearby over the length of this one.
    rivals : float
        Evidence (logarithm) that the stronger of the other lines have.
    parallels : float
        Share of the length of all others that runs in the same direction.
    """

    clutter: float
    rivals: float
    parallels: float


def company_of(
    measured: list[Centreline], evidence: FloatArray, angles_deg: FloatArray
) -> list[Company]:
    """Return the company of each line.

    Parameters
    ----------
    measured : list of Centreline
    evidence : ndarray, shape (n,)
        How far each line stands out, as a logarithm.
    angles_deg : ndarray, shape (n,)
        Direction of each line.
    """
    if not measured:
        return []
    middles = np.array([line.points[len(line.points) // 2] for line in measured])
    lengths = np.array([line.length_px for line in measured])
    others = ~_same(measured)
    found = []
    for k, length in enumerate(lengths):
        near = np.hypot(*(middles - middles[k]).T) < _NEAR_PX + 0.5 * length
        turned = np.abs((angles_deg - angles_deg[k] + 90.0) % 180.0 - 90.0)
        other = others[k]
        along = lengths[other & (turned < _PARALLEL_DEG)].sum() + _CHANCE * _CHANCE_PX
        strong = np.quantile(evidence[other], _RIVAL_SHARE) if other.any() else -math.inf
        found.append(
            Company(
                clutter=float(lengths[near & other].sum() / max(length, 1.0)),
                rivals=max(float(strong), _LEAST_RIVAL),
                parallels=float(along / (lengths[other].sum() + _CHANCE_PX)),
            )
        )
    return found


def _same(measured: list[Centreline]) -> NDArray[np.bool_]:
    """Return which lines run through the same cells as which."""
    from scipy.sparse import csr_array

    rows, cells = [], []
    for k, line in enumerate(measured):
        cell = (line.points // _CELL_PX).astype(np.int64) + 8
        own = np.unique(cell[:, 1] * 1_000_003 + cell[:, 0])
        cells.append(own)
        rows.append(np.full(len(own), k))
    names, columns = np.unique(np.concatenate(cells), return_inverse=True)
    row = np.concatenate(rows)
    incidence = csr_array(
        (np.ones(len(row), dtype=np.float32), (row, columns)), shape=(len(measured), len(names))
    )
    shared = (incidence @ incidence.T).toarray()
    sizes = np.diagonal(shared)
    return np.asarray(shared > _SAME_SHARE * np.minimum(sizes[:, None], sizes[None, :]))
