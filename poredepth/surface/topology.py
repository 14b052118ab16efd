"""Who touches whom: welding hidden seams, edge neighbours, charts.

Edge ``k`` of a triangle is the one opposite its corner ``k``: it runs from corner ``k + 1`` to corner ``k + 2``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

#: Two positions closer than this share of the mesh's diagonal are one point of a hidden seam.
WELD_RATIO = 1e-7


@dataclass(frozen=True)
class Adjacency:
    """Edge neighbours of triangles.

    Attributes
    ----------
    triangle : int32 (n_triangles, 3), the triangle across edge k, or -1 at a border
    edge : int8 (n_triangles, 3), which edge of that triangle it is
    non_manifold : int64 (n, 2), vertex pairs of edges with more than two triangles or two of the same winding; such
        edges count as borders
    """

    triangle: np.ndarray
    edge: np.ndarray
    non_manifold: np.ndarray


def directed_edges(corner: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Start and end of edge k of every triangle, each (n_triangles, 3)."""
    return corner[:, [1, 2, 0]], corner[:, [2, 0, 1]]


def edge_adjacency(tri_vertex: np.ndarray) -> Adjacency:
    """Find edge neighbours of ``tri_vertex`` (n_triangles, 3)."""
    n_triangles = len(tri_vertex)
    start, end = (a.ravel().astype(np.int64) for a in directed_edges(tri_vertex))
    low, high = np.minimum(start, end), np.maximum(start, end)
    order = np.lexsort((high, low))
    low_s, high_s = low[order], high[order]
    first = np.ones(len(order), bool)
    first[1:] = (low_s[1:] != low_s[:-1]) | (high_s[1:] != high_s[:-1])
    head = np.flatnonzero(first)
    count = np.diff(np.append(head, len(order)))
    a, b = order[head[count == 2]], order[head[count == 2] + 1]
    opposed = start[a] == end[b]  # neighbours of one winding run their shared edge in opposite ways
    bad = np.concatenate([order[head[count > 2]], a[~opposed]])
    a, b = a[opposed], b[opposed]
    triangle = np.full(3 * n_triangles, -1, np.int32)
    edge = np.full(3 * n_triangles, -1, np.int8)
    triangle[a], triangle[b] = b // 3, a // 3
    edge[a], edge[b] = b % 3, a % 3
    return Adjacency(triangle.reshape(-1, 3), edge.reshape(-1, 3), np.stack([low[bad], high[bad]], axis=1))


def weld_hidden_seams(position_mm: np.ndarray, tri_vertex: np.ndarray) -> tuple[np.ndarray, int]:
    """Join open borders that coincide point by point (a mesh cut apart at its UV seams).

    Only whole border edges whose two ends coincide, and which run in opposite ways, are joined: two sheets that merely
    touch at a point stay apart.

    Returns
    -------
    vertex : int64 (n_positions,), the welded vertex of each position
    n_joined : how many edge pairs were joined
    """
    n_positions = len(position_mm)
    identity = np.arange(n_positions)
    border = edge_adjacency(tri_vertex).triangle < 0
    start, end = (a[border] for a in directed_edges(tri_vertex))
    if len(start) == 0:
        return identity, 0
    diagonal_mm = float(np.linalg.norm(np.ptp(position_mm, axis=0)))
    ends = np.unique(np.concatenate([start, end]))
    pairs = cKDTree(position_mm[ends]).query_pairs(WELD_RATIO * diagonal_mm, output_type="ndarray")
    if len(pairs) == 0:
        return identity, 0
    place = _components(n_positions, ends[pairs[:, 0]], ends[pairs[:, 1]])
    # edges as pairs of places: an edge meets the one that runs the other way round
    key = place[start].astype(np.int64) * n_positions + place[end]
    back = place[end].astype(np.int64) * n_positions + place[start]
    order = np.argsort(key, kind="stable")
    at = np.minimum(np.searchsorted(key[order], back), len(key) - 1)
    other = order[at]
    met = (key[other] == back) & (place[start] != place[end])
    once = met & (np.arange(len(key)) < other)
    vertex = _components(
        n_positions,
        np.concatenate([start[once], end[once]]),
        np.concatenate([end[other[once]], start[other[once]]]),
    )
    return vertex, int(once.sum())


def connected_triangles(adjacency_triangle: np.ndarray) -> np.ndarray:
    """Component number of each triangle (int32), numbered in order of the lowest triangle in them."""
    n_triangles = len(adjacency_triangle)
    here, k = np.nonzero(adjacency_triangle >= 0)
    return _components(n_triangles, here, adjacency_triangle[here, k], renumber=True)


def _components(n: int, a: np.ndarray, b: np.ndarray, renumber: bool = False) -> np.ndarray:
    graph = coo_matrix((np.ones(len(a), np.int8), (a, b)), shape=(n, n))
    _, label = connected_components(graph, directed=False)
    lowest = np.full(label.max(initial=0) + 1, n, np.int64)
    np.minimum.at(lowest, label, np.arange(n))
    return np.unique(lowest[label], return_inverse=True)[1].astype(np.int32) if renumber else lowest[label]
