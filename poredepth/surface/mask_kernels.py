"""Compiled loops over the texels of painted masks.

Kernels take plain arrays, fill what they are given and never raise.
"""

from __future__ import annotations

import numpy as np
from numba import njit

#: A texel centre this far outside a triangle (in barycentrics) still belongs to it; closes the cracks of rounding.
EDGE_SLACK = 1e-9

#: Bilinear sampling inside a chart reads texels whose centre is less than sqrt(2) texels away.
TAP_REACH_PX = 1.5

#: How far the nearest texel inside a chart is looked for, in rows and columns.
SEARCH_PX = 3


@njit(nogil=True, cache=True)
def cover(corner_px, inside):
    """Mark the texels whose centre lies in a triangle.

    Parameters
    ----------
    corner_px : float64 (n_triangles, 3, 2), corners in texels, x right and y down
    inside : bool (rows, cols), False to begin with
    """
    rows, cols = inside.shape
    for t in range(len(corner_px)):
        ax, ay, bx, by = corner_px[t, 0, 0], corner_px[t, 0, 1], corner_px[t, 1, 0], corner_px[t, 1, 1]
        cx, cy = corner_px[t, 2, 0], corner_px[t, 2, 1]
        area = (bx - ax) * (cy - ay) - (cx - ax) * (by - ay)
        if abs(area) < 1e-12:
            continue
        c_low, c_high = max(int(np.ceil(min(ax, bx, cx) - 0.501)), 0), min(int(max(ax, bx, cx) - 0.499), cols - 1)
        r_low, r_high = max(int(np.ceil(min(ay, by, cy) - 0.501)), 0), min(int(max(ay, by, cy) - 0.499), rows - 1)
        for r in range(r_low, r_high + 1):
            y = r + 0.5
            for c in range(c_low, c_high + 1):
                x = c + 0.5
                b0 = ((bx - x) * (cy - y) - (cx - x) * (by - y)) / area
                b1 = ((cx - x) * (ay - y) - (ax - x) * (cy - y)) / area
                if b0 >= -EDGE_SLACK and b1 >= -EDGE_SLACK and 1.0 - b0 - b1 >= -EDGE_SLACK:
                    inside[r, c] = True


@njit(nogil=True, cache=True)
def fill_beside(corner_px, is_border, inside, picture):
    """Set texels that are not inside, but near a border, to the nearest that is; none within reach leaves them be.

    Parameters
    ----------
    corner_px : see `cover`; is_border : bool (n_triangles, 3), edge k is the border of a chart
    inside : bool (rows, cols), see `cover`; picture : float32 (rows, cols), changed in place
    """
    rows, cols = inside.shape
    for t in range(len(corner_px)):
        for k in range(3):
            if not is_border[t, k]:
                continue
            x0, y0 = corner_px[t, (k + 1) % 3, 0], corner_px[t, (k + 1) % 3, 1]
            ex, ey = corner_px[t, (k + 2) % 3, 0] - x0, corner_px[t, (k + 2) % 3, 1] - y0
            length2 = ex * ex + ey * ey
            c_low = max(int(np.floor(min(x0, x0 + ex) - 0.5 - TAP_REACH_PX)), 0)
            c_high = min(int(np.ceil(max(x0, x0 + ex) - 0.5 + TAP_REACH_PX)), cols - 1)
            r_low = max(int(np.floor(min(y0, y0 + ey) - 0.5 - TAP_REACH_PX)), 0)
            r_high = min(int(np.ceil(max(y0, y0 + ey) - 0.5 + TAP_REACH_PX)), rows - 1)
            for r in range(r_low, r_high + 1):
                for c in range(c_low, c_high + 1):
                    if inside[r, c]:
                        continue
                    px, py = c + 0.5 - x0, r + 0.5 - y0
                    at = min(max((px * ex + py * ey) / length2, 0.0), 1.0) if length2 > 0.0 else 0.0
                    if (px - at * ex) ** 2 + (py - at * ey) ** 2 <= TAP_REACH_PX**2:
                        _take_nearest(r, c, inside, picture)


@njit(nogil=True, cache=True)
def _take_nearest(r, c, inside, picture):
    rows, cols = inside.shape
    nearest, value = (SEARCH_PX + 1) ** 2, picture[r, c]
    for dr in range(-SEARCH_PX, SEARCH_PX + 1):
        for dc in range(-SEARCH_PX, SEARCH_PX + 1):
            y, x = r + dr, c + dc
            if dr * dr + dc * dc < nearest and 0 <= y < rows and 0 <= x < cols and inside[y, x]:
                nearest, value = dr * dr + dc * dc, picture[y, x]
    picture[r, c] = value
