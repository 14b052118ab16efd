"""Rows of a map, block by block, so that a map of any size passes through bounded memory."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from poredepth.errors import MapFileError

#: Rows handled at once: 16 MiB of float32 at a width of 16384.
BLOCK_ROWS = 256
#: Rows worked out at once in float64, where a block has several channels: 6 MiB at 8192 with three.
FEW_ROWS = 32


@dataclass(frozen=True)
class RowSource:
    """Heights (mm) or other quantities that can be asked for row by row: an array, a memory map, or a function.

    ``shape`` is (rows, cols), or (rows, cols, channels) of more than one; ``array`` is None when the rows come from a
    function.
    """

    shape: tuple[int, ...]
    read: Callable[[int, int], np.ndarray]
    array: np.ndarray | None = None

    @classmethod
    def of(cls, rows, size_px: tuple[int, int], n_channels: int = 1) -> RowSource:
        """Wrap an array-like (rows, cols), or a function ``rows(first_row, end_row) -> (end - first, cols)``.

        ``size_px`` (width, height) gives the shape of a function's map; several channels are the last axis.  Raises
        MapFileError for any other shape.
        """
        if isinstance(rows, RowSource):
            return rows
        last = () if n_channels == 1 else (n_channels,)
        if callable(rows):
            return cls((size_px[1], size_px[0], *last), rows)
        array = np.asanyarray(rows)
        if array.ndim != 2 + len(last) or 0 in array.shape or array.shape[2:] != last:
            allowed = "(rows, cols)" if n_channels == 1 else f"(rows, cols, {n_channels})"
            raise MapFileError(f"height_mm: got shape {array.shape}, allowed is {allowed} with at least one texel")
        return cls(array.shape, lambda first, end: array[first:end], array)

    @property
    def size_px(self) -> tuple[int, int]:
        """Width, height."""
        return self.shape[1], self.shape[0]

    @property
    def n_channels(self) -> int:
        return self.shape[2] if len(self.shape) == 3 else 1

    def block(self, first: int, end: int) -> np.ndarray:
        """Rows ``first`` to ``end`` (not included), checked for shape."""
        found = np.asarray(self.read(first, end))
        expected = (end - first, *self.shape[1:])
        if found.shape != expected:
            raise MapFileError(f"height_mm: rows {first} to {end} came with shape {found.shape}, expected {expected}")
        return found

    def blocks(self) -> Iterator[tuple[int, np.ndarray]]:
        """(first row, block) from top to bottom."""
        for first, end in row_spans(self.shape[0]):
            yield first, self.block(first, end)


def row_spans(n_rows: int, step: int = BLOCK_ROWS) -> list[tuple[int, int]]:
    """(first, end) of each block of rows."""
    return [(first, min(first + step, n_rows)) for first in range(0, n_rows, step)]


def range_mm(source: RowSource) -> tuple[float, float]:
    """Lowest and highest height; nan if there is one (``encode`` says where)."""
    low, high = np.inf, -np.inf
    for _, block in source.blocks():
        low, high = np.minimum(low, block.min()), np.maximum(high, block.max())
    return float(low), float(high)
