"""Compiled loops of the low pass on the skin: where grid texels lie in space, and the Gaussian mean over them.

No fast-math, and every texel is worked out by itself in one fixed order: a block has the bits of the whole.
"""

from __future__ import annotations

import numpy as np
from numba import njit

#: Texels of a row that share one window.
SEGMENT = 64

#: exp(-16) is 1e-7: what lies farther has no part.
FARTHEST = np.float32(16.0)

#: exp(-t) for t from 0 to 1: coefficients of t^0 to t^5, interpolated at Chebyshev points (own derivation).
EXP = (0.99999955, -0.99996785, 0.49962087, -0.16501272, 0.03833892, -0.00509973)

#: A gutter point this near an open border (in barycentrics) was held there: there is no skin where it should lie.
ON_BORDER = np.float32(1e-6)


@njit(nogil=True, cache=True)
def place_texels(
    owner, barycentric, near_edge, border_triangle, texel_mm2, neighbour, corner_mm, origin_mm, at_mm, mm2
):
    """Position and skin area of every texel of a grid.

    Parameters
    ----------
    owner : int32 (rows, cols), -1 without skin; barycentric : float32 (rows, cols, 3)
    near_edge : int32 (rows, cols), the border a texel was walked over, -1 for texels inside; is changed to the triangle
        whose plane is extended: the texel's own, or that at the border
    texel_mm2 : float32 (n_triangles,), skin area of one texel in the plane of each triangle
    neighbour : int32 (n_triangles, 3); corner_mm : float64 (n_triangles, 3, 3); origin_mm : float64 (3,)
    at_mm : float32 (3, rows, cols), x y z from the origin; mm2 : float32 (rows, cols), 0 where there is no skin
    """
    n_rows, n_cols = owner.shape
    for r in range(n_rows):
        for c in range(n_cols):
            t = owner[r, c]
            mm2[r, c] = np.float32(0)
            if t < 0:
                at_mm[0, r, c] = at_mm[1, r, c] = at_mm[2, r, c] = np.float32(0)
                near_edge[r, c] = -1
                continue
            b0, b1, b2 = barycentric[r, c, 0], barycentric[r, c, 1], barycentric[r, c, 2]
            for k in range(3):
                at = b0 * corner_mm[t, 0, k] + b1 * corner_mm[t, 1, k] + b2 * corner_mm[t, 2, k]
                at_mm[k, r, c] = np.float32(at - origin_mm[k])
            e = near_edge[r, c]
            if e < 0:
                near_edge[r, c] = t
                mm2[r, c] = texel_mm2[t]
                continue
            near_edge[r, c] = border_triangle[e]
            held = False
            for k in range(3):
                held = held or (barycentric[r, c, k] < ON_BORDER and neighbour[t, k] < 0)
            if not held:
                mm2[r, c] = texel_mm2[border_triangle[e]]


@njit(nogil=True, cache=True, inline="always")
def _exp_minus(x):
    """exp(-x) for x from 0 to 16, to 2e-5 of itself: (exp(-x / 16))^16.

    Multiplications and additions only, so that the compiler can work on many texels at once.
    """
    u = x * np.float32(1.0 / 16.0)
    p = np.float32(EXP[5])
    p = p * u + np.float32(EXP[4])
    p = p * u + np.float32(EXP[3])
    p = p * u + np.float32(EXP[2])
    p = p * u + np.float32(EXP[1])
    p = p * u + np.float32(EXP[0])
    p = p * p
    p = p * p
    p = p * p
    return p * p


@njit(nogil=True, cache=True)
def weigh_texels(owner, form, texel_form, weight):
    """Give each texel the Gaussian of the triangle it shows: what the source's own filter left of it there.

    Parameters
    ----------
    form : float32 (n_triangles, 5): i, g, a: the Gaussian at distance d is a exp(-(i d.d + (g.d)^2))
    texel_form : float32 (4, rows, cols), i and g; weight : float32 (rows, cols), skin area, is multiplied by a
    """
    n_rows, n_cols = owner.shape
    for r in range(n_rows):
        for c in range(n_cols):
            t = owner[r, c]
            for k in range(4):
                texel_form[k, r, c] = form[t, k] if t >= 0 else np.float32(0)
            if t >= 0:
                weight[r, c] *= form[t, 4]


@njit(nogil=True, cache=True)
def gaussian_mean(at_mm, weight, texel_form, height_mm, extended, reach, col0, row, col, out_mm):
    """Mean of heights about each texel of a window, weighed by skin area and a Gaussian of the distance in space.

    The mean is taken of the differences to the texel's own height, so that a constant stays what it is, bit for bit.

    Parameters
    ----------
    at_mm : float32 (3, rows, cols); weight, texel_form : see `weigh_texels`; height_mm : float32 (rows, cols)
    extended : int32 (rows, cols), the triangle whose plane each texel was extended from, -1 without skin
    reach : int32 (n_triangles, 2), rows and columns to look at on each side
    col0 : column of the grid that column 0 here is; segments begin at its multiples of `SEGMENT`
    row, col : where the window begins; out_mm : float32 (rows of the window, columns), nan where there is no skin
    """
    n_rows, n_cols = out_mm.shape
    total, whole = np.empty(SEGMENT, np.float32), np.empty(SEGMENT, np.float32)
    last = col + n_cols
    for r in range(row, row + n_rows):
        first = col
        while first < last:
            stop = min(last, first + SEGMENT - (col0 + first) % SEGMENT)
            n = stop - first
            down, along = 0, 0
            for i in range(n):
                total[i] = whole[i] = np.float32(0)
                t = extended[r, first + i]
                if t >= 0:
                    down, along = max(down, reach[t, 0]), max(along, reach[t, 1])
            px, py, pz = at_mm[0, r, first:stop], at_mm[1, r, first:stop], at_mm[2, r, first:stop]
            ph = height_mm[r, first:stop]
            if down > 0:
                for q in range(r - down, r + down + 1):
                    for c in range(first - along, first + along + 1):
                        _add_row(
                            px, py, pz, ph, at_mm[0, q, c : c + n], at_mm[1, q, c : c + n], at_mm[2, q, c : c + n],
                            texel_form[0, q, c : c + n], texel_form[1, q, c : c + n], texel_form[2, q, c : c + n],
                            texel_form[3, q, c : c + n], weight[q, c : c + n], height_mm[q, c : c + n], total, whole,
                        )  # fmt: skip
            for i in range(n):
                known = extended[r, first + i] >= 0 and whole[i] > np.float32(0)
                out_mm[r - row, first - col + i] = ph[i] + total[i] / whole[i] if known else np.float32(np.nan)
            first = stop


@njit(nogil=True, cache=True, inline="always")
def _add_row(px, py, pz, ph, qx, qy, qz, even, gx, gy, gz, weight, qh, total, whole):
    """Add one neighbour of each texel of a segment to its sums; by texels, so that many are worked on at once."""
    for i in range(len(px)):
        dx, dy, dz = qx[i] - px[i], qy[i] - py[i], qz[i] - pz[i]
        along = gx[i] * dx + gy[i] * dy + gz[i] * dz
        x = even[i] * (dx * dx + dy * dy + dz * dz) + along * along
        w = _exp_minus(min(x, FARTHEST)) * weight[i]
        whole[i] += w
        total[i] += w * (qh[i] - ph[i])
