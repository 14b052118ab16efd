"""A mesh seen smooth: normals that flow over its facets, and facets bent to fit them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.surface.curvature import angle_weighted_normals, vertex_sums
from poredepth.surface.skin import Surface

#: How far facets are bent towards their corners' tangent planes.  A facet of a paraboloid lies half as far below the
#: surface as below those planes, so half of the way meets it (own derivation); more would puff facets up.
BEND = 0.5
#: Parts along each edge of a triangle; meshes of more triangles than that are fine enough as they are.
PARTS, LARGE_MESH_TRIANGLES = 3, 400_000
#: Rounds of smoothing of normals, which level out steps of density in the mesh, and the angle beyond which neighbours
#: count little, so that creases stay.
SMOOTHING_ROUNDS, CREASE_DEG = 3, 16.0


@dataclass(frozen=True, eq=False)
class CurvedTriangles:
    """Small triangles that follow bent ones.

    Attributes
    ----------
    corner_mm : float64 (n_parents x n_small, 3, 3); those of parent t are t n_small to (t + 1) n_small
    corner_barycentric : float32 (n_small, 3, 3), where their corners lie in the parent, the same for every parent
    """

    corner_mm: np.ndarray
    corner_barycentric: np.ndarray

    def in_parent(self, small: np.ndarray, barycentric: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Parent triangle int32 (n,) and barycentrics float32 (n, 3) in it, of points in small triangles."""
        n_small = len(self.corner_barycentric)
        corners = self.corner_barycentric[small % n_small]
        return (small // n_small).astype(np.int32), np.einsum("nk,nkx->nx", barycentric, corners)


def vertex_normals(surface: Surface) -> np.ndarray:
    """Unit normals at vertices, float64 (n_vertices, 3), smooth over facets.

    Source: `angle_weighted_normals`, then SMOOTHING_ROUNDS rounds of averaging over the triangles around a vertex, by
    area and likeness of normal (as bilateral filters do, Tomasi & Manduchi 1998).
    """
    tri_vertex = surface.tri_vertex
    normal = angle_weighted_normals(surface)
    sharpness = 1 / (1 - np.cos(np.radians(CREASE_DEG)))
    for _ in range(SMOOTHING_ROUNDS):
        middle = normal[tri_vertex].mean(axis=1)
        unlike = 1 - np.einsum("tkx,tx->tk", normal[tri_vertex], unit(middle))
        normal = vertex_sums(surface, middle, surface.area_mm2[:, None] * np.exp(-sharpness * unlike))
    return normal


def bent(position_mm: np.ndarray, tri_vertex: np.ndarray, normal: np.ndarray) -> CurvedTriangles:
    """Bend each triangle to its corners' normals and cut it into small flat ones.

    Parameters
    ----------
    position_mm : float64 (n_vertices, 3); tri_vertex : int (n_triangles, 3); normal : float64 (n_vertices, 3), unit

    Notes
    -----
    A point of the triangle moves BEND of the way to the mean, by its barycentrics, of its feet on the corners' tangent
    planes.  Along an edge that depends on the edge's ends alone, so no cracks open.

    Source: Boubekeur & Alexa, Phong tessellation, 2008, equation 4.
    """
    at = small_barycentrics(PARTS if len(tri_vertex) <= LARGE_MESH_TRIANGLES else 1)
    flat_at = at.reshape(-1, 3)
    corner, corner_normal = position_mm[tri_vertex], normal[tri_vertex]
    flat = np.einsum("sk,tkx->tsx", flat_at, corner)
    moved = flat.copy()
    for k in range(3):
        above = np.einsum("tsx,tx->ts", flat - corner[:, None, k], corner_normal[:, k])
        moved -= (BEND * flat_at[:, k] * above)[..., None] * corner_normal[:, None, k]
    return CurvedTriangles(moved.reshape(-1, 3, 3), at.astype(np.float32))


def small_barycentrics(parts: int) -> np.ndarray:
    """Corners of the ``parts``^2 small triangles of a triangle, in its barycentrics, float64 (parts^2, 3, 3)."""
    out = []
    for i in range(parts):
        for j in range(parts - i):
            out.append([(i, j), (i + 1, j), (i, j + 1)])
            if i + j < parts - 1:
                out.append([(i + 1, j), (i + 1, j + 1), (i, j + 1)])
    second_third = np.array(out, float) / parts
    return np.concatenate([1 - second_third.sum(axis=2, keepdims=True), second_third], axis=2)


def unit(vectors: np.ndarray) -> np.ndarray:
    """Vectors (n, 3) made of length 1; zero vectors stay."""
    length = np.sqrt((vectors**2).sum(axis=1, keepdims=True))
    return np.divide(vectors, length, out=np.zeros_like(vectors), where=length > 0)
