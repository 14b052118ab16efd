"""`MapHeights`: the composed heights of all tiles, with the skin they lie on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from poredepth.derived.frames import TangentFrames, tangent_frames
from poredepth.errors import MapFileError
from poredepth.raster.texels import ChartPlaces, TileRaster
from poredepth.raster.window import Window
from poredepth.surface.metric import mm_per_uv
from poredepth.surface.points import SkinPoints
from poredepth.surface.skin import Surface


@dataclass(frozen=True)
class MapHeights:
    """Heights of every tile of a raster.

    Attributes
    ----------
    raster : which skin point is each texel
    height_mm : by tile, float32 (size_px, size_px), arrays or memory maps, gutter filled, mm, + is outward
    base : the surface before it was split, whose tangent frames are meant (see `tangent_frames`); None: the raster's

    Raises
    ------
    MapFileError : a map that is not of the raster's size
    """

    raster: TileRaster
    height_mm: Mapping[int, np.ndarray]
    base: Surface | None = None

    def __post_init__(self) -> None:
        size = self.raster.size_px
        for tile, one in self.height_mm.items():
            if np.shape(one) != (size, size):
                raise MapFileError(
                    f"heights of tile {tile}: found {np.shape(one)}; allowed: ({size}, {size}), the raster's size; "
                    "take the raster of the size that was composed"
                )

    def block(self, tile: int, window: Window, margin_px: int = 0) -> np.ndarray:
        """Heights of a window and a margin around it, float32 (rows + 2 margin, cols + 2 margin), mm.

        Beyond the tile its outermost texels are repeated.
        """
        inner, pad = _clipped(window, margin_px, self.raster.size_px)
        found = np.asarray(self._of(tile)[inner.slices], np.float32)
        return np.pad(found, pad, mode="edge") if any(map(any, pad)) else found

    def skin(self, tile: int, window: Window) -> SkinPoints:
        """Skin points of a window's texels, row by row."""
        return self.raster.skin_points(tile, window)

    def places(self, tile: int, window: Window, margin_px: int = 0) -> ChartPlaces:
        """Places of the texels of a window and a margin around it in their charts; none beyond the tile."""
        inner, pad = _clipped(window, margin_px, self.raster.size_px)
        found = self.raster.chart_places(tile, inner)
        if not any(map(any, pad)):
            return found
        skin, shape = found.skin, inner.shape
        return ChartPlaces(
            np.pad(found.triangle, pad, constant_values=-1),
            np.pad(found.barycentric, (*pad, (0, 0))),
            np.pad(found.is_held, pad),
            SkinPoints(
                np.pad(skin.triangle.reshape(shape), pad, constant_values=-1).ravel(),
                np.pad(skin.barycentric.reshape(*shape, 3), (*pad, (0, 0))).reshape(-1, 3),
            ),
        )

    @cached_property
    def frames(self) -> TangentFrames:
        """Tangent frames of the skin."""
        return tangent_frames(self.raster, self.base)

    @cached_property
    def flattening(self) -> tuple[np.ndarray, ...]:
        """What kernels need to lay neighbouring triangles flat beside each other (see `kernels.gradients`)."""
        surface = self.raster.surface
        return (
            np.nan_to_num(mm_per_uv(surface)),
            np.nan_to_num(np.ascontiguousarray(surface.corner_uv[:, 0])),
            surface.flat_mm,
            surface.frame,
            np.ascontiguousarray(surface.corner_mm[:, 0]),
            surface.adjacency.triangle,
            surface.adjacency.edge,
            surface.tri_chart,
            self.frames.base_triangle,
        )

    def _of(self, tile: int) -> np.ndarray:
        if tile not in self.height_mm:
            found = ", ".join(map(str, self.height_mm)) or "none"
            raise MapFileError(f"heights: found tiles {found}; asked for {tile}; pass the heights of every tile")
        return self.height_mm[tile]


def _clipped(window: Window, margin_px: int, size_px: int) -> tuple[Window, tuple[tuple[int, int], tuple[int, int]]]:
    """A window with its margin inside the tile, and what is missing of it above and below, left and right."""
    row0, col0 = window.row_px - margin_px, window.col_px - margin_px
    row1, col1 = window.row_px + window.n_rows + margin_px, window.col_px + window.n_cols + margin_px
    top, left, bottom, right = max(row0, 0), max(col0, 0), min(row1, size_px), min(col1, size_px)
    return Window(top, left, bottom - top, right - left), ((top - row0, row1 - bottom), (left - col0, col1 - right))
