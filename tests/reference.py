"""Slow, obvious twins of the kernels: plain numpy and scipy, no import from raster/ or placement/."""

from __future__ import annotations

import numpy as np
from scipy import ndimage


def sheet_solution(corner_mm, direction_xyz, vertex, share):
    """Least-squares u, v at vertices: dense, straight from the definition.

    corner_mm (n, 3, 3), direction (n, 3) with consistent sign, vertex (n, 3) numbered from 0, share (n,).  Minimises
    the sum over triangles of share x area x (|grad u - d|^2 + |grad v - n x d|^2); the free constant is fixed by mean
    0.
    """
    n_vertices = vertex.max() + 1
    rows, right = [], []
    for corner, d, v, part in zip(corner_mm, direction_xyz, vertex, share, strict=True):
        normal = np.cross(corner[1] - corner[0], corner[2] - corner[0])
        area = 0.5 * np.linalg.norm(normal)
        normal = normal / np.linalg.norm(normal)
        gradient = np.stack([np.cross(normal, corner[(k + 2) % 3] - corner[(k + 1) % 3]) for k in range(3)]) / (
            2 * area
        )
        for axis in range(3):
            row = np.zeros(n_vertices)
            row[v] += np.sqrt(part * area) * gradient[:, axis]
            rows.append(row)
            right.append(np.sqrt(part * area) * np.array([d[axis], np.cross(normal, d)[axis]]))
    solution = np.linalg.lstsq(np.array(rows), np.array(right), rcond=None)[0]
    return solution - solution.mean(axis=0)


def periodic_cubic(height, texel_mm, x_mm, y_mm):
    """Cubic B-spline interpolation of a periodic picture at (x, y) mm from its lower left corner."""
    rows = height.shape[0]
    at = np.array([rows - np.asarray(y_mm) / texel_mm - 0.5, np.asarray(x_mm) / texel_mm - 0.5])
    return ndimage.map_coordinates(height.astype(float), at, order=3, mode="grid-wrap")


def blended(weights, heights, sharpness, likeness=None):
    """Prints of weights w, heights h and likeness r (n, n) at one point; the plain average without r."""
    w = np.maximum(weights, 0) ** sharpness
    if likeness is None:
        return (w * heights).sum() / w.sum()
    return (w * heights).sum() / np.sqrt(max(w @ likeness @ w, 0.25 * (w**2).sum()))


def point_in_triangle(point, corner):
    """Barycentrics of a 2-D point, from areas."""

    def area(a, b, c):
        return 0.5 * ((b[0] - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (b[1] - a[1]))

    whole = area(*corner)
    return (
        np.array(
            [area(point, corner[1], corner[2]), area(corner[0], point, corner[2]), area(corner[0], corner[1], point)]
        )
        / whole
    )


def texel_centre_uv(tile, size_px):
    """UV of every texel centre of a tile, row by row from the top: float64 (size_px^2, 2)."""
    rows, cols = np.indices((size_px, size_px))
    column, row = (tile - 1001) % 10, (tile - 1001) // 10
    return np.column_stack([column + (cols.ravel() + 0.5) / size_px, row + 1 - (rows.ravel() + 0.5) / size_px])


def holders(at_uv, corner_uv, face, slack=1e-9):
    """Which triangles hold points of UV, by trying every one: the first face wins.

    at_uv (n, 2), corner_uv (n_triangles, 3, 2), face (n_triangles,).  Gives triangle (n,), -1 where none, and
    barycentrics (n, 3).
    """
    triangle, barycentric = np.full(len(at_uv), -1), np.zeros((len(at_uv), 3))
    for t in np.argsort(face, kind="stable"):
        a, b, c = corner_uv[t]
        whole = _cross(b - a, c - a)
        if not abs(whole) > 1e-14:
            continue
        with_each = np.stack(
            [_cross(b - at_uv, c - at_uv), _cross(c - at_uv, a - at_uv), _cross(a - at_uv, b - at_uv)], axis=1
        )
        found = with_each / whole
        inside = (found >= -slack).all(axis=1)
        new = inside & (triangle < 0)
        triangle[new], barycentric[new] = t, found[new]
    return triangle, barycentric


def _cross(a, b):
    return a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]


def nearest_segments(at, start, end):
    """Distance of points (n, 2) to each of m segments, (n, m), and the nearest point's share along it, (n, m)."""
    way = end - start
    length2 = np.maximum((way**2).sum(axis=1), 1e-300)
    share = np.clip(((at[:, None] - start) * way).sum(axis=2) / length2, 0, 1)
    return np.linalg.norm(start + share[..., None] * way - at[:, None], axis=2), share


def triangles_within(position_mm, tri_vertex, triangle, barycentric, reach_mm):
    """The given triangle, and all that have a corner within reach of the point in it, along edges (Bellman & Ford); and
    how far the nearest corner of each lies."""
    corner = position_mm[tri_vertex[triangle]]
    distance = np.full(len(position_mm), np.inf)
    distance[tri_vertex[triangle]] = np.linalg.norm(corner - barycentric @ corner, axis=1)
    a, b = tri_vertex[:, [0, 1, 2, 1, 2, 0]].ravel(), tri_vertex[:, [1, 2, 0, 0, 1, 2]].ravel()
    length = np.linalg.norm(position_mm[a] - position_mm[b], axis=1)
    while True:
        before = distance.copy()
        np.minimum.at(distance, b, before[a] + length)
        if np.array_equal(before, distance):
            break
    near = (distance <= reach_mm)[tri_vertex].any(axis=1)
    near[triangle] = True
    found = np.flatnonzero(near)
    return found, distance[tri_vertex[found]].min(axis=1)


def thinned_out(at_mm, normal, spacing_mm, n_kept_before):
    """Points kept one by one if none kept on the same side of the skin is nearer than the spacing: every pair tried."""
    keep = np.zeros(len(at_mm), bool)
    for p in range(len(at_mm)):
        near = (np.linalg.norm(at_mm - at_mm[p], axis=1) < spacing_mm) & (normal @ normal[p] > 0)
        keep[p] = p < n_kept_before or not (near & keep)[:p].any()
    return keep


def splatted(points, turn_rad, shape, cell_mm):
    """Shares and shares x heights on the cells of a periodic patch, by print met the mean shift, and the energy.

    points (n, 7): own u, v; share; patch x, y and number of the print met, -1 if it shows another picture; its height.
    """
    rows, cols = shape
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    own = points[:, :2] @ np.array([[c, s], [-s, c]])
    share, met, laid = points[:, 2], points[:, 5], points[:, 6]
    images = np.zeros((2, rows, cols))
    row, col = np.floor(own[:, 1] / cell_mm[1]).astype(int) % rows, np.floor(own[:, 0] / cell_mm[0]).astype(int) % cols
    np.add.at(images, (0, row, col), share)
    np.add.at(images, (1, row, col), share * laid)
    numbers = list(dict.fromkeys(met[met >= 0].tolist()))
    shift = points[:, 3:5] - own
    going_on = np.array([np.average(shift[met == m], axis=0, weights=share[met == m]) for m in numbers])
    return images, going_on, (share * laid**2).sum()


def disks(shape, centre_mm, radius_mm, cell_mm):
    """Cells of a periodic grid whose corner lies within a radius of any centre or of its repeats."""
    rows, cols = shape
    y, x = np.indices(shape)
    out = np.zeros(shape, bool)
    for cx, cy in centre_mm:
        for up in (-1, 0, 1):
            for right in (-1, 0, 1):
                dx, dy = (x + right * cols) * cell_mm[0] - cx, (y + up * rows) * cell_mm[1] - cy
                out |= dx**2 + dy**2 < radius_mm**2
    return out


def inner_lattice(corner_mm, step_mm):
    """Barycentrics of points about ``step_mm`` apart in a triangle (3, 2), none on its edges."""
    longest = max(np.linalg.norm(corner_mm[i] - corner_mm[j]) for i, j in ((0, 1), (1, 2), (2, 0)))
    m = int(np.clip(np.ceil(longest / step_mm), 1, 64))
    return np.array(
        [((i + 1 / 3) / m, (j + 1 / 3) / m, (m - i - j - 2 / 3) / m) for i in range(m) for j in range(m - i)]
    )


def meetings(rows, own_print, laid, turn_rad, shift_mm, step_mm, sharpness):
    """Points where a print meets the strongest print already laid: (n, 6), own u, v; share; patch x, y, number there.

    rows : anything with start, print_id, uv_mm, weight by triangle.
    """
    out = []
    for t in range(len(rows.start) - 1):
        here = np.arange(rows.start[t], rows.start[t + 1])
        own = here[rows.print_id[here] == own_print]
        others = here[laid[rows.print_id[here]]]
        if len(own) == 0 or len(others) == 0:
            continue
        for b in inner_lattice(rows.uv_mm[own[0]], step_mm):
            w, w_others = b @ rows.weight[own[0]], rows.weight[others] @ b
            best = int(np.argmax(w_others))
            if w <= 0 or w_others[best] <= 0:
                continue
            part = 1 / (1 + (w_others[best] / w) ** sharpness)
            if 4 * part * (1 - part) < 0.05:
                continue
            q = rows.print_id[others[best]]
            c, s = np.cos(turn_rad[q]), np.sin(turn_rad[q])
            there = np.array([[c, -s], [s, c]]) @ (b @ rows.uv_mm[others[best]]) + shift_mm[q]
            out.append([*(b @ rows.uv_mm[own[0]]), 4 * part * (1 - part), *there, q])
    return np.array(out).reshape(-1, 6)


def products(e, f, place_mm, weight, sharpness, shown, step_mm):
    """Sums of h1 h2, h1 h1, h2 h2 over the points of one triangle where the prints of rows e and f share a point.

    shown : the heights that each of the two shows, and the texel, mm.
    """
    total = np.zeros(3)
    for b in inner_lattice(place_mm[e], step_mm):
        w1, w2 = b @ weight[e], b @ weight[f]
        if w1 <= 0 or w2 <= 0:
            continue
        part = 1 / (1 + (w2 / w1) ** sharpness)
        if part * (1 - part) < 0.01:
            continue
        found = []
        for row, (height, texel_mm) in zip((e, f), shown, strict=True):
            x, y = np.floor(b @ place_mm[row] / texel_mm).astype(int)
            found.append(float(height[y % height.shape[0], x % height.shape[1]]))
        h1, h2 = found
        total += part * (1 - part) * np.array([h1 * h2, h1 * h1, h2 * h2])
    return total
