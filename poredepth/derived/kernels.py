"""Compiled loops over texels: first and second derivatives of heights along the skin.

Kernels take plain arrays, fill what they are given and never raise.  A texel has the same bits in every block.
"""

from __future__ import annotations

import numpy as np
from numba import njit

#: Texels around the window that `gradients` looks at.
MARGIN_PX = 2

#: A neighbour is believed if it lies where the texel's own triangle has it, up to this share of the way.
MOST_ASIDE = 0.5
#: Where an open border holds one of the two: if it lies so far off, in texels.
NEAREST_HELD, FARTHEST_HELD = 0.1, 2.0
#: Two directions whose sine is below this are one.  Along an open border, where both may run along it, rises over them
#: are of two waves of the relief, not of one plane.
LEAST_SINE, LEAST_HELD_SINE = 1e-3, 0.3


@njit(nogil=True, cache=True, error_model="numpy")
def gradients(
    height, triangle, barycentric, is_held, skin_triangle, skin_barycentric, row0, col0, size_px, tile_column, tile_row,
    flattening, second, gradient, bend,
):  # fmt: skip
    """Derivatives of heights in mm along the skin, in the flat frame of each texel's triangle.

    Where a texel and its neighbours lie in one triangle these are central differences through the triangle's Jacobian
    from UV to mm.  Elsewhere the triangles are laid flat beside each other, and the neighbours are where they come to
    lie: slopes show no mesh edges.  A neighbour beyond the tile, without skin, in another chart or too far away on the
    skin is left out: the difference is one-sided.  Source: own derivation.

    Parameters
    ----------
    height : float32 (rows + 4, cols + 4), mm, with a margin of 2 texels
    triangle, barycentric, is_held, skin_triangle, skin_barycentric : of the same texels, see
        `raster.texels.ChartPlaces`
    row0, col0 : the first texel of these arrays in its tile; size_px : of the tile; tile_column, tile_row : U and V
    flattening : tuple of arrays: Jacobians d(mm)/d(uv) (n, 2, 2), UV of corner 0 (n, 2), corners in the flat frame
        (n, 3, 2), axes of that frame in space (n, 2, 3), corner 0 in space (n, 3), all float64; triangle and edge
        across each edge (n, 3), see `topology.Adjacency`; chart, and number in the surface before it was split: those
        of one number share a plane and a Jacobian; int32 (n,)
    second : bool, fill ``bend`` too
    gradient : float32 (rows, cols, 2), filled; 0 without skin
    bend : float32 (rows, cols, 3), filled with d2h/dx2, d2h/dxdy, d2h/dy2 in 1/mm; 0 without skin
    """
    n_rows, n_cols = gradient.shape[0], gradient.shape[1]
    jacobian = flattening[0]
    texel = 1.0 / size_px
    place = (triangle, barycentric, is_held, row0, col0, texel, tile_column, tile_row, skin_triangle, skin_barycentric)
    # differences, steps and residuals by neighbour (row - 1 ... row + 1, col - 1 ... col + 1)
    ok = np.zeros((3, 3), np.bool_)
    step = np.zeros((3, 3, 2))
    rise = np.zeros((3, 3))
    for r in range(n_rows):
        for c in range(n_cols):
            pr, pc = r + MARGIN_PX, c + MARGIN_PX
            t = triangle[pr, pc]
            if t < 0:
                gradient[r, c, 0] = gradient[r, c, 1] = np.float32(0)
                if second:
                    bend[r, c, 0] = bend[r, c, 1] = bend[r, c, 2] = np.float32(0)
                continue
            # one texel to the right and one down, mm in the flat frame
            xx, xy = jacobian[t, 0, 0] * texel, jacobian[t, 1, 0] * texel
            yx, yy = -jacobian[t, 0, 1] * texel, -jacobian[t, 1, 1] * texel
            if _all_in(t, pr, pc, triangle, flattening[8], is_held, second):
                east, west = np.float64(height[pr, pc + 1]), np.float64(height[pr, pc - 1])
                south, north = np.float64(height[pr + 1, pc]), np.float64(height[pr - 1, pc])
                gx, gy = _solve(xx, xy, 0.5 * (east - west), True, yx, yy, 0.5 * (south - north), True, LEAST_SINE)
                if second:
                    here = np.float64(height[pr, pc])
                    _store_bend(
                        east - 2.0 * here + west,
                        0.25 * (
                            np.float64(height[pr + 1, pc + 1]) - np.float64(height[pr + 1, pc - 1])
                            - np.float64(height[pr - 1, pc + 1]) + np.float64(height[pr - 1, pc - 1])
                        ),
                        south - 2.0 * here + north, xx, xy, yx, yy, bend[r, c],
                    )  # fmt: skip
            else:
                for i in range(-1, 2):
                    for j in range(-1, 2):
                        if (i == 0) == (j == 0) and (not second or i == 0):
                            ok[i + 1, j + 1] = False
                            continue
                        qr, qc = pr + i, pc + j
                        found, dx, dy = _way_to(pr, pc, qr, qc, place, flattening)
                        if not found and is_held[pr, pc] and (i == 0 or j == 0):
                            # the next texel may show the same point of the border: the one behind it
                            qr, qc = pr + 2 * i, pc + 2 * j
                            found, dx, dy = _way_to(pr, pc, qr, qc, place, flattening)
                        ok[i + 1, j + 1] = found
                        step[i + 1, j + 1, 0], step[i + 1, j + 1, 1] = dx, dy
                        rise[i + 1, j + 1] = np.float64(height[qr, qc]) - np.float64(height[pr, pc])
                ax, ay, a, has_a = _axis(ok[1, 2], step[1, 2], rise[1, 2], ok[1, 0], step[1, 0], rise[1, 0])
                bx, by, b, has_b = _axis(ok[2, 1], step[2, 1], rise[2, 1], ok[0, 1], step[0, 1], rise[0, 1])
                least_sine = LEAST_HELD_SINE if is_held[pr, pc] else LEAST_SINE
                gx, gy = _solve(ax, ay, a, has_a, bx, by, b, has_b, least_sine)
                if second:
                    for i in range(3):
                        for j in range(3):
                            if ok[i, j]:  # what the slope does not explain
                                rise[i, j] -= gx * step[i, j, 0] + gy * step[i, j, 1]
                    x_bend = _axis_bend(pr, pc, 0, 1, xx, xy, gx, gy, ok, step, rise, height, place, flattening)
                    y_bend = _axis_bend(pr, pc, 1, 0, yx, yy, gx, gy, ok, step, rise, height, place, flattening)
                    _store_bend(x_bend, _twist(ok, rise), y_bend, xx, xy, yx, yy, bend[r, c])
            gradient[r, c, 0], gradient[r, c, 1] = gx, gy


@njit(nogil=True, cache=True, error_model="numpy")
def _all_in(t, r, c, triangle, plane, is_held, corners):
    """Whether a texel's four neighbours (eight with corners) lie in its own triangle's plane."""
    if is_held[r, c]:
        return False
    for i in range(-1, 2):
        for j in range(-1, 2):
            if corners or i == 0 or j == 0:
                q = triangle[r + i, c + j]
                if q != t and (q < 0 or plane[q] != plane[t]):
                    return False
                if is_held[r + i, c + j]:
                    return False
    return True


@njit(nogil=True, cache=True, error_model="numpy")
def _solve(ax, ay, a, has_a, bx, by, b, has_b, least_sine):
    """The gradient whose product with (ax, ay) is a and with (bx, by) is b; the smallest one if only one is known."""
    if has_a and has_b:
        det = ax * by - ay * bx
        if det * det > least_sine * least_sine * (ax * ax + ay * ay) * (bx * bx + by * by):
            return (a * by - ay * b) / det, (ax * b - a * bx) / det
    if has_a:
        length2 = ax * ax + ay * ay
        return a * ax / length2, a * ay / length2
    if has_b:
        length2 = bx * bx + by * by
        return b * bx / length2, b * by / length2
    return 0.0, 0.0


@njit(nogil=True, cache=True, error_model="numpy")
def _axis(ok_plus, plus, rise_plus, ok_minus, minus, rise_minus):
    """What the two neighbours on an axis say: a way and the rise along it.

    Of two, the nearer counts more, so that the bend between unequal steps drops out.
    """
    if ok_plus and ok_minus:
        far_plus = np.sqrt(plus[0] * plus[0] + plus[1] * plus[1])
        far_minus = np.sqrt(minus[0] * minus[0] + minus[1] * minus[1])
        p, m = far_minus / far_plus, far_plus / far_minus
        return p * plus[0] - m * minus[0], p * plus[1] - m * minus[1], p * rise_plus - m * rise_minus, True
    if ok_plus:
        return plus[0], plus[1], rise_plus, True
    if ok_minus:
        return minus[0], minus[1], rise_minus, True
    return 0.0, 0.0, 0.0, False


@njit(nogil=True, cache=True, error_model="numpy")
def _axis_bend(r, c, i, j, ux, uy, gx, gy, ok, step, rise, height, place, flattening):
    """Second difference along an axis, for one texel squared; with one neighbour only, that about the neighbour."""
    unit = np.sqrt(ux * ux + uy * uy)
    far_plus = np.sqrt(step[1 + i, 1 + j, 0] ** 2 + step[1 + i, 1 + j, 1] ** 2) / unit
    far_minus = np.sqrt(step[1 - i, 1 - j, 0] ** 2 + step[1 - i, 1 - j, 1] ** 2) / unit
    plus = ok[1 + i, 1 + j] and far_plus >= MOST_ASIDE
    minus = ok[1 - i, 1 - j] and far_minus >= MOST_ASIDE
    if plus and minus:
        bent = rise[1 + i, 1 + j] / far_plus + rise[1 - i, 1 - j] / far_minus
        return 2.0 * bent / (far_plus + far_minus)
    for sign, there in ((1, plus), (-1, minus)):
        if there:
            found, dx, dy = _way_to(r, c, r + 2 * sign * i, c + 2 * sign * j, place, flattening)
            if not found:
                return 0.0
            second = (
                np.float64(height[r + 2 * sign * i, c + 2 * sign * j]) - np.float64(height[r, c]) - gx * dx - gy * dy
            )
            return second - 2.0 * rise[1 + sign * i, 1 + sign * j]
    return 0.0


@njit(nogil=True, cache=True, error_model="numpy")
def _twist(ok, rise):
    """Mixed second difference: the mean over the quarters that are there."""
    total, n = 0.0, 0
    for i in (-1, 1):
        for j in (-1, 1):
            if ok[1 + i, 1 + j] and ok[1 + i, 1] and ok[1, 1 + j]:
                total += i * j * (rise[1 + i, 1 + j] - rise[1 + i, 1] - rise[1, 1 + j])
                n += 1
    return total / n if n > 0 else 0.0


@njit(nogil=True, cache=True, error_model="numpy")
def _store_bend(columns, mixed, rows, xx, xy, yx, yy, out):
    """From second differences between texels to second derivatives in mm."""
    det = xx * yy - xy * yx
    # one mm along x is p texels to the right and q down, one along y s and u
    p, q, s, u = yy / det, -xy / det, -yx / det, xx / det
    out[0] = p * p * columns + 2.0 * p * q * mixed + q * q * rows
    out[1] = p * s * columns + (p * u + q * s) * mixed + q * u * rows
    out[2] = s * s * columns + 2.0 * s * u * mixed + u * u * rows


@njit(nogil=True, cache=True, error_model="numpy")
def _flat_place(r, c, place, flattening):
    """Where a texel lies in the flat frame of its triangle, mm."""
    triangle, barycentric, is_held, row0, col0, texel, tile_column, tile_row = place[:8]
    jacobian, uv0, flat_mm = flattening[0], flattening[1], flattening[2]
    t = triangle[r, c]
    if is_held[r, c]:
        x, y = 0.0, 0.0
        for k in range(3):
            x += barycentric[r, c, k] * flat_mm[t, k, 0]
            y += barycentric[r, c, k] * flat_mm[t, k, 1]
        return x, y
    u = tile_column + (col0 + c + 0.5) * texel - uv0[t, 0]
    v = tile_row + 1.0 - (row0 + r + 0.5) * texel - uv0[t, 1]
    return jacobian[t, 0, 0] * u + jacobian[t, 0, 1] * v, jacobian[t, 1, 0] * u + jacobian[t, 1, 1] * v


@njit(nogil=True, cache=True, error_model="numpy")
def _way_to(r, c, qr, qc, place, flattening):
    """Way from one texel to a near one, in the flat frame of the first one's triangle, mm; and whether it is near."""
    triangle, is_held, texel = place[0], place[2], place[5]
    jacobian, flat_mm, axes, corner_mm = flattening[0], flattening[2], flattening[3], flattening[4]
    neighbour, neighbour_edge, chart = flattening[5], flattening[6], flattening[7]
    t, q = triangle[r, c], triangle[qr, qc]
    if q < 0 or chart[q] != chart[t]:
        return False, 0.0, 0.0
    du, dv = (qc - c) * texel, (r - qr) * texel
    if flattening[8][q] == flattening[8][t] and not is_held[r, c] and not is_held[qr, qc]:
        return True, jacobian[t, 0, 0] * du + jacobian[t, 0, 1] * dv, jacobian[t, 1, 0] * du + jacobian[t, 1, 1] * dv
    px, py = _flat_place(r, c, place, flattening)
    x, y = _flat_place(qr, qc, place, flattening)
    edge = -1
    for k in range(3):
        if neighbour[t, k] == q:
            edge = k
    if q == t:
        dx, dy = x - px, y - py
    elif edge >= 0:
        x, y = _rolled_back(t, edge, q, neighbour_edge[t, edge], x, y, flat_mm)
        dx, dy = x - px, y - py
    else:
        dx, dy = _chord(t, q, px, py, x, y, axes, corner_mm)
    ex, ey = jacobian[t, 0, 0] * du + jacobian[t, 0, 1] * dv, jacobian[t, 1, 0] * du + jacobian[t, 1, 1] * dv
    far2, expected2 = dx * dx + dy * dy, ex * ex + ey * ey
    if is_held[r, c] or is_held[qr, qc]:
        near = NEAREST_HELD**2 * expected2 <= far2 <= FARTHEST_HELD**2 * expected2
    else:
        near = (dx - ex) ** 2 + (dy - ey) ** 2 <= MOST_ASIDE**2 * expected2
    if not near:
        return False, dx, dy
    # where gutters of two borders meet, their skin lies elsewhere than their planes say
    apart2 = _apart2(r, c, qr, qc, place, flattening)
    return (1.0 - MOST_ASIDE) ** 2 * far2 <= apart2 <= (1.0 + MOST_ASIDE) ** 2 * far2, dx, dy


@njit(nogil=True, cache=True, error_model="numpy")
def _apart2(r, c, qr, qc, place, flattening):
    """How far the skin points of two texels lie apart in space, squared, mm2."""
    skin_triangle, skin_barycentric = place[8], place[9]
    flat_mm, axes, corner_mm = flattening[2], flattening[3], flattening[4]
    t, q = skin_triangle[r, c], skin_triangle[qr, qc]
    tx, ty, qx, qy = 0.0, 0.0, 0.0, 0.0
    for k in range(3):
        tx += skin_barycentric[r, c, k] * flat_mm[t, k, 0]
        ty += skin_barycentric[r, c, k] * flat_mm[t, k, 1]
        qx += skin_barycentric[qr, qc, k] * flat_mm[q, k, 0]
        qy += skin_barycentric[qr, qc, k] * flat_mm[q, k, 1]
    total = 0.0
    for k in range(3):
        way = corner_mm[q, k] + qx * axes[q, 0, k] + qy * axes[q, 1, k]
        way -= corner_mm[t, k] + tx * axes[t, 0, k] + ty * axes[t, 1, k]
        total += way * way
    return total


@njit(nogil=True, cache=True, error_model="numpy")
def _rolled_back(t, k, q, k2, x, y, flat_mm):
    """A point of the plane of q in that of t, after q was folded flat about their shared edge (k of t, k2 of q)."""
    i, j, j2 = (k + 1) % 3, (k + 2) % 3, (k2 + 2) % 3
    i2 = (k2 + 1) % 3
    ax, ay = flat_mm[t, i, 0], flat_mm[t, i, 1]
    ox, oy = flat_mm[q, j2, 0], flat_mm[q, j2, 1]
    ex, ey = flat_mm[t, j, 0] - ax, flat_mm[t, j, 1] - ay
    fx, fy = flat_mm[q, i2, 0] - ox, flat_mm[q, i2, 1] - oy
    length = np.sqrt((ex * ex + ey * ey) * (fx * fx + fy * fy))
    if length <= 0.0:
        return x, y
    cos, sin = (ex * fx + ey * fy) / length, (ex * fy - ey * fx) / length
    x, y = x - ox, y - oy
    return ax + cos * x + sin * y, ay - sin * x + cos * y


@njit(nogil=True, cache=True, error_model="numpy")
def _chord(t, q, px, py, x, y, axes, corner_mm):
    """The straight way through space, turned into the plane of t without losing length."""
    dx, dy, length2 = 0.0, 0.0, 0.0
    for k in range(3):
        way = corner_mm[q, k] + x * axes[q, 0, k] + y * axes[q, 1, k]
        way -= corner_mm[t, k] + px * axes[t, 0, k] + py * axes[t, 1, k]
        dx += way * axes[t, 0, k]
        dy += way * axes[t, 1, k]
        length2 += way * way
    flat2 = dx * dx + dy * dy
    if flat2 <= 0.0:
        return 0.0, 0.0
    longer = np.sqrt(length2 / flat2)
    return dx * longer, dy * longer


@njit(nogil=True, cache=True, error_model="numpy")
def add_moments(slope, triangle, factor, total, count):
    """Sums of bx, by, bx^2, by^2, bx by over squares of ``factor`` x ``factor`` texels with skin, (bx, by) = -slope.

    Parameters
    ----------
    slope : float32 (rows, cols, 2); triangle : int32 (rows, cols), -1 without skin
    total : float64 (rows / factor, cols / factor, 5), count : int64 (rows / factor, cols / factor), added to
    """
    n_rows, n_cols = triangle.shape
    for r in range(n_rows):
        for c in range(n_cols):
            if triangle[r, c] < 0:
                continue
            bx, by = -np.float64(slope[r, c, 0]), -np.float64(slope[r, c, 1])
            i, j = r // factor, c // factor
            count[i, j] += 1
            total[i, j, 0] += bx
            total[i, j, 1] += by
            total[i, j, 2] += bx * bx
            total[i, j, 3] += by * by
            total[i, j, 4] += bx * by
