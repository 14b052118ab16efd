"""Windows of texels, and the blocks a map is made in."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

#: Texels in one block: large enough for the kernels, small enough for the memory target.
BLOCK_TEXELS = 1 << 19


@dataclass(frozen=True, slots=True)
class Window:
    """Rows and columns of one UV tile: [row_px, row_px + n_rows) x [col_px, col_px + n_cols)."""

    row_px: int
    col_px: int
    n_rows: int
    n_cols: int

    @property
    def shape(self) -> tuple[int, int]:
        return self.n_rows, self.n_cols

    @property
    def slices(self) -> tuple[slice, slice]:
        return slice(self.row_px, self.row_px + self.n_rows), slice(self.col_px, self.col_px + self.n_cols)


def row_blocks(window: Window, max_texels: int = BLOCK_TEXELS) -> Iterator[Window]:
    """Cut a window into blocks of whole rows, top to bottom."""
    rows = max(1, max_texels // max(window.n_cols, 1))
    for row in range(window.row_px, window.row_px + window.n_rows, rows):
        yield Window(row, window.col_px, min(rows, window.row_px + window.n_rows - row), window.n_cols)
