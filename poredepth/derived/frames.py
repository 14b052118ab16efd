"""The tangent frame of each texel, as a renderer builds it that follows MikkTSpace.

Frames belong to the surface as a renderer has it, before it was split into small triangles.  Source: Mikkelsen 2008,
"Simulation of wrinkled surfaces revisited", and http://www.mikktspace.com; glTF 2.0 names it for normal textures.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.derived import frame_kernels
from poredepth.errors import MeshError
from poredepth.raster.texels import TileRaster
from poredepth.surface.metric import barycentric_slopes, mm_per_uv
from poredepth.surface.skin import Surface

#: Split triangles lie in those they come from up to this share of their size.
SPLIT_RATIO = 1e-5


@dataclass(frozen=True)
class TexelFrames:
    """Tangent frames of many texels; T and N are at right angles, B = sign x cross(N, T) points along +v.

    Attributes
    ----------
    turn : float32 (..., 2), T in the flat frame of the texel's triangle (`Surface.flat_mm`), unit length: cosine and
        sine of its angle; B is it turned by a quarter, anticlockwise where sign is 1
    sign : int8 (...), 1, or -1 where the chart is mirrored; 0 without skin
    normal, tangent : float32 (..., 3), unit, in the axes of the mesh; 0 without skin
    carry : float32 (..., 2), what a renderer's interpolation does to the frame: the length of the interpolated N over
        that of the interpolated T (of its part at a right angle to N), and T's part along N over the same
    """

    turn: np.ndarray
    sign: np.ndarray
    normal: np.ndarray
    tangent: np.ndarray
    carry: np.ndarray


@dataclass(frozen=True)
class TangentFrames:
    """Tangent frames at the corners of the triangles of ``base``, and where the raster's triangles lie in it.

    Attributes
    ----------
    normal : float32 (n_base, 3, 3), smooth vertex normals, unit
    tangent : float32 (n_base, 3, 3), unit, at right angles to the normal
    sign : int8 (n_base,), -1 where the triangle is mirrored in its chart
    base_triangle : int32 (n_triangles,); base_barycentric : float32 (n_triangles, 3, 3), of each corner in it
    axes : float64 (n_triangles, 2, 3), axes of the flat frames of the raster's triangles in space
    """

    normal: np.ndarray
    tangent: np.ndarray
    sign: np.ndarray
    base_triangle: np.ndarray
    base_barycentric: np.ndarray
    axes: np.ndarray

    def at(self, triangle: np.ndarray, barycentric: np.ndarray) -> TexelFrames:
        """Frames at places: triangle int32 (...), -1 without skin; barycentric float32 (..., 3).

        What lies beyond its triangle (see `raster.texels.ChartPlaces`) gets the frame of the triangle's rim.
        """
        shape = np.shape(triangle)
        n = int(np.prod(shape))
        out = TexelFrames(
            np.empty((n, 2), np.float32),
            np.empty(n, np.int8),
            np.empty((n, 3), np.float32),
            np.empty((n, 3), np.float32),
            np.empty((n, 2), np.float32),
        )
        frame_kernels.frames_at(
            np.ascontiguousarray(triangle, np.int32).ravel(),
            np.ascontiguousarray(barycentric, np.float32).reshape(-1, 3),
            self.arrays,
            out.turn,
            out.sign,
            out.normal,
            out.tangent,
            out.carry,
        )
        return TexelFrames(*(one.reshape(*shape, *one.shape[1:]) for one in vars(out).values()))

    @property
    def arrays(self) -> tuple[np.ndarray, ...]:
        """As kernels take them."""
        return self.normal, self.tangent, self.sign, self.base_triangle, self.base_barycentric, self.axes


def tangent_frames(raster: TileRaster, base: Surface | None = None) -> TangentFrames:
    """Tangent frames of the skin of a raster.

    Parameters
    ----------
    base : the surface that the raster's was split from, as a renderer has it; None: the raster's own

    Raises
    ------
    MeshError : the raster's surface was not split from ``base``
    """
    surface = raster.surface
    base = surface if base is None else base
    normal = vertex_normals(base)[base.tri_vertex]
    tangent, sign = _corner_tangents(base, normal)
    return TangentFrames(
        normal.astype(np.float32), tangent.astype(np.float32), sign, *_place_in(base, surface), surface.frame
    )


def vertex_normals(surface: Surface) -> np.ndarray:
    """Smooth normals, float64 (n_vertices, 3): the mean of the triangles' around a vertex, weighted by their angles.

    Over UV seams too; unit, 0 at a vertex without area around it.
    """
    corner_mm = surface.corner_mm
    weight = np.stack(
        [_angle(corner_mm[:, (k + 2) % 3] - corner_mm[:, k], corner_mm[:, (k + 1) % 3] - corner_mm[:, k])
         for k in range(3)], axis=1,
    )  # fmt: skip
    return _unit(_summed(surface.tri_vertex, weight[..., None] * surface.normal[:, None], surface.n_vertices))


def _corner_tangents(surface: Surface, normal: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """T at triangle corners, float64 (n_triangles, 3, 3), and the sign of B, int8 (n_triangles,)."""
    jacobian = mm_per_uv(surface)
    mapped = np.isfinite(jacobian).all(axis=(1, 2)) & (surface.area_mm2 > 0)
    jacobian = np.where(mapped[:, None, None], jacobian, np.eye(2))
    sign = np.where(np.linalg.det(jacobian) < 0, -1, 1).astype(np.int8)
    along_u = np.einsum("tx,txs->ts", jacobian[..., 0], surface.frame)[:, None]
    corner_mm = surface.corner_mm
    to_next = _in_plane(np.roll(corner_mm, -1, axis=1) - corner_mm, normal)
    to_last = _in_plane(np.roll(corner_mm, 1, axis=1) - corner_mm, normal)
    along_u = _in_plane(along_u, normal)
    weight = np.where(mapped[:, None], _angle(to_last, to_next), 0.0)
    group = np.where(mapped[:, None], 2 * np.maximum(surface.tri_uv_vertex, 0) + (sign[:, None] > 0), 0)
    total = _unit(_summed(group, weight[..., None] * along_u, 2 * max(len(surface.uv), 1)))[group]
    # triangles without area in UV show no texel; where all cancels, each triangle keeps its own
    own = ~mapped[:, None] | (np.linalg.norm(total, axis=2) == 0)
    return np.where(own[..., None], along_u, total), sign


def _in_plane(way: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """Unit directions (..., 3) of what is left at a right angle to unit normals."""
    return _unit(way - (way * normal).sum(axis=-1, keepdims=True) * normal)


def _angle(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Angle between directions (..., 3), radians; 0 where one has no length."""
    return np.arctan2(np.linalg.norm(np.cross(a, b), axis=-1), (a * b).sum(axis=-1))


def _unit(way: np.ndarray) -> np.ndarray:
    length = np.linalg.norm(way, axis=-1, keepdims=True)
    return np.divide(way, length, out=np.zeros_like(way), where=length > 1e-12)


def _summed(group: np.ndarray, value: np.ndarray, n_groups: int) -> np.ndarray:
    """Sums (n_groups, 3) of corner values (n_triangles, 3, 3) over the groups their corners are in."""
    flat, group = value.reshape(-1, 3), group.ravel()
    return np.stack([np.bincount(group, flat[:, x], n_groups) for x in range(3)], axis=1)


def _place_in(base: Surface, fine: Surface) -> tuple[np.ndarray, np.ndarray]:
    """The triangle of ``base`` each triangle of ``fine`` lies in, int32, and its corners there, float32 (n, 3, 3)."""
    if base is fine:
        n = fine.n_triangles
        return np.arange(n, dtype=np.int32), np.tile(np.eye(3, dtype=np.float32), (n, 1, 1))
    order = np.argsort(base.tri_face, kind="stable")
    n_faces = 1 + max(int(base.tri_face.max(initial=-1)), int(fine.tri_face.max(initial=-1)))
    count = np.bincount(base.tri_face, minlength=n_faces)
    first = np.cumsum(count) - count
    slope = barycentric_slopes(base)
    best, best_inside = np.full(fine.n_triangles, -1), np.full(fine.n_triangles, -np.inf)
    best_corner = np.zeros((fine.n_triangles, 3, 3))
    for turn in range(int(count.max(initial=0))):
        here = np.flatnonzero(count[fine.tri_face] > turn)
        candidate = order[first[fine.tri_face[here]] + turn]
        corner, off = _corners_in(base, slope, candidate, fine.corner_mm[here])
        inside = corner.mean(axis=1).min(axis=1) - off
        better = inside > best_inside[here]
        chosen = here[better]
        best[chosen], best_inside[chosen], best_corner[chosen] = candidate[better], inside[better], corner[better]
    wrong = (fine.area_mm2 > 0) & ((best_corner.min(axis=(1, 2), initial=0.0) < -SPLIT_RATIO) | (best < 0))
    wrong |= (fine.area_mm2 > 0) & (best_inside < -SPLIT_RATIO)
    if wrong.any():
        raise MeshError(
            f"{fine.label}: {wrong.sum()} triangles do not lie in those of the surface they are said to be split from; "
            "allowed: the surface before it was split; pass that, or none"
        )
    return best.astype(np.int32), best_corner.astype(np.float32)


def _corners_in(base: Surface, slope: np.ndarray, candidate: np.ndarray, corner_mm: np.ndarray):
    """Barycentrics (n, 3, 3) of corners (n, 3, 3) in triangles of ``base``; how far off them, in shares of size."""
    way = corner_mm - base.corner_mm[candidate, 0][:, None]
    flat = np.einsum("ncx,nax->nca", way, base.frame[candidate])
    barycentric = np.einsum("nka,nca->nck", slope[candidate], flat)
    barycentric[..., 0] += 1.0
    off_mm = np.abs(np.einsum("ncx,nx->nc", way, base.normal[candidate])).max(axis=1)
    size_mm = np.sqrt(np.maximum(base.area_mm2[candidate], 1e-20))
    return barycentric, off_mm / size_mm
