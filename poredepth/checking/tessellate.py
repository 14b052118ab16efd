"""The surface a renderer displaces: a mesh subdivided, with smooth normals, and cut into small triangles."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from poredepth.surface.curvature import angle_weighted_normals
from poredepth.surface.polygons import PolygonMesh
from poredepth.surface.skin import Surface, SurfaceWarning, surface_from_mesh

#: Catmull-Clark steps end before the whole mesh has more triangles than this; the rest is cut flat.
MOST_WHOLE_TRIANGLES = 2_000_000


@dataclass(frozen=True)
class BasePoints:
    """Points of the surface before it is displaced, in scene units.

    Attributes
    ----------
    position : float64 (n, 3), scene units; normal : float64 (n, 3), unit length
    uv : float64 (n, 2), nan without UVs; toward_uv : float64 (n, 2), the middle of the triangle they lie in
    """

    position: np.ndarray
    normal: np.ndarray
    uv: np.ndarray
    toward_uv: np.ndarray


@dataclass(frozen=True)
class SmallTriangles:
    """Some of the small triangles of a `Tessellation`.

    Attributes
    ----------
    triangle : int64 (n,), the triangle of the surface they are cut from
    step : int64 (n, 2), place in its lattice, along the edges from corner 0 to corners 1 and 2
    is_upper : bool (n,), the half of the lattice cell that lies away from corner 0
    """

    triangle: np.ndarray
    step: np.ndarray
    is_upper: np.ndarray

    def __len__(self) -> int:
        return len(self.triangle)

    def part(self, which: np.ndarray | slice) -> SmallTriangles:
        """Some of them: bool, numbers or a slice."""
        return SmallTriangles(self.triangle[which], self.step[which], self.is_upper[which])


#: Lattice steps of the three corners: lower halves, then upper ones; both wound as the whole triangle.
_CORNER_STEP = np.array([[[0, 0], [1, 0], [0, 1]], [[1, 0], [1, 1], [0, 1]]])


@dataclass(frozen=True)
class Tessellation:
    """A subdivided mesh, each triangle of which is cut into n x n small ones, so that no edge is longer than asked.

    Attributes
    ----------
    surface : the mesh after its Catmull-Clark steps, as triangles in mm by the scene's unit
    edge_mm : longest edge of small triangles, mm by the scene's unit
    """

    surface: Surface
    edge_mm: float

    @cached_property
    def corner(self) -> np.ndarray:
        """Corner positions in scene units, as the mesh file counts, float64 (n_triangles, 3, 3)."""
        return self.surface.corner_mm / self.surface.mm_per_unit

    @cached_property
    def corner_normal(self) -> np.ndarray:
        """Unit normals at corners, float64 (n_triangles, 3, 3): of the triangles around, weighted by angle."""
        return angle_weighted_normals(self.surface)[self.surface.tri_vertex]

    @cached_property
    def _middle_uv(self) -> np.ndarray:
        return self.surface.corner_uv.mean(axis=1)

    @cached_property
    def segments(self) -> np.ndarray:
        """Small edges along each edge of a triangle, int64 (n_triangles,)."""
        c = self.surface.corner_mm
        longest_mm = np.linalg.norm(c - np.roll(c, 1, axis=1), axis=2).max(axis=1)
        return np.maximum(np.ceil(longest_mm / self.edge_mm - 1e-9), 1).astype(np.int64)

    @property
    def n_small(self) -> int:
        """Small triangles of the whole mesh."""
        return int((self.segments**2).sum())

    def points(self, triangle: np.ndarray, barycentric: np.ndarray) -> BasePoints:
        """Points (n,) of triangles, by barycentrics float64 (n, 3); normals are interpolated, then made of length 1."""
        normal = _mixed(self.corner_normal, triangle, barycentric)
        length = np.sqrt(np.einsum("nx,nx->n", normal, normal))[:, None]
        return BasePoints(
            _mixed(self.corner, triangle, barycentric),
            np.divide(normal, length, out=np.zeros_like(normal), where=length > 0),
            _mixed(self.surface.corner_uv, triangle, barycentric),
            self._middle_uv[triangle],
        )

    def holding(self, triangle: np.ndarray, barycentric: np.ndarray) -> SmallTriangles:
        """The small triangles that points lie in."""
        n = self.segments[triangle]
        at = barycentric[:, 1:] * n[:, None]
        step = np.clip(np.floor(at).astype(np.int64), 0, n[:, None] - 1)
        # rounding may put a point beyond the last row
        over = np.maximum(step.sum(axis=1) - (n - 1), 0)
        step[:, 0] -= np.minimum(over, step[:, 0])
        is_upper = ((at - step).sum(axis=1) > 1.0) & (step.sum(axis=1) < n - 1)
        return SmallTriangles(np.asarray(triangle, np.int64), step, is_upper)

    def corner_barycentrics(self, small: SmallTriangles) -> np.ndarray:
        """Barycentrics of the corners of small triangles in the triangles they are cut from, float64 (n, 3, 3)."""
        n = self.segments[small.triangle][:, None]
        step = small.step[:, None, :] + _CORNER_STEP[small.is_upper.astype(int)]
        return np.stack([n - step.sum(axis=2), step[..., 0], step[..., 1]], axis=2) / n[..., None]

    def all_small(self, first: int, end: int) -> SmallTriangles:
        """Small triangles ``first`` to ``end`` of the whole mesh, counted triangle by triangle."""
        last = np.cumsum(self.segments**2)
        number = np.arange(first, end)
        triangle = np.searchsorted(last, number, side="right")
        n = self.segments[triangle]
        within = number - (last[triangle] - n**2)
        # row r from corner 0 holds 2 r + 1 small triangles
        row = np.sqrt(within.astype(float)).astype(np.int64)
        row += (row + 1) ** 2 <= within
        row -= row**2 > within
        place = within - row**2
        is_upper = place % 2 == 1
        along = place // 2
        # between the lines i + j = r and r + 1 from corner 0: r + 1 lower halves and r upper ones in turn
        step = np.stack([along, row - along - is_upper], axis=1)
        return SmallTriangles(triangle, step, is_upper)

    def random_points(self, n: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
        """Triangle int64 (n,) and barycentrics float64 (n, 3) of points spread evenly over the skin that has UVs."""
        area = np.where(self.surface.has_uv, self.surface.area_mm2, 0.0)
        share = np.cumsum(area) / area.sum()
        triangle = np.minimum(np.searchsorted(share, rng.random(n), side="right"), len(area) - 1)
        root, second = np.sqrt(rng.random(n)), rng.random(n)
        return triangle, np.column_stack([1 - root, root * (1 - second), root * second])


def _mixed(corner: np.ndarray, triangle: np.ndarray, barycentric: np.ndarray) -> np.ndarray:
    """Values at corners (n_triangles, 3, d) mixed by barycentrics (n, 3)."""
    out = barycentric[:, :1] * corner[triangle, 0]
    for k in (1, 2):
        out += barycentric[:, k : k + 1] * corner[triangle, k]
    return out


def base_surface(
    mesh: PolygonMesh, unit: str, subdivide: int = 0, most_triangles: int = MOST_WHOLE_TRIANGLES
) -> tuple[Surface, int]:
    """The mesh as a renderer has it before cutting it finely: after Catmull-Clark steps, in triangles.

    What is wrong with the mesh is not told here: making the map told it.

    Parameters
    ----------
    unit : of the mesh's numbers, as the scene has it
    subdivide : Catmull-Clark steps; fewer are made of a mesh that would have more than ``most_triangles``

    Returns
    -------
    surface, and the steps that were made

    Raises
    ------
    MeshError : no face has UVs
    """
    # every step makes four quads of one; the first makes as many as a face has corners
    while subdivide > 0 and 2 * mesh.n_corners * 4 ** (subdivide - 1) > most_triangles:
        subdivide -= 1
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", SurfaceWarning)
        return surface_from_mesh(mesh, unit, subdivide), subdivide
