"""Mip levels of a file beside each other: each must be the mean of the one before."""

from __future__ import annotations

import numpy as np

from poredepth.checking.reader import OpenedMap

#: A level of odd size is worked out whole, if it has no more texels than this; a larger one is left out.
MOST_WHOLE_TEXELS = 2048**2
#: Steps of the largest value that rounding each level on its own may make.
ROUNDING_STEPS = 4


def level_findings(opened: OpenedMap) -> list[tuple[str, tuple[int, int]]]:
    """What is wrong with the levels of a file: a sentence, and row and column of the worst texel in level 0.

    Own formula, not the writer's: means of the values as they stand in the file.  They are linear in the heights, so
    means of values are means of heights; a half file may differ by its rounding.
    """
    if opened.level is None or not opened.n_levels:
        return []
    found = []
    for level in range(1, opened.n_levels):
        wrong = _worst(opened, level)
        if wrong is not None:
            off, allowed, (row, col) = wrong
            text = (
                f"mip level {level} is not the mean of level {level - 1}: a value is off by {off:.3g}, where rounding "
                f"allows {allowed:.2g}"
            )
            found.append((text, (row << level, col << level)))
    return found


def _worst(opened: OpenedMap, level: int) -> tuple[float, float, tuple[int, int]] | None:
    """Largest difference beyond rounding, what rounding allows, and its row and column; None: there is none."""
    meant, largest = _meant(opened, level)
    if meant is None:
        return None
    stored = _whole(opened, level)
    off = np.abs(stored.astype(np.float64) - meant)
    allowed = ROUNDING_STEPS * float(np.spacing(stored.dtype.type(max(largest, float(np.finfo(stored.dtype).tiny)))))
    row, col, _ = np.unravel_index(int(np.argmax(off)), off.shape)
    return None if off.max() <= allowed else (float(off.max()), allowed, (int(row), int(col)))


def _whole(opened: OpenedMap, level: int) -> np.ndarray:
    return np.concatenate([values for _, values in opened.level(level)])


def _meant(opened: OpenedMap, level: int) -> tuple[np.ndarray | None, float]:
    """Means of the level before, float64 (rows, cols, channels), None if it is too large; and its largest value."""
    n_rows, n_cols = (max(1, size >> (level - 1)) for size in opened.shape)
    if n_rows % 2 == 0 and n_cols % 2 == 0:
        means, largest = [], 0.0
        for values in _in_pairs(opened, level - 1):
            means.append(values.reshape(len(values) // 2, 2, n_cols // 2, 2, -1).mean(axis=(1, 3), dtype=np.float64))
            largest = max(largest, float(np.abs(values).max()))
        return np.concatenate(means), largest
    if n_rows * n_cols > MOST_WHOLE_TEXELS:
        return None, 0.0
    values = _whole(opened, level - 1).astype(np.float64)
    return _fewer(_fewer(values, 0), 1), float(np.abs(values).max())


def _in_pairs(opened: OpenedMap, level: int):
    """Blocks of an even number of rows."""
    rest = None
    for _, values in opened.level(level):
        values = values if rest is None else np.concatenate([rest, values])
        even = len(values) // 2 * 2
        rest = values[even:] if even < len(values) else None
        if even:
            yield values[:even]


def _fewer(values: np.ndarray, axis: int) -> np.ndarray:
    """Means over n / (n // 2) texels along an axis, parts of texels by their share: differences of the running sum."""
    size = values.shape[axis]
    if size == 1:
        return values
    kept = size // 2
    sums = np.insert(np.cumsum(values, axis=axis), 0, 0.0, axis=axis)
    at = np.arange(kept + 1) * size / kept
    low = np.minimum(at.astype(int), size - 1)
    share = (at - low).reshape([-1 if k == axis else 1 for k in range(values.ndim)])
    there = np.take(sums, low, axis=axis) * (1 - share) + np.take(sums, low + 1, axis=axis) * share
    return np.diff(there, axis=axis) * kept / size
