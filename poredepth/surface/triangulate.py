"""Polygons -> triangles, the same ones whichever corner the file lists first."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.surface.obj import PolygonMesh

# Areas below this share of the polygon's own (quads: area; n-gons: squared extent) count as none: it is far above
# the rounding of float64 (2e-16) and far below any corner that was drawn on purpose.
_FLAT_RATIO = 1e-9
_TIE_RATIO = 1e-9  # diagonals, or ears, this alike are told apart by position id, not by rounding


@dataclass(frozen=True, eq=False)
class Triangles:
    """Triangles of a polygon mesh, in the order of their faces, wound as their faces are.

    Parameters
    ----------
    position : int64 (nT, 3), position ids
    texcoord : int64 (nT, 3), texture coordinate ids, -1 = none
    face : int64 (nT,), the polygon each came from
    """

    position: np.ndarray
    texcoord: np.ndarray
    face: np.ndarray


def triangulate(mesh: PolygonMesh, position_mm: np.ndarray) -> Triangles:
    """Split every polygon of n corners into n - 2 triangles.

    Parameters
    ----------
    mesh : PolygonMesh, read only
    position_mm : float64 (nV, 3), mm; any unit gives the same triangles

    Returns
    -------
    Triangles : sorted by face

    Notes
    -----
    A quad takes its shorter diagonal, unless that lies outside of it; equal diagonals (within 1e-9): the one that
    holds the smallest position id.  Larger polygons are clipped ear by ear in their mean plane (Newell normal), the
    best-shaped ear first.  Corners on a straight line make flat triangles only where nothing else is possible.
    Polygons that cross themselves still give n - 2 triangles, some of them turned over.

    Source: Newell normal: Sutherland, Sproull, Schumacker 1974, ACM Comput. Surv. 6(1), from memory; ear clipping:
    Meisters 1975, Am. Math. Monthly 82(6), "two ears" theorem, from memory; choice of ears: own derivation.
    """
    position_mm = np.asarray(position_mm, np.float64)
    size = np.diff(mesh.face_start)
    first_triangle = np.concatenate([[0], np.cumsum(size - 2)])
    corner = np.empty((first_triangle[-1], 3), np.int64)
    is_triangle, is_quad = size == 3, size == 4
    corner[first_triangle[:-1][is_triangle]] = mesh.face_start[:-1][is_triangle, None] + np.arange(3)
    if is_quad.any():
        at = first_triangle[:-1][is_quad]
        corner[at], corner[at + 1] = _quad_triangles(mesh, mesh.face_start[:-1][is_quad], position_mm)
    for face_id in np.flatnonzero(size > 4).tolist():
        start, stop = int(mesh.face_start[face_id]), int(mesh.face_start[face_id + 1])
        at = first_triangle[face_id]
        ids = mesh.face_position[start:stop]
        corner[at : at + stop - start - 2] = start + np.array(_ngon_triangles(ids, position_mm[ids]), np.int64)
    face = np.repeat(np.arange(len(size)), size - 2)
    return Triangles(mesh.face_position[corner], mesh.face_texcoord[corner], face)


def _quad_triangles(mesh: PolygonMesh, start: np.ndarray, position_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """First and second triangle of each quad, as corner ids (n, 3)."""
    # begin at the smallest position id: then the sums below round alike for every way of listing the quad
    turn = np.argmin(mesh.face_position[start[:, None] + np.arange(4)], axis=1)
    corner = start[:, None] + (turn[:, None] + np.arange(4)) % 4
    a, b, c, d = (position_mm[mesh.face_position[corner[:, i]]] for i in range(4))
    ac, bd = c - a, d - b
    normal = np.cross(ac, bd)  # twice the area vector of the quad
    flat = _FLAT_RATIO * _dot(normal, normal)
    corner_a, corner_c = _dot(np.cross(b - a, d - a), normal), _dot(np.cross(d - c, b - c), normal)
    corner_b, corner_d = _dot(np.cross(c - b, a - b), normal), _dot(np.cross(a - d, c - d), normal)
    ac_inside, bd_inside = (corner_b > flat) & (corner_d > flat), (corner_a > flat) & (corner_c > flat)
    ac_mm2, bd_mm2 = _dot(ac, ac), _dot(bd, bd)
    # squares: twice the ratio.  The smallest id stands at a, so ties go to a-c
    shorter_is_ac = ac_mm2 <= bd_mm2 * (1.0 + 2.0 * _TIE_RATIO)
    take_ac = np.where(ac_inside == bd_inside, shorter_is_ac, ac_inside)[:, None]
    first = np.where(take_ac, corner[:, [0, 1, 2]], corner[:, [0, 1, 3]])
    second = np.where(take_ac, corner[:, [0, 2, 3]], corner[:, [1, 2, 3]])
    return first, second


def _dot(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return np.einsum("ij,ij->i", a, b)


def _ngon_triangles(ids: np.ndarray, corner_mm: np.ndarray) -> list[tuple[int, int, int]]:
    """n - 2 triangles (corner numbers) of one polygon of position ids (n,) at corner_mm (n, 3)."""
    n = len(ids)
    turn = int(np.argmin(ids))  # begin at the smallest id, so that all sums round alike
    order = [(turn + i) % n for i in range(n)]
    flat = _in_mean_plane(corner_mm[order])
    clip = _EarClip([tuple(xy) for xy in flat.tolist()], ids[order].tolist())
    return [(order[i], order[j], order[k]) for i, j, k in clip.run()]


def _in_mean_plane(corner_mm: np.ndarray) -> np.ndarray:
    """Corners (n, 2) in the polygon's mean plane, seen so that it runs anticlockwise, in shares of its extent."""
    centred = corner_mm - corner_mm.mean(axis=0)
    extent = np.abs(centred).max()
    centred = centred / extent if extent > 0.0 else centred
    normal = np.cross(centred, np.roll(centred, -1, axis=0)).sum(axis=0)
    length = np.linalg.norm(normal)
    # a polygon without area has no plane; any axis keeps the clipping going
    normal = normal / length if length > _FLAT_RATIO else np.array([0.0, 0.0, 1.0])
    side = np.zeros(3)
    side[np.argmin(np.abs(normal))] = 1.0
    x_axis = np.cross(side, normal)
    x_axis /= np.linalg.norm(x_axis)
    return np.stack([centred @ x_axis, centred @ np.cross(normal, x_axis)], axis=1)


class _EarClip:
    """Clips the best-shaped ear of an anticlockwise polygon, again and again; plain floats, as n is small."""

    def __init__(self, xy: list[tuple[float, float]], ids: list[int]):
        n = len(xy)
        self.xy, self.ids = xy, ids
        self.before, self.after = [(i - 1) % n for i in range(n)], [(i + 1) % n for i in range(n)]
        self.live = set(range(n))
        # only corners that do not turn left can lie in another corner's ear; clipping never adds any
        self.blockers = {i for i in self.live if self._doubled_area(i) <= _FLAT_RATIO}
        self.quality = {i: self._ear_quality(i) for i in self.live}

    def run(self) -> list[tuple[int, int, int]]:
        """All triangles, in the order of clipping, each as (before, tip, after)."""
        triangles = []
        while len(self.live) > 3:
            tip = self._next_tip()
            before, after = self.before[tip], self.after[tip]
            triangles.append((before, tip, after))
            self.live.remove(tip)
            self.blockers.discard(tip)
            del self.quality[tip]
            self.after[before], self.before[after] = after, before
            for i in (before, after):
                if self._doubled_area(i) > _FLAT_RATIO:
                    self.blockers.discard(i)
            for i in (before, after):
                self.quality[i] = self._ear_quality(i)
        last = min(self.live)
        return [*triangles, (last, self.after[last], self.before[last])]

    def _next_tip(self) -> int:
        best = max(self.quality.values())
        if best <= 0.0:
            # the ears that were blocked only by a corner clipped since
            self.quality = {i: self._ear_quality(i) for i in self.live}
            best = max(self.quality.values())
        if best > 0.0:
            return self._smallest_id(i for i in self.live if self.quality[i] >= best * (1.0 - _TIE_RATIO))
        # no proper ear: one that only touches a corner (as at a bridge to a hole), a flat one, the least reflex corner
        touching = {i: self._ear_quality(i, touch_blocks=False) for i in self.live}
        best = max(touching.values())
        if best > 0.0:
            return self._smallest_id(i for i in self.live if touching[i] >= best * (1.0 - _TIE_RATIO))
        area = {i: self._doubled_area(i) for i in self.live}
        if flat := [i for i in self.live if abs(area[i]) <= _FLAT_RATIO]:
            return self._smallest_id(flat)
        best = max(area.values())
        return self._smallest_id(i for i in self.live if area[i] >= best - _TIE_RATIO)

    def _smallest_id(self, corners) -> int:
        return min(corners, key=self.ids.__getitem__)

    def _doubled_area(self, tip: int) -> float:
        (ax, ay), (bx, by), (cx, cy) = self.xy[self.before[tip]], self.xy[tip], self.xy[self.after[tip]]
        return (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)

    def _ear_quality(self, tip: int, touch_blocks: bool = True) -> float:
        """Doubled area over the sum of squared sides (0.577 = equilateral); 0 where the tip is no ear."""
        doubled_area = self._doubled_area(tip)
        if doubled_area <= _FLAT_RATIO or self._is_blocked(tip, touch_blocks):
            return 0.0
        (ax, ay), (bx, by), (cx, cy) = self.xy[self.before[tip]], self.xy[tip], self.xy[self.after[tip]]
        sides = (bx - ax) ** 2 + (by - ay) ** 2 + (cx - bx) ** 2 + (cy - by) ** 2 + (ax - cx) ** 2 + (ay - cy) ** 2
        return doubled_area / sides

    def _is_blocked(self, tip: int, touch_blocks: bool) -> bool:
        """Whether another corner lies in the ear (or, with ``touch_blocks``, on its border)."""
        own = (self.before[tip], tip, self.after[tip])
        a, b, c = (self.xy[i] for i in own)
        least = -1e-12 if touch_blocks else 1e-12
        for i in self.blockers:
            p = self.xy[i]
            if i in own:
                continue
            if _left_of(a, b, p) > least and _left_of(b, c, p) > least and _left_of(c, a, p) > least:
                return True
        return False


def _left_of(a: tuple[float, float], b: tuple[float, float], p: tuple[float, float]) -> float:
    return (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0])
