"""Composed maps that are functions of place, without a recipe."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from poredepth.derived.heights import MapHeights
from poredepth.raster.texels import TileRaster
from poredepth.surface.skin import Surface


def painted_heights(
    surface: Surface,
    height: Callable[[np.ndarray], np.ndarray],
    size_px: int,
    gutter_px: int | None = None,
    elsewhere_mm: float = 0.0,
) -> MapHeights:
    """The map of a function of place, (n, 3) in mm -> mm; usual gutters; ``elsewhere_mm`` where there is no skin."""
    raster = TileRaster(surface, size_px, max(4, size_px // 128) if gutter_px is None else gutter_px)
    heights = {}
    for tile in raster.tiles:
        points = raster.skin_points(tile, raster.whole())
        ok = points.triangle >= 0
        out = np.full(len(points), elsewhere_mm, np.float32)
        out[ok] = height(surface.points_mm(points.triangle[ok], points.barycentric[ok].astype(float)))
        heights[tile] = out.reshape(size_px, size_px)
    return MapHeights(raster, heights)


def texel_values(heights: MapHeights, block: Callable) -> tuple[np.ndarray, np.ndarray]:
    """Places (n, 3), mm, of all texels that show skin, and what ``block(tile, window)`` says there (n,)."""
    raster, at, value = heights.raster, [], []
    for tile in raster.tiles:
        points = raster.skin_points(tile, raster.whole())
        ok = points.triangle >= 0
        at.append(raster.surface.points_mm(points.triangle[ok], points.barycentric[ok].astype(float)))
        value.append(block(tile, raster.whole()).ravel()[ok])
    return np.concatenate(at), np.concatenate(value)


def has_skin(heights: MapHeights, tile: int) -> np.ndarray:
    """bool (size_px, size_px): the texel shows skin, in a chart or in a gutter."""
    whole = heights.raster.whole()
    return (heights.raster.skin_points(tile, whole).triangle >= 0).reshape(whole.shape)
