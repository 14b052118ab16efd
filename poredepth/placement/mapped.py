"""Map: a picture that is already in this mesh's UVs (a baked sculpt) as prints, one per UV tile."""

from __future__ import annotations

import numpy as np

from poredepth.placement.prints import STRONGEST_ONLY, Prints
from poredepth.surface.skin import Surface
from poredepth.surface.tiles import tile_number


def map_prints(surface: Surface, tiles: tuple[int, ...]) -> Prints:
    """One print per triangle and UV tile it lies in: the tile's picture, at the triangle's own UVs.

    Patch coordinates are UVs within the tile (0 to 1), so the pictures must be one unit wide and high.  A triangle over
    the border of two tiles or more has a print for each, and the one whose tile a point lies in is the strongest there:
    the one of the nearest tile centre, by weights linear in UV (the Voronoi cells of a square grid are its squares).

    Parameters
    ----------
    tiles : UV tile number of each picture of the layer, in order; other tiles are flat
    """
    low, high = surface.tile_span
    triangle, column_row = _tiles_of_triangles(low, high)
    number = tile_number(column_row[:, 0], column_row[:, 1])
    picture = np.full(len(triangle), -1, np.int32)
    for index, tile in enumerate(tiles):
        picture[number == tile] = index
    several = (high - low).max(axis=1) > 0
    shown = (picture >= 0) | several[triangle]
    triangle, column_row, picture = triangle[shown], column_row[shown], picture[shown]
    start = np.zeros(surface.n_triangles + 1, np.int64)
    np.cumsum(np.bincount(triangle, minlength=surface.n_triangles), out=start[1:])
    uv = surface.corner_uv[triangle]
    weight = np.ones((len(triangle), 3))
    over = several[triangle]
    weight[over] = _nearness(uv[over], column_row[over], 0.5 * (low + high + 1), triangle[over])
    return Prints(
        start=start,
        print_id=np.zeros(len(triangle), np.int32),
        picture=picture,
        corner_mm=(uv - column_row[:, None, :]).astype(np.float32),
        corner_weight=weight.astype(np.float32),
        zoom=np.ones(len(triangle), np.float32),
        pair_start=np.zeros(surface.n_triangles + 1, np.int64),
        likeness=np.empty(0, np.float32),
        sharpness=STRONGEST_ONLY,
    )


def _nearness(uv: np.ndarray, column_row: np.ndarray, middle: np.ndarray, triangle: np.ndarray) -> np.ndarray:
    """Weights at corners (n, 3), linear in UV, all above 0, the largest that of the tile a point lies in.

    Half the squared distance to the middle of a triangle's tiles less half that to the tile's own centre.
    """
    centre = column_row + 0.5 - middle[triangle]
    weight = np.einsum("nkx,nx->nk", uv - middle[triangle][:, None], centre) - 0.5 * (centre**2).sum(axis=1)[:, None]
    least = np.zeros(len(middle))
    np.minimum.at(least, triangle, weight.min(axis=1))
    return weight + (1.0 - least[triangle])[:, None]


def _tiles_of_triangles(low: np.ndarray, high: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Every pair of a triangle and a tile it lies in, by triangle: int64 (n,), and column and row (n, 2)."""
    size = np.maximum(high - low + 1, 0)
    count = size.prod(axis=1)
    triangle = np.repeat(np.arange(len(low)), count)
    within = np.arange(len(triangle)) - np.repeat(np.cumsum(count) - count, count)
    rows = size[triangle, 1]
    return triangle, low[triangle] + np.stack([within // np.maximum(rows, 1), within % np.maximum(rows, 1)], axis=1)
