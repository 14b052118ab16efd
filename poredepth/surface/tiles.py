"""UV tiles: 1001 + U + 10 V, U and V from 0 to 9."""

from __future__ import annotations

import numpy as np

TILES_ACROSS = 10

#: What reaches less far over a tile's border than this (u exactly 1, or rounded in a file) stays in its tile.
SLACK_UV = 1e-4


def tile_span(corner_uv: np.ndarray, slack_uv: float = SLACK_UV) -> tuple[np.ndarray, np.ndarray]:
    """First and last column and row of tiles that triangles lie in.

    Parameters
    ----------
    corner_uv : float64 (n, 3, 2), nan without UVs

    Returns
    -------
    low, high : int64 (n, 2), both ends included; what lies beyond the tiles counts as -1 or 10; 0 and -1 without UVs
    """
    mapped = np.isfinite(corner_uv).all(axis=(1, 2))
    uv = corner_uv[mapped]
    first = np.floor(uv.min(axis=1) + slack_uv)
    last = np.ceil(uv.max(axis=1) - slack_uv) - 1
    within = np.floor(uv.mean(axis=1))  # of a triangle that lies wholly on a border
    low, high = np.zeros((len(corner_uv), 2), np.int64), np.full((len(corner_uv), 2), -1, np.int64)
    outside = (-1, TILES_ACROSS)
    low[mapped] = np.where(last < first, within, first).clip(*outside)
    high[mapped] = np.where(last < first, within, last).clip(*outside)
    return low, high


def tile_number(column: np.ndarray, row: np.ndarray) -> np.ndarray:
    """Number of the tile in a column and row, -1 outside the tiles 1001 to 1100."""
    column, row = np.asarray(column, np.int64), np.asarray(row, np.int64)
    there = (column >= 0) & (column < TILES_ACROSS) & (row >= 0) & (row < TILES_ACROSS)
    return np.where(there, 1001 + column + TILES_ACROSS * row, -1)


def column_and_row(tile: int) -> tuple[int, int]:
    """Column U and row V of a tile."""
    return (tile - 1001) % TILES_ACROSS, (tile - 1001) // TILES_ACROSS


def tiles_touched(low: np.ndarray, high: np.ndarray) -> tuple[int, ...]:
    """Numbers of the tiles that spans (see `tile_span`) lie in, rising."""
    found: set[int] = set()
    for u0, v0, u1, v1 in np.unique(np.hstack([low, high]), axis=0).tolist():
        columns, rows = np.meshgrid(np.arange(u0, u1 + 1), np.arange(v0, v1 + 1))
        found |= set(tile_number(columns, rows).ravel().tolist())
    return tuple(sorted(found - {-1}))
