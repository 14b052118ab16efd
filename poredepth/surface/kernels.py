"""Compiled loops over triangles and vertices: walking straight over the skin, distance along the skin, outlines.

Kernels take plain arrays, fill what they are given and never raise.
"""

from __future__ import annotations

import heapq

import numpy as np
from numba import njit

MAX_WALK_STEPS = 256


@njit(nogil=True, cache=True)
def walk(triangle, b0, b1, b2, flat_mm, neighbour, neighbour_edge):
    """Bring a point, given by barycentrics outside its triangle, onto the skin by unfolding across edges.

    The triangle's plane is rolled over each edge the straight line to the point leaves by.  At an open border the point
    is clamped to the border.  Source: own derivation; straightest geodesics in the sense of Polthier & Schmies 1998.

    Parameters
    ----------
    triangle : int; b0, b1, b2 : float, barycentrics that sum to 1
    flat_mm : float64 (n_triangles, 3, 2), corners in each triangle's own plane, mm
    neighbour, neighbour_edge : (n_triangles, 3), see `topology.Adjacency`

    Returns
    -------
    triangle, b0, b1, b2 : all barycentrics >= 0
    """
    t = triangle
    b = np.empty(3)
    b[0], b[1], b[2] = b0, b1, b2
    # the way: from inside (the centroid for a point given outside) to the point, kept in the plane of t
    sx = (flat_mm[t, 0, 0] + flat_mm[t, 1, 0] + flat_mm[t, 2, 0]) / 3
    sy = (flat_mm[t, 0, 1] + flat_mm[t, 1, 1] + flat_mm[t, 2, 1]) / 3
    x = b[0] * flat_mm[t, 0, 0] + b[1] * flat_mm[t, 1, 0] + b[2] * flat_mm[t, 2, 0]
    y = b[0] * flat_mm[t, 0, 1] + b[1] * flat_mm[t, 1, 1] + b[2] * flat_mm[t, 2, 1]
    came_by = -1
    for _ in range(MAX_WALK_STEPS):
        k = _exit_edge(t, sx, sy, x, y, flat_mm, came_by)
        if k < 0:
            break
        t2 = neighbour[t, k]
        i, j = (k + 1) % 3, (k + 2) % 3
        ax, ay = flat_mm[t, i, 0], flat_mm[t, i, 1]
        ex, ey = flat_mm[t, j, 0] - ax, flat_mm[t, j, 1] - ay
        length = np.sqrt(ex * ex + ey * ey)
        if t2 < 0:  # an open border: its nearest point
            if length > 0.0:
                at = min(max(((x - ax) * ex + (y - ay) * ey) / (length * length), 0.0), 1.0)
                x, y = ax + at * ex, ay + at * ey
            break
        k2 = neighbour_edge[t, k]
        # the shared edge runs the other way round in t2: its start there is our corner j
        i2, j2 = (k2 + 1) % 3, (k2 + 2) % 3
        fx, fy = flat_mm[t2, i2, 0] - flat_mm[t2, j2, 0], flat_mm[t2, i2, 1] - flat_mm[t2, j2, 1]
        length2 = np.sqrt(fx * fx + fy * fy)
        if length <= 0.0 or length2 <= 0.0:
            break
        # along and across the edge, from our corner i (= corner j2 of t2)
        c, s = (ex * fx + ey * fy) / (length * length2), (ex * fy - ey * fx) / (length * length2)
        ox, oy = flat_mm[t2, j2, 0], flat_mm[t2, j2, 1]
        x, y = ox + c * (x - ax) - s * (y - ay), oy + s * (x - ax) + c * (y - ay)
        sx, sy = ox + c * (sx - ax) - s * (sy - ay), oy + s * (sx - ax) + c * (sy - ay)
        t, came_by = t2, k2
    return _inside(t, x, y, flat_mm)


@njit(nogil=True, cache=True)
def _exit_edge(t, sx, sy, x, y, flat_mm, came_by):
    """Edge by which the segment s -> (x, y) leaves triangle t, or -1 if (x, y) is inside."""
    best, best_at = -1, 2.0
    for k in range(3):
        if k == came_by:
            continue
        i, j = (k + 1) % 3, (k + 2) % 3
        ax, ay = flat_mm[t, i, 0], flat_mm[t, i, 1]
        ex, ey = flat_mm[t, j, 0] - ax, flat_mm[t, j, 1] - ay
        side_end = ex * (y - ay) - ey * (x - ax)
        if side_end >= 0.0:
            continue
        side_start = ex * (sy - ay) - ey * (sx - ax)
        at = side_start / (side_start - side_end) if side_start > side_end else 0.0
        if at < best_at:
            best, best_at = k, at
    return best


@njit(nogil=True, cache=True)
def _inside(t, x, y, flat_mm):
    """Barycentrics of (x, y) in t, clamped to the triangle."""
    x1, x2, y2 = flat_mm[t, 1, 0], flat_mm[t, 2, 0], flat_mm[t, 2, 1]
    if x1 <= 0.0 or y2 <= 0.0:
        return t, 1.0 / 3, 1.0 / 3, 1.0 / 3
    b2 = y / y2
    b1 = (x - b2 * x2) / x1
    b0 = max(1.0 - b1 - b2, 0.0)
    b1, b2 = max(b1, 0.0), max(b2, 0.0)
    total = b0 + b1 + b2
    return t, b0 / total, b1 / total, b2 / total


@njit(nogil=True, cache=True)
def walk_many(triangle, barycentric, flat_mm, neighbour, neighbour_edge):
    """`walk` for points (n,), (n, 3); both arrays are changed in place."""
    for p in range(len(triangle)):
        t, b0, b1, b2 = walk(
            triangle[p], barycentric[p, 0], barycentric[p, 1], barycentric[p, 2], flat_mm, neighbour, neighbour_edge
        )
        triangle[p] = t
        barycentric[p, 0], barycentric[p, 1], barycentric[p, 2] = b0, b1, b2


@njit(nogil=True, cache=True)
def march(distance_mm, source, from_point, tri_vertex, vertex_start, vertex_tri, flat_mm, max_mm):
    """Distance along the skin from the vertices ``source``, whose distances stand in ``distance_mm`` already.

    Fronts are advanced triangle by triangle in order of distance (fast marching; Kimmel & Sethian 1998).  Inside a
    triangle the front is taken as a circle about an unfolded source point if ``from_point``, else as a straight line.

    Parameters
    ----------
    distance_mm : float64 (n_vertices,), inf where unknown; changed in place
    source : int (n,); from_point : bool; max_mm : float, fronts stop there
    vertex_start, vertex_tri : CSR, triangles around each vertex
    """
    heap = [(distance_mm[v], v) for v in source]
    heapq.heapify(heap)
    while len(heap) > 0:
        d, v = heapq.heappop(heap)
        if d > distance_mm[v]:
            continue
        if d > max_mm:
            break
        for at in range(vertex_start[v], vertex_start[v + 1]):
            t = vertex_tri[at]
            for k in range(3):
                target = tri_vertex[t, k]
                if target == v:
                    continue
                found = _front(t, k, tri_vertex, flat_mm, distance_mm, from_point)
                if found < distance_mm[target] - 1e-12:
                    distance_mm[target] = found
                    heapq.heappush(heap, (found, np.int64(target)))


@njit(nogil=True, cache=True)
def _front(t, k, tri_vertex, flat_mm, distance_mm, from_point):
    """Distance of corner k of triangle t from the distances of the two others."""
    i, j = (k + 1) % 3, (k + 2) % 3
    da, db = distance_mm[tri_vertex[t, i]], distance_mm[tri_vertex[t, j]]
    ax, ay = flat_mm[t, i, 0], flat_mm[t, i, 1]
    ex, ey = flat_mm[t, j, 0] - ax, flat_mm[t, j, 1] - ay
    px, py = flat_mm[t, k, 0] - ax, flat_mm[t, k, 1] - ay
    base = np.sqrt(ex * ex + ey * ey)
    along_edges = min(da + np.sqrt(px * px + py * py), db + np.sqrt((px - ex) ** 2 + (py - ey) ** 2))
    if base <= 0.0 or not np.isfinite(da) or not np.isfinite(db):
        return along_edges
    cx = (px * ex + py * ey) / base
    cy = (ex * py - ey * px) / base
    if from_point:
        x = (da * da - db * db + base * base) / (2 * base)
        square = da * da - x * x
        if square <= 0.0 or cy <= 0.0:
            return along_edges
        y = np.sqrt(square)
        at = x + (cx - x) * y / (y + cy)
        if at < 0.0 or at > base:
            return along_edges
        return np.sqrt((cx - x) ** 2 + (cy + y) ** 2)
    slope = (db - da) / base
    if abs(slope) >= 1.0 or cy <= 0.0:
        return along_edges
    rise = np.sqrt(1.0 - slope * slope)
    at = cx - cy * slope / rise
    if at < 0.0 or at > base:
        return along_edges
    return min(along_edges, da + cx * slope + cy * rise)


@njit(nogil=True, cache=True)
def ramp_weight(triangle, barycentric, tri_vertex, ramp, out):
    """Smoothstep of a vertex ramp at skin points: float32 out (n,); triangle -1 leaves 0."""
    for p in range(len(triangle)):
        t = triangle[p]
        if t < 0:
            continue
        x = (
            barycentric[p, 0] * ramp[tri_vertex[t, 0]]
            + barycentric[p, 1] * ramp[tri_vertex[t, 1]]
            + barycentric[p, 2] * ramp[tri_vertex[t, 2]]
        )
        x = min(max(x, np.float32(0)), np.float32(1))
        out[p] = x * x * (np.float32(3) - np.float32(2) * x)


@njit(nogil=True, cache=True)
def disk_weight(triangle, barycentric, tri_vertex, flat_mm, distance_mm, radius_mm, width_mm, out):
    """Weight of a disk at skin points: smoothstep over ``width_mm`` about its edge; float32 out (n,).

    Inside a triangle the square of the distance from a point of its (unfolded) plane is exactly
    sum b_i d_i^2 - sum_(i<j) b_i b_j e_ij^2, with e the edges (Stewart's theorem).
    """
    for p in range(len(triangle)):
        t = triangle[p]
        if t < 0:
            continue
        square = 0.0
        for k in range(3):
            i, j = (k + 1) % 3, (k + 2) % 3
            d = distance_mm[tri_vertex[t, k]]
            ex, ey = flat_mm[t, i, 0] - flat_mm[t, j, 0], flat_mm[t, i, 1] - flat_mm[t, j, 1]
            square += barycentric[p, k] * d * d - barycentric[p, i] * barycentric[p, j] * (ex * ex + ey * ey)
        x = 0.5 + (radius_mm - np.sqrt(max(square, 0.0))) / width_mm
        x = min(max(x, 0.0), 1.0)
        out[p] = x * x * (3.0 - 2.0 * x)


@njit(nogil=True, cache=True)
def outline_depth(x, y, outline, out):
    """How deep points lie inside a closed outline: distance from it, above 0 inside and below 0 outside.

    Parameters
    ----------
    x, y : float64 (n,); outline : float64 (m, 2), its corners, either way round; out : float64 (n,), filled
    """
    m = len(outline)
    for p in range(len(x)):
        nearest, inside = np.inf, False
        for k in range(m):
            ax, ay = outline[k, 0], outline[k, 1]
            bx, by = outline[(k + 1) % m, 0], outline[(k + 1) % m, 1]
            ex, ey = bx - ax, by - ay
            px, py = x[p] - ax, y[p] - ay
            length2 = ex * ex + ey * ey
            at = min(max((px * ex + py * ey) / length2, 0.0), 1.0) if length2 > 0.0 else 0.0
            nearest = min(nearest, (px - at * ex) ** 2 + (py - at * ey) ** 2)
            if (ay > y[p]) != (by > y[p]) and px < ex * py / ey:
                inside = not inside
        out[p] = np.sqrt(nearest) if inside else -np.sqrt(nearest)
