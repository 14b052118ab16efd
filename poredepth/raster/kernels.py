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


#: A texel this much longer than it is filtered evenly for is filtered along its length as well.
LONG_FROM = np.float32(1.05)

#: Where the filter's variance times the squared slope of the log of shares is below this, texels are small beside the
#: overlap of prints: it moves a print's place by less than a tenth of the filter's width.
LEAST_STEEP2 = 0.01

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
    move = np.empty((most_rows, 3), np.float32)
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
        length = length_mm[t] if len(length_mm) > 0 else np.float32(0)
        moves = n_live > 1 and len(slope_per_mm) > 0
        if moves:
            moves = _widen_overlap(
                b0, b1, b2, t, texel, n_live, live, picture, corner_weight, zoom, sharpness, slope_per_mm, first_level,
                levels, share, move, first, last, pair_start[t], likeness, keep_contrast,
            )  # fmt: skip
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
            fine = texel * zoom[e]
            if length > LONG_FROM * texel and length * zoom[e] > levels[first_level[i], 7]:
                dx, dy = np.float32(0), np.float32(0)
                for k in range(3):
                    dx += along_per_mm[t, k] * corner_mm[e, k, 0]
                    dy += along_per_mm[t, k] * corner_mm[e, k, 1]
                total += share[a] * _sample_along(
                    x, y, dx, dy, texel, length, zoom[e], first_level[i], first_level[i + 1], levels, coefficients
                )
            else:
                total += share[a] * _sample(x, y, fine, first_level[i], first_level[i + 1], levels, coefficients)
            mean += share[a] * mean_mm[i]
        if n_live > 1:
            total /= _divisor(n_live, share, live, first, last, pair_start[t], likeness, keep_contrast)
        height_mm[p] += gain * mask[p] * (total + mean / shares)


@njit(nogil=True, cache=True)
def _widen_overlap(
    b0, b1, b2, t, texel, n_live, live, picture, corner_weight, zoom, sharpness, slope_per_mm, first_level, levels,
    share, move, first, last, first_pair, likeness, keep_contrast,
):  # fmt: skip
    """Let prints meet as a filtered map of finer texels would show it; gives whether anything changed.

    Filtered is the product of share and height, s h.  To first order that is (s filtered) (h filtered), h looked up at
    x + v grad ln (s filtered), v the filter's variance: exact where shares are exponentials.  Shares of two prints are
    a logistic function of a way across their border; filtered, it is one less steep by 1 / sqrt(1 + pi v g^2 / 8), g
    its slope (MacKay 1992, "The evidence framework applied to classification networks"; the rest own derivation).

    Parameters
    ----------
    share : float32, of each live print beside the strongest, changed in place
    move : float32 (n, 3), set to the step of barycentrics at which each is looked up
    """
    e = live[0]
    i = picture[e]
    own = levels[first_level[i], 7] / zoom[e] if i >= 0 else 0.0
    variance = filter_variance(texel / own) * own * own if own > 0.0 else 0.25 * texel * texel
    strongest = 0
    for a in range(n_live):
        if share[a] > share[strongest]:
            strongest = a
    widest = 0.0
    for a in range(n_live):
        e = live[a]
        w = b0 * corner_weight[e, 0] + b1 * corner_weight[e, 1] + b2 * corner_weight[e, 2]
        gx, gy = np.float32(0), np.float32(0)
        for k in range(3):
            gx += corner_weight[e, k] * slope_per_mm[t, k, 0]
            gy += corner_weight[e, k] * slope_per_mm[t, k, 1]
        move[a, 0], move[a, 1] = sharpness * gx / w, sharpness * gy / w
    gx, gy = move[strongest, 0], move[strongest, 1]
    mx, my, total = np.float32(0), np.float32(0), np.float32(0)
    for a in range(n_live):
        dx, dy = move[a, 0] - gx, move[a, 1] - gy
        steep2 = variance * (dx * dx + dy * dy)
        widest = max(widest, steep2)
        if steep2 > LEAST_STEEP2:
            less = np.float32(1.0 / np.sqrt(1.0 + 0.125 * np.pi * steep2))
            share[a] = share[a] ** less
            dx *= less
            dy *= less
        move[a, 0], move[a, 1] = dx, dy
    if widest <= LEAST_STEEP2:
        return False
    n_rows = last - first
    for a in range(n_live):
        part = share[a]
        if keep_contrast:
            part *= share[a]
            for b in range(n_live):
                if b != a:
                    i, j = min(live[a], live[b]) - first, max(live[a], live[b]) - first
                    pair = first_pair + i * n_rows - i * (i + 1) // 2 + j - i - 1
                    part += share[a] * share[b] * likeness[pair]
        mx += part * move[a, 0]
        my += part * move[a, 1]
        total += part
    if total > np.float32(1e-6):
        mx /= total
        my /= total
    most = 2.0 * np.sqrt(variance)
    for a in range(n_live):
        dx, dy = variance * (move[a, 0] - mx), variance * (move[a, 1] - my)
        far = np.sqrt(dx * dx + dy * dy)
        if far > most:
            dx *= most / far
            dy *= most / far
        for k in range(3):
            move[a, k] = slope_per_mm[t, k, 0] * dx + slope_per_mm[t, k, 1] * dy
    return True


@njit(nogil=True, cache=True)
def _sample_along(x, y, dx, dy, size, length, zoom, first, last, levels, coefficients):
    """Height of a picture filtered for a long texel: taps along its length, each filtered for its even size.

    Parameters
    ----------
    dx, dy : way in the picture of one mm of skin along the texel; size, length : mm of skin
    """
    own = levels[first, 7] / zoom
    variance = (filter_variance(length / own) - filter_variance(size / own)) * own * own
    step = max(size, own)
    n = min(int(np.ceil(2.5 * np.sqrt(variance) / step)), 16)
    total, weights = np.float32(0), np.float32(0)
    for j in range(-n, n + 1):
        at = j * step
        weight = np.float32(np.exp(-0.5 * at * at / variance)) if j != 0 else np.float32(1)
        total += weight * _sample(x + at * dx, y + at * dy, size * zoom, first, last, levels, coefficients)
        weights += weight
    return total / weights


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
def filter_variance(ratio):
    """See `patch.levels.filter_variance_px2`."""
    if ratio <= 1.0:
        return 0.0
    return 0.25 * ratio * ratio if ratio >= 2.0 else (ratio * ratio - 1.0) / 3.0


@njit(nogil=True, cache=True)
def _sample(x_mm, y_mm, texel_mm, first, last, levels, coefficients):
    """Height of a picture at (x, y), filtered for texels of ``texel_mm``: between the two levels that hold it.

    See `patch.levels.mixing`.
    """
    ratio = texel_mm / levels[first, 7]
    if ratio <= 1.0 or last == first + 1:
        return _cubic(x_mm, y_mm, levels, first, coefficients)
    variance = filter_variance(ratio)
    k = first
    while k + 1 < last and levels[k + 1, 10] <= variance:
        k += 1
    here = _cubic(x_mm, y_mm, levels, k, coefficients)
    if k == last - 1:
        return here
    t = (variance - levels[k, 10]) / (levels[k + 1, 10] - levels[k, 10])
    mix = np.float32(t + t * (1.0 - t) * (levels[k, 11] + levels[k, 12] * (1.0 - 2.0 * t)))
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
