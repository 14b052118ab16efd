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
    rows, width = cost.shape
    step = np.zeros((rows, width), np.int8)
    total = cost[0].astype(np.float64)
    if ends is not None:
        total = np.where(np.arange(width) == ends, total, np.inf)
    beside = np.full((3, width), np.inf)
    for row in range(1, rows):
        beside[0, 1:], beside[1], beside[2, :-1] = total[:-1], total, total[1:]
        best = beside.argmin(axis=0)
        # straight on where nothing is gained
        best[beside[1] <= beside.min(axis=0)] = 1
        step[row] = best - 1
        total = np.take_along_axis(beside, best[None], axis=0)[0] + cost[row]
    path = np.empty(rows, np.int64)
    path[-1] = int(total.argmin()) if ends is None else ends
    for row in range(rows - 1, 0, -1):
        path[row - 1] = path[row] + step[row, path[row]]
    return path
