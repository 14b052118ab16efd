"""Where to cut a picture so that it fits itself: its best period, the margins that agree, how far they slip."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy.fft
from scipy import ndimage

from poredepth.patch.tiling.path import least_cost_path

#: A period is at least this share of the side.
LEAST_PERIOD_SHARE = 0.7
#: Margins that are laid over each other, as shares of the side, and the fewest texels of them.
OVERLAP_SHARES = (0.06, 0.1, 0.15, 0.2)
LEAST_OVERLAP_PX = 4
#: How far the right margin may slip along the cut against the left one, per side: turns lines by up to 1.6 degrees in
#: a square picture.
MOST_SLIP_SHARE = 0.02
#: Places, per overlap, that a left margin is tried at.
_STARTS = 9
#: Longest side that the search looks at; larger pictures are thinned by means.
_SEARCH_PX = 640
#: Lines that the last texels of a period are looked for with.
_MOST_LINES = 1024
#: Margins, per overlap, whose cut is looked at.
_LOOKED_AT = 3
#: What losing the whole side would cost, in misfits of unrelated margins and in mean costs of a cut: own choice.
_MISFIT_PER_SIDE, _COST_PER_SIDE = 0.5, 0.5
#: What unrelated margins cost, whatever the cut through them does: own choice.
_COST_PER_MISFIT = 0.2
#: Standard deviation, per period, that the level between the margins is smoothed with along the cut: own choice.
OFFSET_SMOOTH = 0.1
#: What the longest slip costs, so that there is none where it gains nothing: own choice.
_MISFIT_PER_SLIP = 0.01


@dataclass(frozen=True, order=True)
class Period:
    """Columns of a picture that make one period.

    ``start_px`` first column of the left margin; ``period_px`` from there to the right margin; ``overlap_px`` width of
    both; ``slip_px`` rows that the right margin is moved down against the left one; ``misfit`` mean square difference
    of the margins, 1 for unrelated ones
    """

    start_px: int
    period_px: int
    overlap_px: int
    slip_px: int
    misfit: float


def overlap_limits(side_px: int) -> tuple[int, int]:
    """Least and most texels of an overlap on a side: both margins and a texel between them must fit."""
    return min(LEAST_OVERLAP_PX, side_px // 3), max(side_px // 3, 1)


def best_period(heights: np.ndarray, overlap_px: int | None, closed: bool) -> Period:
    """Find the period along rows whose margins agree best.

    Parameters
    ----------
    heights : float (rows, cols)
    overlap_px : int, texels; None: the best of ``OVERLAP_SHARES``
    closed : whether the picture continues over its top and bottom

    Notes
    -----
    Margins are compared by heights and, with the same weight, by their fine part, all periods and slips at once by
    correlation (FFT); first on a thinned picture, then to the texel on up to ``_MOST_LINES`` of its lines.
    """
    cell = -(-max(heights.shape) // _SEARCH_PX)
    small = _weighted(_thinned(heights, cell))
    rows, cols = small.shape
    slip = 0 if rows < 32 else int(MOST_SLIP_SHARE * rows)
    most = overlap_limits(cols)[1]
    wished = [overlap_px] if overlap_px else [round(share * heights.shape[1]) for share in OVERLAP_SHARES]
    found = []
    for overlap in sorted({min(max(o // cell, 1), most) for o in wished}):
        ends = cols - overlap - math.ceil(LEAST_PERIOD_SHARE * cols)
        starts = np.unique(np.linspace(0, max(ends, 0), _STARTS).round().astype(int))
        fits = sorted(_best_fit(small, int(start), overlap, (slip, closed)) for start in starts)
        found += [(_cost_of_cut(small, fit, closed), fit) for _, fit in fits[:_LOOKED_AT]]
    _, fit = min(found)
    start, period, overlap, slip = (cell * n for n in (fit.start_px, fit.period_px, fit.overlap_px, fit.slip_px))
    if overlap_px:
        overlap = min(overlap_px, heights.shape[1] - period)
        start = min(start, heights.shape[1] - period - overlap)
    return _to_the_texel(heights, Period(start, period, overlap, slip, fit.misfit), cell, closed)


def _cost_of_cut(small: np.ndarray, fit: Period, closed: bool) -> float:
    """What differs along the best cut and between levels of the margins, 1 where all does; and what is lost."""
    slip = fit.slip_px
    columns = slice(fit.start_px, fit.start_px + fit.overlap_px)
    right = np.roll(small[:, fit.period_px + columns.start : fit.period_px + columns.stop], -slip, axis=0)
    height_apart, own = small[:, columns] - right, small[:, columns] ** 2 + right**2
    if not closed and slip:
        height_apart = height_apart[: len(own) - slip] if slip > 0 else height_apart[-slip:]
    apart = height_apart**2
    path = least_cost_path(apart, closed)
    level = float(own.mean())
    along = float(apart[np.arange(len(path)), path].mean())
    levels = ndimage.gaussian_filter1d(height_apart.mean(axis=1), OFFSET_SMOOTH * fit.period_px, mode="nearest")
    cost = (along + float((levels**2).mean())) / level if level > 0 else 0.0
    return cost + _COST_PER_MISFIT * fit.misfit + _COST_PER_SIDE * (1 - fit.period_px / small.shape[1])


def _best_fit(small: np.ndarray, start: int, overlap: int, slips: tuple[int, bool]) -> tuple[float, Period]:
    """Least cost (misfit and what is lost) for one left margin, and its period."""
    cols = small.shape[1]
    first = min(max(math.ceil(LEAST_PERIOD_SHARE * cols), overlap), cols - overlap - start)
    misfit = _misfits(small, small, (start, start + first), (overlap, cols - overlap - start - first + 1), slips)
    lost = (cols - first - np.arange(misfit.shape[1])) / cols
    slipped = np.abs(np.arange(len(misfit)) - slips[0]) / max(slips[0], 1)
    cost = misfit + _MISFIT_PER_SIDE * lost + _MISFIT_PER_SLIP * slipped[:, None]
    row, col = np.unravel_index(int(cost.argmin()), cost.shape)
    fit = Period(start, first + int(col), overlap, int(row) - slips[0], float(misfit[row, col]))
    return float(cost[row, col]), fit


def _misfits(left, right, at, sizes, slips) -> np.ndarray:
    """Misfit of the margin of ``left`` at column at[0] with those of ``right`` from column at[1] on.

    ``sizes`` : width of a margin, how many places of the right one.  ``slips`` : rows up and down, whether rows wrap.
    Returns float64 (2 slip + 1, places).
    """
    (width, places), (slip, closed) = sizes, slips
    one = left[:, at[0] : at[0] + width].astype(np.float64)
    other = right[:, at[1] : at[1] + width + places - 1].astype(np.float64)
    if closed:
        other = np.concatenate([other[len(other) - slip :], other, other[:slip]]) if slip else other
    elif slip:
        one = one[slip:-slip]
    rows, wide = other.shape
    size = [scipy.fft.next_fast_len(n, real=True) for n in (rows, wide)]
    spectrum = scipy.fft.rfft2(other, s=size, workers=2)
    spectrum *= np.conj(scipy.fft.rfft2(one, s=size, workers=2))
    product = scipy.fft.irfft2(spectrum, s=size, workers=2)[: 2 * slip + 1, :places]
    sums = np.zeros((rows + 1, wide + 1))
    sums[1:, 1:] = (other**2).cumsum(axis=0).cumsum(axis=1)
    high = len(one)
    top, side = np.arange(2 * slip + 1)[:, None], np.arange(places)[None, :]
    energy = sums[top + high, side + width] - sums[top, side + width] - sums[top + high, side] + sums[top, side]
    own = float((one**2).sum())
    return np.maximum(own + energy - 2 * product, 0.0) / np.maximum(own + energy, np.finfo(np.float64).tiny)


def _to_the_texel(heights: np.ndarray, coarse: Period, cell: int, closed: bool) -> Period:
    """The same period, to the texel of the whole picture."""
    cols, width = heights.shape[1], coarse.overlap_px
    if cell == 1 or cols < 2 * width + 4:
        return coarse
    start = min(coarse.start_px, cols - 2 * width)
    first = min(max(coarse.period_px - cell, width), cols - width - start)
    places = min(2 * cell + 1, cols - width - start - first + 1)
    rows = len(heights)
    reach = abs(coarse.slip_px) + cell
    high = min(rows - 2 * reach, _MOST_LINES)
    if high < 16:
        return coarse
    top = (rows - high) // 2
    left = _weighted(heights[top : top + high, start : start + width])
    right = _weighted(
        heights[top + coarse.slip_px - cell : top + high + coarse.slip_px + cell, start + first :][
            :, : width + places - 1
        ]
    )
    left = np.pad(left, ((cell, cell), (0, 0)))
    misfit = _misfits(left, right, (0, 0), (width, places), (cell, False))
    row, col = np.unravel_index(int(misfit.argmin()), misfit.shape)
    return Period(start, first + int(col), width, coarse.slip_px + int(row) - cell, float(misfit[row, col]))


def _thinned(heights: np.ndarray, cell: int) -> np.ndarray:
    """Means of cells of several texels."""
    if cell == 1:
        return heights
    rows, cols = (side // cell * cell for side in heights.shape)
    sums = np.add.reduceat(heights[:rows, :cols], np.arange(0, cols, cell), axis=1)
    return np.add.reduceat(sums, np.arange(0, rows, cell), axis=0) / cell**2


def _weighted(heights: np.ndarray) -> np.ndarray:
    """Heights and their fine part, so that both count alike in a difference."""
    fine = heights - ndimage.gaussian_filter(heights, 1.5, mode="nearest")
    spread, spread_fine = float(heights.std()), float(fine.std())
    if not (spread > 0 and spread_fine > 0):
        return heights
    return heights / spread + fine / spread_fine
