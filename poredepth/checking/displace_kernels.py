"""Compiled search: which triangle of a chart holds a place in UV.  Kernels take plain arrays and never raise."""

from __future__ import annotations

import numpy as np
from numba import njit

#: A point this far outside a triangle (in barycentrics) still belongs to it.
SLACK = 1e-6
#: So far from a point cells of the grid are looked at, in UV.
NUDGE = 1e-9


@njit(nogil=True, cache=True)
def locate(uv, near_mm, corner_uv, corner_mm, low_uv, cell_uv, n_cells, start, held, triangle, barycentric, apart_mm):
    """The triangle that holds each point of UV; of several, the one whose point lies nearest in space.

    Parameters
    ----------
    uv : float64 (n, 2); near_mm : float64 (n, 3), where the point is looked for in space
    corner_uv : float64 (n_triangles, 3, 2); corner_mm : float64 (n_triangles, 3, 3)
    low_uv, cell_uv, n_cells, start, held : the grid of `surface.overlap_kernels.fill_cells`
    triangle : int32 (n,), -1 to begin with; barycentric : float64 (n, 3); apart_mm : float64 (n,)
    """
    b = np.empty(3)
    for p in range(len(uv)):
        x, y = uv[p, 0], uv[p, 1]
        if not (np.isfinite(x) and np.isfinite(y)):
            continue
        best = np.inf
        # on a line of the grid rounding decides the cell: the ones beside it are looked at as well
        for beside in range(4):
            if best < np.inf:
                break
            dx, dy = NUDGE * (2 * (beside % 2) - 1), NUDGE * (2 * (beside // 2) - 1)
            cx, cy = int(np.floor((x + dx - low_uv[0]) / cell_uv[0])), int(np.floor((y + dy - low_uv[1]) / cell_uv[1]))
            if cx < -1 or cy < -1 or cx > n_cells or cy > n_cells:
                continue
            cell = min(max(cy, 0), n_cells - 1) * n_cells + min(max(cx, 0), n_cells - 1)
            for k in range(start[cell], start[cell + 1]):
                t = held[k]
                ax, ay = corner_uv[t, 0, 0], corner_uv[t, 0, 1]
                ux, uy = corner_uv[t, 1, 0] - ax, corner_uv[t, 1, 1] - ay
                vx, vy = corner_uv[t, 2, 0] - ax, corner_uv[t, 2, 1] - ay
                whole = ux * vy - uy * vx
                if not abs(whole) > 0.0:
                    continue
                b[1] = ((x - ax) * vy - (y - ay) * vx) / whole
                b[2] = (ux * (y - ay) - uy * (x - ax)) / whole
                b[0] = 1.0 - b[1] - b[2]
                if b.min() < -SLACK:
                    continue
                away = 0.0
                for i in range(3):
                    at = b[0] * corner_mm[t, 0, i] + b[1] * corner_mm[t, 1, i] + b[2] * corner_mm[t, 2, i]
                    away += (at - near_mm[p, i]) ** 2
                if away < best:
                    best = away
                    triangle[p] = t
                    barycentric[p, :] = b
                    apart_mm[p] = np.sqrt(away)
