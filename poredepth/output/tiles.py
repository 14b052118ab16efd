"""Tile numbers and file names of a tile set.

Source: MaterialX specification, "Filename Substitutions" (1001 + U + 10 V); OpenUSD, UsdPreviewSurface specification
(at most ten tiles in U, tiles 1001 to 1100).
"""

from __future__ import annotations

from poredepth.errors import MapFileError
from poredepth.output.formats import EXTENSION

FIRST_TILE = 1001
TILES_PER_ROW = 10


def tile_number(u_index: int, v_index: int) -> int:
    """Number of the tile that holds u in [u_index, u_index + 1) and v likewise; raises MapFileError outside 0 to 9."""
    for name, found in (("u_index", u_index), ("v_index", v_index)):
        if not 0 <= found < TILES_PER_ROW or found != int(found):
            raise MapFileError(
                f"{name}: got {found!r}, allowed is 0 to 9 (tiles 1001 to 1100); move the UVs into that range"
            )
    return FIRST_TILE + int(u_index) + TILES_PER_ROW * int(v_index)


def tile_indices(tile: int) -> tuple[int, int]:
    """(u_index, v_index) of a tile number; raises MapFileError outside 1001 to 1100."""
    if tile != int(tile) or not 0 <= tile - FIRST_TILE < TILES_PER_ROW**2:
        raise MapFileError(f"tile: got {tile!r}, allowed is 1001 to 1100")
    v_index, u_index = divmod(int(tile) - FIRST_TILE, TILES_PER_ROW)
    return u_index, v_index


def tile_file_name(stem: str, tile: int, format: str, several: bool) -> str:
    """'stem.1001.exr' in a set of several tiles, 'stem.exr' for a single one; raises MapFileError on a bad tile."""
    tile_indices(tile)
    if format not in EXTENSION:
        raise MapFileError(f"format: got {format!r}, allowed is one of {', '.join(EXTENSION)}")
    return f"{stem}.{tile}{EXTENSION[format]}" if several else f"{stem}{EXTENSION[format]}"
