"""Mip levels of a map, filtered as heights: means of the heights, worked out in one pass over the rows.

Sizes are halved and rounded down, to 1 at the end (OpenEXR, ROUND_DOWN).  Along an axis of even size a texel is the
mean of two texels of the level before.  Along one of odd size, n = 2 m + 1, it is the mean over exactly n / m texels;
those it covers in part are weighted by the part: constants stay constant, and a level has the mean of the map.
So, as long as sizes are even, level k is the mean over 2^k x 2^k texels.

Vectors (normals) are plain means as well: a mean that is shorter than 1 says how far the normals under it spread, and
setting it to length 1 would throw that away.  ``after_level`` is there for those who want it all the same.

Source: Guthe & Heckbert 2005, "Non-power-of-two mipmap creation", NVIDIA TR-01838-001 (the box filter and its weights).
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import BinaryIO

import numpy as np

from poredepth.errors import MapFileError

#: Levels 1 and up stay in memory up to this size in all: those of 8192 x 8192 heights take 85 MiB.
IN_MEMORY_BYTES = 96 << 20

#: (level, rows float64) -> rows float64: changes what is kept of a level, not what further levels are made of.
AfterLevel = Callable[[int, np.ndarray], np.ndarray]


def level_shapes(shape: tuple[int, ...]) -> list[tuple[int, ...]]:
    """Shapes of all levels of a map (rows, cols) or (rows, cols, channels), level 0 first, down to one texel."""
    rows, cols, *channels = (int(size) for size in shape)
    if rows < 1 or cols < 1:
        raise MapFileError(f"levels: got a map of shape {tuple(shape)}, allowed is at least one texel")
    shapes = [(rows, cols, *channels)]
    while rows > 1 or cols > 1:
        rows, cols = max(1, rows // 2), max(1, cols // 2)
        shapes.append((rows, cols, *channels))
    return shapes


class LevelBuilder:
    """Makes all levels while the rows of level 0 pass by, from top to bottom, in blocks of any height.

    Of level 0 nothing is kept; of each level in the making, up to two rows wait for the next.  Sums run through all
    levels in float64 and are rounded to float32 once, where a level is kept.  Blocks change no bit.

    Parameters
    ----------
    shape : of level 0, (rows, cols) or (rows, cols, channels)
    scratch_folder : folder for unnamed files that hold what is beyond ``IN_MEMORY_BYTES``; None: all in memory
    after_level : see ``AfterLevel``; asked with levels 1 and up

    Used as a context: scratch files are gone at its end.
    """

    def __init__(
        self,
        shape: tuple[int, ...],
        scratch_folder: Path | str | None = None,
        after_level: AfterLevel | None = None,
    ):
        self.shapes = level_shapes(shape)
        self._steps = [_Halving(before[0], before[1]) for before in self.shapes[:-1]]
        self._after_level = after_level
        self._n_seen = 0
        self._kept: list[_Kept] = []
        room = IN_MEMORY_BYTES
        for shape_k in reversed(self.shapes[1:]):  # the small ones first, so that they get the memory
            room -= 4 * int(np.prod(shape_k))
            self._kept.insert(0, _Kept(shape_k, None if room >= 0 else scratch_folder))

    def __enter__(self) -> LevelBuilder:
        return self

    def __exit__(self, *_) -> None:
        for kept in self._kept:
            kept.close()

    def add(self, rows: np.ndarray) -> None:
        """Take the next rows of level 0, (n, cols) or (n, cols, channels), any number type.

        Raises MapFileError when they do not fit the map.
        """
        rows = np.asarray(rows)
        self._n_seen += len(rows)
        if rows.shape[1:] != self.shapes[0][1:] or self._n_seen > self.shapes[0][0]:
            raise MapFileError(
                f"levels: rows came with shape {rows.shape}, {self._n_seen} so far, for {self.shapes[0]}"
            )
        rows = rows.astype(np.float64)
        for level, (step, kept) in enumerate(zip(self._steps, self._kept, strict=True), start=1):
            rows = step.add(rows)
            if len(rows) == 0:
                return
            kept.append(rows if self._after_level is None else self._after_level(level, rows))

    def levels(self) -> list[np.ndarray]:
        """Levels 1 and up, float32, arrays or memory maps; valid inside the context.

        Raises MapFileError when rows are missing.
        """
        if self._n_seen != self.shapes[0][0]:
            raise MapFileError(f"levels: {self._n_seen} rows came, the map has {self.shapes[0][0]}")
        return [kept.array() for kept in self._kept]


def box_levels(blocks: Iterable[np.ndarray], shape: tuple[int, ...], after_level: AfterLevel | None = None):
    """Levels 1 and up, float32 arrays, of a map given as blocks of rows from top to bottom; all in memory."""
    builder = LevelBuilder(shape, after_level=after_level)
    for block in blocks:
        builder.add(block)
    return builder.levels()


class _Halving:
    """One step from a level to the next, row by row."""

    def __init__(self, n_rows: int, n_cols: int):
        self._n_rows, self._n_cols = n_rows, n_cols
        self._next_row = 0
        self._waiting: np.ndarray | None = None

    def add(self, rows: np.ndarray) -> np.ndarray:
        """Rows of the next level that are complete now, float64; there may be none."""
        rows = _halved(rows, 1, self._n_cols, 0)
        if self._waiting is not None:
            rows = np.concatenate([self._waiting, rows])
        n_ready = len(rows) if self._n_rows == 1 else (len(rows) - self._n_rows % 2) // 2
        # an odd level's third row is also the first of the next one
        self._waiting = rows[2 * n_ready :].copy()
        out = _halved(rows, 0, self._n_rows, self._next_row, n_ready)
        self._next_row += n_ready
        return out


def _halved(rows: np.ndarray, axis: int, n_whole: int, first: int, n_out: int | None = None) -> np.ndarray:
    """Means along an axis: ``n_out`` texels from number ``first`` on, of an axis of ``n_whole`` texels in all.

    ``rows`` begins, along the axis, with texel ``2 * first`` of the level before.
    """
    if n_whole == 1:
        return rows
    rows = np.moveaxis(rows, axis, 0)
    half = n_whole // 2
    n_out = half if n_out is None else n_out
    even, odd = rows[0 : 2 * n_out : 2], rows[1 : 2 * n_out : 2]
    if n_whole % 2 == 0:
        out = even + odd
        out *= 0.5
    else:
        # texel i covers n / m = 2 + 1 / m texels from i (2 + 1 / m) on: parts 1 - i / m, 1 and (i + 1) / m of three
        i = np.arange(first, first + n_out, dtype=np.float64).reshape(-1, *[1] * (rows.ndim - 1))
        out = ((half - i) * even + half * odd + (i + 1) * rows[2 : 2 * n_out + 1 : 2]) / n_whole
    return np.moveaxis(out, 0, axis)


class _Kept:
    """A level as it grows, float32: in memory, or in an unnamed file."""

    def __init__(self, shape: tuple[int, ...], folder: Path | str | None):
        self._shape, self._n_rows = shape, 0
        # plain writes and not a writable memory map: a full disk is then an OSError instead of a killed process
        self._file: BinaryIO | None = None if folder is None else tempfile.TemporaryFile(dir=folder)  # noqa: SIM115
        self._array = np.empty(shape, np.float32) if folder is None else None

    def append(self, rows: np.ndarray) -> None:
        rows = np.ascontiguousarray(rows, np.float32)
        if self._file is None:
            self._array[self._n_rows : self._n_rows + len(rows)] = rows
        else:
            self._file.write(rows.data)
        self._n_rows += len(rows)

    def array(self) -> np.ndarray:
        if self._file is not None:
            self._file.flush()
            return np.memmap(self._file, np.float32, mode="r", shape=self._shape)
        return self._array

    def close(self) -> None:
        if self._file is not None:
            self._file.close()
