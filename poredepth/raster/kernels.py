"""Compiled loops over texels: which skin point is a texel, and what do a layer's prints say there.

Kernels take plain arrays, fill what they are given and never raise.  No fast-math: a texel has the same bits in every
block, in every order, on any number of threads.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from poredepth.surface.kernels import walk

#: A texel centre this far outside a triangle (in barycentrics) still belongs to it; closes the cracks of rounding.
EDGE_SLACK = 1e-9

#: A print whose share is below this beside the strongest one is left out; its part in the height is below float32.
LEAST_SHARE = np.float32(1e-6)


#: Least square of the divisor where prints meet, beside the one for unrelated prints.
LEAST_OF_SQUARES = np.float32(0.25)


@njit(nogil=True, cache=True)
def own_texels(corner_px, affine, candidates, rank, row0, col0, owner, barycentric):
    """Give each texel of a window to the triangle its centre lies in.

    Where charts overlap, the triangle of lowest ``rank`` wins.

    Parameters
    ----------
    corner_px : float64 (n_triangles, 3, 2), corners in texels of the tile: x right, y down
    affine : float64 (n_triangles, 3, 3), barycentric k at (x, y) is affine[t, k] . (x, y, 1)
    candidates : int32 (n,), triangles that may touch the window
    rank : int32 (n_triangles,)
    owner : int32 (rows, cols), -1 to begin with; barycentric : float32 (rows, cols, 3)
    """
    n_rows, n_cols = owner.shape
    for t in candidates:
        x_low = min(corner_px[t, 0, 0], corner_px[t, 1, 0], corner_px[t, 2, 0])
        x_high = max(corner_px[t, 0, 0], corner_px[t, 1, 0], corner_px[t, 2, 0])
        y_low = min(corner_px[t, 0, 1], corner_px[t, 1, 1], corner_px[t, 2, 1])
        y_high = max(corner_px[t, 0, 1], corner_px[t, 1, 1], corner_px[t, 2, 1])
        c_low = max(int(np.ceil(x_low - 0.501)) - col0, 0)
        c_high = min(int(np.floor(x_high - 0.499)) - col0, n_cols - 1)
        r_low = max(int(np.ceil(y_low - 0.501)) - row0, 0)
        r_high = min(int(np.floor(y_high - 0.499)) - row0, n_rows - 1)
        for r in range(r_low, r_high + 1):
            y = r + row0 + 0.5
            for c in range(c_low, c_high + 1):
                x = c + col0 + 0.5
                b0 = affine[t, 0, 0] * x + affine[t, 0, 1] * y + affine[t, 0, 2]
                b1 = affine[t, 1, 0] * x + affine[t, 1, 1] * y + affine[t, 1, 2]
                b2 = affine[t, 2, 0] * x + affine[t, 2, 1] * y + affine[t, 2, 2]
                if b0 < -EDGE_SLACK or b1 < -EDGE_SLACK or b2 < -EDGE_SLACK:
                    continue
                before = owner[r, c]
                if before >= 0 and rank[before] <= rank[t]:
                    continue
                owner[r, c] = t
                barycentric[r, c, 0] = b0
                barycentric[r, c, 1] = b1
                barycentric[r, c, 2] = b2


@njit(nogil=True, cache=True)
def nearest_border(border_px, gutter_px, row0, col0, owner, near_d2, near_edge):
    """For unowned texels of a window, the nearest chart border within the gutter (lowest edge at a tie).

    Parameters
    ----------
    border_px : float64 (n_borders, 4), x0 y0 x1 y1 in texels
    near_d2 : float32 (rows, cols), filled to begin with above gutter squared; near_edge : int32 (rows, cols), -1
    """
    n_rows, n_cols = owner.shape
    for e in range(len(border_px)):
        x0, y0, x1, y1 = border_px[e, 0], border_px[e, 1], border_px[e, 2], border_px[e, 3]
        c_low = max(int(np.floor(min(x0, x1) - gutter_px)) - col0, 0)
        c_high = min(int(np.ceil(max(x0, x1) + gutter_px)) - col0, n_cols - 1)
        r_low = max(int(np.floor(min(y0, y1) - gutter_px)) - row0, 0)
        r_high = min(int(np.ceil(max(y0, y1) + gutter_px)) - row0, n_rows - 1)
        ex, ey = x1 - x0, y1 - y0
        length2 = ex * ex + ey * ey
        for r in range(r_low, r_high + 1):
            for c in range(c_low, c_high + 1):
                if owner[r, c] >= 0:
                    continue
                px, py = c + col0 + 0.5 - x0, r + row0 + 0.5 - y0
                at = min(max((px * ex + py * ey) / length2, 0.0), 1.0) if length2 > 0.0 else 0.0
                d2 = np.float32((px - at * ex) ** 2 + (py - at * ey) ** 2)
                if d2 < near_d2[r, c]:
                    near_d2[r, c] = d2
                    near_edge[r, c] = e


@njit(nogil=True, cache=True)
def fill_gutter(near_edge, border_triangle, affine, row0, col0, flat_mm, neighbour, neighbour_edge, owner, barycentric):
    """Give gutter texels the skin point reached by walking on, straight over the border, from the border's triangle."""
    n_rows, n_cols = owner.shape
    for r in range(n_rows):
        for c in range(n_cols):
            e = near_edge[r, c]
            if e < 0 or owner[r, c] >= 0:
                continue
            t = border_triangle[e]
            x, y = c + col0 + 0.5, r + row0 + 0.5
            b1 = affine[t, 1, 0] * x + affine[t, 1, 1] * y + affine[t, 1, 2]
            b2 = affine[t, 2, 0] * x + affine[t, 2, 1] * y + affine[t, 2, 2]
            t, b0, b1, b2 = walk(t, 1.0 - b1 - b2, b1, b2, flat_mm, neighbour, neighbour_edge)
            owner[r, c] = t
            barycentric[r, c, 0] = b0
            barycentric[r, c, 1] = b1
            barycentric[r, c, 2] = b2


@njit(nogil=True, cache=True)
def add_prints(
    triangle,
    barycentric,
    mask,
    gain,
    footprint_mm,
    start,
    picture,
    corner_mm,
    corner_weight,
    zoom,
    pair_start,
    likeness,
    sharpness,
    keep_contrast,
    first_level,
    levels,
    coefficients,
    mean_mm,
    height_mm,
):
    """Add a layer's height at skin points to ``height_mm``.

    Prints of weights w (positive part, to the power ``sharpness``) and heights h meet as sum(w h) / sqrt(sum_ij w_i w_j
    r_ij), r_ij the likeness of two prints where they meet and 1 for i = j: it keeps the variance (the blend of Heitz &
    Neyret 2018 for r = 0 and mean 0; the average for r = 1).  With ``keep_contrast`` false they meet as the plain
    average sum(w h) / sum w.

    Parameters
    ----------
    triangle int32 (n,), -1 without skin; barycentric float32 (n, 3); mask float32 (n,), factor at each point, which may
        be negative, as in differences of bands; where it is 0 nothing is looked up; gain : float
    footprint_mm : float32 (n_triangles, 3), size of a texel on the skin at corners
    start, picture, corner_mm, corner_weight, zoom, pair_start, likeness, sharpness : see `placement.prints.Prints`
    first_level : int32 (n_pictures + 1,), rows of ``levels``
    levels : float64 (n_levels, 10): offset, stride, rows, cols, texels per unit in x and y, periodic, texel it is
        filtered for (of level 0: its own), 1 / cols, 1 / rows
    coefficients : float32 (m,), all levels of all pictures with their margin of 2 texels
    mean_mm : float32 (n_pictures,), averaged and added once prints have met
    height_mm : float32 (n,), changed in place
    """
    most_rows = 0
    for t in range(len(start) - 1):
        most_rows = max(most_rows, start[t + 1] - start[t])
    share = np.empty(most_rows, np.float32)
    live = np.empty(most_rows, np.int64)
    depth = np.log2(levels[:, 7])
    for p in range(len(triangle)):
        t = triangle[p]
        if t < 0 or mask[p] == np.float32(0):
            continue
        first, last = start[t], start[t + 1]
        if first == last:
            continue
        b0, b1, b2 = barycentric[p, 0], barycentric[p, 1], barycentric[p, 2]
        n_live = _live_prints(b0, b1, b2, first, last, corner_weight, sharpness, share, live)
        if n_live == 0:
            continue
        texel = b0 * footprint_mm[t, 0] + b1 * footprint_mm[t, 1] + b2 * footprint_mm[t, 2]
        total = np.float32(0)
        mean, shares = np.float32(0), np.float32(0)
        for a in range(n_live):
            e = live[a]
            x = b0 * corner_mm[e, 0, 0] + b1 * corner_mm[e, 1, 0] + b2 * corner_mm[e, 2, 0]
            y = b0 * corner_mm[e, 0, 1] + b1 * corner_mm[e, 1, 1] + b2 * corner_mm[e, 2, 1]
            i = picture[e]
            shares += share[a]
            if i < 0:
                continue
            fine = texel * zoom[e]
            total += share[a] * _sample(x, y, fine, first_level[i], first_level[i + 1], levels, depth, coefficients)
            mean += share[a] * mean_mm[i]
        if n_live > 1:
            total /= _divisor(n_live, share, live, first, last, pair_start[t], likeness, keep_contrast)
        height_mm[p] += gain * mask[p] * (total + mean / shares)


@njit(nogil=True, cache=True)
def _live_prints(b0, b1, b2, first, last, corner_weight, sharpness, share, live):
    """Rows of a triangle that count at a point, and their shares beside the strongest; returns how many.

    With a ``sharpness`` of 0 only the first of the strongest counts.
    """
    most = np.float32(0)
    strongest = first
    for e in range(first, last):
        w = b0 * corner_weight[e, 0] + b1 * corner_weight[e, 1] + b2 * corner_weight[e, 2]
        share[e - first] = w
        if w > most:
            most, strongest = w, e
    if sharpness == 0 and most > np.float32(0):
        share[0] = np.float32(1)
        live[0] = strongest
        return 1
    n_live = 0
    for e in range(first, last):
        w = share[e - first]
        if w <= np.float32(0):
            continue
        part = _power(w / most, sharpness)
        if part < LEAST_SHARE:
            continue
        share[n_live] = part
        live[n_live] = e
        n_live += 1
    if n_live == 1:
        share[0] = np.float32(1)
    return n_live


@njit(nogil=True, cache=True)
def _divisor(n_live, share, live, first, last, first_pair, likeness, keep_contrast):
    n_rows = last - first
    total, squares = np.float32(0), np.float32(0)
    for a in range(n_live):
        if not keep_contrast:
            total += share[a]
            continue
        squares += share[a] * share[a]
        i = live[a] - first
        before = first_pair + i * n_rows - i * (i + 1) // 2 - i - 1
        for b in range(a + 1, n_live):
            total += np.float32(2) * share[a] * share[b] * likeness[before + live[b] - first]
    if not keep_contrast:
        return total
    # several prints that are all unlike each other must not bring the sum near 0
    return np.sqrt(max(squares + total, LEAST_OF_SQUARES * squares))


@njit(nogil=True, cache=True)
def _power(x, n):
    """x to the whole power n >= 1, by squaring."""
    out = np.float32(1)
    while n > 0:
        if n & 1:
            out *= x
        x *= x
        n >>= 1
    return out


@njit(nogil=True, cache=True)
def _sample(x_mm, y_mm, texel_mm, first, last, levels, depth, coefficients):
    """Height of a picture at (x, y), filtered for texels of ``texel_mm``: between the two levels that hold it.

    depth : float64 (n_levels,), log2 of the texel each level is filtered for
    """
    k = first
    while k + 1 < last and texel_mm >= levels[k + 1, 7]:
        k += 1
    here = _cubic(x_mm, y_mm, levels, k, coefficients)
    if k + 1 == last or texel_mm <= levels[k, 7]:
        return here
    mix = np.float32((np.log2(texel_mm) - depth[k]) / (depth[k + 1] - depth[k]))
    there = _cubic(x_mm, y_mm, levels, k + 1, coefficients)
    return here + mix * (there - here)


@njit(nogil=True, cache=True, inline="always")
def _cubic(x_mm, y_mm, levels, level, coefficients):
    """Cubic B-spline of one level at (x, y) mm from its lower left corner (Unser, Aldroubi & Eden 1993)."""
    rows, cols = levels[level, 2], levels[level, 3]
    x = x_mm * levels[level, 4]
    y = rows - y_mm * levels[level, 5]
    if levels[level, 6] > 0.0:
        x -= cols * np.floor(x * levels[level, 8])
        y -= rows * np.floor(y * levels[level, 9])
    else:
        x = min(max(x, 0.5), cols - 0.5)
        y = min(max(y, 0.5), rows - 0.5)
    x -= 0.5
    y -= 0.5
    c, r = int(np.floor(x)), int(np.floor(y))
    fx, fy = np.float32(x - c), np.float32(y - r)
    # the margin is 2, the first tap 1 to the left
    # unsigned: numba then leaves out its check for negative indices
    at = np.uint64(int(levels[level, 0]) + (r + 1) * int(levels[level, 1]) + c + 1)
    stride = np.uint64(levels[level, 1])
    one, two, three = np.uint64(1), np.uint64(2), np.uint64(3)
    wy0, wy1, wy2, wy3 = _spline(fy)
    wx0, wx1, wx2, wx3 = _spline(fx)
    a, b, d = at + stride, at + two * stride, at + three * stride
    s0 = wy0 * coefficients[at] + wy1 * coefficients[a] + wy2 * coefficients[b] + wy3 * coefficients[d]
    s1 = (
        wy0 * coefficients[at + one]
        + wy1 * coefficients[a + one]
        + wy2 * coefficients[b + one]
        + wy3 * coefficients[d + one]
    )
    s2 = (
        wy0 * coefficients[at + two]
        + wy1 * coefficients[a + two]
        + wy2 * coefficients[b + two]
        + wy3 * coefficients[d + two]
    )
    s3 = (
        wy0 * coefficients[at + three]
        + wy1 * coefficients[a + three]
        + wy2 * coefficients[b + three]
        + wy3 * coefficients[d + three]
    )
    return wx0 * s0 + wx1 * s1 + wx2 * s2 + wx3 * s3


@njit(nogil=True, cache=True, inline="always")
def _spline(f):
    """The four cubic B-spline weights at fraction f."""
    g = np.float32(1) - f
    sixth = np.float32(1.0 / 6.0)
    w0 = g * g * g * sixth
    w3 = f * f * f * sixth
    w1 = (np.float32(4) - np.float32(3) * f * f * (np.float32(2) - f)) * sixth
    w2 = np.float32(1) - w0 - w1 - w3
    return w0, w1, w2, w3
