"""Level relief made to tile: parted, cut or left alone, measured; and turned so that its lay is 0."""

from poredepth.patch.tiling.cut import overlap_cut
from poredepth.patch.tiling.measure import TileBorder, blotch_ratio, tile_border
from poredepth.patch.tiling.quality import TileQuality
from poredepth.patch.tiling.smooth import decomposition_energy, periodic_plus_smooth
from poredepth.patch.tiling.tiled import METHODS, Tiled, make_tileable
from poredepth.patch.tiling.turn import turn_lay

__all__ = [
    "METHODS",
    "TileBorder",
    "TileQuality",
    "Tiled",
    "blotch_ratio",
    "decomposition_energy",
    "make_tileable",
    "overlap_cut",
    "periodic_plus_smooth",
    "tile_border",
    "turn_lay",
]
