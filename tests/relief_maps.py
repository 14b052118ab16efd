"""Height maps of reliefs that are known at every point of space, and tangent frames written out slowly."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from poredepth.derived.heights import MapHeights
from poredepth.raster.texels import TileRaster
from poredepth.surface.skin import Surface


def map_of(
    surface: Surface,
    relief_mm: Callable[[np.ndarray], np.ndarray],
    size_px: int = 256,
    gutter_px: int = 4,
    base: Surface | None = None,
) -> MapHeights:
    """Heights of a relief given at points in space, (n, 3) in mm -> (n,) in mm."""
    raster = TileRaster(surface, size_px, gutter_px)
    heights = {}
    for tile in raster.tiles:
        points = raster.skin_points(tile, raster.whole())
        at_mm = surface.points_mm(points.triangle, points.barycentric.astype(float))
        height = np.where(points.triangle >= 0, relief_mm(at_mm), 0.0)
        heights[tile] = height.reshape(size_px, size_px).astype(np.float32)
    return MapHeights(raster, heights, base)


def positions_mm(heights: MapHeights, tile: int = 1001) -> np.ndarray:
    """Skin points of a tile's texels in space, float64 (size_px, size_px, 3); nan without skin."""
    raster = heights.raster
    points = raster.skin_points(tile, raster.whole())
    at_mm = raster.surface.points_mm(points.triangle, points.barycentric.astype(float))
    at_mm[points.triangle < 0] = np.nan
    return at_mm.reshape(raster.size_px, raster.size_px, 3)


def is_inside(heights: MapHeights, tile: int = 1001) -> np.ndarray:
    """bool (size_px, size_px): inside a chart, not in a gutter."""
    bare = TileRaster(heights.raster.surface, heights.raster.size_px, 0)
    return (bare.skin_points(tile, bare.whole()).triangle >= 0).reshape(bare.size_px, bare.size_px)


def slow_tangents(surface: Surface) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """N (n, 3, 3), T (n, 3, 3) at triangle corners and sign (n,), corner by corner.

    Source: Mikkelsen 2008, "Simulation of wrinkled surfaces revisited", and the comments of its reference code: T of a
    corner is the sum over the triangles around the vertex that share its UV and its handedness, each dP/du put into the
    plane of the vertex normal, made unit and weighted by the angle of its edges in that plane.
    """
    position, uv = surface.corner_mm, surface.corner_uv
    n = surface.n_triangles

    def unit(v):
        return v / np.linalg.norm(v)

    def angle(a, b):
        return np.arccos(np.clip(unit(a) @ unit(b), -1, 1))

    vertex_normal = np.zeros((surface.n_vertices, 3))
    for t in range(n):
        for k in range(3):
            p, a, b = position[t, k], position[t, (k + 1) % 3], position[t, (k + 2) % 3]
            vertex_normal[surface.tri_vertex[t, k]] += angle(a - p, b - p) * unit(np.cross(a - p, b - p))
    normal, tangent, sign, sums = np.zeros((n, 3, 3)), np.zeros((n, 3, 3)), np.zeros(n), {}
    for t in range(n):
        e1, e2 = position[t, 1] - position[t, 0], position[t, 2] - position[t, 0]
        (s1, t1), (s2, t2) = uv[t, 1] - uv[t, 0], uv[t, 2] - uv[t, 0]
        sign[t] = np.sign(s1 * t2 - s2 * t1)
        along_u = (t2 * e1 - t1 * e2) / (s1 * t2 - s2 * t1)
        for k in range(3):
            m = unit(vertex_normal[surface.tri_vertex[t, k]])
            p, a, b = (position[t, (k + i) % 3] for i in range(3))
            flat_a, flat_b = (a - p) - ((a - p) @ m) * m, (b - p) - ((b - p) @ m) * m
            key = (surface.tri_vertex[t, k], *uv[t, k], sign[t])
            more = angle(flat_a, flat_b) * unit(along_u - (along_u @ m) * m)
            sums[key] = sums.get(key, 0) + more
            normal[t, k] = m
    for t in range(n):
        for k in range(3):
            tangent[t, k] = unit(sums[surface.tri_vertex[t, k], *uv[t, k], sign[t]])
    return normal, tangent, sign
