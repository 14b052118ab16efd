"""Compiled loops of placement: blue-noise centres and the small sheets of prints.

Kernels take plain arrays, fill what they are given and never raise.
"""

from __future__ import annotations

import heapq

import numpy as np
from numba import njit

from poredepth.placement.sheet_kernels import cut_where_stretched, fit_share, solve_sheet


@njit(nogil=True, cache=True)
def thin_out(point_mm, normal, spacing_mm, cell, cell_shape, keep, n_kept_before):
    """Keep points in order if no kept point on the same side of the skin is nearer than ``spacing_mm``.

    Dart throwing on a grid of cells as wide as the spacing (Bridson 2007 for the grid).

    Parameters
    ----------
    point_mm, normal : float64 (n, 3); the first ``n_kept_before`` are kept already
    cell : int64 (n, 3), cell of each point, from 0; cell_shape : int64 (3,)
    keep : bool (n,), filled
    """
    first = {np.int64(-1): np.int64(-1)}
    next_in_cell = np.full(len(point_mm), -1, np.int64)
    for p in range(len(point_mm)):
        free = True
        if p >= n_kept_before:
            for dx in range(-1, 2):
                for dy in range(-1, 2):
                    for dz in range(-1, 2):
                        x, y, z = cell[p, 0] + dx, cell[p, 1] + dy, cell[p, 2] + dz
                        if x < 0 or y < 0 or z < 0 or not free:
                            continue
                        key = (x * cell_shape[1] + y) * cell_shape[2] + z
                        q = first[key] if key in first else np.int64(-1)
                        while q >= 0 and free:
                            d2 = 0.0
                            side = 0.0
                            for a in range(3):
                                d2 += (point_mm[p, a] - point_mm[q, a]) ** 2
                                side += normal[p, a] * normal[q, a]
                            if d2 < spacing_mm * spacing_mm and side > 0.0:
                                free = False
                            q = next_in_cell[q]
        keep[p] = free
        if free:
            key = (cell[p, 0] * cell_shape[1] + cell[p, 1]) * cell_shape[2] + cell[p, 2]
            next_in_cell[p] = first[key] if key in first else np.int64(-1)
            first[key] = np.int64(p)


@njit(nogil=True, cache=True)
def lay_sheets(
    centre_triangle,
    centre_barycentric,
    radius_mm,
    reach_ratio,
    tri_vertex,
    flat_mm,
    neighbour,
    angle,
    turn,
    vertex_start,
    vertex_tri,
    least_stretch,
    most_stretch,
    row_triangle,
    row_print,
    row_uv_mm,
    row_weight,
    first_print,
):
    """Solve the small sheet of each print; returns the number of rows filled, or -1 when the rows run out.

    For every centre: gather the triangles within reach along edges, give their line directions one sign by walking out
    from the centre, and find u, v (mm) with grad u nearest to the direction and grad v to its left normal by least
    squares (one cotangent system, two right sides, solved by conjugate gradients).  The centre is the origin.

    A triangle that the sheet stretches by less than ``least_stretch`` or more than ``most_stretch`` is cut off (the one
    under the centre never is): other prints lie there.

    Rows (triangle, print, uv at corners, weight at corners) are written where the weight is above 0 at some corner; the
    weight 1 - |uv| / radius is held at 0 or less on the rim of the gathered triangles.
    """
    n_vertices = len(vertex_start) - 1
    n_triangles = len(tri_vertex)
    local = np.full(n_vertices, -1, np.int32)
    distance = np.full(n_vertices, np.inf)
    taken = np.full(n_triangles, -1, np.int32)
    used = 0
    for c in range(len(centre_triangle)):
        triangles, n_local = _gather(
            centre_triangle[c],
            centre_barycentric[c],
            reach_ratio * radius_mm[c],
            tri_vertex,
            flat_mm,
            vertex_start,
            vertex_tri,
            local,
            distance,
            taken,
        )
        direction = _one_sign(triangles, taken, neighbour, angle, turn)
        shares = fit_share(triangles, tri_vertex, distance, radius_mm[c])
        uv, rim = solve_sheet(triangles, n_local, tri_vertex, flat_mm, direction, shares, local, neighbour, taken)
        cut_where_stretched(uv, rim, triangles, tri_vertex, flat_mm, local, least_stretch, most_stretch)
        _centre(uv, centre_triangle[c], centre_barycentric[c], tri_vertex, local)
        used = _write_rows(
            triangles,
            uv,
            rim,
            radius_mm[c],
            tri_vertex,
            local,
            first_print + c,
            used,
            row_triangle,
            row_print,
            row_uv_mm,
            row_weight,
        )
        for t in triangles:
            taken[t] = -1
            for k in range(3):
                local[tri_vertex[t, k]] = -1
                distance[tri_vertex[t, k]] = np.inf
        if used < 0:
            return -1
    return used


@njit(nogil=True, cache=True)
def _gather(centre, barycentric, reach_mm, tri_vertex, flat_mm, vertex_start, vertex_tri, local, distance, taken):
    """Triangles with a corner within ``reach_mm`` along edges, nearest first; numbers their vertices in ``local``."""
    x, y = 0.0, 0.0
    for k in range(3):
        x += barycentric[k] * flat_mm[centre, k, 0]
        y += barycentric[k] * flat_mm[centre, k, 1]
    heap = [(0.0, 0)]
    heap.pop()
    for k in range(3):
        v = tri_vertex[centre, k]
        distance[v] = np.sqrt((flat_mm[centre, k, 0] - x) ** 2 + (flat_mm[centre, k, 1] - y) ** 2)
        heapq.heappush(heap, (distance[v], np.int64(v)))
    triangles = [np.int64(centre)]
    taken[centre] = 0
    touched = [np.int64(tri_vertex[centre, 0]), np.int64(tri_vertex[centre, 1]), np.int64(tri_vertex[centre, 2])]
    while len(heap) > 0:
        d, v = heapq.heappop(heap)
        if d > distance[v] or d > reach_mm:
            continue
        for at in range(vertex_start[v], vertex_start[v + 1]):
            t = vertex_tri[at]
            if taken[t] < 0:
                taken[t] = len(triangles)
                triangles.append(np.int64(t))
            k = 0
            for m in range(3):
                if tri_vertex[t, m] == v:
                    k = m
            for m in range(3):
                w = tri_vertex[t, m]
                if m == k:
                    continue
                step = np.sqrt((flat_mm[t, m, 0] - flat_mm[t, k, 0]) ** 2 + (flat_mm[t, m, 1] - flat_mm[t, k, 1]) ** 2)
                if d + step < distance[w]:
                    if distance[w] == np.inf:
                        touched.append(np.int64(w))
                    distance[w] = d + step
                    heapq.heappush(heap, (d + step, np.int64(w)))
    n_local = 0
    out = np.empty(len(triangles), np.int64)
    for i in range(len(triangles)):
        out[i] = triangles[i]
        for k in range(3):
            v = tri_vertex[out[i], k]
            if local[v] < 0:
                local[v] = n_local
                n_local += 1
    return out, n_local


@njit(nogil=True, cache=True)
def _one_sign(triangles, taken, neighbour, angle, turn):
    """Angles of the line directions with consistent sign, walking out from the first triangle; (n_local_triangles,)."""
    n = len(triangles)
    out = np.full(n, np.nan)
    out[0] = angle[triangles[0]]
    queue = np.empty(n, np.int64)
    queue[0] = 0
    head, tail = 0, 1
    while head < tail:
        i = queue[head]
        head += 1
        t = triangles[i]
        for k in range(3):
            t2 = neighbour[t, k]
            if t2 < 0 or taken[t2] < 0:
                continue
            j = taken[t2]
            if np.isnan(out[j]):
                brought = out[i] + turn[t, k]
                half_turns = np.round((brought - angle[t2]) / np.pi)
                out[j] = angle[t2] + half_turns * np.pi
                queue[tail] = j
                tail += 1
    for i in range(n):  # triangles met only at a point
        if np.isnan(out[i]):
            out[i] = angle[triangles[i]]
    return out


@njit(nogil=True, cache=True)
def _centre(uv, centre, barycentric, tri_vertex, local):
    """Shift u, v so that the print's centre is the origin."""
    for q in range(2):
        middle = 0.0
        for k in range(3):
            middle += barycentric[k] * uv[local[tri_vertex[centre, k]], q]
        for v in range(len(uv)):
            uv[v, q] -= middle


@njit(nogil=True, cache=True)
def _write_rows(
    triangles, uv, rim, radius_mm, tri_vertex, local, print_id, used, row_triangle, row_print, row_uv_mm, row_weight
):
    for t in triangles:
        w0 = _weight(uv, rim, local[tri_vertex[t, 0]], radius_mm)
        w1 = _weight(uv, rim, local[tri_vertex[t, 1]], radius_mm)
        w2 = _weight(uv, rim, local[tri_vertex[t, 2]], radius_mm)
        if w0 <= 0.0 and w1 <= 0.0 and w2 <= 0.0:
            continue
        if used >= len(row_triangle):
            return -1
        row_triangle[used] = t
        row_print[used] = print_id
        row_weight[used, 0], row_weight[used, 1], row_weight[used, 2] = w0, w1, w2
        for k in range(3):
            v = local[tri_vertex[t, k]]
            row_uv_mm[used, k, 0], row_uv_mm[used, k, 1] = uv[v, 0], uv[v, 1]
        used += 1
    return used


@njit(nogil=True, cache=True)
def _weight(uv, rim, v, radius_mm):
    w = 1.0 - np.sqrt(uv[v, 0] ** 2 + uv[v, 1] ** 2) / radius_mm
    return min(w, 0.0) if rim[v] else w
