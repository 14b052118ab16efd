"""Nearest skin points of points in space."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from poredepth.errors import RegionError
from poredepth.surface.skin import Surface

#: A point given in a recipe that lies farther from the skin than this share of the mesh's diagonal is a mistake.
SNAP_RATIO = 0.1


@dataclass(frozen=True)
class SkinPoint:
    """One point of the skin: a triangle, barycentrics float64 (3,), and how far it was snapped, mm."""

    triangle: int
    barycentric: np.ndarray
    snapped_mm: float


def snap_limit_mm(surface: Surface) -> float:
    """How far from the skin a point given in a recipe may lie, mm."""
    return SNAP_RATIO * float(np.linalg.norm(np.ptp(surface.position_mm, axis=0)))


def nearest_skin_points(surface: Surface, points_mm: np.ndarray, among: np.ndarray | None = None) -> list[SkinPoint]:
    """Exact nearest skin point of each of ``points_mm`` (n, 3).

    ``among``, bool (n_triangles,), if given, are the triangles it may lie on: at least one.
    """
    centre, reach, tree = surface.centres
    out = []
    for point in np.atleast_2d(points_mm):
        if among is None:
            near_mm, nearest = tree.query(point)
            # no triangle whose centre is farther than this can hold a nearer point
            candidate = np.asarray(tree.query_ball_point(point, near_mm + reach.max() + 1e-9))
            candidate = np.union1d(
                candidate[np.linalg.norm(centre[candidate] - point, axis=1) <= near_mm + reach[candidate] + 1e-9],
                [nearest],
            ).astype(int)
        else:
            candidate = np.flatnonzero(among)
        barycentric, distance = _closest_on_triangles(surface.corner_mm[candidate], point)
        best = int(np.argmin(np.round(distance, 9)))
        out.append(SkinPoint(int(candidate[best]), barycentric[best], float(distance[best])))
    return out


def snapped_points(surface: Surface, points_mm: np.ndarray, names: Sequence[str]) -> list[SkinPoint]:
    """Nearest skin points of points that a recipe names.

    Parameters
    ----------
    points_mm : float (n, 3); names : (n,), key path of each, for messages

    Raises
    ------
    RegionError : a point that lies far from the skin
    """
    found = nearest_skin_points(surface, points_mm)
    limit_mm = snap_limit_mm(surface)
    for point, at_mm, name in zip(found, points_mm, names, strict=True):
        if point.snapped_mm > limit_mm:
            told = ", ".join(f"{x:g}" for x in np.round(np.asarray(at_mm) / surface.mm_per_unit, 6))
            raise RegionError(
                f"{name}: [{told}] is {point.snapped_mm:.1f} mm from the skin; allowed: up to {limit_mm:.1f} mm; "
                "points are in the mesh file's unit: check the unit and the coordinates"
            )
    return found


def _closest_on_triangles(corner_mm: np.ndarray, point_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Barycentrics (n, 3) and distances (n,) of the closest point of each triangle (n, 3, 3)."""
    a, b, c = corner_mm[:, 0], corner_mm[:, 1], corner_mm[:, 2]
    e0, e1, to = b - a, c - a, point_mm - a
    d00, d01, d11 = (e0 * e0).sum(1), (e0 * e1).sum(1), (e1 * e1).sum(1)
    d20, d21 = (to * e0).sum(1), (to * e1).sum(1)
    det = d00 * d11 - d01 * d01
    safe = np.where(det > 0, det, 1.0)
    v, w = (d11 * d20 - d01 * d21) / safe, (d00 * d21 - d01 * d20) / safe
    best = np.stack([1 - v - w, v, w], axis=1)
    inside = (det > 0) & (best >= 0).all(axis=1)
    distance = np.where(inside, np.linalg.norm(np.einsum("nk,nkx->nx", best, corner_mm) - point_mm, axis=1), np.inf)
    for i, j in ((0, 1), (1, 2), (2, 0)):
        edge = corner_mm[:, j] - corner_mm[:, i]
        length2 = (edge * edge).sum(1)
        at = np.clip(((point_mm - corner_mm[:, i]) * edge).sum(1) / np.where(length2 > 0, length2, 1.0), 0, 1)
        on_edge = np.linalg.norm(corner_mm[:, i] + at[:, None] * edge - point_mm, axis=1)
        nearer = on_edge < distance
        distance = np.where(nearer, on_edge, distance)
        row = np.zeros_like(best)
        row[:, i], row[:, j] = 1 - at, at
        best = np.where(nearer[:, None], row, best)
    return best, distance
