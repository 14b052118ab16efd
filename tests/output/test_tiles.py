"""Tile numbers.  Source: MaterialX specification (1001 + U + 10 V); OpenUSD UsdPreviewSurface (limits)."""

import pytest

from poredepth.errors import MapFileError
from poredepth.output import tile_file_name, tile_indices, tile_number


@pytest.mark.parametrize("u_index, v_index, tile", [(0, 0, 1001), (9, 0, 1010), (0, 1, 1011), (9, 9, 1100)])
def test_tile_numbers(u_index, v_index, tile):
    assert tile_number(u_index, v_index) == tile
    assert tile_indices(tile) == (u_index, v_index)


def test_all_hundred_tiles_are_different_and_invert():
    tiles = [tile_number(u, v) for v in range(10) for u in range(10)]
    assert tiles == list(range(1001, 1101))
    assert [tile_number(*tile_indices(tile)) for tile in tiles] == tiles


@pytest.mark.parametrize("u_index, v_index", [(10, 0), (-1, 0), (0, 10), (0, -1), (0.5, 0)])
def test_indices_outside_the_ten_by_ten_are_refused(u_index, v_index):
    with pytest.raises(MapFileError, match="allowed is 0 to 9"):
        tile_number(u_index, v_index)


@pytest.mark.parametrize("tile", [1000, 1101, 0, 1001.5])
def test_numbers_outside_the_range_are_refused(tile):
    with pytest.raises(MapFileError, match="allowed is 1001 to 1100"):
        tile_indices(tile)


def test_file_names():
    assert tile_file_name("head", 1001, "exr-float", several=False) == "head.exr"
    assert tile_file_name("head", 1012, "exr-float", several=True) == "head.1012.exr"
    assert tile_file_name("head.v2", 1001, "tiff-16", several=True) == "head.v2.1001.tif"
    assert tile_file_name("head", 1001, "png-16", several=False) == "head.png"
    with pytest.raises(MapFileError, match="exr-float, exr-half, tiff-float, tiff-16, png-16"):
        tile_file_name("head", 1001, "jpeg", several=False)
