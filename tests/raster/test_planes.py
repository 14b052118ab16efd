"""In which triangle's plane in UV does a texel lie?"""

from __future__ import annotations

import numpy as np
from meshes_seams import mirrored_square

from poredepth.raster.texels import TileRaster
from poredepth.raster.window import Window
from poredepth.surface.skin import surface_from_mesh


def test_in_charts_the_texels_own_triangle_in_gutters_the_one_at_the_border():
    surface = surface_from_mesh(mirrored_square(), "mm")
    raster, bare = TileRaster(surface, 300, 9), TileRaster(surface, 300, 0)
    whole = raster.whole()
    plane = raster.planes(1001, whole)
    shown, own = (r.skin_points(1001, whole).triangle.reshape(300, 300) for r in (raster, bare))
    assert np.array_equal(plane >= 0, shown >= 0)
    assert np.array_equal(plane[own >= 0], own[own >= 0])
    assert np.array_equal(bare.planes(1001, whole), own)
    # beyond the seam a gutter shows the other chart's skin, in this chart's plane
    gutter = (own < 0) & (shown >= 0)
    over = gutter & (surface.tri_chart[shown] != surface.tri_chart[plane])
    assert over.sum() > 500
    row, col = np.nonzero(gutter)
    uv = np.stack([(col + 0.5) / 300, 1 - (row + 0.5) / 300], axis=1)
    off = np.linalg.norm(uv - surface.corner_uv[plane[gutter]].mean(axis=1), axis=1) * 300
    size = np.ptp(surface.corner_uv, axis=1).max() * 300
    assert off.max() < size + 10
    window = Window(37, 120, 91, 60)
    assert np.array_equal(raster.planes(1001, window), plane[window.slices])
