"""`Surface`: the skin, welded across its UV seams, in millimetres."""

from __future__ import annotations

import os
import warnings
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.spatial import cKDTree

from poredepth.errors import MeshError, PoredepthWarning
from poredepth.surface import topology
from poredepth.surface.findings import mesh_findings
from poredepth.surface.obj import PolygonMesh, read_obj
from poredepth.surface.refine import FineTriangles, split_bridges, split_long_edges
from poredepth.surface.subdivide import subdivided
from poredepth.surface.tiles import tile_span
from poredepth.surface.triangulate import triangulate
from poredepth.units import mm_from


class SurfaceWarning(PoredepthWarning):
    """Something in the mesh that a person should look at; the map is made all the same."""


@dataclass(frozen=True)
class Surface:
    """The skin as triangles whose corners are shared across every seam.

    Attributes
    ----------
    position_mm : float64 (n_vertices, 3), mm
    tri_vertex : int32 (n_triangles, 3), welded vertex of each corner, anticlockwise seen from outside
    tri_uv_vertex : int32 (n_triangles, 3), UV vertex of each corner, -1 where the face has no UVs
    uv : float64 (n_uv_vertices, 2), the integer part is the UV tile
    tri_face : int64 (n_triangles,), the polygon of the mesh file it came from
    tri_group : int32 (n_triangles,), index into ``group_names``
    n_joined_edges : edges that were open in the file and are joined here
    mm_per_unit : mm in one unit of the mesh file's numbers
    tri_parent : int64 (n_triangles,), the triangle of the coarser surface it was split from; None if it was not
    """

    position_mm: np.ndarray
    tri_vertex: np.ndarray
    tri_uv_vertex: np.ndarray
    uv: np.ndarray
    tri_face: np.ndarray
    tri_group: np.ndarray
    group_names: tuple[str, ...]
    n_joined_edges: int = 0
    mm_per_unit: float = 1.0
    label: str = "mesh"
    tri_parent: np.ndarray | None = None

    @property
    def n_triangles(self) -> int:
        return len(self.tri_vertex)

    @property
    def n_vertices(self) -> int:
        return len(self.position_mm)

    @cached_property
    def adjacency(self) -> topology.Adjacency:
        """Edge neighbours on the skin, seams included."""
        return topology.edge_adjacency(self.tri_vertex)

    @cached_property
    def is_chart_border(self) -> np.ndarray:
        """bool (n_triangles, 3): edge k is a seam, a hidden seam or an open border in UV."""
        neighbour, edge = self.adjacency.triangle, self.adjacency.edge
        start, end = topology.directed_edges(self.tri_uv_vertex)
        t, k = np.nonzero(neighbour >= 0)
        t2, k2 = neighbour[t, k], edge[t, k]
        border = np.ones(neighbour.shape, bool)
        border[t, k] = (start[t, k] != end[t2, k2]) | (end[t, k] != start[t2, k2]) | (start[t, k] < 0)
        return border

    @cached_property
    def tri_chart(self) -> np.ndarray:
        """int32 (n_triangles,): chart number."""
        return topology.connected_triangles(np.where(self.is_chart_border, -1, self.adjacency.triangle))

    @cached_property
    def tri_piece(self) -> np.ndarray:
        """int32 (n_triangles,): connected piece of skin, over seams."""
        return topology.connected_triangles(self.adjacency.triangle)

    @cached_property
    def face_rank(self) -> np.ndarray:
        """int32 (n_triangles,): place by file face; of triangles that overlap in UV, the lowest wins."""
        rank = np.empty(self.n_triangles, np.int32)
        rank[np.argsort(self.tri_face, kind="stable")] = np.arange(self.n_triangles)
        return rank

    @cached_property
    def corner_mm(self) -> np.ndarray:
        """float64 (n_triangles, 3, 3): corner positions, mm."""
        return self.position_mm[self.tri_vertex]

    @cached_property
    def corner_uv(self) -> np.ndarray:
        """float64 (n_triangles, 3, 2): corner UVs, nan where the face has none."""
        if len(self.uv) == 0:
            return np.full((self.n_triangles, 3, 2), np.nan)
        corner = self.uv[self.tri_uv_vertex]
        corner[self.tri_uv_vertex < 0] = np.nan
        return corner

    @cached_property
    def has_uv(self) -> np.ndarray:
        return (self.tri_uv_vertex >= 0).all(axis=1)

    @cached_property
    def tile_span(self) -> tuple[np.ndarray, np.ndarray]:
        """First and last column and row of UV tiles that each triangle lies in, int64 (n_triangles, 2) each."""
        return tile_span(self.corner_uv)

    @cached_property
    def normal(self) -> np.ndarray:
        """float64 (n_triangles, 3): unit outward normals, zero for triangles without area."""
        cross = self._cross_mm2
        length = np.linalg.norm(cross, axis=1, keepdims=True)
        return np.divide(cross, length, out=np.zeros_like(cross), where=length > 0)

    @cached_property
    def area_mm2(self) -> np.ndarray:
        """float64 (n_triangles,), mm2."""
        return 0.5 * np.linalg.norm(self._cross_mm2, axis=1)

    @cached_property
    def _cross_mm2(self) -> np.ndarray:
        c = self.corner_mm
        return np.cross(c[:, 1] - c[:, 0], c[:, 2] - c[:, 0])

    @cached_property
    def flat_mm(self) -> np.ndarray:
        """float64 (n_triangles, 3, 2): corners in the triangle's own frame: corner 0 at the origin, corner 1 on +x."""
        c = self.corner_mm
        e1, e2 = c[:, 1] - c[:, 0], c[:, 2] - c[:, 0]
        x1 = np.linalg.norm(e1, axis=1)
        x2 = np.divide((e1 * e2).sum(1), x1, out=np.zeros_like(x1), where=x1 > 0)
        y2 = np.divide(2 * self.area_mm2, x1, out=np.zeros_like(x1), where=x1 > 0)
        zero = np.zeros_like(x1)
        return np.stack([np.stack([zero, zero], 1), np.stack([x1, zero], 1), np.stack([x2, y2], 1)], axis=1)

    @cached_property
    def frame(self) -> np.ndarray:
        """float64 (n_triangles, 2, 3): the unit axes of ``flat_mm`` in space."""
        c = self.corner_mm
        e1 = c[:, 1] - c[:, 0]
        length = np.linalg.norm(e1, axis=1, keepdims=True)
        e1 = np.divide(e1, length, out=np.zeros_like(e1), where=length > 0)
        return np.stack([e1, np.cross(self.normal, e1)], axis=1)

    @cached_property
    def centres(self) -> tuple[np.ndarray, np.ndarray, cKDTree]:
        """Centres of triangles (n, 3), how far their corners lie from them (n,), and a search tree over the centres."""
        centre = self.corner_mm.mean(axis=1)
        reach = np.linalg.norm(self.corner_mm - centre[:, None], axis=2).max(axis=1)
        return centre, reach, cKDTree(centre)

    def points_mm(self, triangle: np.ndarray, barycentric: np.ndarray) -> np.ndarray:
        """Positions (n, 3) in mm of skin points given by triangle (n,) and barycentrics (n, 3)."""
        return np.einsum("nk,nkx->nx", barycentric, self.corner_mm[triangle])

    def place_text(self, at_mm: np.ndarray) -> str:
        """A place (3,) in mm as a person finds it: coordinates as the mesh file counts them, to 0.1 mm or finer."""
        decimals = max(0, int(np.ceil(-np.log10(0.1 / self.mm_per_unit))))
        return "[" + ", ".join(f"{x:.{decimals}f}" for x in at_mm / self.mm_per_unit) + "] in mesh units"


def surface_from_mesh(mesh: PolygonMesh, unit: str, subdivide: int = 0) -> Surface:
    """Build the welded skin from a polygon mesh whose numbers are in ``unit``, after ``subdivide`` Catmull-Clark steps.

    Triangles are put in an order that depends only on vertex numbers, so that the same head with other UVs, or with
    its faces listed otherwise, is laid alike.

    Raises
    ------
    MeshError : no face has UVs, or nearly all charts lie on each other
    """
    mesh = subdivided(mesh, subdivide)
    position_mm = mm_from(np.asarray(mesh.position, float), unit)
    triangles = triangulate(mesh, position_mm)
    tri_position = np.asarray(triangles.position, np.int64)
    vertex, n_joined = topology.weld_hidden_seams(position_mm, tri_position)
    used, tri_vertex = np.unique(vertex[tri_position], return_inverse=True)
    uv, tri_uv = _unique_uv(np.asarray(mesh.texcoord, float), np.asarray(triangles.texcoord), tri_vertex.reshape(-1, 3))
    order, turn = _canonical_order(tri_vertex.reshape(-1, 3))
    tri_face = np.asarray(triangles.face)[order]
    surface = Surface(
        position_mm=position_mm[used],
        tri_vertex=np.take_along_axis(tri_vertex.reshape(-1, 3)[order], turn, axis=1).astype(np.int32),
        tri_uv_vertex=np.take_along_axis(tri_uv[order], turn, axis=1).astype(np.int32),
        uv=uv,
        tri_face=tri_face,
        tri_group=np.asarray(mesh.face_group)[tri_face].astype(np.int32),
        group_names=tuple(mesh.group_names),
        n_joined_edges=n_joined,
        mm_per_unit=mm_from(1.0, unit),
        label=str(mesh.file),
    )
    _report(surface)
    return surface


def load_surface(path: str | os.PathLike[str], unit: str, subdivide: int = 0) -> Surface:
    """Read a mesh file and build its skin; ``unit`` is the length unit of the file's numbers."""
    return surface_from_mesh(read_obj(path), unit, subdivide)


def refined(surface: Surface, max_edge_mm: float | np.ndarray) -> Surface:
    """The same surface with no edge longer than ``max_edge_mm``; regions, charts and UVs are untouched.

    Parameters
    ----------
    max_edge_mm : float, or float (n_triangles,) for each triangle
    """
    return _split_surface(
        surface,
        split_long_edges(surface.position_mm, surface.uv, surface.tri_vertex, surface.tri_uv_vertex, max_edge_mm),
    )


def without_bridges(surface: Surface, inside: np.ndarray) -> Surface:
    """The same surface, split where a set of triangles, bool (n_triangles,), or the rest is one triangle wide."""
    return _split_surface(
        surface, split_bridges(surface.position_mm, surface.uv, surface.tri_vertex, surface.tri_uv_vertex, inside)
    )


def _split_surface(surface: Surface, fine: FineTriangles) -> Surface:
    return Surface(
        position_mm=fine.position_mm,
        tri_vertex=fine.tri_vertex.astype(np.int32),
        tri_uv_vertex=fine.tri_uv.astype(np.int32),
        uv=fine.uv,
        tri_face=surface.tri_face[fine.parent],
        tri_group=surface.tri_group[fine.parent],
        group_names=surface.group_names,
        n_joined_edges=surface.n_joined_edges,
        mm_per_unit=surface.mm_per_unit,
        label=surface.label,
        tri_parent=fine.parent,
    )


def _unique_uv(texcoord: np.ndarray, tri_texcoord: np.ndarray, tri_vertex: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Number corners by (vertex, u, v), so that a repeated ``vt`` line makes no seam."""
    out = np.full(tri_texcoord.shape, -1, np.int64)
    mapped = (tri_texcoord >= 0).all(axis=1)
    if not mapped.any():
        return np.empty((0, 2)), out
    corner = np.column_stack([tri_vertex[mapped].ravel(), texcoord[tri_texcoord[mapped].ravel(), :2]])
    unique, inverse = np.unique(corner, axis=0, return_inverse=True)
    out[mapped] = inverse.reshape(-1, 3)
    return np.ascontiguousarray(unique[:, 1:]), out


def _canonical_order(tri_vertex: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Order of triangles, and for each (in that order) the corner turn that puts its lowest vertex first."""
    turn = (np.argmin(tri_vertex, axis=1)[:, None] + np.arange(3)) % 3
    turned = np.take_along_axis(tri_vertex, turn, axis=1)
    order = np.lexsort((turned[:, 2], turned[:, 1], turned[:, 0]))
    return order, turn[order]


def _report(surface: Surface) -> None:
    if not surface.has_uv.any():
        raise MeshError(
            f"{surface.label}: no face has UVs; allowed: faces with texture coordinates (f v/vt ...); "
            "unwrap the mesh before laying skin on it"
        )
    if not surface.area_mm2.sum() > 0:
        raise MeshError(f"{surface.label}: no face has any area; allowed: a surface; check the mesh's coordinates")
    for finding in mesh_findings(surface):
        warnings.warn(f"{surface.label}: {finding}", SurfaceWarning, stacklevel=3)
