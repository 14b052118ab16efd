"""Compiled loops over pictures: basins of relief and how far each must be filled to run over; relief along rays.

Kernels take plain arrays, fill what they are given and never raise.
"""

from __future__ import annotations

import math

from numba import njit


@njit(nogil=True, cache=True)
def deep_basins(height, order, periodic, least, parent, lowest, prominence):
    """Lowest texels of basins that must be filled by ``least`` or more before they run over into a deeper one.

    The relief is flooded from below, texel by texel; where two basins meet (over sides or corners of texels), the
    shallower one has run over and belongs to the deeper one from then on.  That is pruning by height (ISO 25178-2: Wolf
    pruning) with nothing but the heights kept.

    Parameters
    ----------
    height : float32 (rows, cols)
    order : int64 (n,), flat numbers of the texels to flood, from the lowest up; ties in any order
    periodic : whether the relief goes on over its borders
    parent : int32 (rows * cols,), -1 everywhere; changed
    lowest : int64 (m,), filled with flat numbers of lowest texels
    prominence : float32 (m,), filled with the heights to fill; of basins that never run over, up to the last texel

    Returns
    -------
    number of basins found; those beyond m are counted but not written
    """
    rows, cols = height.shape
    flat = height.ravel()
    found = 0
    for texel in order:
        row, col = texel // cols, texel % cols
        mine = -1
        for down in range(-1, 2):
            r = row + down
            if periodic:
                r %= rows
            elif r < 0 or r >= rows:
                continue
            for right in range(-1, 2):
                c = col + right
                if periodic:
                    c %= cols
                elif c < 0 or c >= cols:
                    continue
                other = r * cols + c
                if parent[other] < 0:
                    continue
                other = _root(parent, other)
                if mine < 0 or mine == other:
                    mine = other
                    continue
                if flat[other] < flat[mine]:
                    mine, other = other, mine
                parent[other] = mine
                if flat[texel] - flat[other] >= least:
                    if found < len(lowest):
                        lowest[found], prominence[found] = other, flat[texel] - flat[other]
                    found += 1
        parent[texel] = texel if mine < 0 else mine
    last = flat[order[-1]]
    for texel in order:
        if parent[texel] == texel and last - flat[texel] >= least:
            if found < len(lowest):
                lowest[found], prominence[found] = texel, last - flat[texel]
            found += 1
    return found


@njit(nogil=True, cache=True, inline="always")
def _root(parent, at):
    while parent[at] != at:
        parent[at] = parent[parent[at]]
        at = parent[at]
    return at


@njit(nogil=True, cache=True)
def read_rays(spline, periodic, middle, far, cosine, sine, out):
    """Relief along rays from middles, by a cubic B-spline.

    Parameters
    ----------
    spline : float32 (rows, cols), coefficients
    periodic : whether the relief goes on over its borders; if not, it goes on as its border texels are
    middle : float64 (n, 2), row and col
    far : float64 (n, k), distances from the middles, texels
    cosine, sine : float64 (m,), of the rays' angles, anticlockwise from the right
    out : float32 (n, m, k), filled
    """
    rows, cols = spline.shape
    for i in range(len(middle)):
        for j in range(len(cosine)):
            for k in range(far.shape[1]):
                y = middle[i, 0] - far[i, k] * sine[j]
                x = middle[i, 1] + far[i, k] * cosine[j]
                if not periodic:
                    y, x = min(max(y, 0.0), rows - 1.0), min(max(x, 0.0), cols - 1.0)
                top, left = int(math.floor(y)) - 1, int(math.floor(x)) - 1
                wx = _weights(x - left - 1)
                wy = _weights(y - top - 1)
                total = 0.0
                for a in range(4):
                    r = _within(top + a, rows, periodic)
                    line = 0.0
                    for b in range(4):
                        line += wx[b] * spline[r, _within(left + b, cols, periodic)]
                    total += wy[a] * line
                out[i, j, k] = total


@njit(nogil=True, cache=True, inline="always")
def _weights(t):
    """Cubic B-spline at a place t, 0 to 1, between the second and the third of four texels."""
    u = 1.0 - t
    return (
        u * u * u / 6.0,
        2.0 / 3.0 - t * t * (2.0 - t) / 2.0,
        2.0 / 3.0 - u * u * (2.0 - u) / 2.0,
        t * t * t / 6.0,
    )


@njit(nogil=True, cache=True, inline="always")
def _within(at, n, periodic):
    """A texel's number, round the border or mirrored at the border texel's middle."""
    if periodic:
        return at % n
    if at < 0:
        at = -at
    return 2 * (n - 1) - at if at >= n else at
