"""Seams: edges of the skin that lie twice in UV."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.surface.skin import Surface


@dataclass(frozen=True)
class SeamEdges:
    """Edges of the skin with two places in UV, each once.

    Attributes
    ----------
    triangle : int32 (n, 2), the triangles on both sides
    edge : int64 (n, 2), which edge of them it is
    uv : float64 (n, 2, 2, 2), [edge, side, end, u or v]; both sides run from the same end of the edge to the other
    """

    triangle: np.ndarray
    edge: np.ndarray
    uv: np.ndarray

    def __len__(self) -> int:
        return len(self.triangle)

    def uv_at(self, edge: np.ndarray, at: np.ndarray) -> np.ndarray:
        """UVs of both sides, float64 (n, 2, 2), of points at shares ``at`` (n,), 0 to 1, along edges (n,)."""
        start, end = self.uv[edge, :, 0], self.uv[edge, :, 1]
        return start + at[:, None, None] * (end - start)


def seam_edges(surface: Surface) -> SeamEdges:
    """Find the seams of a surface; edges without UVs on one side, and open borders, are none."""
    adjacency = surface.adjacency
    t, k = np.nonzero(surface.is_chart_border & (adjacency.triangle >= 0))
    other, other_k = adjacency.triangle[t, k].astype(np.int64), adjacency.edge[t, k].astype(np.int64)
    once = (3 * t + k < 3 * other + other_k) & surface.has_uv[t] & surface.has_uv[other]
    triangle, edge = np.stack([t, other], 1)[once], np.stack([k, other_k], 1)[once]
    a, b = triangle.T
    # neighbours run their shared edge in opposite ways
    here = np.stack([surface.corner_uv[a, (edge[:, 0] + 1) % 3], surface.corner_uv[a, (edge[:, 0] + 2) % 3]], 1)
    there = np.stack([surface.corner_uv[b, (edge[:, 1] + 2) % 3], surface.corner_uv[b, (edge[:, 1] + 1) % 3]], 1)
    return SeamEdges(triangle.astype(np.int32), edge, np.stack([here, there], axis=1))
