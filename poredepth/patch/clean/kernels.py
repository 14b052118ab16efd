"""Compiled loops that clean a picture: sums over 2 x 2 texels, relaxation of smooth surfaces, spikes, rectangles.

Kernels take plain arrays, fill what they are given and never raise.  Beyond the picture's edge they read its mirror.
"""

from __future__ import annotations

import numpy as np
from numba import njit

#: Over-relaxation of sweeps within bounds; between 1 and 2, found by trial.
OVER, ONE = np.float32(1.85), np.float32(1.0)


@njit(nogil=True, cache=True)
def halve(height, missing, coarse, coarse_missing):
    """Means of what is known in each 2 x 2 texels; a coarse texel is missing where none of them is known.

    Parameters
    ----------
    height : float32 (rows, cols); missing : bool, same shape
    coarse : float32 (ceil(rows / 2), ceil(cols / 2)), filled; coarse_missing : bool, same shape, filled
    """
    rows, cols = height.shape
    for r in range(coarse.shape[0]):
        for c in range(coarse.shape[1]):
            total, count = 0.0, 0
            for i in range(2 * r, min(2 * r + 2, rows)):
                for j in range(2 * c, min(2 * c + 2, cols)):
                    if not missing[i, j]:
                        total += height[i, j]
                        count += 1
            coarse_missing[r, c] = count == 0
            coarse[r, c] = total / count if count else 0.0


@njit(nogil=True, cache=True)
def refill(coarse, at, cols, height):
    """Linear interpolation of a coarse level at texels of the level twice as fine.

    Parameters
    ----------
    coarse : float32 (rows, cols) of the coarse level
    at : int (n,), flat indices into the fine level, ``cols`` wide; height : float32, flat fine level, changed there
    """
    last_r, last_c = coarse.shape[0] - 1, coarse.shape[1] - 1
    for k in range(len(at)):
        r, c = at[k] // cols, at[k] % cols
        near_r, near_c = min(r // 2, last_r), min(c // 2, last_c)
        far_r = min(max(near_r + (1 if r % 2 else -1), 0), last_r)
        far_c = min(max(near_c + (1 if c % 2 else -1), 0), last_c)
        height[at[k]] = 0.75 * (0.75 * coarse[near_r, near_c] + 0.25 * coarse[near_r, far_c]) + 0.25 * (
            0.75 * coarse[far_r, near_c] + 0.25 * coarse[far_r, far_c]
        )


@njit(nogil=True, cache=True, inline="always")
def _mirror(i, n):
    """Index of the mirrored picture (the edge between two texels), for one step of at most n beyond it."""
    if i < 0:
        i = -1 - i
    if i >= n:
        i = 2 * n - 1 - i
    return max(i, 0)


@njit(nogil=True, cache=True)
def relax_holes(height, at, inner, stiffness, n_sweeps):
    """Sweeps towards stiffness * bilaplacian(h) = laplacian(h) at some texels, the others held.

    Gauss-Seidel, over-relaxed, forwards and backwards in turn.

    Parameters
    ----------
    height : float32 (rows, cols), contiguous, changed at ``at``, int (n,), flat indices
    inner : bool (n,), which of them are two texels or more from the picture's edge
    stiffness : square of the length over which a slope is carried on, texels squared
    """
    rows, cols = height.shape
    flat = height.reshape(-1)
    # what sets the residual to 0, 1.7 times as far
    per = 1.7 / (20.0 * stiffness + 4.0)
    stay, near = np.float32(1.0 - 1.7), np.float32(per * (8.0 * stiffness + 1.0))
    lean, far = np.float32(per * 2.0 * stiffness), np.float32(per * stiffness)
    for sweep in range(n_sweeps):
        for step in range(len(at)):
            number = step if sweep % 2 == 0 else len(at) - 1 - step
            k = at[number]
            if inner[number]:
                up, down = k - cols, k + cols
                one = flat[up] + flat[down] + flat[k - 1] + flat[k + 1]
                slant = flat[up - 1] + flat[up + 1] + flat[down - 1] + flat[down + 1]
                two = flat[up - cols] + flat[down + cols] + flat[k - 2] + flat[k + 2]
            else:
                r, c = k // cols, k % cols
                up, down = _mirror(r - 1, rows), _mirror(r + 1, rows)
                left, right = _mirror(c - 1, cols), _mirror(c + 1, cols)
                one = height[up, c] + height[down, c] + height[r, left] + height[r, right]
                slant = height[up, left] + height[up, right] + height[down, left] + height[down, right]
                two = height[_mirror(r - 2, rows), c] + height[_mirror(r + 2, rows), c]
                two += height[r, _mirror(c - 2, cols)] + height[r, _mirror(c + 2, cols)]
            here = flat[k]
            flat[k] = stay * here + near * one - lean * slant - far * two


@njit(nogil=True, cache=True)
def mirror_margin(height):
    """Fill the margin of two texels around a picture, float32 (rows + 4, cols + 4), with its mirror."""
    rows, cols = height.shape
    for k in (0, 1):
        height[k, 2:-2] = height[3 - k, 2:-2]
        height[rows - 1 - k, 2:-2] = height[rows - 4 + k, 2:-2]
    for r in range(rows):
        for k in (0, 1):
            height[r, k] = height[r, 3 - k]
            height[r, cols - 1 - k] = height[r, cols - 4 + k]


@njit(nogil=True, cache=True)
def relax_bounded(height, stored, bound, wanted, side, first, start, stop):
    """One part of a sweep towards the least bending within bounds: rows first, first + 3, ... from start to stop.

    Rows three apart do not read each other, so that parts of one ``first`` may run beside each other.  Over-relaxed.

    Parameters
    ----------
    height : float32 (rows + 4, cols + 4), with the margin of `mirror_margin`, changed within it
    stored : float32 (rows, cols), what heights stay within ``bound`` of
    wanted : bool, which blocks of side x side texels are changed
    """
    cols = stored.shape[1]
    ready = np.empty(cols + 4, np.float32)
    stay, near, lean, far = ONE - OVER, OVER * np.float32(0.4), OVER * np.float32(0.1), OVER * np.float32(0.05)
    for r in range(start + (first - start) % 3, stop, 3):
        up2, up, row, down, down2 = height[r], height[r + 1], height[r + 2], height[r + 3], height[r + 4]
        middle = stored[r]
        for b in range(wanted.shape[1]):
            if not wanted[r // side, b]:
                continue
            begin, end = b * side + 2, min(b * side + side, cols) + 2
            # first what waits for no texel of this row, so that the processor does many at once
            for c in range(begin, end):
                one = up[c] + down[c] + row[c + 1]
                slant = up[c - 1] + up[c + 1] + down[c - 1] + down[c + 1]
                two = up2[c] + down2[c] + row[c + 2]
                ready[c] = stay * row[c] + near * one - lean * slant - far * two
            before, last = row[begin - 2], row[begin - 1]
            for c in range(begin, end):
                level = (ready[c] - far * before) + near * last
                before, last = last, min(max(level, middle[c - 2] - bound), middle[c - 2] + bound)
                row[c] = last


@njit(nogil=True, cache=True)
def refine_bounded(coarse, stored, bound, height, start, stop):
    """Rows start to stop of a level, linearly between those of one half as fine, brought within bounds.

    ``coarse`` and ``height`` have margins of two texels, ``stored`` none; that of ``coarse`` is read.
    """
    for r in range(start, stop):
        near = r // 2 + 2
        far = near + (1 if r % 2 else -1)
        for c in range(stored.shape[1]):
            here = c // 2 + 2
            beside = here + (1 if c % 2 else -1)
            value = 0.75 * (0.75 * coarse[near, here] + 0.25 * coarse[near, beside]) + 0.25 * (
                0.75 * coarse[far, here] + 0.25 * coarse[far, beside]
            )
            height[r + 2, c + 2] = min(max(value, stored[r, c] - bound), stored[r, c] + bound)


@njit(nogil=True, cache=True)
def square_laplacian(height, side, out, start, stop):
    """Mean of the squared laplacian over blocks of side x side texels; rows start to stop of ``out``, float32."""
    rows, cols = height.shape
    for b in range(start, stop):
        for d in range(out.shape[1]):
            total, count = 0.0, 0
            for r in range(b * side, min(b * side + side, rows)):
                for c in range(d * side, min(d * side + side, cols)):
                    around = height[_mirror(r - 1, rows), c] + height[_mirror(r + 1, rows), c]
                    around += height[r, _mirror(c - 1, cols)] + height[r, _mirror(c + 1, cols)]
                    bend = around - 4.0 * height[r, c]
                    total += bend * bend
                    count += 1
            out[b, d] = total / count


@njit(nogil=True, cache=True)
def blend(rough, smooth, share, side, start, stop):
    """rough += share * (smooth - rough), rows start to stop; ``share`` is given at the middles of blocks."""
    last_r, last_c = share.shape[0] - 1, share.shape[1] - 1
    for r in range(start, stop):
        y = min(max((r + 0.5) / side - 0.5, 0.0), float(last_r))
        top = min(int(y), max(last_r - 1, 0))
        below, y = min(top + 1, last_r), y - top
        for c in range(rough.shape[1]):
            x = min(max((c + 0.5) / side - 0.5, 0.0), float(last_c))
            left = min(int(x), max(last_c - 1, 0))
            right, x = min(left + 1, last_c), x - left
            a = (1 - y) * ((1 - x) * share[top, left] + x * share[top, right])
            a += y * ((1 - x) * share[below, left] + x * share[below, right])
            rough[r, c] += a * (smooth[r, c] - rough[r, c])
