"""Compiled loops of the head picture: which triangle is nearest in each pixel, and which points a light reaches."""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(nogil=True, cache=True)
def nearest_triangles(corner, owner, barycentric, depth):
    """Give each pixel of a picture to the nearest triangle its centre lies in (lowest triangle at a tie).

    Parameters
    ----------
    corner : float64 (n_triangles, 3, 3), corners in pixels: x right, y down, z towards the viewer.  Triangles whose
        corners do not run anticlockwise seen by the viewer (y up) show their back and are passed over
    owner : int32 (rows, cols), -1 to begin with; barycentric : float32 (rows, cols, 3)
    depth : float32 (rows, cols), z of what is seen; -inf to begin with
    """
    n_rows, n_cols = owner.shape
    for t in range(len(corner)):
        ax, ay, az = corner[t, 0, 0], corner[t, 0, 1], corner[t, 0, 2]
        bx, by, bz = corner[t, 1, 0], corner[t, 1, 1], corner[t, 1, 2]
        cx, cy, cz = corner[t, 2, 0], corner[t, 2, 1], corner[t, 2, 2]
        twice_area = (cx - ax) * (by - ay) - (bx - ax) * (cy - ay)
        if not twice_area > 1e-12:
            continue
        c_low = max(int(np.ceil(min(ax, bx, cx) - 0.5)), 0)
        c_high = min(int(np.floor(max(ax, bx, cx) - 0.5)), n_cols - 1)
        r_low = max(int(np.ceil(min(ay, by, cy) - 0.5)), 0)
        r_high = min(int(np.floor(max(ay, by, cy) - 0.5)), n_rows - 1)
        for r in range(r_low, r_high + 1):
            y = r + 0.5
            for c in range(c_low, c_high + 1):
                x = c + 0.5
                b1 = ((cx - ax) * (y - ay) - (x - ax) * (cy - ay)) / twice_area
                b2 = ((x - ax) * (by - ay) - (bx - ax) * (y - ay)) / twice_area
                b0 = 1.0 - b1 - b2
                if b0 < -1e-9 or b1 < -1e-9 or b2 < -1e-9:
                    continue
                z = np.float32(b0 * az + b1 * bz + b2 * cz)
                if z <= depth[r, c]:
                    continue
                depth[r, c] = z
                owner[r, c] = t
                barycentric[r, c, 0] = b0
                barycentric[r, c, 1] = b1
                barycentric[r, c, 2] = b2


@njit(nogil=True, cache=True)
def reached(point_mm, normal, lift_mm, to_px, depth, bias_px, out):
    """Share of a light's four nearest pixels, weighted bilinearly, from which each point is not hidden.

    Parameters
    ----------
    point_mm, normal : float32 (n, 3); a point is first lifted by ``lift_mm`` along its normal
    to_px : float32 (3, 4), [x y z 1] in mm to pixels of the light's own picture: x right, y down, z towards the light
    depth : float32 (rows, cols), see ``nearest_triangles``; bias_px : what a point may lie behind and still be lit
    out : float32 (n,), 0 to 1
    """
    n_rows, n_cols = depth.shape
    for p in range(len(point_mm)):
        px = point_mm[p, 0] + lift_mm * normal[p, 0]
        py = point_mm[p, 1] + lift_mm * normal[p, 1]
        pz = point_mm[p, 2] + lift_mm * normal[p, 2]
        x = to_px[0, 0] * px + to_px[0, 1] * py + to_px[0, 2] * pz + to_px[0, 3] - np.float32(0.5)
        y = to_px[1, 0] * px + to_px[1, 1] * py + to_px[1, 2] * pz + to_px[1, 3] - np.float32(0.5)
        limit = to_px[2, 0] * px + to_px[2, 1] * py + to_px[2, 2] * pz + to_px[2, 3] + bias_px
        c, r = int(np.floor(x)), int(np.floor(y))
        fx, fy = np.float32(x - c), np.float32(y - r)
        total = np.float32(0)
        for dr in range(2):
            for dc in range(2):
                share = (fx if dc else np.float32(1) - fx) * (fy if dr else np.float32(1) - fy)
                rr, cc = r + dr, c + dc
                is_outside = rr < 0 or cc < 0 or rr >= n_rows or cc >= n_cols
                if is_outside or depth[rr, cc] <= limit:
                    total += share
        out[p] = total
