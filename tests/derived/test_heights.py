from __future__ import annotations

import numpy as np
import pytest
from meshes import flat_surface, two_charts_mesh
from relief_maps import map_of

from poredepth.derived.heights import MapHeights
from poredepth.errors import MapFileError
from poredepth.raster.texels import TileRaster
from poredepth.raster.window import Window
from poredepth.surface.skin import surface_from_mesh


def test_blocks_with_a_margin_repeat_the_tiles_edge():
    heights = map_of(surface_from_mesh(two_charts_mesh(), "mm"), lambda p: p[:, 0], 64)
    whole = heights.height_mm[1001]
    assert np.array_equal(heights.block(1001, heights.raster.whole()), whole)
    assert np.array_equal(heights.block(1001, Window(10, 20, 5, 6), 3), whole[7:18, 17:29])
    assert np.array_equal(heights.block(1001, heights.raster.whole(), 3), np.pad(whole, 3, mode="edge"))
    corner = heights.block(1001, Window(62, 0, 2, 2), 2)
    assert np.array_equal(corner, np.pad(whole, 2, mode="edge")[62:68, :6])


def test_heights_may_lie_in_a_file(tmp_path):
    inner = map_of(flat_surface(40, 40, 2), lambda p: p[:, 0], 32)
    file = np.memmap(tmp_path / "heights", np.float32, "w+", shape=(32, 32))
    file[:] = inner.height_mm[1001]
    heights = MapHeights(inner.raster, {1001: file})
    assert np.array_equal(heights.block(1001, Window(4, 4, 8, 8), 2), inner.block(1001, Window(4, 4, 8, 8), 2))


def test_places_are_skin_points_inside_and_the_borders_plane_beyond():
    surface = surface_from_mesh(two_charts_mesh(), "mm")
    heights = map_of(surface, lambda p: p[:, 0], 128, 4)
    whole = heights.raster.whole()
    places = heights.places(1001, whole)
    skin = heights.skin(1001, whole)
    assert np.array_equal(places.skin.triangle, skin.triangle)
    assert np.array_equal(places.skin.barycentric, skin.barycentric)
    inside = (TileRaster(surface, 128, 0).skin_points(1001, whole).triangle >= 0).reshape(128, 128)
    assert np.array_equal(places.triangle[inside], skin.triangle.reshape(128, 128)[inside])
    assert np.array_equal(places.barycentric[inside], skin.barycentric.reshape(128, 128, 3)[inside])
    beyond = (places.triangle >= 0) & ~inside & ~places.is_held
    assert beyond.sum() > 100 and (places.is_held & ~inside).sum() > 100 and not (places.is_held & inside).any()
    # on flat skin the plane beyond the border is the skin itself
    at = np.einsum("nk,nkx->nx", places.barycentric[beyond].astype(float), surface.corner_mm[places.triangle[beyond]])
    there = surface.points_mm(skin.triangle, skin.barycentric.astype(float)).reshape(128, 128, 3)[beyond]
    assert at == pytest.approx(there, abs=1e-4)
    # and the place is the texel's, in the chart it lies beside
    uv = np.einsum("nk,nkx->nx", places.barycentric[beyond].astype(float), surface.corner_uv[places.triangle[beyond]])
    row, col = np.nonzero(beyond)
    assert uv == pytest.approx(np.column_stack([(col + 0.5) / 128, 1 - (row + 0.5) / 128]), abs=1e-6)
    padded = heights.places(1001, Window(0, 0, 4, 4), 2)
    assert (padded.triangle[:2] == -1).all() and (padded.triangle[:, :2] == -1).all()
    assert np.array_equal(padded.triangle[2:, 2:], places.triangle[:6, :6])


def test_heights_of_another_size_or_tile_are_refused():
    raster = TileRaster(flat_surface(40, 40, 2), 32, 2)
    with pytest.raises(MapFileError, match=r"heights of tile 1001: found \(16, 16\); allowed: \(32, 32\)"):
        MapHeights(raster, {1001: np.zeros((16, 16), np.float32)})
    with pytest.raises(MapFileError, match=r"found tiles 1001; asked for 1002"):
        MapHeights(raster, {1001: np.zeros((32, 32), np.float32)}).block(1002, Window(0, 0, 4, 4))
