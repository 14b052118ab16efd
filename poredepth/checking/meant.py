"""The relief a recipe means, at points a renderer displaces; and how truly a map of its size can be read at all."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from poredepth.checking.displace_kernels import locate
from poredepth.checking.rendered import INWARD
from poredepth.pipeline import Composition
from poredepth.raster.seams import REACH_PX
from poredepth.surface.overlap_kernels import fill_cells
from poredepth.surface.points import SkinPoints
from poredepth.surface.tiles import tile_number

#: Cells of the grid in UV: about so many for each triangle.
_CELLS_PER_TRIANGLE = 2.0


@dataclass(frozen=True)
class MeantPoints:
    """Where a recipe's skin has points of UV.

    Attributes
    ----------
    skin : n points, triangle -1 where the recipe's skin has nothing
    apart_mm : float64 (n,), how far they lie from where the renderer has them; nan where there is nothing
    """

    skin: SkinPoints
    apart_mm: np.ndarray

    @property
    def found(self) -> np.ndarray:
        return self.skin.triangle >= 0


@dataclass(frozen=True)
class MeantRelief:
    """A composition asked for heights by UV, at one size of map."""

    composition: Composition
    size_px: int

    def at(self, uv: np.ndarray, near_mm: np.ndarray) -> MeantPoints:
        """Skin points at UVs float64 (n, 2); where charts overlap, those nearest to ``near_mm`` float64 (n, 3)."""
        n = len(uv)
        triangle, barycentric = np.full(n, -1, np.int32), np.zeros((n, 3))
        apart_mm = np.full(n, np.nan)
        usable, low_uv, cell_uv, n_cells, start, held = self._grid
        surface = self.composition.surface
        locate(
            np.ascontiguousarray(uv), np.ascontiguousarray(near_mm), surface.corner_uv[usable],
            surface.corner_mm[usable], low_uv, cell_uv, n_cells, start, held, triangle, barycentric, apart_mm,
        )  # fmt: skip
        triangle = np.where(triangle >= 0, usable[triangle], -1).astype(np.int32)
        barycentric = np.clip(barycentric, 0.0, None)
        barycentric /= np.maximum(barycentric.sum(axis=1, keepdims=True), 1e-30)
        return MeantPoints(SkinPoints(triangle, barycentric.astype(np.float32)), apart_mm)

    def height_mm(self, points: MeantPoints) -> np.ndarray:
        """The relief itself, float64 (n,), as filtered for texels of the map; nan where there is no skin."""
        found = points.found
        out = np.full(len(found), np.nan)
        there = SkinPoints(points.skin.triangle[found], points.skin.barycentric[found])
        out[found] = self.composition.height_mm(there, self.size_px)
        return out

    def readings_mm(self, uv: np.ndarray, toward_uv: np.ndarray, points: MeantPoints) -> tuple[np.ndarray, np.ndarray]:
        """Bilinear readings of true texels, and the relief, float64 (m,), mm, at those of n points that were found.

        The texels are made anew from the recipe, gutters included, so that readings know nothing of any file.  What
        maps add to texels along seams is left out.

        Parameters
        ----------
        uv, toward_uv : float64 (n, 2), see `rendered.RenderedMaps.height`
        """
        found, n_px = points.found, self.size_px
        own = SkinPoints(points.skin.triangle[found], points.skin.barycentric[found])
        uv = uv[found]
        column_row = np.floor(uv + INWARD * (toward_uv[found] - uv))
        x, y = ((uv - column_row) * [n_px, -n_px] + [-0.5, n_px - 0.5]).T
        col, row = np.floor(x).astype(np.int64), np.floor(y).astype(np.int64)
        read_mm = np.zeros(len(uv))
        for down, right in ((0, 0), (0, 1), (1, 0), (1, 1)):
            at = np.clip(row + down, 0, n_px - 1), np.clip(col + right, 0, n_px - 1)
            weight = np.abs(1 - down - (y - row)) * np.abs(1 - right - (x - col))
            read_mm += weight * self._texels_mm(column_row, *at, own)
        return read_mm, self.composition.height_mm(own, n_px).astype(float)

    def _texels_mm(self, column_row: np.ndarray, row: np.ndarray, col: np.ndarray, own: SkinPoints) -> np.ndarray:
        """Heights of texels (n,) as a map has them, mm; those of the points' own charts without asking the raster."""
        surface, n_px = self.composition.surface, self.size_px
        centre_uv = column_row + np.stack([(col + 0.5) / n_px, 1 - (row + 0.5) / n_px], axis=1)
        texel = self.at(centre_uv, surface.points_mm(own.triangle, own.barycentric.astype(float)))
        inside = texel.found & (surface.tri_chart[texel.skin.triangle] == surface.tri_chart[own.triangle])
        triangle, barycentric = texel.skin.triangle.copy(), texel.skin.barycentric.copy()
        tile = tile_number(column_row[:, 0], column_row[:, 1])
        raster = self.composition.raster(n_px)
        for number in np.intersect1d(tile[~inside], raster.tiles).tolist():
            here = np.flatnonzero(~inside & (tile == number))
            beyond, _ = raster.skin_points_at(number, row[here], col[here], REACH_PX)
            triangle[here], barycentric[here] = beyond.triangle, beyond.barycentric
        triangle[~np.isin(tile, raster.tiles)] = -1
        return self.composition.height_mm(SkinPoints(triangle, barycentric), n_px).astype(float)

    @cached_property
    def _grid(self):
        corner_uv = self.composition.surface.corner_uv
        usable = np.flatnonzero(np.isfinite(corner_uv).all(axis=(1, 2)))
        uv = corner_uv[usable]
        low_uv, high_uv = uv.min(axis=(0, 1)), uv.max(axis=(0, 1))
        n_cells = int(np.clip(np.sqrt(_CELLS_PER_TRIANGLE * len(usable)), 1, 2048))
        cell_uv = np.maximum((high_uv - low_uv) / n_cells, 1e-12)
        return usable, low_uv, cell_uv, n_cells, *fill_cells(uv, low_uv, cell_uv, n_cells)
