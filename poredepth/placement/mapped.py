"""Map: a picture that is already in this mesh's UVs (a baked sculpt) as prints, one per UV tile."""

from __future__ import annotations

import numpy as np

from poredepth.placement.prints import Prints
from poredepth.surface.skin import Surface


def map_prints(surface: Surface, tiles: tuple[int, ...]) -> Prints:
    """One print per triangle: the picture of the triangle's own UV tile, at the triangle's own UVs.

    Patch coordinates are UVs within the tile (0 to 1), so the pictures must be one unit wide and high.

    Parameters
    ----------
    tiles : UV tile number of each picture of the layer, in order; triangles in other tiles get no print
    """
    uv = surface.corner_uv
    tile_uv = np.floor(np.where(surface.has_uv[:, None], uv.mean(axis=1), -1.0)).astype(np.int64)
    number = np.where(surface.has_uv, 1001 + tile_uv[:, 0] + 10 * tile_uv[:, 1], -1)
    picture = np.full(surface.n_triangles, -1, np.int32)
    for index, tile in enumerate(tiles):
        picture[number == tile] = index
    shown = picture >= 0
    start = np.zeros(surface.n_triangles + 1, np.int64)
    np.cumsum(shown, out=start[1:])
    n_rows = int(shown.sum())
    return Prints(
        start=start,
        print_id=np.zeros(n_rows, np.int32),
        picture=picture[shown],
        corner_mm=(uv[shown] - tile_uv[shown, None, :]).astype(np.float32),
        corner_weight=np.ones((n_rows, 3), np.float32),
        zoom=np.ones(n_rows, np.float32),
        pair_start=np.zeros(surface.n_triangles + 1, np.int64),
        likeness=np.empty(0, np.float32),
    )
