"""Points along seams, and the texels that are read there on both sides."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from poredepth.raster.reading import Reading, bilinear, by_tile
from poredepth.raster.texels import TileRaster
from poredepth.surface.points import SkinPoints
from poredepth.surface.seams import SeamEdges, seam_edges

#: Bilinear reading on a border reaches texels whose centres lie less than this outside a chart.
REACH_PX = 2
#: A texel that counts less than this in a reading is not read.
LEAST_WEIGHT = 1e-9


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


@dataclass(frozen=True)
class SeamTexels:
    """Every texel that is read at some points of seams, once.

    Attributes
    ----------
    edges : the seams; points : sets of points along them, whose readings count texels from 0 to n_texels
    number : int64 (n_texels,), rising: the texel's number in the raster (see `Reading`)
    skin : n_texels points; is_inside : bool (n_texels,), inside a chart, not in a gutter
    """

    raster: TileRaster
    edges: SeamEdges
    points: tuple[SeamPoints, ...]
    number: np.ndarray
    skin: SkinPoints
    is_inside: np.ndarray

    def reads_own_skin(self, points: SeamPoints) -> np.ndarray:
        """bool (n,): every texel that is read has skin, and none lies inside a chart other than that of its side.

        Where charts overlap or touch, a seam would otherwise be drawn into the middle of another chart.
        """
        chart = self.raster.surface.tri_chart
        triangle = self.skin.triangle[points.reading.texel]
        side_chart = chart[self.edges.triangle[points.edge]][..., None]
        foreign = self.is_inside[points.reading.texel] & (chart[triangle] != side_chart)
        return ~((points.reading.weight > LEAST_WEIGHT) & ((triangle < 0) | foreign)).any(axis=(1, 2))


def seam_texels(raster: TileRaster, *points_per_texel: float) -> SeamTexels:
    """Texels read at so many points along seams; one set of points for each number given."""
    edges = seam_edges(raster.surface)
    points = [seam_points(raster, edges, density) for density in points_per_texel]
    number, place = np.unique(np.concatenate([one.reading.texel for one in points]), return_inverse=True)
    parts = np.split(place.reshape(-1, 2, 4), np.cumsum([len(one) for one in points])[:-1])
    triangle, is_inside = np.full(len(number), -1, np.int32), np.zeros(len(number), bool)
    barycentric = np.zeros((len(number), 3), np.float32)
    for tile, here, row, col in by_tile(raster, number):
        found, is_inside[here] = raster.skin_points_at(tile, row, col, REACH_PX)
        triangle[here], barycentric[here] = found.triangle, found.barycentric
    points = tuple(one.renumbered(part) for one, part in zip(points, parts, strict=True))
    return SeamTexels(raster, edges, points, number, SkinPoints(triangle, barycentric), is_inside)
