"""The heights of a composed map, as what is derived from it asks for them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from poredepth.raster.texels import TileRaster
from poredepth.raster.window import Window


@dataclass(frozen=True)
class MapHeights:
    """The heights of a composed map, tile by tile, gutters filled.

    Attributes
    ----------
    raster : the texels they stand on
    height_mm : by tile number, float32 (size_px, size_px), mm, arrays or memory maps; 0 where there is no skin
    """

    raster: TileRaster
    height_mm: Mapping[int, np.ndarray]

    def block(self, tile: int, window: Window, margin_px: int = 0) -> np.ndarray:
        """Heights of a window and ``margin_px`` texels around it, float32; 0 beyond the tile's border."""
        out = np.zeros((window.n_rows + 2 * margin_px, window.n_cols + 2 * margin_px), np.float32)
        row, col, size = window.row_px - margin_px, window.col_px - margin_px, self.raster.size_px
        r0, r1 = max(row, 0), min(row + out.shape[0], size)
        c0, c1 = max(col, 0), min(col + out.shape[1], size)
        out[r0 - row : r1 - row, c0 - col : c1 - col] = self.height_mm[tile][r0:r1, c0:c1]
        return out

    def skin(self, tile: int, window: Window) -> np.ndarray:
        """bool (rows, cols): the texel shows skin, in a chart or in a gutter."""
        return (self.raster.skin_points(tile, window).triangle >= 0).reshape(window.shape)
