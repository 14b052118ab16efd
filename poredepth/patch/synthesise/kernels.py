"""Compiled loops of the synthesis: furrows carved along strokes, pits sunk, lines grown.

Kernels take plain arrays, fill what they are given and never raise.  Lengths are in texels unless said otherwise; texel
(r, c) has its middle at x = c + 0.5, y = r + 0.5.  The picture has ``count`` columns and continues over its borders.
"""

from __future__ import annotations

import math

from numba import njit

#: Sub-samples a side of a texel of a pit.
SUB = 4
#: How far from a pit's middle its rim reaches, in radii; the rim starts at 1.
RIM_REACH = 2.3


@njit(nogil=True, cache=True, inline="always")
def _to_power(value, cubed):
    """value**6 if ``cubed``, else value**2."""
    square = value * value
    return square * square * square if cubed else square


@njit(nogil=True, cache=True)
def carve_rows(top, count, first, points, values, section, reach, cubed, best, owner, out):
    """Depth of all strokes together in rows ``top`` onwards.

    Each texel takes the deepest of a stroke's segments, and joins what different strokes give it: the sixth root of the
    sum of sixth powers (``cubed``; nearly the deepest of all) or the root of the sum of squares.

    Parameters
    ----------
    first : int64 (n + 1,), where each stroke's points begin
    points : float64 (m, 2), x and y, a stroke's first point inside the picture
    values : float64 (m, 2), depth (any unit) and half of the width at half depth (texels)
    section : float64 (k,), the section at even steps of (distance / half width)**2, 0 at the end
    reach : float, half widths at which the section ends
    best : float64 (rows, count), scratch; owner : int32 (rows, count), scratch
    out : float64 (rows, count), filled, + is deep
    """
    rows = out.shape[0]
    out[:] = 0.0
    best[:] = 0.0
    owner[:] = -1
    steps = len(section) - 1
    per_square = steps / reach**2
    for stroke in range(len(first) - 1):
        last = first[stroke + 1] - 2
        for k in range(first[stroke], last + 1):
            x0, y0 = points[k, 0], points[k, 1]
            dx, dy = points[k + 1, 0] - x0, points[k + 1, 1] - y0
            d0, d1 = values[k, 0], values[k + 1, 0] - values[k, 0]
            h0, h1 = values[k, 1], values[k + 1, 1] - values[k, 1]
            far = reach * max(h0, h0 + h1)
            y_low, y_high = min(y0, y0 + dy) - far - 0.5 - top, max(y0, y0 + dy) + far - 0.5 - top
            turn_low = int(math.ceil(-y_high / count))
            turn_high = int(math.floor((rows - 1 - y_low) / count))
            if turn_low > turn_high or max(d0, d0 + d1) <= 0.0:
                continue
            c_low = int(math.ceil(min(x0, x0 + dx) - far - 0.5))
            c_high = int(math.floor(max(x0, x0 + dx) + far - 0.5))
            start = c_low % count
            length_2 = max(dx * dx + dy * dy, 1e-12)
            for turn in range(turn_low, turn_high + 1):
                shift = turn * count
                r_low = max(0, int(math.ceil(y_low + shift)))
                r_high = min(rows - 1, int(math.floor(y_high + shift)))
                for r in range(r_low, r_high + 1):
                    py = r + 0.5 + top - shift - y0
                    col = start - 1
                    for c in range(c_low, c_high + 1):
                        col += 1
                        if col == count:
                            col = 0
                        px = c + 0.5 - x0
                        along = (px * dx + py * dy) / length_2
                        # beyond an end that another segment joins, only the wedge of a bend is left to this one
                        if along < 0.0:
                            if k > first[stroke] and 2.0 * along * along * length_2 > px * px + py * py:
                                continue
                            along = 0.0
                        elif along > 1.0:
                            if k < last:
                                ex, ey = px - dx, py - dy
                                if 2.0 * (along - 1.0) ** 2 * length_2 > ex * ex + ey * ey:
                                    continue
                            along = 1.0
                        ex, ey = px - along * dx, py - along * dy
                        half = h0 + along * h1
                        at = (ex * ex + ey * ey) / (half * half) * per_square
                        if at >= steps:
                            continue
                        i = int(at)
                        depth = (d0 + along * d1) * (section[i] + (at - i) * (section[i + 1] - section[i]))
                        if owner[r, col] != stroke:
                            out[r, col] += _to_power(best[r, col], cubed)
                            owner[r, col] = stroke
                            best[r, col] = depth
                        elif depth > best[r, col]:
                            best[r, col] = depth
    root = 1.0 / 6.0 if cubed else 0.5
    for r in range(rows):
        for c in range(count):
            out[r, c] = (out[r, c] + _to_power(best[r, c], cubed)) ** root


@njit(nogil=True, cache=True, inline="always")
def _far(x, y, shape):
    """Distance from a pit's middle in radii of its outline in that direction; sine and cosine around it."""
    along = (shape[2] * x - shape[3] * y) / shape[0]
    across = (shape[3] * x + shape[2] * y) / shape[1]
    radius = math.sqrt(along * along + across * across)
    if radius < 1e-9:
        return 0.0, 1.0, 0.0
    cos, sin = along / radius, across / radius
    cos_2, sin_2 = cos * cos - sin * sin, 2.0 * sin * cos
    cos_3, sin_3 = cos_2 * cos - sin_2 * sin, sin_2 * cos + cos_2 * sin
    lobes = shape[5] * cos + shape[6] * sin + shape[7] * cos_2 + shape[8] * sin_2 + shape[9] * cos_3 + shape[10] * sin_3
    return radius / (shape[4] * (1.0 + lobes)), cos, sin


@njit(nogil=True, cache=True)
def sink_rows(top, count, middles, shapes, depths, rims, exponent, power, pit, rim, spare):
    """Pits, their rims, and what they leave of furrows, in rows ``top`` onwards.

    A pit is depth * (1 - far**exponent)**power deep, far from 0 in its middle to 1 at its outline: texels get the mean
    over themselves, by ``SUB`` x ``SUB`` samples.

    Parameters
    ----------
    middles : float64 (n, 2), x and y, inside the picture
    shapes : float64 (n, 11), half length, half width, cosine and sine of the turn, scale of the lobes, then cosine and
        sine of the lobes 1 to 3
    depths : float64 (n,); rims : float64 (n, 5), height, then cosine and sine of where a first and a second wave of the
        height around the pit are highest
    pit, rim : float32 (rows, count), filled; spare : float32 (rows, count), filled: 1 away from pits, 0 in their middle

    Returns
    -------
    samples that lie in pits, of ``SUB``**2 a texel
    """
    rows = pit.shape[0]
    pit[:] = 0.0
    rim[:] = 0.0
    spare[:] = 1.0
    inside = 0
    for k in range(len(middles)):
        shape = shapes[k]
        far_px = RIM_REACH * max(shape[0], shape[1]) * 1.5 + 1.0
        x0, y0 = middles[k, 0], middles[k, 1]
        y_low, y_high = y0 - far_px - 0.5 - top, y0 + far_px - 0.5 - top
        c_low, c_high = int(math.ceil(x0 - far_px - 0.5)), int(math.floor(x0 + far_px - 0.5))
        near = 1.0 + 1.5 / min(shape[0], shape[1])
        for turn in range(int(math.ceil(-y_high / count)), int(math.floor((rows - 1 - y_low) / count)) + 1):
            shift = turn * count
            r_low = max(0, int(math.ceil(y_low + shift)))
            r_high = min(rows - 1, int(math.floor(y_high + shift)))
            for r in range(r_low, r_high + 1):
                y = r + 0.5 + top - shift - y0
                for c in range(c_low, c_high + 1):
                    x = c + 0.5 - x0
                    col = c % count
                    far, cos, sin = _far(x, y, shape)
                    if far >= RIM_REACH:
                        continue
                    if far > 1.0:
                        at = (2.0 * far - RIM_REACH - 1.0) / (RIM_REACH - 1.0)
                        swell = (1.0 - at * at) ** 2
                        first = 1.0 + cos * rims[k, 1] + sin * rims[k, 2]
                        second = 1.0 + (cos * cos - sin * sin) * rims[k, 3] + 2.0 * sin * cos * rims[k, 4]
                        rim[r, col] += rims[k, 0] * swell * 0.5 * first * second
                    rise = min(1.0, max(0.0, (far - 0.3) / 0.7))
                    spare[r, col] *= rise * rise * (3.0 - 2.0 * rise)
                    if far > near:
                        continue
                    total = 0.0
                    for i in range(SUB):
                        for j in range(SUB):
                            sub, _, _ = _far(x + (j + 0.5) / SUB - 0.5, y + (i + 0.5) / SUB - 0.5, shape)
                            if sub < 1.0:
                                inside += 1
                                total += (1.0 - sub**exponent) ** power
                    pit[r, col] += depths[k] * total / SUB**2
    return inside


@njit(nogil=True, cache=True)
def drop_later(pairs, dropped):
    """Drop the second of each pair (int64 (n, 2), in order of the first) whose first is not dropped itself."""
    for k in range(len(pairs)):
        if not dropped[pairs[k, 0]]:
            dropped[pairs[k, 1]] = True


@njit(nogil=True, cache=True)
def mark_near(points, cell_count, radius_cells, taken):
    """Mark the cells of a periodic grid whose middles are within a radius of points; all in cells, x and y."""
    reach = int(math.ceil(radius_cells))
    for k in range(len(points)):
        x0, y0 = points[k, 0], points[k, 1]
        for r in range(int(math.floor(y0)) - reach, int(math.floor(y0)) + reach + 1):
            for c in range(int(math.floor(x0)) - reach, int(math.floor(x0)) + reach + 1):
                if (c + 0.5 - x0) ** 2 + (r + 0.5 - y0) ** 2 <= radius_cells**2:
                    taken[r % cell_count, c % cell_count] = True


@njit(nogil=True, cache=True, inline="always")
def _angle_at(angle, x, y):
    """Angle (radians) on a periodic grid at (x, y), in cells of that grid, bilinear."""
    n = len(angle)
    col, row = int(math.floor(x - 0.5)), int(math.floor(y - 0.5))
    px, py = x - 0.5 - col, y - 0.5 - row
    c0, c1, r0, r1 = col % n, (col + 1) % n, row % n, (row + 1) % n
    upper = angle[r0, c0] + px * (angle[r0, c1] - angle[r0, c0])
    lower = angle[r1, c0] + px * (angle[r1, c1] - angle[r1, c0])
    return upper + py * (lower - upper)


@njit(nogil=True, cache=True)
def grow_line(x0, y0, angle, grid_per_cell, taken, half_steps, step, out):
    """Follow a field of angles from a point both ways until a taken cell; all in cells of ``taken``.

    Parameters
    ----------
    angle : float64 (n, n), radians anticlockwise from +u; grid_per_cell : its cells in one cell of ``taken``
    half_steps : most steps each way
    out : float64 (2 * half_steps + 1, 2), filled in the order of the line

    Returns
    -------
    number of points
    """
    cell_count = len(taken)
    backward = 0
    for way in range(2):
        sign = -1.0 if way == 0 else 1.0
        x, y = x0, y0
        for n in range(half_steps + 1):
            if taken[int(math.floor(y)) % cell_count, int(math.floor(x)) % cell_count]:
                break
            if way == 0:
                out[n, 0], out[n, 1] = x, y
                backward = n + 1
            elif n > 0:
                out[backward + n - 1, 0], out[backward + n - 1, 1] = x, y
                forward = n
            else:
                forward = 0
            turn = _angle_at(angle, x * grid_per_cell, y * grid_per_cell)
            x += sign * step * math.cos(turn)
            y -= sign * step * math.sin(turn)
        if way == 0:
            if backward == 0:
                return 0
            for n in range(backward // 2):  # turned round: the backward half comes first
                for axis in range(2):
                    swap = out[n, axis]
                    out[n, axis] = out[backward - 1 - n, axis]
                    out[backward - 1 - n, axis] = swap
    return backward + forward
