"""Distance along the skin, in mm; never through the air."""

from __future__ import annotations

import numpy as np

from poredepth.surface import kernels
from poredepth.surface.locate import SkinPoint
from poredepth.surface.skin import Surface


def triangles_around(surface: Surface) -> tuple[np.ndarray, np.ndarray]:
    """CSR of the triangles around each vertex: start (n_vertices + 1,), triangle (3 n_triangles,)."""
    vertex = surface.tri_vertex.ravel()
    order = np.argsort(vertex, kind="stable")
    start = np.zeros(surface.n_vertices + 1, np.int64)
    np.cumsum(np.bincount(vertex, minlength=surface.n_vertices), out=start[1:])
    return start, (order // 3).astype(np.int32)


def distance_from_point_mm(surface: Surface, point: SkinPoint, max_mm: float = np.inf) -> np.ndarray:
    """Distance of every vertex from a skin point, float64 (n_vertices,), inf where not reached."""
    at_mm = surface.points_mm(np.array([point.triangle]), point.barycentric[None])[0]
    corner = surface.tri_vertex[point.triangle]
    distance_mm = np.full(surface.n_vertices, np.inf)
    distance_mm[corner] = np.linalg.norm(surface.position_mm[corner] - at_mm, axis=1)
    return _march(surface, distance_mm, corner, True, max_mm)


def distance_from_vertices_mm(surface: Surface, vertex: np.ndarray, max_mm: float = np.inf) -> np.ndarray:
    """Distance of every vertex from a curve of mesh edges given by its vertices, float64 (n_vertices,)."""
    distance_mm = np.full(surface.n_vertices, np.inf)
    distance_mm[vertex] = 0.0
    return _march(surface, distance_mm, np.asarray(vertex), False, max_mm)


def march_from_mm(surface: Surface, start_mm: np.ndarray, max_mm: float = np.inf) -> np.ndarray:
    """Distance of every vertex, float64 (n_vertices,), from something whose distance from some vertices is known.

    ``start_mm`` (n_vertices,) holds those distances, and inf elsewhere.
    """
    return _march(surface, start_mm.copy(), np.flatnonzero(np.isfinite(start_mm)), False, max_mm)


def _march(surface: Surface, distance_mm, source, from_point: bool, max_mm: float) -> np.ndarray:
    if len(source):
        start, triangle = triangles_around(surface)
        source = source.astype(np.int64)
        kernels.march(distance_mm, source, from_point, surface.tri_vertex, start, triangle, surface.flat_mm, max_mm)
    return distance_mm
