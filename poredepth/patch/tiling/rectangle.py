"""The largest upright rectangle in a mask."""

from __future__ import annotations

import numpy as np

#: Cells a side that a mask is looked at in: own choice, 0.2 % of the side.
_MOST_CELLS = 512


def largest_filled(mask: np.ndarray) -> tuple[slice, slice]:
    """Rows and columns of the largest upright rectangle that holds True only; both empty if there is none.

    Large masks are looked at in cells of several texels, which count where all of them are True.
    """
    cell = -(-max(mask.shape) // _MOST_CELLS)
    rows, cols = mask.shape[0] // cell, mask.shape[1] // cell
    filled = mask[: rows * cell, : cols * cell].reshape(rows, cell, cols, cell).all(axis=(1, 3))
    high = np.zeros(cols, np.int64)
    best, found = 0, (0, 0, 0, 0)
    for row in range(rows):
        high = np.where(filled[row], high + 1, 0)
        area, left, right, tall = _under_skyline(high)
        if area > best:
            best, found = area, (row + 1 - tall, row + 1, left, right)
    top, bottom, left, right = (cell * side for side in found)
    return slice(top, bottom), slice(left, right)


def _under_skyline(high: np.ndarray) -> tuple[int, int, int, int]:
    """Area, left, right and height of the largest rectangle under a skyline (a stack of rising sides)."""
    best = (0, 0, 0, 0)
    stack: list[tuple[int, int]] = []  # where a side begins, its height
    for at, now in enumerate([*high.tolist(), 0]):
        begin = at
        while stack and stack[-1][1] >= now:
            begin, tall = stack.pop()
            if tall * (at - begin) > best[0]:
                best = (tall * (at - begin), begin, at, tall)
        stack.append((begin, now))
    return best
