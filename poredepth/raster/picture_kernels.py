"""Compiled look-ups in a picture and its pyramid, filtered for a texel."""

from __future__ import annotations

import numpy as np
from numba import njit

from poredepth.surface.metric import LAST_TAP, MOST_TAPS

#: Taps stand no nearer than a texel of the picture, whose sigma as a texel is half of it.
LEAST_EVEN_PX2 = 0.25


@njit(nogil=True, cache=True)
def filter_variance(ratio):
    """See `patch.levels.filter_variance_px2`."""
    if ratio <= 1.0:
        return 0.0
    return 0.25 * ratio * ratio if ratio >= 2.0 else (ratio * ratio - 1.0) / 3.0


@njit(nogil=True, cache=True)
def sample_along(x_mm, y_mm, dx, dy, variance_px2, more_px2, first, last, levels, coefficients):
    """Height of a picture filtered by a Gaussian of two widths: taps along the wider, each filtered evenly.

    Taps stand two sigma of the even filter apart at most.  Their weights end at 0, so that further ones come in without
    a step, and their way is drawn out so that their variance is exact (own derivation).

    Parameters
    ----------
    dx, dy : unit vector of the wider way; variance_px2, more_px2 : of the even filter, and what the wider way has
        beyond it, in texels of the picture, squared
    """
    wide = np.sqrt(more_px2)
    step = min(2.0 * np.sqrt(max(variance_px2, LEAST_EVEN_PX2)), np.sqrt(3.0) * wide)
    n = min(int(LAST_TAP * wide / step), MOST_TAPS + 1)
    total, spread = 1.0, 0.0
    for j in range(1, n + 1):
        weight = _tap(j * step / wide)
        total += 2.0 * weight
        spread += 2.0 * weight * j * j
    way = np.sqrt(more_px2 * total / spread) * levels[first, 7]
    height = np.float64(sample(x_mm, y_mm, variance_px2, first, last, levels, coefficients))
    for j in range(1, n + 1):
        weight = _tap(j * step / wide)
        ax, ay = j * way * dx, j * way * dy
        one = sample(x_mm - ax, y_mm - ay, variance_px2, first, last, levels, coefficients)
        height += weight * (one + sample(x_mm + ax, y_mm + ay, variance_px2, first, last, levels, coefficients))
    return np.float32(height / total)


@njit(nogil=True, cache=True, inline="always")
def _tap(sigmas):
    """A Gaussian that is bent down at its end, to 0 there."""
    share2 = (sigmas / LAST_TAP) ** 2
    return max(np.exp(-0.5 * sigmas * sigmas) - np.exp(-0.5 * LAST_TAP * LAST_TAP) * share2**4, 0.0)


@njit(nogil=True, cache=True)
def sample(x_mm, y_mm, variance_px2, first, last, levels, coefficients):
    """Height of a picture at (x, y), filtered by a Gaussian: between the two levels that hold it.

    See `patch.levels.mixing`.
    """
    if variance_px2 <= 0.0 or last == first + 1:
        return _cubic(x_mm, y_mm, levels, first, coefficients)
    k = first
    while k + 1 < last and levels[k + 1, 10] <= variance_px2:
        k += 1
    here = _cubic(x_mm, y_mm, levels, k, coefficients)
    if k == last - 1:
        return here
    t = (variance_px2 - levels[k, 10]) / (levels[k + 1, 10] - levels[k, 10])
    mix = np.float32(t + t * (1.0 - t) * (levels[k, 11] + levels[k, 12] * (1.0 - 2.0 * t)))
    there = _cubic(x_mm, y_mm, levels, k + 1, coefficients)
    return here + mix * (there - here)


@njit(nogil=True, cache=True, inline="always")
def _cubic(x_mm, y_mm, levels, level, coefficients):
    """Cubic B-spline of one level at (x, y) mm from its lower left corner (Unser, Aldroubi & Eden 1993)."""
    rows, cols = levels[level, 2], levels[level, 3]
    x = x_mm * levels[level, 4]
    y = rows - y_mm * levels[level, 5]
    if levels[level, 6] > 0.0:
        x -= cols * np.floor(x * levels[level, 8])
        y -= rows * np.floor(y * levels[level, 9])
    else:
        x = min(max(x, 0.5), cols - 0.5)
        y = min(max(y, 0.5), rows - 0.5)
    x -= 0.5
    y -= 0.5
    c, r = int(np.floor(x)), int(np.floor(y))
    fx, fy = np.float32(x - c), np.float32(y - r)
    # the margin is 2, the first tap 1 to the left
    # unsigned: numba then leaves out its check for negative indices
    at = np.uint64(int(levels[level, 0]) + (r + 1) * int(levels[level, 1]) + c + 1)
    stride = np.uint64(levels[level, 1])
    one, two, three = np.uint64(1), np.uint64(2), np.uint64(3)
    wy0, wy1, wy2, wy3 = _spline(fy)
    wx0, wx1, wx2, wx3 = _spline(fx)
    a, b, d = at + stride, at + two * stride, at + three * stride
    s0 = wy0 * coefficients[at] + wy1 * coefficients[a] + wy2 * coefficients[b] + wy3 * coefficients[d]
    s1 = (
        wy0 * coefficients[at + one]
        + wy1 * coefficients[a + one]
        + wy2 * coefficients[b + one]
        + wy3 * coefficients[d + one]
    )
    s2 = (
        wy0 * coefficients[at + two]
        + wy1 * coefficients[a + two]
        + wy2 * coefficients[b + two]
        + wy3 * coefficients[d + two]
    )
    s3 = (
        wy0 * coefficients[at + three]
        + wy1 * coefficients[a + three]
        + wy2 * coefficients[b + three]
        + wy3 * coefficients[d + three]
    )
    return wx0 * s0 + wx1 * s1 + wx2 * s2 + wx3 * s3


@njit(nogil=True, cache=True, inline="always")
def _spline(f):
    """The four cubic B-spline weights at fraction f."""
    g = np.float32(1) - f
    sixth = np.float32(1.0 / 6.0)
    w0 = g * g * g * sixth
    w3 = f * f * f * sixth
    w1 = (np.float32(4) - np.float32(3) * f * f * (np.float32(2) - f)) * sixth
    w2 = np.float32(1) - w0 - w1 - w3
    return w0, w1, w2, w3
