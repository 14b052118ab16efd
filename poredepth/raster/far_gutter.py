"""A gutter up to the border of the next chart: heights for texels that have neither skin nor gutter, for mip levels.

The gutter proper goes on over the skin, some texels far.  A coarse level of a map is a mean over more texels than that,
and where the rest is 0 the mean is wrong beside every chart.  Here every further texel gets the height of the nearest
texel that has one, so charts meet half way.  It is no skin: it is there to be averaged, not to be looked at.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from poredepth.errors import MapFileError
from poredepth.raster import far_gutter_kernels as kernels
from poredepth.raster.texels import TileRaster
from poredepth.raster.window import Window, row_blocks

#: Distances (two bytes a texel) up to this size are held in memory: 34 MB at 4096 x 4096.
IN_MEMORY_BYTES = 64 << 20


def fill_far_gutter(
    raster: TileRaster,
    tile: int,
    height_mm: np.ndarray,
    n_threads: int = 2,
    scratch_folder: Path | str | None = None,
) -> int:
    """Give every texel of a tile without skin or gutter the height of the nearest one that has some, in place.

    Parameters
    ----------
    raster, tile : say which texels show skin, the gutter included; a height of 0 says nothing
    height_mm : float32 (size_px, size_px), mm, or (size_px, size_px, channels) of anything else; an array or a memory
        map.  Where there is skin or gutter it keeps every bit
    n_threads : changes no bit
    scratch_folder : where the distances of a tile beyond ``IN_MEMORY_BYTES`` lie, in a file without a name; None: in
        memory

    Returns
    -------
    Texels filled; 0 in a tile without skin, which is left as it is

    Raises
    ------
    MapFileError : the shape does not fit, or there is no room in the folder.

    Notes
    -----
    Nearest by Euclidean distance between texel centres, exact; of several the one in the lowest column, and there that
    in the lowest row.  Time is linear in the texels; which of them have skin takes most of it.
    """
    if height_mm.shape[:2] != raster.whole().shape or height_mm.ndim not in (2, 3):
        raise MapFileError(
            f"far gutter: got heights of shape {height_mm.shape}, allowed is {raster.whole().shape} of the raster"
        )
    # what all blocks share is made once, before the threads start
    raster.skin_points(tile, Window(0, 0, 1, 1))

    def has_skin(block: Window) -> np.ndarray:
        return (raster.skin_points(tile, block).triangle >= 0).reshape(block.shape)

    with ThreadPoolExecutor(n_threads) as pool:
        return fill_from_nearest(pool.map(has_skin, row_blocks(raster.whole())), height_mm, n_threads, scratch_folder)


def fill_from_nearest(
    has_skin: Iterable[np.ndarray],
    height_mm: np.ndarray,
    n_threads: int = 2,
    scratch_folder: Path | str | None = None,
) -> int:
    """As `fill_far_gutter`, with the texels that keep their height as blocks of rows, bool (n, cols), top to bottom."""
    rows, cols = height_mm.shape[:2]
    with _room((rows, cols), scratch_folder) as distance, ThreadPoolExecutor(n_threads) as pool:
        before, first, n_skin = np.full(cols, kernels.NONE), 0, 0
        for block in has_skin:
            kernels.distances_down(block, before, distance[first : first + len(block)])
            first, n_skin = first + len(block), n_skin + int(np.count_nonzero(block))
        if first != rows:
            raise MapFileError(f"far gutter: {first} rows of skin for a map of {rows}")
        if n_skin == 0:
            return 0
        _each(pool, _parts(cols, n_threads), lambda first, end: kernels.distances_up(distance, first, end))
        channels = height_mm if height_mm.ndim == 3 else height_mm[..., None]
        _each(pool, _parts(rows, 8 * n_threads), lambda first, end: kernels.fill_rows(distance, first, end, channels))
        return rows * cols - n_skin


def _parts(n: int, n_parts: int) -> list[tuple[int, int]]:
    edges = np.linspace(0, n, min(n, n_parts) + 1).astype(int).tolist()
    return list(zip(edges[:-1], edges[1:], strict=True))


def _each(pool: ThreadPoolExecutor, parts: list[tuple[int, int]], work) -> None:
    for _ in pool.map(lambda part: work(*part), parts):
        pass


@contextmanager
def _room(shape: tuple[int, int], folder: Path | str | None) -> Iterator[np.ndarray]:
    """uint16 of a shape: in memory, or in a file without a name."""
    n_bytes = 2 * shape[0] * shape[1]
    if folder is None or n_bytes <= IN_MEMORY_BYTES:
        yield np.empty(shape, np.uint16)
        return
    try:
        with tempfile.TemporaryFile(dir=folder) as scratch:
            if hasattr(os, "posix_fallocate"):
                # a full disk is then an error here, instead of a process killed while it writes to the map
                os.posix_fallocate(scratch.fileno(), 0, n_bytes)
            else:
                scratch.truncate(n_bytes)
            yield np.memmap(scratch, np.uint16, "r+", shape=shape)
    except OSError as error:
        if isinstance(error, MapFileError):
            raise
        raise MapFileError(
            f"{folder}: no room for {n_bytes} bytes ({error.strerror}); choose another folder"
        ) from error
