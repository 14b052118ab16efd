"""Compiled loops of the far gutter: which texel with skin is nearest to a texel without.

Exact squared distances in whole numbers, by columns first and then by rows.  Kernels take plain arrays, fill what they
are given and never raise.

Sources: Felzenszwalb & Huttenlocher 2012, "Distance transforms of sampled functions"; Meijster, Roerdink & Hesselink
2000, "A general algorithm for computing distance transforms in linear time" (the same in whole numbers).
"""

from __future__ import annotations

import numpy as np
from numba import njit

#: A column without skin.  Maps have at most 32768 rows, so no distance is this long.
NONE = np.uint16(65535)


@njit(nogil=True, cache=True)
def distances_down(has_skin, before, distance):
    """Rows to the nearest texel with skin at or above, going down a block of rows.

    Parameters
    ----------
    has_skin : bool (rows, cols)
    before : uint16 (cols,), the distances of the row above the block, ``NONE`` above the first; that of the block's
        last row afterwards
    distance : uint16 (rows, cols), filled
    """
    rows, cols = has_skin.shape
    for r in range(rows):
        for c in range(cols):
            if has_skin[r, c]:
                before[c] = 0
            elif before[c] != NONE:
                before[c] += np.uint16(1)
            distance[r, c] = before[c]


@njit(nogil=True, cache=True)
def distances_up(distance, first_col, end_col):
    """Make distances to the nearest texel above those to the nearest above or below, in some columns of the map.

    Parameters
    ----------
    distance : uint16 (rows, cols), changed in place; a texel above is kept where one below is as near
    """
    rows = distance.shape[0]
    for r in range(rows - 2, -1, -1):
        for c in range(first_col, end_col):
            below = distance[r + 1, c]
            if below != NONE and below + 1 < distance[r, c]:
                distance[r, c] = below + 1


@njit(nogil=True, cache=True)
def fill_rows(distance, first_row, end_row, height_mm):
    """Give texels without skin the height of the nearest texel with skin, row by row.

    Of several at one distance it is that in the lowest column, and there the one in the lowest row.

    Parameters
    ----------
    distance : uint16 (rows, cols), rows to the nearest texel with skin in the column, 0: this one has skin
    first_row, end_row : the rows to fill
    height_mm : float32 (rows, cols, channels), changed in place where there is no skin

    Notes
    -----
    At column x, the nearest texel of column i is (x - i)^2 + d_i^2 away, squared.  These parabolas have one shape, so
    each is the lowest on one run of columns, and the runs stand in order of i: a stack of runs is built in one pass.
    Parabola i is no higher than j > i up to x = floor((j^2 - i^2 + d_j^2 - d_i^2) / (2 (j - i))), so columns that are
    as near as each other fall to the lower one.
    """
    rows, cols = distance.shape
    owner = np.empty(cols, np.int64)
    start = np.empty(cols, np.int64)
    for r in range(first_row, end_row):
        n = 0
        n_skin = 0
        for j in range(cols):
            if distance[r, j] == NONE:
                continue
            d2 = np.int64(distance[r, j]) ** 2
            n_skin += d2 == 0
            while n > 0:
                i, x = owner[n - 1], start[n - 1]
                if (x - i) ** 2 + np.int64(distance[r, i]) ** 2 <= (x - j) ** 2 + d2:
                    break
                n -= 1
            first = 0
            if n > 0:
                i = owner[n - 1]
                first = (j * j - i * i + d2 - np.int64(distance[r, i]) ** 2) // (2 * (j - i)) + 1
            if first < cols:
                owner[n], start[n] = j, first
                n += 1
        if n == 0 or n_skin == cols:
            continue
        run = 0
        for x in range(cols):
            while run + 1 < n and start[run + 1] <= x:
                run += 1
            if distance[r, x] == 0:
                continue
            i = owner[run]
            d = np.int64(distance[r, i])
            source = r - d if r >= d and distance[r - d, i] == 0 else r + d
            for k in range(height_mm.shape[2]):
                height_mm[r, x, k] = height_mm[source, i, k]
