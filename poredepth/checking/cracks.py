"""Where a displaced surface tears: the two places to which points of one seam are moved."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.checking.rendered import RenderedMaps
from poredepth.checking.tessellate import Tessellation
from poredepth.surface.skin import Surface

#: Points looked at along all seams, at most.
MOST_POINTS = 400_000


@dataclass(frozen=True)
class Cracks:
    """Points of seams and how far apart their two sides come to lie.

    Attributes
    ----------
    position : float64 (n, 3), before they are displaced; width : float64 (n,); both in scene units
    uv : float64 (n, 2, 2), [point, side, u or v], nan on a side without UVs
    """

    position: np.ndarray
    width: np.ndarray
    uv: np.ndarray


def cracks(tessellation: Tessellation, maps: RenderedMaps) -> Cracks:
    """The points of small triangles along every seam, moved from both sides.

    A seam is an edge of the skin with two places in UV, or with one only, where its other side has no UVs and stays.
    Both sides have the points of the side that is cut more finely; of very long seams evenly chosen edges are
    looked at.
    """
    surface = tessellation.surface
    triangle, edge = torn_edges(surface)
    n = tessellation.segments[triangle].max(axis=1, initial=1)
    keep = slice(None, None, max(1, int(np.ceil((n + 1).sum() / MOST_POINTS))))
    triangle, edge, n = triangle[keep], edge[keep], n[keep]
    row = np.repeat(np.arange(len(n)), n + 1)
    step = np.arange(len(row)) - np.repeat(np.cumsum(n + 1) - (n + 1), n + 1)
    share = step / n[row]
    moved, uv, position = [], [], np.zeros((len(row), 3))
    for side in (0, 1):
        # neighbours run their shared edge in opposite ways
        along = share if side == 0 else 1 - share
        barycentric = np.zeros((len(row), 3))
        k = edge[row, side]
        barycentric[np.arange(len(row)), (k + 1) % 3] = 1 - along
        barycentric[np.arange(len(row)), (k + 2) % 3] = along
        points = tessellation.points(triangle[row, side], barycentric)
        moved.append(maps.displaced(points))
        uv.append(points.uv)
        position = points.position
    return Cracks(position, np.linalg.norm(moved[1] - moved[0], axis=1), np.stack(uv, axis=1))


def torn_edges(surface: Surface) -> tuple[np.ndarray, np.ndarray]:
    """Edges that may tear, each once, int64 (n, 2): triangles on both sides, and which edge of them it is."""
    adjacency = surface.adjacency
    t, k = np.nonzero(surface.is_chart_border & (adjacency.triangle >= 0))
    other, other_k = adjacency.triangle[t, k].astype(np.int64), adjacency.edge[t, k].astype(np.int64)
    once = (3 * t + k < 3 * other + other_k) & (surface.has_uv[t] | surface.has_uv[other])
    return np.stack([t, other], 1)[once], np.stack([k, other_k], 1)[once]
