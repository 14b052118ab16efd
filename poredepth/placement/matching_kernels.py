"""Compiled loops of matching: where prints meet, and how alike they are there.

Kernels take plain arrays, fill what they are given and never raise.
"""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(nogil=True, cache=True)
def comparison_points(
    own_rows,
    row_triangle,
    start,
    print_id,
    uv_mm,
    weight,
    step_mm,
    sharpness,
    laid,
    turn_rad,
    shift_mm,
    picture,
    heights,
    height_rows,
    cell_mm,
):
    """Points at which a print meets prints already laid.

    Every triangle of the print is looked at on a lattice of about ``step_mm``; a point counts where the print and the
    strongest one already laid share it: share = 4 s (1 - s), s the print's part after weighting.

    Parameters
    ----------
    picture : int32 (n_prints,); heights, height_rows, cell_mm : coarse pictures, see `matching._Heights`

    Returns
    -------
    float64 (n, 7): the print's own u, v; share; patch x, y of the print already laid there; its number, or -1 if it
        shows another picture; its height
    """
    out = np.empty((1024, 7))
    n = 0
    own_picture = picture[print_id[own_rows[0]]] if len(own_rows) > 0 else 0
    for row in own_rows:
        t = row_triangle[row]
        first, last = start[t], start[t + 1]
        any_laid = False
        for e in range(first, last):
            any_laid = any_laid or laid[print_id[e]]
        if not any_laid:
            continue
        m = _lattice_size(uv_mm, row, step_mm)
        for i in range(m):
            for j in range(m - i):
                b0, b1 = (i + 1.0 / 3.0) / m, (j + 1.0 / 3.0) / m
                b2 = 1.0 - b0 - b1
                own = b0 * weight[row, 0] + b1 * weight[row, 1] + b2 * weight[row, 2]
                if own <= 0.0:
                    continue
                best, best_w = -1, 0.0
                for e in range(first, last):
                    if not laid[print_id[e]]:
                        continue
                    w = b0 * weight[e, 0] + b1 * weight[e, 1] + b2 * weight[e, 2]
                    if w > best_w:
                        best, best_w = e, w
                if best < 0:
                    continue
                s = own**sharpness / (own**sharpness + best_w**sharpness)
                share = 4.0 * s * (1.0 - s)
                if share < 0.05:
                    continue
                if n == len(out):
                    larger = np.empty((2 * n, 7))
                    larger[:n] = out
                    out = larger
                q = print_id[best]
                u = b0 * uv_mm[best, 0, 0] + b1 * uv_mm[best, 1, 0] + b2 * uv_mm[best, 2, 0]
                v = b0 * uv_mm[best, 0, 1] + b1 * uv_mm[best, 1, 1] + b2 * uv_mm[best, 2, 1]
                c, d = np.cos(turn_rad[q]), np.sin(turn_rad[q])
                out[n, 0] = b0 * uv_mm[row, 0, 0] + b1 * uv_mm[row, 1, 0] + b2 * uv_mm[row, 2, 0]
                out[n, 1] = b0 * uv_mm[row, 0, 1] + b1 * uv_mm[row, 1, 1] + b2 * uv_mm[row, 2, 1]
                out[n, 2] = share
                out[n, 3] = c * u - d * v + shift_mm[q, 0]
                out[n, 4] = d * u + c * v + shift_mm[q, 1]
                out[n, 5] = q if picture[q] == own_picture else -1
                i2 = picture[q]
                x, y = out[n, 3] / cell_mm[i2, 0] - 0.5, out[n, 4] / cell_mm[i2, 1] - 0.5
                out[n, 6] = _bilinear(x, y, heights, height_rows[i2])
                n += 1
    return out[:n]


@njit(nogil=True, cache=True)
def _lattice_size(corner_mm, row, step_mm):
    """Lattice points along an edge so that they stand about ``step_mm`` apart, 1 to 64."""
    longest = 0.0
    for k in range(3):
        a, b = (k + 1) % 3, (k + 2) % 3
        dx, dy = corner_mm[row, a, 0] - corner_mm[row, b, 0], corner_mm[row, a, 1] - corner_mm[row, b, 1]
        longest = max(longest, np.sqrt(dx * dx + dy * dy))
    return min(max(int(np.ceil(longest / step_mm)), 1), 64)


@njit(nogil=True, cache=True)
def pair_products(
    first, second, pair, corner_mm, weight, sharpness, row_picture, heights, height_rows, cell_mm, step_mm, sums
):
    """Sums of h1 h2, h1 h1, h2 h2 over the points where two prints meet, by pair; float64 sums (n_pairs, 3), filled.

    Parameters
    ----------
    first, second : int (n,), rows of one triangle; pair : int (n,)
    corner_mm : float64 (n_rows, 3, 2), patch coordinates; row_picture : int32 (n_rows,)
    heights, height_rows, cell_mm : the pictures, see `matching._Heights`
    """
    for x in range(len(first)):
        e, f = first[x], second[x]
        m = _lattice_size(corner_mm, e, step_mm)
        for i in range(m):
            for j in range(m - i):
                b0, b1 = (i + 1.0 / 3.0) / m, (j + 1.0 / 3.0) / m
                b2 = 1.0 - b0 - b1
                w1 = b0 * weight[e, 0] + b1 * weight[e, 1] + b2 * weight[e, 2]
                w2 = b0 * weight[f, 0] + b1 * weight[f, 1] + b2 * weight[f, 2]
                if w1 <= 0.0 or w2 <= 0.0:
                    continue
                s = w1**sharpness / (w1**sharpness + w2**sharpness)
                share = s * (1.0 - s)
                if share < 0.01:
                    continue
                h1 = _nearest(corner_mm, e, b0, b1, b2, row_picture, heights, height_rows, cell_mm)
                h2 = _nearest(corner_mm, f, b0, b1, b2, row_picture, heights, height_rows, cell_mm)
                sums[pair[x], 0] += share * h1 * h2
                sums[pair[x], 1] += share * h1 * h1
                sums[pair[x], 2] += share * h2 * h2


@njit(nogil=True, cache=True)
def _nearest(corner_mm, row, b0, b1, b2, row_picture, heights, height_rows, cell_mm):
    x = b0 * corner_mm[row, 0, 0] + b1 * corner_mm[row, 1, 0] + b2 * corner_mm[row, 2, 0]
    y = b0 * corner_mm[row, 0, 1] + b1 * corner_mm[row, 1, 1] + b2 * corner_mm[row, 2, 1]
    i = row_picture[row]
    offset, rows, cols = height_rows[i]
    r, c = int(np.floor(y / cell_mm[i, 1])) % rows, int(np.floor(x / cell_mm[i, 0])) % cols
    return heights[offset + r * cols + c]


@njit(nogil=True, cache=True)
def mark_disks(centre_mm, radius_mm, cell_mm, out):
    """Set the cells of a periodic grid, bool (rows, cols), whose corner lies within ``radius_mm`` of a centre."""
    rows, cols = out.shape
    for one in range(len(centre_mm)):
        cx, cy = centre_mm[one, 0] / cell_mm[0], centre_mm[one, 1] / cell_mm[1]
        reach_x, reach_y = radius_mm / cell_mm[0], radius_mm / cell_mm[1]
        for r in range(int(np.ceil(cy - reach_y)), int(np.floor(cy + reach_y)) + 1):
            for c in range(int(np.ceil(cx - reach_x)), int(np.floor(cx + reach_x)) + 1):
                if ((c - cx) * cell_mm[0]) ** 2 + ((r - cy) * cell_mm[1]) ** 2 < radius_mm**2:
                    out[r % rows, c % cols] = True


@njit(nogil=True, cache=True)
def splat_points(points, turn_rad, cell_mm, images):
    """Drop comparison points, turned, onto the cells of a patch.

    Parameters
    ----------
    points : float64 (n, 7), see `comparison_points`, the points of one met print not necessarily together
    cell_mm : float64 (2,), x, y
    images : float32 (2, rows, cols), 0 to begin with; filled with the shares, and with shares x heights laid there

    Returns
    -------
    going_on : float64 (m, 2), for each print met that shows this picture, the mean shift with which the turned points
        would go on in its piece
    energy : sum of share x height^2 of what is laid there
    """
    rows, cols = images.shape[1:]
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    number = np.empty(64)
    shift = np.zeros((64, 3))
    n_met = 0
    energy = 0.0
    for p in range(len(points)):
        x, y = c * points[p, 0] - s * points[p, 1], s * points[p, 0] + c * points[p, 1]
        share = points[p, 2]
        h = points[p, 6]
        row, col = int(np.floor(y / cell_mm[1])) % rows, int(np.floor(x / cell_mm[0])) % cols
        images[0, row, col] += share
        images[1, row, col] += share * h
        energy += share * h * h
        if points[p, 5] < 0:
            continue
        m = 0
        while m < n_met and number[m] != points[p, 5]:
            m += 1
        if m == n_met and n_met < 64:
            number[m] = points[p, 5]
            n_met += 1
        if m < n_met:
            shift[m, 0] += share * (points[p, 3] - x)
            shift[m, 1] += share * (points[p, 4] - y)
            shift[m, 2] += share
    going_on = np.empty((n_met, 2))
    for m in range(n_met):
        going_on[m, 0], going_on[m, 1] = shift[m, 0] / shift[m, 2], shift[m, 1] / shift[m, 2]
    return going_on, energy


@njit(nogil=True, cache=True)
def _bilinear(x, y, heights, picture):
    """Periodic bilinear value of a picture (offset, rows, cols) at a position counted in cells."""
    offset, rows, cols = picture
    c, r = int(np.floor(x)), int(np.floor(y))
    fx, fy = x - c, y - r
    c0, c1 = c % cols, (c + 1) % cols
    r0, r1 = offset + (r % rows) * cols, offset + ((r + 1) % rows) * cols
    low = heights[r0 + c0] * (1 - fx) + heights[r0 + c1] * fx
    return low * (1 - fy) + (heights[r1 + c0] * (1 - fx) + heights[r1 + c1] * fx) * fy
