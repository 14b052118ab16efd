"""Compiled loops that flatten the triangles under one print: along the field, and true to size.

Kernels take plain arrays, fill what they are given and never raise.
"""

from __future__ import annotations

import numpy as np
from numba import njit

CG_RELATIVE_TOLERANCE = 1e-9

#: Triangles count fully in the fit of a print up to this share of its radius, and by RIM_SHARE on its rim.
FULL_SHARE, RIM_SHARE = 0.7, 0.1

#: A sheet is made more rigid, in at most so many rounds, if a triangle that counts this much is stretched beyond these.
MOST_RIGID_ROUNDS = 8
COUNTING_SHARE = 0.2
RIGID_BELOW, RIGID_ABOVE = 0.85, 1.18


@njit(nogil=True, cache=True)
def fit_share(triangles, tri_vertex, distance, radius_mm):
    """How much each triangle counts in the fit: 1 but near the rim of the print, which is not seen."""
    out = np.empty(len(triangles))
    for i in range(len(triangles)):
        nearest = np.inf
        for k in range(3):
            nearest = min(nearest, distance[tri_vertex[triangles[i], k]])
        x = min(max((nearest / radius_mm - FULL_SHARE) / (1.0 - FULL_SHARE), 0.0), 1.0)
        out[i] = 1.0 + (RIM_SHARE - 1.0) * x
    return out


@njit(nogil=True, cache=True)
def solve_sheet(triangles, n_local, tri_vertex, flat_mm, direction, share, local, neighbour, taken):
    """Least-squares u, v (n_local, 2) of one sheet, and which vertices lie on its rim.

    Where the sheet that follows the field is stretched, a few rounds fit it to the nearest turn of each triangle
    instead (as rigid as possible: Liu et al. 2008, section 4; Sorkine & Alexa 2007).
    """
    n = len(triangles)
    corner = np.empty((n, 3), np.int32)
    half_cot = np.zeros((n, 3))
    diagonal = np.zeros(n_local)
    rim = np.zeros(n_local, np.bool_)
    ways = np.empty((n, 2))
    for i in range(n):
        t = triangles[i]
        for k in range(3):
            corner[i, k] = local[tri_vertex[t, k]]
        for k in range(3):
            t2 = neighbour[t, k]
            if t2 >= 0 and taken[t2] < 0:
                rim[corner[i, (k + 1) % 3]] = True
                rim[corner[i, (k + 2) % 3]] = True
        ways[i, 0], ways[i, 1] = np.cos(direction[i]), np.sin(direction[i])
        x1, x2, y2 = flat_mm[t, 1, 0], flat_mm[t, 2, 0], flat_mm[t, 2, 1]
        double_area = x1 * y2
        if double_area <= 1e-14:
            continue
        # half cotangents at corners 0, 1, 2 (Pinkall & Polthier 1993)
        half_cot[i, 0] = 0.5 * share[i] * (x1 * x2) / double_area
        half_cot[i, 1] = 0.5 * share[i] * (x1 * (x1 - x2)) / double_area
        half_cot[i, 2] = 0.5 * share[i] * (y2 * y2 - x2 * (x1 - x2)) / double_area
        for k in range(3):
            diagonal[corner[i, k]] += half_cot[i, (k + 1) % 3] + half_cot[i, (k + 2) % 3]
    uv = np.zeros((n_local, 2))
    right = np.empty((n_local, 2))
    for _ in range(1 + MOST_RIGID_ROUNDS):
        _gradient_sums(triangles, corner, flat_mm, ways, share, right)
        _conjugate_gradients(corner, half_cot, diagonal, right, uv)
        if not _turns_of(triangles, corner, flat_mm, share, uv, ways):
            break
    return uv, rim


@njit(nogil=True, cache=True)
def _gradient_sums(triangles, corner, flat_mm, ways, share, right):
    """Right sides of the fit of grad u to the ways and of grad v to their left normals."""
    right[:] = 0.0
    for i in range(len(triangles)):
        t = triangles[i]
        x1, x2, y2 = flat_mm[t, 1, 0], flat_mm[t, 2, 0], flat_mm[t, 2, 1]
        if x1 * y2 <= 1e-14:
            continue
        dx, dy = share[i] * ways[i, 0], share[i] * ways[i, 1]
        # area times the gradient of each corner's hat function
        gx = (-0.5 * y2, 0.5 * y2, 0.0)
        gy = (0.5 * (x2 - x1), -0.5 * x2, 0.5 * x1)
        for k in range(3):
            v = corner[i, k]
            right[v, 0] += gx[k] * dx + gy[k] * dy
            right[v, 1] += -gx[k] * dy + gy[k] * dx


@njit(nogil=True, cache=True)
def _turns_of(triangles, corner, flat_mm, share, uv, ways):
    """Set the ways to the turns nearest to what the sheet does; returns whether a triangle that counts is stretched."""
    stretched = False
    for i in range(len(triangles)):
        t = triangles[i]
        x1, x2, y2 = flat_mm[t, 1, 0], flat_mm[t, 2, 0], flat_mm[t, 2, 1]
        if x1 * y2 <= 1e-14:
            continue
        ux, uy, vx, vy = _jacobian(uv, corner[i, 0], corner[i, 1], corner[i, 2], x1, x2, y2)
        low, high = _stretches(ux, uy, vx, vy)
        if share[i] >= COUNTING_SHARE and (low < RIGID_BELOW or high > RIGID_ABOVE):
            stretched = True
        x, y = ux + vy, uy - vx
        size = np.sqrt(x * x + y * y)
        if size > 1e-9:
            ways[i, 0], ways[i, 1] = x / size, y / size
    return stretched


@njit(nogil=True, cache=True)
def _jacobian(uv, a, b, c, x1, x2, y2):
    """d(u, v) / d(x, y) of a triangle with corners a, b, c: u by x, u by y, v by x, v by y."""
    ux, vx = (uv[b, 0] - uv[a, 0]) / x1, (uv[b, 1] - uv[a, 1]) / x1
    uy, vy = (uv[c, 0] - uv[a, 0] - x2 * ux) / y2, (uv[c, 1] - uv[a, 1] - x2 * vx) / y2
    return ux, uy, vx, vy


@njit(nogil=True, cache=True)
def _stretches(ux, uy, vx, vy):
    """Smaller and larger singular value; the smaller is below 0 where the map turns the triangle over."""
    half_sum = np.sqrt((ux + vy) ** 2 + (uy - vx) ** 2)
    half_difference = np.sqrt((ux - vy) ** 2 + (uy + vx) ** 2)
    return 0.5 * (half_sum - half_difference), 0.5 * (half_sum + half_difference)


@njit(nogil=True, cache=True)
def _apply(corner, half_cot, x, out):
    """Cotangent stiffness times x (n, 2)."""
    out[:] = 0.0
    for i in range(len(corner)):
        for k in range(3):
            a, b = corner[i, (k + 1) % 3], corner[i, (k + 2) % 3]
            for q in range(2):
                flow = half_cot[i, k] * (x[a, q] - x[b, q])
                out[a, q] += flow
                out[b, q] -= flow


@njit(nogil=True, cache=True)
def _conjugate_gradients(corner, half_cot, diagonal, right, x):
    """Solve the singular but consistent system for both right sides, Jacobi preconditioned (Shewchuk 1994).

    x (n, 2) is where the search begins, and the solution.
    """
    n = len(right)
    residual = np.empty((n, 2))
    _apply(corner, half_cot, x, residual)
    residual[:] = right - residual
    inverse = np.empty(n)
    for v in range(n):
        inverse[v] = 1.0 / diagonal[v] if diagonal[v] > 1e-12 else 1.0
    way = np.empty((n, 2))
    image = np.empty((n, 2))
    rho = np.zeros(2)
    stop = np.zeros(2)
    for q in range(2):
        for v in range(n):
            way[v, q] = inverse[v] * residual[v, q]
            rho[q] += residual[v, q] * way[v, q]
            stop[q] += CG_RELATIVE_TOLERANCE**2 * right[v, q] * right[v, q] * inverse[v]
    for _ in range(4 * n + 50):
        if rho[0] <= stop[0] and rho[1] <= stop[1]:
            break
        _apply(corner, half_cot, way, image)
        for q in range(2):
            bend = 0.0
            for v in range(n):
                bend += way[v, q] * image[v, q]
            if bend <= 0.0 or rho[q] <= stop[q]:
                continue
            step = rho[q] / bend
            new = 0.0
            for v in range(n):
                x[v, q] += step * way[v, q]
                residual[v, q] -= step * image[v, q]
                new += residual[v, q] * residual[v, q] * inverse[v]
            ratio = new / rho[q]
            rho[q] = new
            for v in range(n):
                way[v, q] = inverse[v] * residual[v, q] + ratio * way[v, q]


@njit(nogil=True, cache=True)
def cut_where_stretched(uv, rim, triangles, tri_vertex, flat_mm, local, least, most):
    """Put the corners of badly stretched triangles on the rim, all but the first triangle's."""
    for i in range(1, len(triangles)):
        t = triangles[i]
        x1, x2, y2 = flat_mm[t, 1, 0], flat_mm[t, 2, 0], flat_mm[t, 2, 1]
        if x1 * y2 <= 1e-14:
            continue
        a, b, c = local[tri_vertex[t, 0]], local[tri_vertex[t, 1]], local[tri_vertex[t, 2]]
        ux, uy, vx, vy = _jacobian(uv, a, b, c, x1, x2, y2)
        low, high = _stretches(ux, uy, vx, vy)
        if low < least or high > most:
            for k in range(3):
                rim[local[tri_vertex[t, k]]] = True
    for k in range(3):
        rim[local[tri_vertex[triangles[0], k]]] = False
