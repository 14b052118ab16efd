"""Heights of a displaced surface between its vertices, measured along the normals of the surface it was moved from."""

from __future__ import annotations

import numpy as np

from poredepth.checking.rendered import RenderedMaps
from poredepth.checking.tessellate import BasePoints, SmallTriangles, Tessellation

#: A ray this far outside a small triangle (in its barycentrics) still hits it.
_EDGE_SLACK = 1e-9
#: Where a ray leaves its triangle of the mesh, the plane of its own small triangle goes on for so much of its size.
_BORDER_SLACK = 0.25
#: Steps to small triangles around one in its lattice.
_AROUND = [(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1)]


def ray_heights(
    tessellation: Tessellation, maps: RenderedMaps, triangle: np.ndarray, barycentric: np.ndarray
) -> np.ndarray:
    """How high above points of the base surface the displaced small triangles lie, along the points' own normals.

    Parameters
    ----------
    triangle : int (n,); barycentric : float64 (n, 3), the points

    Returns
    -------
    float64 (n,), scene units, + outward; nan where the ray meets none of the small triangles around it

    Notes
    -----
    The small triangle that holds the point is tried first, then those around it within the triangle of the mesh.

    Source: ray and plane, with barycentrics by areas; common practice.
    """
    base = tessellation.points(triangle, barycentric)
    small = tessellation.holding(triangle, barycentric)
    corner = displaced_corners(tessellation, maps, small)
    own, outside = _hit(base, corner)
    out = np.where(outside <= _EDGE_SLACK, own, np.nan)
    missed = np.flatnonzero(np.isnan(out))
    if len(missed):
        out[missed] = _hit_around(tessellation, maps, small.part(missed), _part(base, missed))
        still = missed[np.isnan(out[missed])]
        out[still] = np.where(outside[still] <= _BORDER_SLACK, own[still], np.nan)
    return out


def displaced_corners(tessellation: Tessellation, maps: RenderedMaps, small: SmallTriangles) -> np.ndarray:
    """Corners of small triangles after they are displaced, scene units, float64 (n, 3, 3)."""
    at = tessellation.corner_barycentrics(small).reshape(-1, 3)
    return maps.displaced(tessellation.points(np.repeat(small.triangle, 3), at)).reshape(-1, 3, 3)


def _hit_around(tessellation: Tessellation, maps: RenderedMaps, small: SmallTriangles, base: BasePoints) -> np.ndarray:
    """The height nearest to 0 at which rays meet small triangles around, nan if none."""
    best = np.full(len(small), np.nan)
    n = tessellation.segments[small.triangle]
    for step in _AROUND:
        for is_upper in (False, True):
            at = small.step + step
            inside = (at >= 0).all(axis=1) & (at.sum(axis=1) <= n - (2 if is_upper else 1))
            which = np.flatnonzero(inside)
            tried = SmallTriangles(small.triangle[which], at[which], np.full(len(which), is_upper))
            height, outside = _hit(_part(base, which), displaced_corners(tessellation, maps, tried))
            good = (outside <= _EDGE_SLACK) & ~(np.abs(height) >= np.abs(best[which]))
            best[which[good]] = height[good]
    return best


def _hit(base: BasePoints, corner: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Height along each normal of the plane of a triangle (n, 3, 3), and how far outside it that is (barycentrics)."""
    e1, e2 = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
    plane = np.cross(e1, e2)
    way = (base.normal * plane).sum(axis=1)
    to = corner[:, 0] - base.position
    with np.errstate(divide="ignore", invalid="ignore"):
        height = (to * plane).sum(axis=1) / way
        hit = height[:, None] * base.normal - to
        area2 = (plane**2).sum(axis=1)
        b1 = (np.cross(hit, e2) * plane).sum(axis=1) / area2
        b2 = (np.cross(e1, hit) * plane).sum(axis=1) / area2
    outside = -np.minimum(np.minimum(b1, b2), 1 - b1 - b2)
    return height, np.where(np.isfinite(outside), outside, np.inf)


def _part(base: BasePoints, which: np.ndarray) -> BasePoints:
    return BasePoints(base.position[which], base.normal[which], base.uv[which], base.toward_uv[which])
