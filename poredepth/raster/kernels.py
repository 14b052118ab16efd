"""Compiled loops over texels: which skin point is a texel, and what do a layer's prints say there.

Kernels take plain arrays, fill what they are given and never raise.  No fast-math: a texel has the same bits in every
block, in every order, on any number of threads.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from poredepth.raster.meeting_kernels import live_prints, meet, meet_filtered
from poredepth.raster.picture_kernels import filter_variance, sample, sample_along
from poredepth.surface.kernels import walk

#: A texel centre this far outside a triangle (in barycentrics) still belongs to it; closes the cracks of rounding.
EDGE_SLACK = 1e-9

#: A gutter's skin point this near to an open border, in barycentrics, is held there.
HELD_SLACK = 1e-6

#: The way along a texel that is not long.
NO_STEP = (np.float32(0), np.float32(0), np.float32(0))


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
def place_gutter(
    near_edge, border_triangle, affine, row0, col0, owner, barycentric, neighbour, axes, corner_mm, slope_per_mm,
    triangle, place, is_held,
):  # fmt: skip
    """Give gutter texels the places their charts give them, see `texels.ChartPlaces`.

    Parameters
    ----------
    near_edge, border_triangle, affine : see `nearest_border` and `fill_gutter`
    owner, barycentric : skin points, gutter filled
    axes : float64 (n_triangles, 2, 3), of the flat frames in space; corner_mm : (n_triangles, 3, 3)
    slope_per_mm : (n_triangles, 3, 2), see `surface.metric.Footprint`
    triangle int32 (rows, cols), place float32 (rows, cols, 3), is_held bool (rows, cols) : changed in the gutter
    """
    n_rows, n_cols = owner.shape
    for r in range(n_rows):
        for c in range(n_cols):
            e = near_edge[r, c]
            if e < 0:
                continue
            t, s = border_triangle[e], owner[r, c]
            triangle[r, c] = t
            for k in range(3):
                if barycentric[r, c, k] < HELD_SLACK and neighbour[s, k] < 0:
                    is_held[r, c] = True
            if not is_held[r, c]:
                x, y = c + col0 + 0.5, r + row0 + 0.5
                for k in range(3):
                    place[r, c, k] = affine[t, k, 0] * x + affine[t, k, 1] * y + affine[t, k, 2]
                continue
            fx, fy = 0.0, 0.0
            for i in range(3):
                way = -corner_mm[t, 0, i]
                for k in range(3):
                    way += barycentric[r, c, k] * corner_mm[s, k, i]
                fx += way * axes[t, 0, i]
                fy += way * axes[t, 1, i]
            for k in range(3):
                place[r, c, k] = slope_per_mm[t, k, 0] * fx + slope_per_mm[t, k, 1] * fy
            place[r, c, 0] += np.float32(1)


@njit(nogil=True, cache=True)
def add_prints(
    triangle,
    barycentric,
    mask,
    gain,
    footprint_mm,
    length_mm,
    along_per_mm,
    slope_per_mm,
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
    length_mm, along_per_mm, slope_per_mm : see `surface.metric.Footprint`; of length 0 for texels that are square and
        small beside the overlaps of prints
    start, picture, corner_mm, corner_weight, zoom, pair_start, likeness, sharpness : see `placement.prints.Prints`
    first_level : int32 (n_pictures + 1,), rows of ``levels``
    levels : float64 (n_levels, 13): offset, stride, rows, cols, texels per unit in x and y, periodic, texel of level 0,
        1 / cols, 1 / rows, variance of its low pass in texels of level 0 squared, how it is mixed with the next
    coefficients : float32 (m,), all levels of all pictures with their margin of 2 texels
    mean_mm : float32 (n_pictures,), averaged and added once prints have met
    height_mm : float32 (n,), changed in place
    """
    most_rows = 0
    for t in range(len(start) - 1):
        most_rows = max(most_rows, start[t + 1] - start[t])
    share = np.empty(most_rows, np.float32)
    live = np.empty(most_rows, np.int64)
    move = np.empty((most_rows, 3), np.float64)
    for p in range(len(triangle)):
        t = triangle[p]
        if t < 0 or mask[p] == np.float32(0):
            continue
        first, last = start[t], start[t + 1]
        if first == last:
            continue
        b0, b1, b2 = barycentric[p, 0], barycentric[p, 1], barycentric[p, 2]
        n_live = live_prints(b0, b1, b2, first, last, corner_weight, sharpness, share, live)
        if n_live == 0:
            continue
        texel = b0 * footprint_mm[t, 0] + b1 * footprint_mm[t, 1] + b2 * footprint_mm[t, 2]
        length = length_mm[t] if len(length_mm) > 0 else np.float32(0)
        moves, variance, more, divisor, step = False, 0.0, 0.0, 1.0, NO_STEP
        if length > texel or (n_live > 1 and len(slope_per_mm) > 0):
            variance, more = _variances(texel, length, live[0], picture, zoom, first_level, levels)
            if more > 0.0:
                step = (along_per_mm[t, 0], along_per_mm[t, 1], along_per_mm[t, 2])
        if n_live > 1:
            if variance + more > 0.0:
                divisor, variance, more, step, moves = meet_filtered(
                    b0, b1, b2, t, variance, more, step, n_live, live, corner_weight, sharpness, slope_per_mm, share,
                    move, first, last, pair_start[t], likeness, keep_contrast,
                )  # fmt: skip
            if not moves:
                divisor = meet(n_live, share, live, first, last, pair_start[t], likeness, keep_contrast)
        total = np.float32(0)
        mean, shares = np.float32(0), np.float32(0)
        for a in range(n_live):
            e = live[a]
            i = picture[e]
            shares += share[a]
            if i < 0:
                continue
            p0, p1, p2 = b0, b1, b2
            if moves:
                p0, p1, p2 = p0 + move[a, 0], p1 + move[a, 1], p2 + move[a, 2]
            x = p0 * corner_mm[e, 0, 0] + p1 * corner_mm[e, 1, 0] + p2 * corner_mm[e, 2, 0]
            y = p0 * corner_mm[e, 0, 1] + p1 * corner_mm[e, 1, 1] + p2 * corner_mm[e, 2, 1]
            own = levels[first_level[i], 7]
            px2 = variance * (zoom[e] / own) ** 2 if moves else filter_variance(texel * zoom[e] / own)
            if more > 0.0:
                dx = step[0] * corner_mm[e, 0, 0] + step[1] * corner_mm[e, 1, 0] + step[2] * corner_mm[e, 2, 0]
                dy = step[0] * corner_mm[e, 0, 1] + step[1] * corner_mm[e, 1, 1] + step[2] * corner_mm[e, 2, 1]
                far = np.sqrt(dx * dx + dy * dy)
                more_px2 = more * (far / own) ** 2
                if more_px2 > 0.0:
                    total += share[a] * sample_along(
                        x, y, dx / far, dy / far, px2, more_px2, first_level[i], first_level[i + 1], levels,
                        coefficients,
                    )  # fmt: skip
                else:
                    total += share[a] * sample(x, y, px2, first_level[i], first_level[i + 1], levels, coefficients)
            else:
                total += share[a] * sample(x, y, px2, first_level[i], first_level[i + 1], levels, coefficients)
            mean += share[a] * mean_mm[i]
        if n_live > 1:
            total /= divisor
        height_mm[p] += gain * mask[p] * (total + mean / shares)


@njit(nogil=True, cache=True)
def _variances(texel_mm, length_mm, row, picture, zoom, first_level, levels):
    """Variance of the even filter of a texel, and what its length has beyond it, mm2 of skin."""
    i = picture[row]
    if i < 0:
        return 0.25 * texel_mm * texel_mm, max(0.25 * (length_mm * length_mm - texel_mm * texel_mm), 0.0)
    own = levels[first_level[i], 7] / zoom[row]
    even = filter_variance(texel_mm / own)
    return even * own * own, max(filter_variance(length_mm / own) - even, 0.0) * own * own
