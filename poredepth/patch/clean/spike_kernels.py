"""Compiled loops that look for spikes: what stands out from the median of 5 x 5 texels, and how far it spreads.

Kernels take plain arrays, fill what they are given and never raise.  Beyond the picture's edge they read its mirror.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from poredepth.patch.clean.kernels import _mirror


@njit(nogil=True, cache=True)
def _residual(height, r, c, held):
    """Height above the median of the 5 x 5 texels about it; ``held``: float32 (25,), room to sort in."""
    rows, cols = height.shape
    n = 0
    for i in range(r - 2, r + 3):
        row = height[_mirror(i, rows)]
        for j in range(c - 2, c + 3):
            value = row[_mirror(j, cols)]
            k = n
            while k > 0 and held[k - 1] > value:
                held[k] = held[k - 1]
                k -= 1
            held[k] = value
            n += 1
    return height[r, c] - held[12]


@njit(nogil=True, cache=True)
def sparse_residuals(height, every, out, start, stop):
    """|height - local median| at each ``every``-th texel; rows start to stop of ``out``, float32."""
    held = np.empty(25, np.float32)
    for r in range(start, stop):
        for c in range(out.shape[1]):
            out[r, c] = abs(_residual(height, r * every + every // 2, c * every + every // 2, held))


@njit(nogil=True, cache=True, inline="always")
def _stands_out(height, r, c, least):
    """Whether a texel is above (or below) all but one of the eight that lie three away, by more than ``least``."""
    rows, cols = height.shape
    up, down, left, right = _mirror(r - 3, rows), _mirror(r + 3, rows), _mirror(c - 3, cols), _mirror(c + 3, cols)
    here, above, below = height[r, c], 0, 0
    for i in (up, r, down):
        for j in (left, c, right):
            if i == r and j == c:
                continue
            above += here > height[i, j] + least
            below += here < height[i, j] - least
    return above >= 7 or below >= 7


@njit(nogil=True, cache=True)
def find_spikes(height, sigma, side, factor, share, widest, where, spikes, start, stop):
    """Mark the texels of spikes in rows start to stop.

    A spike's top stands out by more than factor * sigma from its local median; the texels joined to it that stand out
    the same way by more than ``share`` of the top fill at most widest x widest texels.

    Parameters
    ----------
    height : float32 (rows, cols); sigma : float32, spread of residuals in blocks of ``side`` texels
    where : bool (rows, cols), texels that may be a top; spikes : bool (rows, cols), set to True
    """
    rows, cols = height.shape
    held, near = np.empty(25, np.float32), np.empty((7, 7), np.float32)
    joined, stack = np.empty((7, 7), np.bool_), np.empty((49, 2), np.int64)
    for r in range(start, stop):
        for c in range(cols):
            if not where[r, c]:
                continue
            least = sigma[min(r // side, sigma.shape[0] - 1), min(c // side, sigma.shape[1] - 1)]
            if not _stands_out(height, r, c, 0.5 * factor * least):
                continue
            top = _residual(height, r, c, held)
            if abs(top) <= factor * least:
                continue
            sign = 1.0 if top > 0 else -1.0
            low = share * abs(top)
            for i in range(7):
                for j in range(7):
                    out = r + i - 3 < 0 or r + i - 3 >= rows or c + j - 3 < 0 or c + j - 3 >= cols
                    near[i, j] = 0.0 if out else sign * _residual(height, r + i - 3, c + j - 3, held)
                    joined[i, j] = False
            stack[0, 0], stack[0, 1], n = 3, 3, 1
            joined[3, 3] = True
            first_i, last_i, first_j, last_j = 3, 3, 3, 3
            while n > 0:
                n -= 1
                i, j = stack[n]
                first_i, last_i, first_j, last_j = min(first_i, i), max(last_i, i), min(first_j, j), max(last_j, j)
                for a in range(max(i - 1, 0), min(i + 2, 7)):
                    for b in range(max(j - 1, 0), min(j + 2, 7)):
                        if near[a, b] > low and not joined[a, b]:
                            joined[a, b] = True
                            stack[n, 0], stack[n, 1] = a, b
                            n += 1
            # what reaches the edge may go on beyond it as far again: a pore or furrow that is cut there is no spike
            deep, wide = last_i - first_i + 1, last_j - first_j + 1
            if r + first_i <= 3 or r + last_i >= rows + 2:
                deep *= 2
            if c + first_j <= 3 or c + last_j >= cols + 2:
                wide *= 2
            if deep > widest or wide > widest:
                continue
            for i in range(7):
                for j in range(7):
                    if joined[i, j]:
                        spikes[r + i - 3, c + j - 3] = True
