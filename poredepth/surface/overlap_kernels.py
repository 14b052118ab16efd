"""Compiled loops over charts that lie on each other.  Kernels take plain arrays and never raise."""

from __future__ import annotations

import numpy as np
from numba import njit

#: Inside a triangle means farther in than this (in barycentrics), so that neighbours in a chart never overlap.
INSIDE = 1e-9

#: Where a part of a triangle is looked at (barycentrics): near its centre, but not in it, where the diagonals of quads
#: meet that lie mirrored on each other.
LOOK_AT = (0.318, 0.361)


@njit(nogil=True, cache=True)
def _span(uv, t, axis, low_uv, cell_uv, n_cells):
    low = min(uv[t, 0, axis], uv[t, 1, axis], uv[t, 2, axis])
    high = max(uv[t, 0, axis], uv[t, 1, axis], uv[t, 2, axis])
    first = min(max(int((low - low_uv[axis]) / cell_uv[axis]), 0), n_cells - 1)
    last = min(max(int((high - low_uv[axis]) / cell_uv[axis]), 0), n_cells - 1)
    return first, last


@njit(nogil=True, cache=True)
def fill_cells(uv, low_uv, cell_uv, n_cells):
    """Triangles by cell of a square grid: start int64 (n_cells^2 + 1,), triangle int32, by rising number in each cell.

    Parameters
    ----------
    uv : float64 (n_triangles, 3, 2); low_uv, cell_uv : float64 (2,), corner of the grid and size of a cell
    """
    start = np.zeros(n_cells * n_cells + 1, np.int64)
    for t in range(len(uv)):
        x0, x1 = _span(uv, t, 0, low_uv, cell_uv, n_cells)
        y0, y1 = _span(uv, t, 1, low_uv, cell_uv, n_cells)
        for y in range(y0, y1 + 1):
            for x in range(x0, x1 + 1):
                start[y * n_cells + x + 1] += 1
    for c in range(n_cells * n_cells):
        start[c + 1] += start[c]
    triangle = np.empty(start[-1], np.int32)
    at = start[:-1].copy()
    for t in range(len(uv)):
        x0, x1 = _span(uv, t, 0, low_uv, cell_uv, n_cells)
        y0, y1 = _span(uv, t, 1, low_uv, cell_uv, n_cells)
        for y in range(y0, y1 + 1):
            for x in range(x0, x1 + 1):
                c = y * n_cells + x
                triangle[at[c]] = t
                at[c] += 1
    return start, triangle


@njit(nogil=True, cache=True)
def _double_area(ax, ay, bx, by, cx, cy):
    return (bx - ax) * (cy - ay) - (cx - ax) * (by - ay)


@njit(nogil=True, cache=True)
def _holds(uv, edge_margin_uv, corner_margin_uv, t, x, y):
    """Whether (x, y) lies in triangle t, at least ``..._margin_uv[t, k]`` away from edge k and corner k."""
    area = _double_area(uv[t, 0, 0], uv[t, 0, 1], uv[t, 1, 0], uv[t, 1, 1], uv[t, 2, 0], uv[t, 2, 1])
    for k in range(3):
        i, j = (k + 1) % 3, (k + 2) % 3
        part = _double_area(x, y, uv[t, i, 0], uv[t, i, 1], uv[t, j, 0], uv[t, j, 1])
        if part / area <= INSIDE:
            return False
        if edge_margin_uv[t, k] > 0.0:
            edge = np.hypot(uv[t, j, 0] - uv[t, i, 0], uv[t, j, 1] - uv[t, i, 1])
            if abs(part) < edge_margin_uv[t, k] * edge:
                return False
        if np.hypot(x - uv[t, k, 0], y - uv[t, k, 1]) < corner_margin_uv[t, k]:
            return False
    return True


@njit(nogil=True, cache=True)
def count_lost(
    uv,
    edge_margin_uv,
    corner_margin_uv,
    divisions,
    low_uv,
    cell_uv,
    n_cells,
    start,
    cell_triangle,
    lost,
    shown,
    first_uv,
    mirrored,
):
    """Count, for each triangle, the parts that lie in an earlier triangle, by one look at each.

    Parameters
    ----------
    uv : float64 (n_triangles, 3, 2), each of some area
    edge_margin_uv, corner_margin_uv : float64 (n_triangles, 3), see `_holds`
    divisions : int64 (n_triangles,), a triangle is cut into divisions^2 equal parts
    start, cell_triangle : see `fill_cells`
    lost : int64 (n_triangles,), filled with how many parts are lost; mirrored : int64, how many of them to a triangle
        of the other winding
    shown : int64 (n_triangles,), first_uv : float64 (n_triangles, 2), the triangle the first of them is lost to, and
        where
    """
    for t in range(len(uv)):
        m = divisions[t]
        winding = _double_area(uv[t, 0, 0], uv[t, 0, 1], uv[t, 1, 0], uv[t, 1, 1], uv[t, 2, 0], uv[t, 2, 1])
        for i in range(m):
            for j in range(m - i):
                for upside_down in range(2):
                    if upside_down == 1 and i + j + 2 > m:
                        continue
                    at0, at1 = (1.0 - LOOK_AT[0], 1.0 - LOOK_AT[1]) if upside_down == 1 else LOOK_AT
                    b0, b1 = (i + at0) / m, (j + at1) / m
                    b2 = 1.0 - b0 - b1
                    x = b0 * uv[t, 0, 0] + b1 * uv[t, 1, 0] + b2 * uv[t, 2, 0]
                    y = b0 * uv[t, 0, 1] + b1 * uv[t, 1, 1] + b2 * uv[t, 2, 1]
                    if x < 0.0 or y < 0.0 or x >= 10.0 or y >= 10.0:
                        continue  # outside the tiles nothing is shown
                    cx = min(max(int((x - low_uv[0]) / cell_uv[0]), 0), n_cells - 1)
                    cy = min(max(int((y - low_uv[1]) / cell_uv[1]), 0), n_cells - 1)
                    cell = cy * n_cells + cx
                    for at in range(start[cell], start[cell + 1]):
                        s = cell_triangle[at]
                        if s >= t:
                            break
                        if _holds(uv, edge_margin_uv, corner_margin_uv, s, x, y):
                            if lost[t] == 0:
                                shown[t] = s
                                first_uv[t, 0], first_uv[t, 1] = x, y
                            lost[t] += 1
                            other = _double_area(
                                uv[s, 0, 0], uv[s, 0, 1], uv[s, 1, 0], uv[s, 1, 1], uv[s, 2, 0], uv[s, 2, 1]
                            )
                            if (winding > 0.0) != (other > 0.0):
                                mirrored[t] += 1
                            break
