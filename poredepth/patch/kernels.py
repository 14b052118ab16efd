"""Compiled loops over pictures: PNG row filters, distance from a border.

Kernels take plain arrays, fill what they are given and never raise.
"""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(nogil=True, cache=True)
def unfilter_rows(rows, step):
    """Undo the row filters of a PNG in place; returns the first row with an unknown filter, or -1.

    Source: PNG specification, third edition, section 9 (filter method 0).

    Parameters
    ----------
    rows : uint8 (n_rows, 1 + n), the first byte of each row is its filter type
    step : bytes of one pixel
    """
    n = rows.shape[1]
    for r in range(len(rows)):
        kind = rows[r, 0]
        if kind > 4:
            return r
        for i in range(1, n):
            left = int(rows[r, i - step]) if i > step else 0
            up = int(rows[r - 1, i]) if r > 0 else 0
            add = 0
            if kind == 1:
                add = left
            elif kind == 2:
                add = up
            elif kind == 3:
                add = (left + up) // 2
            elif kind == 4:
                corner = int(rows[r - 1, i - step]) if r > 0 and i > step else 0
                add = _paeth(left, up, corner)
            rows[r, i] = np.uint8((int(rows[r, i]) + add) & 255)
    return -1


@njit(nogil=True, cache=True, inline="always")
def _paeth(left, up, corner):
    guess = left + up - corner
    by_left, by_up, by_corner = abs(guess - left), abs(guess - up), abs(guess - corner)
    if by_left <= by_up and by_left <= by_corner:
        return left
    return up if by_up <= by_corner else corner


@njit(nogil=True, cache=True)
def border_distance(inside, distance_px):
    """Distance of the middle of each inside pixel from the border of the inside, in pixels; 0 outside.

    The border runs half a pixel short of the middles of the outside pixels; all that lies beyond the picture is
    outside.  Exact distance between middles, row by row over the parabolas of each column (Felzenszwalb & Huttenlocher
    2012, Distance transforms of sampled functions).

    Parameters
    ----------
    inside : bool (rows, cols); distance_px : float32 (rows, cols), filled
    """
    n_rows, n_cols = inside.shape
    for r in range(n_rows):
        for c in range(n_cols):
            above = distance_px[r - 1, c] if r > 0 else np.float32(0)
            distance_px[r, c] = above + np.float32(1) if inside[r, c] else np.float32(0)
    for r in range(n_rows - 1, -1, -1):
        for c in range(n_cols):
            below = distance_px[r + 1, c] if r < n_rows - 1 else np.float32(0)
            distance_px[r, c] = min(distance_px[r, c], below + np.float32(1))
    # one column of outside on either side: columns are counted from 1
    height = np.zeros(n_cols + 2)
    at = np.empty(n_cols + 2, np.int64)
    begin = np.empty(n_cols + 3)
    for r in range(n_rows):
        for c in range(n_cols):
            height[c + 1] = float(distance_px[r, c]) ** 2
        last = 0
        at[0], begin[0], begin[1] = 0, -np.inf, np.inf
        for q in range(1, n_cols + 2):
            while True:
                p = at[last]
                meet = ((height[q] + q * q) - (height[p] + p * p)) / (2.0 * (q - p))
                if meet > begin[last]:
                    break
                last -= 1
            last += 1
            at[last], begin[last], begin[last + 1] = q, meet, np.inf
        k = 0
        for c in range(n_cols):
            while begin[k + 1] < c + 1:
                k += 1
            square = (c + 1 - at[k]) ** 2 + height[at[k]]
            distance_px[r, c] = max(np.sqrt(square) - 0.5, 0.0)


@njit(nogil=True, cache=True)
def largest_rectangle(full):
    """(top, bottom, left, right), half open, of the largest rectangle of True; the first found of equal ones.

    For each row, the heights of the columns of True that end there, and a stack of rising ones: each cell is put on and
    taken off once.  Source: common practice, no source (largest rectangle in a histogram).
    """
    rows, cols = full.shape
    tall = np.zeros(cols + 1, np.int64)
    stack = np.zeros(cols + 2, np.int64)
    best, found = 0, (0, 0, 0, 0)
    for r in range(rows):
        for c in range(cols):
            tall[c] = tall[c] + 1 if full[r, c] else 0
        n = 0
        for c in range(cols + 1):
            while n > 0 and tall[stack[n - 1]] >= tall[c]:
                n -= 1
                high = tall[stack[n]]
                left = stack[n - 1] + 1 if n > 0 else 0
                if high * (c - left) > best:
                    best, found = high * (c - left), (r + 1 - high, r + 1, left, c)
            stack[n] = c
            n += 1
    return found
