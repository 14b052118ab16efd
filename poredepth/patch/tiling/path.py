"""The path of least cost through a strip, from end to end or round a loop."""

from __future__ import annotations

import numpy as np


def least_cost_path(cost: np.ndarray, closed: bool, margin: int = 0) -> np.ndarray:
    """Column for each row, int64 (rows,), with steps of at most one, whose costs sum to the least.

    Parameters
    ----------
    cost : float (rows, width)
    closed : whether the last row's column must be beside the first row's
    margin : columns at either side that are left alone, as far as there are others

    Notes
    -----
    Dynamic programming.  A closed path goes through the column that an open one, twice round, has halfway; the least
    of all closed ones may cost a little less.
    """
    margin = min(margin, (cost.shape[1] - 1) // 2)
    inner = cost[:, margin : cost.shape[1] - margin]
    if not closed:
        return _open_path(inner, None) + margin
    half = len(inner) // 2
    halfway = np.concatenate([inner[half:], inner, inner[:half]])
    pinned = int(_open_path(halfway, None)[len(inner) - half])
    return _open_path(np.concatenate([inner, inner[:1]]), pinned)[:-1] + margin


def _open_path(cost: np.ndarray, ends: int | None) -> np.ndarray:
    """Path from the first to the last row; through column ``ends`` in both, if given."""
    total = cost.astype(np.float64)
    if ends is not None:
        total[0] = np.where(np.arange(cost.shape[1]) == ends, total[0], np.inf)
    for above, here in zip(total[:-1], total[1:], strict=True):
        least = above.copy()
        np.minimum(least[1:], above[:-1], out=least[1:])
        np.minimum(least[:-1], above[1:], out=least[:-1])
        here += least
    path = np.empty(len(cost), np.int64)
    path[-1] = col = int(total[-1].argmin()) if ends is None else ends
    for row in range(len(cost) - 2, -1, -1):
        near = total[row, max(col - 1, 0) : col + 2]
        if near.min() < total[row, col]:  # else straight on
            col = max(col - 1, 0) + int(near.argmin())
        path[row] = col
    return path
