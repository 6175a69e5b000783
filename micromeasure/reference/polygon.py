"""Exact area coverage of a polygon on a pixel grid, the ground of rendered outlines.

Each edge is cut where it crosses a pixel border, so that every piece lies in one pixel; the
area to the right of a piece is then a trapezium in that pixel and whole rows beyond it. Sums
along a row give the covered share of each pixel, exact to rounding.
"""

import numpy as np

from micromeasure.outcome import FloatArray


def polygon_coverage(vertices_px: FloatArray, shape: tuple[int, int]) -> FloatArray:
    """Return the share of each pixel that a polygon covers.

    Parameters
    ----------
    vertices_px : ndarray of float, shape (n, 2)
        Corners ``x y`` in pixels, pixel centres at whole numbers, not repeated at the end; the
        polygon must not cross itself. It may reach beyond the image.
    shape : tuple of two ints
        Rows and columns.

    Returns
    -------
    ndarray of float, shape (rows, cols)
        Between 0 and 1.

    Notes
    -----
    Green's theorem per pixel: a piece from (x0, y0) to (x1, y1) covers, to its right, the area
    (y1 - y0) (1 - mean x) of its own pixel and (y1 - y0) of each further pixel of the row.
    """
    rows, cols = shape
    # Pixel borders at whole numbers make cutting simple.
    start = np.asarray(vertices_px, dtype=float) + 0.5
    end = np.roll(start, -1, axis=0)
    x0, y0, x1, y1 = _pieces(start, end)
    inside = ((y0 + y1) / 2 > 0) & ((y0 + y1) / 2 < rows)
    x0, y0, x1, y1 = x0[inside], y0[inside], x1[inside], y1[inside]
    # What lies left of the image counts in full from column 0; what lies right of it not at all.
    x0, x1 = np.clip(x0, 0.0, cols), np.clip(x1, 0.0, cols)
    height = y1 - y0
    middle_x, middle_y = (x0 + x1) / 2, (y0 + y1) / 2
    row = np.clip(np.floor(middle_y).astype(np.intp), 0, rows - 1)
    column = np.clip(np.floor(middle_x).astype(np.intp), 0, cols)
    here = height * (1.0 - (middle_x - column))
    width = cols + 2
    flat = row * width + column
    size = rows * width
    cover = np.bincount(flat, here, size) + np.bincount(flat + 1, height - here, size)
    covered = np.cumsum(cover.reshape(rows, width), axis=1)[:, :cols]
    return np.clip(np.abs(covered), 0.0, 1.0)


def _pieces(start: FloatArray, end: FloatArray) -> tuple[FloatArray, ...]:
    """Cut edges at every whole x and y; return the ends of the pieces."""
    edge = np.arange(len(start))
    edges, ends = [edge, edge], [np.zeros(len(start)), np.ones(len(start))]
    for axis in (0, 1):
        a, b = start[:, axis], end[:, axis]
        low, high = np.ceil(np.minimum(a, b)), np.floor(np.maximum(a, b))
        count = np.maximum(high - low + 1, 0).astype(np.intp)
        count[a == b] = 0
        owner = np.repeat(edge, count)
        step = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
        edges.append(owner)
        ends.append((low[owner] + step - a[owner]) / (b - a)[owner])
    owner, t = np.concatenate(edges), np.clip(np.concatenate(ends), 0.0, 1.0)
    order = np.lexsort((t, owner))
    owner, t = owner[order], t[order]
    same = owner[1:] == owner[:-1]
    owner, t0, t1 = owner[:-1][same], t[:-1][same], t[1:][same]
    direction = end - start
    x0, y0 = (start[owner] + t0[:, None] * direction[owner]).T
    x1, y1 = (start[owner] + t1[:, None] * direction[owner]).T
    return x0, y0, x1, y1
