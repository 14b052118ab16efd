"""A composed map as the source of a low pass: a pyramid that begins at texels fine enough for the cutoff.

The pyramid is that of `patch.levels`, of the same variances, but texels without skin have no part in any mean, its
levels begin where a low pass begins to read, and all lie beside the map: in memory, or in files where the map does.

Source: binomial filters, whose transmission is a power of a cosine and whose variances add; chosen so that level k has
a variance of exactly 4^k / 4 texels of the map, as `patch.levels` has (own derivation).
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import ndimage

from poredepth.derived.heights import MapHeights
from poredepth.errors import MapFileError
from poredepth.patch.levels import PAD, Level
from poredepth.raster.evaluate import LEVEL_COLUMNS, Pictures, level_row
from poredepth.raster.window import Window
from poredepth.surface.metric import singular_values_mm, weighted_quantiles

#: The first level has so many texels to a cutoff, or more, on nine tenths of the skin.
TEXELS_PER_CUTOFF = 8.0

#: Rows are worked on in blocks of so many texels of the finer level.
BLOCK_TEXELS = 1 << 19

#: Maps larger than this that do not lie in files themselves get their pyramid in files all the same.
IN_MEMORY_BYTES = 64 << 20

#: The pyramid stops before a side gets shorter.
LEAST_SIDE_PX = 8

_ONE_SIX_ONE = np.array([1.0, 6.0, 1.0]) / 8.0


def _binomial(n: int) -> np.ndarray:
    """Weights of n + 1 taps, of a variance of n / 4."""
    return np.array([math.comb(n, k) for k in range(n + 1)]) / 2.0**n


#: To texels twice as large: from the map itself (variance 1), from a level kept on its own texels (3 / 4), and from one
#: kept on texels half its own (3); in texels of the finer.
_FIRST, _NEXT, _KEPT_FINE = (np.convolve(_binomial(3), _ONE_SIX_ONE), _binomial(3),
                             np.convolve(_binomial(11), _ONE_SIX_ONE))  # fmt: skip
#: On the same texels: from the map itself to level 1 (1), and from a level kept on its own texels to the next (3 / 4).
_SAME_FIRST, _SAME_NEXT = _binomial(4), np.convolve(_binomial(2), _ONE_SIX_ONE)


@dataclass(frozen=True)
class _Room:
    """Where arrays are kept: in files in a folder, gone when they are dropped; or in memory."""

    folder: Path | None

    @classmethod
    def beside(cls, heights: MapHeights) -> _Room:
        """Files where the map lies in files, or is large."""
        for array in heights.height_mm.values():
            while array is not None:
                if isinstance(array, np.memmap) and array.filename is not None:
                    return cls(Path(array.filename).parent)
                array = getattr(array, "base", None)
        n_bytes = sum(array.nbytes for array in heights.height_mm.values())
        return cls(None if n_bytes <= IN_MEMORY_BYTES else Path(tempfile.gettempdir()))

    def empty(self, shape: tuple[int, ...], dtype: type) -> np.ndarray:
        if self.folder is None:
            return np.empty(shape, dtype)
        try:
            with tempfile.TemporaryFile(dir=self.folder, prefix=".poredepth-") as file:
                return np.asarray(np.memmap(file, dtype, "w+", shape=shape))
        except OSError as error:
            raise MapFileError(
                f"{self.folder}: no room for a map's pyramid ({error.strerror}); free some space there"
            ) from error


#: Gives rows of a level: heights float32 (n, cols), mm, and weights float32 (n, cols), 0 to 1.
_ReadRows = Callable[[int, int], tuple[np.ndarray, np.ndarray]]


@dataclass(frozen=True)
class _Stored:
    """A level while it is made: heights float32 (side, side), how much of each texel is known, uint8, 0 to 255."""

    height_mm: np.ndarray
    known: np.ndarray

    def rows(self, first: int, last: int) -> tuple[np.ndarray, np.ndarray]:
        return self.height_mm[first:last], self.known[first:last].astype(np.float32) / np.float32(255)


def first_level(heights: MapHeights, cutoff_mm: float) -> int:
    """How often the map's texels are doubled before a low pass by a cutoff reads them."""
    surface = heights.raster.surface
    stretch_mm = singular_values_mm(surface)[:, 0] / heights.raster.size_px
    [texel_mm] = weighted_quantiles(stretch_mm, surface.area_mm2, (0.9,))
    if not texel_mm > 0:
        return 0
    most = max(int(math.log2(max(heights.raster.size_px / LEAST_SIDE_PX, 1.0))), 0)
    return min(max(math.floor(math.log2(cutoff_mm / (TEXELS_PER_CUTOFF * texel_mm))), 0), most)


def reduced_pictures(heights: MapHeights, cutoff_mm: float, n_threads: int = 2) -> Pictures:
    """One picture for each tile of the raster, in order, one unit wide and high, for a low pass by a cutoff.

    A picture has a row for every level of `patch.levels`, so that what it is filtered by is known; rows finer than the
    first level kept are that level.
    """
    room, first = _Room.beside(heights), first_level(heights, cutoff_mm)
    size_px, tiles = heights.raster.size_px, heights.raster.tiles
    sides = _sides(size_px, first)
    shapes = [side + 2 * PAD for side in sides]
    per_tile = sum(side * side for side in shapes)
    coefficients = room.empty((len(tiles) * per_tile,), np.float32)
    rows = np.zeros((0, LEVEL_COLUMNS))
    with ThreadPoolExecutor(n_threads) as pool:
        for number, tile in enumerate(tiles):
            stored = _tile_levels(heights, tile, first, sides, room, pool.map)
            _fill_unknown(stored)
            at, levels, offsets = number * per_tile, [], []
            for k, (one, side) in enumerate(zip(stored, shapes, strict=True)):
                part = coefficients[at : at + side * side].reshape(side, side)
                _put_spline(one.height_mm, part)
                texel = 2.0 ** (first + max(k - 1, 0)) / size_px
                levels.append(Level(part, side - 2 * PAD, side - 2 * PAD, texel, texel, _variance_px2(first + k)))
                offsets.append(at)
                at += side * side
            rows = np.vstack([rows, _level_rows(levels, offsets, first, 1.0 / size_px)])
    n_levels = first + len(sides)
    first_row = (np.arange(len(tiles) + 1) * n_levels).astype(np.int32)
    return Pictures(first_row, rows, coefficients, np.zeros(len(tiles), np.float32))


def _variance_px2(k: int) -> float:
    return 0.25 * 4.0**k if k > 0 else 0.0


def _sides(size_px: int, first: int) -> list[int]:
    """Texels a side of the levels kept: the first on its own texels, all others on texels half their own."""
    side = size_px
    for _ in range(first):
        side = -(-side // 2)
    sides = [side, side]
    while sides[-1] > LEAST_SIDE_PX:
        sides.append(-(-sides[-1] // 2))
    return sides


def _level_rows(levels: list[Level], offsets: list[int], first: int, texel_uv: float) -> np.ndarray:
    """Rows of `Pictures.levels`, float64 (n, 13); rows of levels that are not kept show the first that is."""
    finer = [
        Level(levels[0].coefficients, levels[0].rows, levels[0].cols, levels[0].texel_x_mm, levels[0].texel_y_mm,
              _variance_px2(k))
        for k in range(first)
    ]  # fmt: skip
    every, at = [*finer, *levels], [offsets[0]] * first + offsets
    return np.array(
        [
            level_row(one, coarser, offset, texel_uv, False)
            for one, coarser, offset in zip(every, [*every[1:], None], at, strict=True)
        ],
        float,
    )


def _tile_levels(heights: MapHeights, tile: int, first: int, sides: list[int], room: _Room, run) -> list[_Stored]:
    size_px = heights.raster.size_px
    heights.raster.skin_points(tile, Window(0, 0, 1, 1))  # what all blocks share is made before they start

    def map_rows(start: int, stop: int) -> tuple[np.ndarray, np.ndarray]:
        window = Window(start, 0, stop - start, size_px)
        skin = heights.raster.skin_points(tile, window).triangle >= 0
        return heights.height_mm[tile][start:stop], skin.reshape(window.shape).astype(np.float32)

    if first == 0:
        base = _filtered(map_rows, size_px, np.ones(1), 1, room, run)
    else:
        base = _filtered(map_rows, size_px, _FIRST, 2, room, run)
        for _ in range(first - 1):
            base = _filtered(base.rows, len(base.known), _NEXT, 2, room, run)
    same = _SAME_FIRST if first == 0 else _SAME_NEXT
    out = [base, _filtered(base.rows, len(base.known), same, 1, room, run)]
    for _ in sides[2:]:
        out.append(_filtered(out[-1].rows, len(out[-1].known), _KEPT_FINE, 2, room, run))
    return out


def _filtered(read: _ReadRows, side: int, kernel: np.ndarray, stride: int, room: _Room, run) -> _Stored:
    """Filter a level and keep every texel, or one of two, so that the lower left corners agree.

    Means are over what is known alone; a texel is the less known the less of its mean is.
    """
    n = -(-side // stride)
    over_top, before = stride * n - side, (len(kernel) - stride) // 2
    out = _Stored(room.empty((n, n), np.float32), room.empty((n, n), np.uint8))
    taps = kernel.astype(np.float32)

    def fill(start: int) -> None:
        stop = min(start + rows, n)
        # rows of the finer level as they are counted from the top of whole pairs, so `over_top` of them are not there
        low = start * stride - before - over_top
        need = (stop - start - 1) * stride + len(kernel)
        first, last = max(low, 0), min(low + need, side)
        total, weight = np.zeros((2, need, (n - 1) * stride + len(kernel)), np.float32)
        height_mm, known = read(first, last)
        here = slice(first - low, last - low), slice(before, before + side)
        weight[here] = known
        total[here] = height_mm * known
        total, weight = (_fewer_columns(_fewer_rows(a, taps, stride), taps, stride) for a in (total, weight))
        out.height_mm[start:stop] = np.divide(total, weight, out=np.zeros_like(total), where=weight > 0)
        # what is known a little stays known
        out.known[start:stop] = np.ceil(np.clip(weight, 0, 1) * np.float32(254.999))

    rows = max(BLOCK_TEXELS // (side * stride), 1)
    for _ in run(fill, range(0, n, rows)):
        pass
    return out


def _fewer_rows(a: np.ndarray, taps: np.ndarray, stride: int) -> np.ndarray:
    n = (len(a) - len(taps)) // stride + 1
    out = taps[0] * a[: (n - 1) * stride + 1 : stride]
    for j in range(1, len(taps)):
        out += taps[j] * a[j : j + (n - 1) * stride + 1 : stride]
    return out


def _fewer_columns(a: np.ndarray, taps: np.ndarray, stride: int) -> np.ndarray:
    n = (a.shape[1] - len(taps)) // stride + 1
    out = taps[0] * a[:, : (n - 1) * stride + 1 : stride]
    for j in range(1, len(taps)):
        out += taps[j] * a[:, j : j + (n - 1) * stride + 1 : stride]
    return out


def _fill_unknown(levels: list[_Stored]) -> None:
    """Give texels that know nothing the next level's, coarse to fine: splines must not see a step beside charts."""
    for fine, coarse in zip(levels[-2::-1], levels[:0:-1], strict=True):
        side, stride = len(fine.known), 1 if len(fine.known) == len(coarse.known) else 2
        over_top = stride * len(coarse.known) - side
        column = np.arange(side) // stride
        rows = max(BLOCK_TEXELS // side, 1)
        for start in range(0, side, rows):
            here = slice(start, min(start + rows, side))
            lost = fine.known[here] == 0
            if lost.any():
                row = (np.arange(here.start, here.stop) + over_top) // stride
                fine.height_mm[here][lost] = coarse.height_mm[row][:, column][lost]


def _put_spline(height_mm: np.ndarray, out: np.ndarray) -> None:
    """Cubic B-spline coefficients of a level with their margin, into ``out`` (side + 2 PAD, side + 2 PAD)."""
    inner = out[PAD:-PAD, PAD:-PAD]
    ndimage.spline_filter1d(height_mm, order=3, axis=0, output=inner, mode="mirror")
    ndimage.spline_filter1d(inner, order=3, axis=1, output=inner, mode="mirror")
    # as numpy's "reflect": the edge texel is not repeated
    for k in range(PAD):
        out[PAD - 1 - k, PAD:-PAD], out[-PAD + k, PAD:-PAD] = out[PAD + 1 + k, PAD:-PAD], out[-PAD - 2 - k, PAD:-PAD]
    for k in range(PAD):
        out[:, PAD - 1 - k], out[:, -PAD + k] = out[:, PAD + 1 + k], out[:, -PAD - 2 - k]
