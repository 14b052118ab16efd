"""Spikes: single texels, or few, that an optical instrument got wrong (dust, gleams, salt and pepper)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from poredepth.errors import PatchError
from poredepth.patch.clean.holes import fill_where
from poredepth.patch.clean.rows import on_rows
from poredepth.patch.clean.spike_kernels import find_spikes, sparse_residuals
from poredepth.patch.types import check_all_finite, check_positive

#: A spike is narrower than the mouth of a pore, mm: fine follicles are 0.05 to 0.1 mm wide (value from memory).
WIDEST_MM = 0.06
#: It stands out by more than this many standard deviations of what relief stands out around it: own choice.
SPIKE_SIGMA = 8.0
#: Texels that stand out by this share of a spike's top belong to it; relief is rarely that steep: own choice.
FLANK_RATIO = 0.2
_WIDEST_PX = 3

#: Residuals are looked at on each of so many texels, and their spread in blocks of so many.
_EVERY_PX, _BLOCK_PX = 4, 16
#: Calm parts of a picture are held to this share of the spread in its busy ones (the upper quartile): own choice.
_CALM_RATIO = 0.5
#: Standard deviation per median of absolute values of normal noise: 1 / 0.6745.
_SIGMA_PER_MEDIAN = 1.4826
_EIGHT = np.ones((3, 3), bool)
#: Sides that medians need.
_LEAST_PX = 16
_PASSES = 3
#: A texel is compared with those up to three away, and they with medians of 5 x 5.
_REACH_PX = 8


@dataclass(frozen=True)
class Spikes:
    """What was taken out: ``n_spikes`` pieces of ``n_px`` texels; ``highest`` the most that one was moved by, in the
    unit of the heights; ``widest_px`` what was allowed as the width of one."""

    n_spikes: int
    n_px: int
    highest: float
    widest_px: int


def remove_spikes(
    height: np.ndarray, texel_mm: float, inside: np.ndarray | None = None
) -> tuple[np.ndarray, Spikes | None]:
    """Take out spikes and close the place smoothly; nothing else changes by a bit.

    Parameters
    ----------
    height : float (rows, cols), finite, any unit
    texel_mm : float, mm; it bounds how many texels wide a spike may be: 0.06 mm, at most 3 texels, at least 1
    inside : bool or float (rows, cols), 0.5 or more where spikes are looked for; None: everywhere

    Returns
    -------
    float32 (rows, cols); Spikes, or None where there is none

    Raises
    ------
    PatchError : heights that are not finite or no (rows, cols); texel_mm not above 0

    Notes
    -----
    A texel's residual is its height above the median of 5 x 5.  Its spread, sigma, is 1.4826 times the median of
    absolute residuals in 48 x 48 texels around, at least half of what it is in the busiest quarter of the picture, and
    1.5 steps of heights that take few values.  A spike's top stands out by more than 8 sigma, and the texels joined to
    it that stand out the same way by more than 0.2 of the top fill no more than the allowed width: a furrow is too
    long for that, the bottom of a pore, even a sharp one, too wide.  At the edge of the picture, what touches it counts
    as going on beyond it as far again.  Found spikes are filled as holes are, and it is
    looked again, up to three times, for those that hid each other.

    Source: median test, common practice; median absolute deviation, Hampel 1974 (J. Am. Stat. Assoc. 69:383).
    """
    check_positive("spikes", "texel_mm", texel_mm)
    heights = np.array(height, np.float32, order="C", copy=True)
    if heights.ndim != 2 or min(heights.shape) < 4:
        raise PatchError(f"spikes: heights have shape {heights.shape}; allowed is (rows, cols), at least 4 x 4")
    check_all_finite("spikes", heights)
    if min(heights.shape) < _LEAST_PX:
        return heights, None
    widest = int(np.clip(round(WIDEST_MM / texel_mm), 1, _WIDEST_PX))
    found = np.zeros(heights.shape, bool)
    sigma = _spread(heights)
    where = np.ones(heights.shape, bool)
    for _ in range(_PASSES):
        new = _look(heights, sigma, widest, where)
        if inside is not None:
            new &= np.asarray(inside) >= 0.5
        if not new.any():
            break
        found |= new
        fill_where(heights, new)
        where = _near(new)
    if not found.any():
        return heights, None
    moved = np.abs(np.asarray(height, np.float32)[found] - heights[found])
    n_spikes = ndimage.label(found, structure=_EIGHT)[1]
    return heights, Spikes(int(n_spikes), int(np.count_nonzero(found)), float(moved.max()), widest)


def _look(heights: np.ndarray, sigma: np.ndarray, widest: int, where: np.ndarray) -> np.ndarray:
    spikes = np.zeros(heights.shape, bool)
    looked_at = heights, sigma, _BLOCK_PX, SPIKE_SIGMA, FLANK_RATIO
    on_rows(lambda a, b: find_spikes(*looked_at, widest, where, spikes, a, b), len(heights))
    return spikes


def _near(spikes: np.ndarray) -> np.ndarray:
    """Where something else may stand out once these are gone: within reach of what a texel is compared with."""
    near = ndimage.maximum_filter1d(spikes.view(np.uint8), 2 * _REACH_PX + 1, axis=0)
    return ndimage.maximum_filter1d(near, 2 * _REACH_PX + 1, axis=1).view(bool)


def _spread(heights: np.ndarray) -> np.ndarray:
    """Standard deviation of residuals, robust, float32 for blocks of 16 x 16 texels, over 3 x 3 of them."""
    count = [side // _BLOCK_PX for side in heights.shape]
    per = _BLOCK_PX // _EVERY_PX
    residual = np.empty([per * n for n in count], np.float32)
    on_rows(lambda a, b: sparse_residuals(heights, _EVERY_PX, residual, a, b), len(residual))
    blocks = residual.reshape(count[0], per, count[1], per).swapaxes(1, 2).reshape(*count, per * per)
    padded = np.pad(blocks, ((1, 1), (1, 1), (0, 0)), mode="edge")
    sigma = np.empty(count, np.float32)
    for row in range(count[0]):
        around = [padded[row + i, j : j + count[1]] for i in range(3) for j in range(3)]
        sigma[row] = _SIGMA_PER_MEDIAN * np.median(np.concatenate(around, axis=1), axis=1)
    calm = _CALM_RATIO * float(np.quantile(sigma, 0.75))
    return np.maximum(sigma, max(calm, _least_sigma(heights)))


def _least_sigma(heights: np.ndarray) -> float:
    """What any texel may stand out by: one step of the codes, where there are few; and what float32 rounds by."""
    rounding = 4.0 * np.finfo(np.float32).eps * float(np.abs(heights).max())
    steps = np.diff(np.unique(heights[:: max(1, len(heights) // 256)]))
    steps = steps[steps > rounding]
    few = 16 <= len(steps) <= 4096
    return max(rounding, 1.5 * float(np.median(steps)) if few else 0.0)
