"""Points along seams, and the texels that are read there on both sides."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from poredepth.raster.reading import Reading, bilinear
from poredepth.raster.texels import TileRaster
from poredepth.surface.seams import SeamEdges


@dataclass(frozen=True)
class SeamPoints:
    """Points along seams, read on both sides.

    Attributes
    ----------
    edge : int64 (n,), row of the `SeamEdges`
    at : float64 (n,), share of the way along the edge, 0 to 1
    span_px : float64 (n,), the length a point stands for, in texels of the side that has more of them
    uv : float64 (n, 2, 2), [point, side, u or v]
    reading : of shape (n, 2)
    """

    edge: np.ndarray
    at: np.ndarray
    span_px: np.ndarray
    uv: np.ndarray
    reading: Reading

    def __len__(self) -> int:
        return len(self.edge)

    def part(self, which: np.ndarray) -> SeamPoints:
        """Some of the points: bool or numbers."""
        reading = Reading(self.reading.texel[which], self.reading.weight[which])
        return SeamPoints(self.edge[which], self.at[which], self.span_px[which], self.uv[which], reading)

    def renumbered(self, texel: np.ndarray) -> SeamPoints:
        """The same points with other numbers for their texels, int64 (n, 2, 4)."""
        return replace(self, reading=Reading(texel, self.reading.weight))

    def mismatch_mm(self, height_mm: np.ndarray) -> np.ndarray:
        """What the first side reads above the second, float64 (n,), mm, from heights that texel numbers point into."""
        read_mm = self.reading.of(height_mm)
        return read_mm[:, 0] - read_mm[:, 1]


def seam_points(raster: TileRaster, edges: SeamEdges, points_per_texel: float) -> SeamPoints:
    """Points evenly along each seam edge, so many a texel of the side that has more of them, at least one an edge.

    Left out are edges with no length in UV, or with a triangle that has no area there and so no texels, and points
    outside the tiles.
    """
    length_px = raster.size_px * np.linalg.norm(edges.uv[:, :, 1] - edges.uv[:, :, 0], axis=2).max(axis=1)
    used = np.flatnonzero((length_px > 0) & raster.has_texels[edges.triangle].all(axis=1))
    count = np.maximum(np.ceil(points_per_texel * length_px[used]), 1).astype(np.int64)
    edge = np.repeat(used, count)
    step = np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count)
    at = (step + 0.5) / np.repeat(count, count)
    span_px = np.repeat(length_px[used] / count, count)
    uv = edges.uv_at(edge, at)
    reading = bilinear(raster, uv, edges.triangle[edge])
    points = SeamPoints(edge, at, span_px, uv, reading)
    return points.part(reading.in_tile.all(axis=1))
