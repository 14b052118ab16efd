"""Traces of JPEG compression: heights that jump along a grid of 8 x 8 pixels.

JPEG compresses blocks of 8 x 8 pixels on their own, so that what is lost of neighbouring blocks does not fit together.
Looked at is how large the third difference of heights is at each column (and row), against columns 2 to 4 pixels away:
across a border of blocks it is larger, and at every 8th column alike.

Source: the idea is that of Wang, Bovik & Evans 2000 (Blind measurement of blocking artifacts in images, ICIP) and Fan &
de Queiroz 2003 (IEEE Trans. Image Processing 12:230), both from memory; statistic and bounds are our own.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import ndimage

#: Side of a block (ISO/IEC 10918-1, JPEG baseline).
BLOCK_PX = 8
#: How many standard errors the 8th columns must stand out, in the clearer direction and in the other one.  Own choice:
#: relief that was never compressed has less than 4, in one direction or the other; 5 mm of skin-like relief of JPEG
#: quality 95 more than 15 and 8.
_LEAST_T, _LEAST_OTHER_T = 8.0, 4.0
#: Fewest columns of each phase.
_LEAST_COUNT = 8
#: Neighbours that a column is held against, offsets from -4 to 4: those beside it share its jump.
_NEIGHBOURS = np.array([1, 1, 1, 0, 0, 0, 1, 1, 1]) / 6.0
#: Added to the mean differences, share of their mean, so that quiet columns of coarse codes do not count without end.
_FLOOR_SHARE = 0.02
#: Differences beyond so many times their mean count as that: a few steep furrows would hide small jumps everywhere
#: (lines at JPEG quality 95: 3 standard errors across the lay without, 8 to 11 with).  Own choice.
_MOST_TIMES_MEAN = 1.5
#: Lines that are looked at together.
_STRIP_PX = 256


def find_compression_blocks(values: np.ndarray) -> float | None:
    """How much the borders of 8 x 8 blocks stand out.

    Parameters
    ----------
    values : float (rows, cols), any unit, NaN where there is no data

    Returns
    -------
    float above 1: third differences of heights across borders of blocks, over those between them (large ones drawn in),
    the geometric mean of both directions; None if there are no such blocks, or too few pixels (less than about 70 a
    side) to tell

    Notes
    -----
    The grid may begin anywhere, as in a crop.  A picture that was resized or turned after its compression does not show
    it this way, and neither does noise saved at a high quality, which loses little.  Enlarging by 8 without smoothing
    leaves the same trace.
    """
    found = [_standing_out(_roughness(values, axis)) for axis in (0, 1)]
    if any(one is None for one in found):
        return None
    (_, t_down), (_, t_along) = found
    if max(t_down, t_along) < _LEAST_T or min(t_down, t_along) < _LEAST_OTHER_T:
        return None
    return math.exp(0.5 * sum(log_ratio for log_ratio, _ in found))


def _roughness(values: np.ndarray, axis: int) -> np.ndarray:
    """Mean size of the third difference along an axis, at each place of that axis, float64 (side - 3,).

    Large ones are drawn in, to what some lines, spread evenly, say is usual.
    """
    lines = np.moveaxis(values, axis, 0)
    some = _third_difference(lines[:, :: 1 + lines.shape[1] // _STRIP_PX])
    known = some[~np.isnan(some)]
    most = _MOST_TIMES_MEAN * known.mean(dtype=np.float64) if known.size else 0.0
    total, count = np.zeros(max(len(lines) - 3, 0)), np.zeros(max(len(lines) - 3, 0))
    for left in range(0, lines.shape[1], _STRIP_PX):
        jump = _third_difference(lines[:, left : left + _STRIP_PX])
        np.minimum(jump, jump.dtype.type(most), out=jump)
        total += np.nansum(jump, axis=1, dtype=np.float64)
        count += np.count_nonzero(~np.isnan(jump), axis=1)
    # one phase must stay one phase: lines without data have the mean of all
    return np.divide(total, count, out=np.full(len(total), total.sum() / max(count.sum(), 1)), where=count > 0)


def _third_difference(lines: np.ndarray) -> np.ndarray:
    """Its size from line to line, (side - 3, n); none of fewer than four lines."""
    return np.abs(np.diff(lines, 3, axis=0)) if len(lines) > 3 else lines[:0].copy()


def _standing_out(roughness: np.ndarray) -> tuple[float, float] | None:
    """(log ratio, its standard errors from 0) of the phase of 8 that stands out most; None if none does."""
    if len(roughness) < _LEAST_COUNT * BLOCK_PX or not roughness.any():
        return None
    level = np.log(roughness + _FLOOR_SHARE * roughness.mean())
    above = level - ndimage.correlate1d(level, _NEIGHBOURS, mode="reflect")
    phases = [above[phase::BLOCK_PX] for phase in range(BLOCK_PX)]
    ratios = [float(np.median(phase)) for phase in phases]
    best = int(np.argmax(ratios))
    # borders every 2 or 4 pixels are those of an enlarged picture
    if ratios[best] <= 0 or ratios[best] < 2 * ratios[best - BLOCK_PX // 2]:
        return None
    error = phases[best].std(ddof=1) / math.sqrt(len(phases[best]))
    return ratios[best], float(phases[best].mean() / max(error, 1e-9))
