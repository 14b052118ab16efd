"""Flattening of one chart (a topological disk) to a plane with little stretch, and placing of charts in UV tiles.

Two steps: least-squares conformal start (Levy et al. 2002, section 2), then local/global as-rigid-as-possible
rounds (Liu et al. 2008, section 4). Both by direct sparse solves, so the result repeats exactly.
"""

import numpy as np
from scipy.sparse import bmat, coo_matrix
from scipy.sparse.linalg import splu


def plane_corners(points, triangles):
    """Corner coordinates (T, 3, 2) of each triangle laid in its own plane, same unit as points (N, 3)."""
    a, b, c = (points[triangles[:, k]] for k in range(3))
    length = np.linalg.norm(b - a, axis=1)
    e = (b - a) / length[:, None]
    along = ((c - a) * e).sum(1)
    across = np.linalg.norm((c - a) - along[:, None] * e, axis=1)
    out = np.zeros((len(triangles), 3, 2))
    out[:, 1, 0], out[:, 2, 0], out[:, 2, 1] = length, along, across
    return out


def _conformal(points, triangles, corners):
    """Least-squares conformal plane coordinates (N, 2); two far vertices are held."""
    n, t = len(points), len(triangles)
    area2 = corners[:, 1, 0] * corners[:, 2, 1]
    opposite = corners[:, [2, 0, 1]] - corners[:, [1, 2, 0]]
    weight = (opposite[..., 0] + 1j * opposite[..., 1]) / np.sqrt(area2)[:, None]
    row, col = np.repeat(np.arange(t), 3), triangles.ravel()
    real = coo_matrix((weight.real.ravel(), (row, col)), shape=(t, n))
    imag = coo_matrix((weight.imag.ravel(), (row, col)), shape=(t, n))
    top, bottom = int(np.argmax(points[:, 1])), int(np.argmin(points[:, 1]))
    span = np.linalg.norm(points[top] - points[bottom])
    full = bmat([[real, -imag], [imag, real]], format="csc")
    held = np.array([top, bottom, top + n, bottom + n])
    value = np.array([0.0, 0.0, span, 0.0])
    free = np.setdiff1d(np.arange(2 * n), held)
    a, b = full[:, free], -full[:, held] @ value
    x = np.zeros(2 * n)
    x[held] = value
    x[free] = splu((a.T @ a).tocsc()).solve(a.T @ b)
    return np.stack([x[:n], x[n:]], 1)


def _cotangents(corners):
    """Cotangent of the angle opposite edge (k, k+1) of each triangle, (T, 3)."""
    out = np.empty(corners.shape[:2])
    for k in range(3):
        apex = corners[:, (k + 2) % 3]
        p, q = corners[:, k] - apex, corners[:, (k + 1) % 3] - apex
        out[:, k] = (p * q).sum(1) / (p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0])
    return out


def flatten(points, triangles, rounds=60):
    """Plane coordinates (N, 2) of a disk; points (N, 3), triangles (T, 3), anticlockwise stays anticlockwise."""
    corners = plane_corners(points, triangles)
    uv = _conformal(points, triangles, corners)
    cot = np.maximum(_cotangents(corners), 0.02)
    n = len(points)
    i, j = triangles, triangles[:, [1, 2, 0]]
    edge = corners - corners[:, [1, 2, 0]]
    w = coo_matrix((cot.ravel(), (i.ravel(), j.ravel())), shape=(n, n))
    w = (w + w.T).tocsc()
    lap = (coo_matrix((np.asarray(w.sum(1)).ravel(), (np.arange(n), np.arange(n))), shape=(n, n)) - w).tocsc()
    solver = splu(lap[1:, 1:].tocsc())
    for _ in range(rounds):
        flat = uv[i] - uv[j]
        m = np.einsum("tk,tka,tkb->tab", cot, flat, edge)
        turn = np.stack([m[:, 0, 0] + m[:, 1, 1], m[:, 1, 0] - m[:, 0, 1]], 1)
        turn /= np.maximum(np.linalg.norm(turn, axis=1, keepdims=True), 1e-12)
        c, s = turn[:, :1], turn[:, 1:]
        pull = np.stack([c * edge[..., 0] - s * edge[..., 1], s * edge[..., 0] + c * edge[..., 1]], 2) * cot[..., None]
        right = np.zeros((n, 2))
        np.add.at(right, i.ravel(), pull.reshape(-1, 2))
        np.add.at(right, j.ravel(), -pull.reshape(-1, 2))
        uv = np.zeros((n, 2))
        uv[1:] = solver.solve(right[1:])
    return uv


def stretches(points, triangles, uv):
    """Singular values (T, 2), larger first, of the map from the surface to uv (N, 2), and signed uv areas (T,)."""
    corners = plane_corners(points, triangles)
    d = np.stack([uv[triangles[:, 1]] - uv[triangles[:, 0]], uv[triangles[:, 2]] - uv[triangles[:, 0]]], 2)
    base = np.stack([corners[:, 1], corners[:, 2]], 2)
    jac = d @ np.linalg.inv(base)
    return np.linalg.svd(jac, compute_uv=False), 0.5 * np.linalg.det(d)


def upright(uv, height):
    """Rotate uv (N, 2) so that height (N,) grows along +v on the whole."""
    grow = ((uv - uv.mean(0)) * (height - height.mean())[:, None]).sum(0)
    c, s = grow[1] / np.hypot(*grow), grow[0] / np.hypot(*grow)
    return uv @ np.array([[c, s], [-s, c]])
