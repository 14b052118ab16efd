"""Split long edges, on the same surface: finer corners for prints, no change of shape or UVs.

A pass marks each edge longer than the wanted length, closes the marks over each triangle's longest edge (so angles do
not degrade; Rivara 1984, longest-edge refinement), and splits by one, two or three marked edges.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.errors import MeshError

MAX_TRIANGLES = 8_000_000
MAX_BRIDGE_PASSES = 8

#: Lengths are compared after rounding, so that a head that was merely turned is split alike.
ROUND_MM_DECIMALS = 7


@dataclass(frozen=True)
class FineTriangles:
    """Arrays of a refined mesh; ``parent`` is the triangle of the coarse mesh each one lies in."""

    position_mm: np.ndarray
    uv: np.ndarray
    tri_vertex: np.ndarray
    tri_uv: np.ndarray
    parent: np.ndarray


def split_long_edges(
    position_mm: np.ndarray,
    uv: np.ndarray,
    tri_vertex: np.ndarray,
    tri_uv: np.ndarray,
    max_edge_mm: float | np.ndarray,
) -> FineTriangles:
    """Split triangles until no edge is longer than ``max_edge_mm``.

    Parameters
    ----------
    position_mm : float64 (n_vertices, 3), mm
    uv : float64 (n_uv, 2)
    tri_vertex : int (n_triangles, 3), welded vertex per corner
    tri_uv : int (n_triangles, 3), UV vertex per corner, -1 without UVs
    max_edge_mm : > 0, mm; float, or float (n_triangles,) for each triangle (an edge keeps to the stricter of its two)

    Raises
    ------
    MeshError : more than ``MAX_TRIANGLES`` triangles would be needed
    """
    mesh = FineTriangles(position_mm, uv, tri_vertex, tri_uv, np.arange(len(tri_vertex)))
    limit_mm = np.broadcast_to(np.asarray(max_edge_mm, float), len(tri_vertex))
    while True:
        edge, length_mm = _edges(mesh)
        most_mm = np.full(len(length_mm), np.inf)
        np.minimum.at(most_mm, edge, limit_mm[mesh.parent][:, None])
        marked = length_mm > most_mm * (1 + 1e-9)
        if not marked.any():
            return mesh
        marked = _close_marks(edge, length_mm, marked)
        if len(mesh.tri_vertex) + marked[edge].sum() > MAX_TRIANGLES:
            raise MeshError(
                f"splitting edges to {limit_mm.min():g} mm needs more than {MAX_TRIANGLES:,} triangles; allowed: "
                "prints of a size that suits the mesh; check the mesh's unit and the smallest print_mm"
            )
        mesh = _split(mesh, edge, length_mm, marked)


def split_bridges(
    position_mm: np.ndarray, uv: np.ndarray, tri_vertex: np.ndarray, tri_uv: np.ndarray, inside: np.ndarray
) -> FineTriangles:
    """Split edges that run from rim to rim of a set of triangles without being part of the rim.

    Afterwards no triangle has all its corners on the rim, so a distance from the rim held at vertices tells the two
    sides apart, however narrow they are.

    Parameters
    ----------
    inside : bool (n_triangles,), the set; other parameters as in `split_long_edges`
    """
    mesh = FineTriangles(position_mm, uv, tri_vertex, tri_uv, np.arange(len(tri_vertex)))
    for _ in range(MAX_BRIDGE_PASSES):
        here = inside[mesh.parent]
        rim_vertex = np.zeros((2, len(mesh.position_mm)), bool)
        for side, of_side in enumerate((here, ~here)):
            rim_vertex[side, mesh.tri_vertex[of_side]] = True
        # triangles that lie wholly on the rim; others tell the sides apart already
        wholly = rim_vertex.all(axis=0)[mesh.tri_vertex].all(axis=1)
        if not wholly.any():
            break
        edge, length_mm = _edges(mesh)
        rim_edge = np.zeros((2, len(length_mm)), bool)
        for side, of_side in enumerate((here, ~here)):
            rim_edge[side, edge[of_side]] = True
        marked = np.zeros(len(length_mm), bool)
        marked[edge[wholly]] = True
        inner = marked & ~rim_edge.all(axis=0)
        # a lone triangle has nothing but rim: once its edges are halved, its middle part has bridges to split
        marked = inner if inner.any() else marked
        mesh = _split(mesh, edge, length_mm, _close_marks(edge, length_mm, marked))
    return mesh


def _edges(mesh: FineTriangles) -> tuple[np.ndarray, np.ndarray]:
    """Edge number of each triangle's three edges, and each edge's length in mm."""
    ends = np.sort(np.stack([mesh.tri_vertex[:, [1, 2, 0]], mesh.tri_vertex[:, [2, 0, 1]]], axis=2), axis=2)
    key = ends[..., 0].astype(np.int64) * len(mesh.position_mm) + ends[..., 1]
    unique, edge = np.unique(key.ravel(), return_inverse=True)
    a, b = unique // len(mesh.position_mm), unique % len(mesh.position_mm)
    length_mm = np.linalg.norm(mesh.position_mm[a] - mesh.position_mm[b], axis=1)
    return edge.reshape(-1, 3), np.round(length_mm, ROUND_MM_DECIMALS)


def _close_marks(edge: np.ndarray, length_mm: np.ndarray, marked: np.ndarray) -> np.ndarray:
    longest = edge[np.arange(len(edge)), np.argmax(_ranked(edge, length_mm), axis=1)]
    marked = marked.copy()
    while True:
        need = marked[edge].any(axis=1) & ~marked[longest]
        if not need.any():
            return marked
        marked[longest[need]] = True


def _ranked(edge: np.ndarray, length_mm: np.ndarray) -> np.ndarray:
    rank = np.empty(len(length_mm), np.int64)
    rank[np.lexsort((np.arange(len(length_mm)), length_mm))] = np.arange(len(length_mm))
    return rank[edge]


def _split(mesh: FineTriangles, edge: np.ndarray, length_mm: np.ndarray, marked: np.ndarray) -> FineTriangles:
    middle_of_edge = np.full(len(marked), -1, np.int64)
    middle_of_edge[marked] = len(mesh.position_mm) + np.arange(marked.sum())
    middle = middle_of_edge[edge]  # (n_triangles, 3), -1 where unmarked
    position_mm = np.vstack([mesh.position_mm, _edge_middles(mesh.position_mm, mesh.tri_vertex, middle, marked.sum())])
    uv_middle, uv = _uv_middles(mesh, middle)
    corner = _corner_choices(edge, length_mm, marked)
    vertex = np.concatenate([mesh.tri_vertex, middle], axis=1)
    uv_vertex = np.concatenate([mesh.tri_uv, uv_middle], axis=1)
    source = np.concatenate([np.repeat(rows, len(table)) for rows, table in corner])
    pick = np.concatenate([np.tile(table, (len(rows), 1)) for rows, table in corner])
    order = np.argsort(source, kind="stable")
    source, pick = source[order], pick[order]
    return FineTriangles(
        position_mm, uv, vertex[source[:, None], pick], uv_vertex[source[:, None], pick], mesh.parent[source]
    )


def _edge_middles(position_mm: np.ndarray, tri_vertex: np.ndarray, middle: np.ndarray, count: int) -> np.ndarray:
    out = np.empty((count, position_mm.shape[1]))
    t, k = np.nonzero(middle >= 0)
    a, b = tri_vertex[t, (k + 1) % 3], tri_vertex[t, (k + 2) % 3]
    low, high = np.minimum(a, b), np.maximum(a, b)  # one order, so both sides of an edge write the same bits
    out[middle[t, k] - len(position_mm)] = 0.5 * (position_mm[low] + position_mm[high])
    return out


def _uv_middles(mesh: FineTriangles, middle: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    t, k = np.nonzero((middle >= 0) & (mesh.tri_uv >= 0).all(axis=1)[:, None])
    a, b = mesh.tri_uv[t, (k + 1) % 3], mesh.tri_uv[t, (k + 2) % 3]
    low, high = np.minimum(a, b).astype(np.int64), np.maximum(a, b)
    unique, inverse = np.unique(low * len(mesh.uv) + high, return_inverse=True)
    made = 0.5 * (mesh.uv[unique // max(len(mesh.uv), 1)] + mesh.uv[unique % max(len(mesh.uv), 1)])
    uv_middle = np.full(middle.shape, -1, np.int64)
    uv_middle[t, k] = len(mesh.uv) + inverse
    return uv_middle, np.vstack([mesh.uv, made])


def _corner_choices(edge: np.ndarray, length_mm: np.ndarray, marked: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
    """For each way of splitting: the triangles, and their parts as picks of 0-2 (corners) and 3-5 (edge middles)."""
    is_marked = marked[edge]
    count = is_marked.sum(axis=1)
    longest = np.argmax(_ranked(edge, length_mm), axis=1)
    out = [(np.flatnonzero(count == 0), np.array([[0, 1, 2]]))]
    out.append((np.flatnonzero(count == 3), np.array([[0, 5, 4], [5, 1, 3], [4, 3, 2], [3, 4, 5]])))
    for k in range(3):
        i, j = (k + 1) % 3, (k + 2) % 3
        base = longest == k
        out.append((np.flatnonzero((count == 1) & base), np.array([[k, i, k + 3], [k, k + 3, j]])))
        # two marks: halve at the longest edge, then halve the half that holds the other marked edge
        two_j = (count == 2) & base & is_marked[:, j]  # edge j runs from k to i
        out.append((np.flatnonzero(two_j), np.array([[k, j + 3, k + 3], [j + 3, i, k + 3], [k, k + 3, j]])))
        two_i = (count == 2) & base & is_marked[:, i]  # edge i runs from j to k
        out.append((np.flatnonzero(two_i), np.array([[k, i, k + 3], [k, k + 3, i + 3], [i + 3, k + 3, j]])))
    return out
