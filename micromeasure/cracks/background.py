"""Removing what is no line of its own: slow shading, and whatever runs along the whole fold."""

import numpy as np

from micromeasure.cracks.patch import Image, Patch

# Shading that changes over this length is taken out; a crack is much narrower.
_SHADING_PX = 31
# What changes only over this length stays: it is the level that a contrast refers to.
_LEVEL_PX = 255
# A fold's own dark line, its glare and streaks along it stay alike over this length; a crack
# shorter than half of it does not weigh in the median.
_ALIKE_PX = 640
_STEP = 8


def remove_background(patch: Patch) -> Image:
    """Return the values of a patch less all that is constant along the fold, and less shading.

    For each row the median over a long stretch along the fold is subtracted; the stretch moves
    along, so that slow changes are followed. A crack on a steep slope of light would have no
    darkest place of its own: slopes are levelled too.

    Returns
    -------
    ndarray of float32, shape (rows, cols)
    """
    import cv2

    values = patch.values
    rows, cols = values.shape
    if not np.isfinite(patch.fold_row):
        return _levelled(values)
    n = max(1, cols // _STEP)
    narrow = cv2.resize(values, (n, rows), interpolation=cv2.INTER_AREA)
    level = cv2.blur(narrow, (1, 31))
    rough = narrow - level
    half = _ALIKE_PX // _STEP // 2
    nodes = np.unique(np.linspace(half, max(half, n - half), max(1, n // half)).astype(int))
    medians = np.stack(
        [_row_medians(rough[:, max(0, node - half) : node + half]) for node in nodes], axis=1
    )
    # Straight between the nodes: each column is a mixture of the two medians beside it.
    at = (np.arange(cols) + 0.5) / cols * n
    shares = np.stack([np.interp(at, nodes, row) for row in np.eye(len(nodes))])
    lines = medians @ shares.astype(np.float32)
    return _levelled(np.subtract(values, lines, out=lines))


def _row_medians(values: Image) -> Image:
    """Return the median of each row; for few columns, sorting them all is quickest."""
    ordered = np.sort(values, axis=1)
    n = values.shape[1]
    return np.asarray(0.5 * (ordered[:, (n - 1) // 2] + ordered[:, n // 2]), dtype=np.float32)


def _levelled(values: Image) -> Image:
    """Return values without shading, at the level of their wider surroundings."""
    import cv2

    # Twice, so that the foot of a steep edge leaves no kink that would answer as a line.
    shading = cv2.blur(cv2.blur(values, (_SHADING_PX, _SHADING_PX)), (_SHADING_PX, _SHADING_PX))
    level = np.asarray(cv2.blur(shading, (_LEVEL_PX, _LEVEL_PX)), dtype=np.float32)
    level -= shading
    level += values
    return level
