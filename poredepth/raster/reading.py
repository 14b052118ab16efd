"""Reading maps as a renderer does: bilinearly, texel centres at +0.5, each tile a picture of its own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from poredepth.raster.texels import TileRaster

#: Shares of the way to a triangle's middle: a point on the border of two tiles is read in the tile its triangle is in.
_INWARD = 1e-7


@dataclass(frozen=True)
class Reading:
    """What points read: four texels each, with bilinear weights.

    Attributes
    ----------
    texel : int64 (..., 4), tile's place in ``TileRaster.tiles`` x size_px^2 + row x size_px + column; -1 where the
        point lies in no tile
    weight : float64 (..., 4), sum 1; 0 where the point lies in no tile
    """

    texel: np.ndarray
    weight: np.ndarray

    @property
    def in_tile(self) -> np.ndarray:
        return self.texel[..., 0] >= 0

    def of(self, height_mm: np.ndarray) -> np.ndarray:
        """Read heights given as one array (n,) that texel numbers point into; float64, 0 in no tile."""
        return (height_mm[self.texel] * self.weight).sum(axis=-1)


def bilinear(raster: TileRaster, uv: np.ndarray, triangle: np.ndarray) -> Reading:
    """Which texels are read at UVs (..., 2) of points of triangles (...).

    Beyond the border of a tile its outermost texels are read again.
    """
    inward = uv + _INWARD * (raster.surface.corner_uv[triangle].mean(axis=-2) - uv)
    column_row = np.floor(inward).astype(np.int64)
    inside = (column_row >= 0).all(axis=-1) & (column_row <= 9).all(axis=-1)
    number = np.where(inside, 1001 + column_row[..., 0] + 10 * column_row[..., 1], 0)
    place = np.full(1101, -1)
    place[list(raster.tiles)] = np.arange(len(raster.tiles))
    place = place[number]
    n = raster.size_px
    local = uv - column_row
    x, y = local[..., 0] * n - 0.5, (1.0 - local[..., 1]) * n - 0.5
    col, row = np.floor(x).astype(np.int64), np.floor(y).astype(np.int64)
    fx, fy = x - col, y - row
    cols = np.clip(np.stack([col, col + 1, col, col + 1], axis=-1), 0, n - 1)
    rows = np.clip(np.stack([row, row, row + 1, row + 1], axis=-1), 0, n - 1)
    weight = np.stack([(1 - fx) * (1 - fy), fx * (1 - fy), (1 - fx) * fy, fx * fy], axis=-1)
    found = place[..., None] >= 0
    return Reading(np.where(found, (place[..., None] * n + rows) * n + cols, -1), np.where(found, weight, 0.0))


def read_maps(raster: TileRaster, heights_mm: Mapping[int, np.ndarray], texel: np.ndarray) -> np.ndarray:
    """Heights float32 (n,) of texels, by number (see `Reading`), from maps by tile; a tile that is not there is 0."""
    out = np.zeros(texel.shape, np.float32)
    for tile, here, row, col in by_tile(raster, texel):
        if tile in heights_mm:
            out[here] = heights_mm[tile][row, col]
    return out


def by_tile(raster: TileRaster, texel: np.ndarray):
    """Texel numbers (n,) tile by tile: tile number, which of them (int64), their rows and columns."""
    area = raster.size_px**2
    place, within = np.divmod(texel, area)
    for k, tile in enumerate(raster.tiles):
        here = np.flatnonzero(place == k)
        row, col = np.divmod(within[here], raster.size_px)
        yield tile, here, row, col
