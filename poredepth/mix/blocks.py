"""Maps block by block: blocks know nothing of each other, so order, size and threads change no bit."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Literal

import numpy as np

from poredepth.mix.combine import Sampling, bands_mm, contributions_mm, mixed_height_mm
from poredepth.mix.layers import CompiledLayer, LayingGround
from poredepth.mix.seams import SeamCorrection
from poredepth.raster.texels import TileRaster
from poredepth.raster.window import BLOCK_TEXELS, Window, row_blocks

OnBlock = Callable[[int, int], None]

#: What a map can be taken apart into.
Parts = Literal["layers", "bands"]


@dataclass(frozen=True)
class Blocking:
    """How the work is cut; it changes no bit of the result."""

    n_threads: int = 2
    block_texels: int = BLOCK_TEXELS


TWO_THREADS = Blocking()


def window_height_mm(
    layers: Sequence[CompiledLayer],
    ground: LayingGround,
    raster: TileRaster,
    tile: int,
    window: Window,
    correction: SeamCorrection | None = None,
) -> np.ndarray:
    """Heights of one window, float32 (rows, cols), mm: bit for bit the crop of the whole map."""
    sampling = Sampling(raster.footprint, raster.size_px)
    height_mm = mixed_height_mm(layers, ground, sampling, raster.skin_points(tile, window)).reshape(window.shape)
    if correction is not None:
        correction.add_to(tile, window, height_mm)
    return height_mm


def fill_tile(  # noqa: PLR0913  (what, where to, and how the work is cut)
    layers: Sequence[CompiledLayer],
    ground: LayingGround,
    raster: TileRaster,
    tile: int,
    out: np.ndarray,
    blocking: Blocking = TWO_THREADS,
    on_block: OnBlock | None = None,
    correction: SeamCorrection | None = None,
) -> None:
    """Fill ``out`` (float32 (size_px, size_px), mm; an array or a memory map) with a tile's heights."""

    def fill(block: Window) -> None:
        out[block.slices] = window_height_mm(layers, ground, raster, tile, block, correction)

    _each_block(raster, tile, fill, blocking, on_block)


def fill_parts(  # noqa: PLR0913  (what, where to, and how the work is cut)
    layers: Sequence[CompiledLayer],
    ground: LayingGround,
    raster: TileRaster,
    tile: int,
    by: Parts,
    out: Mapping[str, np.ndarray],
    blocking: Blocking = TWO_THREADS,
    on_block: OnBlock | None = None,
) -> None:
    """Fill ``out``, by name of layer or band (see `fill_tile`), with what each brings to a tile's heights."""
    sampling = Sampling(raster.footprint, raster.size_px)
    parts_mm = {"layers": contributions_mm, "bands": bands_mm}[by]

    def fill(block: Window) -> None:
        for name, height_mm in parts_mm(layers, ground, sampling, raster.skin_points(tile, block)):
            out[name][block.slices] = height_mm.reshape(block.shape)

    _each_block(raster, tile, fill, blocking, on_block)


def _each_block(
    raster: TileRaster, tile: int, fill: Callable[[Window], None], blocking: Blocking, on_block: OnBlock | None
) -> None:
    blocks = list(row_blocks(raster.whole(), blocking.block_texels))
    raster.skin_points(tile, Window(0, 0, 1, 1))  # what all blocks share is made once, before the threads start
    with ThreadPoolExecutor(blocking.n_threads) as pool:
        for done, _ in enumerate(pool.map(fill, blocks), start=1):
            if on_block is not None:
                on_block(done, len(blocks))
