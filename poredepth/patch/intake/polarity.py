"""Whether a relief looks inside out: skin has pits and furrows, not spikes and ridges.

The skewness Ssk of ISO 25178-2 is below 0 where a surface has pits in a plain, above 0 where it has peaks on one.  Of a
whole picture it says little: dust is a peak, a curved form skews heights too, and relief of few waves has some skewness
by chance.  So the picture is cut into blocks, each loses its own quadratic form, its outliers are drawn in, and a
warning needs a mean over the blocks that is large as well as far from 0 for their scatter.
"""

from __future__ import annotations

import math

import numpy as np

#: Mean skewness beyond which a relief counts as inside out.  Own choice: the demo's patches have -0.7 to -1.7, pieces
#: of 256 texels of them -0.5 and below; Gaussian noise of any wavelength has less than 0.26 either way in 100 texels.
MOST_SSK = 0.3
#: It must be so many standard errors from 0: with 16 blocks, one noise in 10,000 is (Student's t, one side).
_LEAST_T = 5.0
#: Blocks a side, at most, and the pixels a side that a block needs; with fewer than 9 blocks nothing is said.
_MOST_BLOCKS, _LEAST_BLOCK_PX, _LEAST_BLOCKS = 6, 32, 9
#: Pixels of a block that are looked at, a side: the skewness needs no more.
_LOOKED_AT_PX = 160
#: Share of a block's pixels that must hold relief.
_LEAST_SHARE = 0.5
#: Heights are drawn in to 1.5 times as far from the median as the further one of these quantiles lies: dust of up to
#: 2 % of the picture does not pull, pits of 2 % and more count in full.
_QUANTILES, _REACH_RATIO = (0.02, 0.5, 0.98), 1.5


def check_polarity(height: np.ndarray, inside: np.ndarray | None = None) -> str | None:
    """Tell a relief that looks inside out.

    Parameters
    ----------
    height : float (rows, cols), any unit, NaN where there is no data
    inside : float (rows, cols), 0 to 1, or None; pixels below 0.5 do not count

    Returns
    -------
    str, a warning that says what to do; None if the relief looks right, like noise, or is too small to say

    Notes
    -----
    Own derivation: a t test on the blocks' skewness.  It sees which way the relief leans, not whether it is skin: hair,
    scales and goose bumps do lean outwards.
    """
    skewness = block_skewness(height, inside)
    if len(skewness) < _LEAST_BLOCKS:
        return None
    mean, error = float(skewness.mean()), float(skewness.std(ddof=1)) / math.sqrt(len(skewness))
    if mean <= MOST_SSK or mean <= _LEAST_T * error:
        return None
    return (
        f"the relief stands out more than it goes in (skewness Ssk {mean:+.2f}, mean of {len(skewness)} blocks); pores "
        f"and furrows of skin go in and make it negative (up to {MOST_SSK:+g} counts as neither); if white is inward "
        "in this picture, turn the relief with invert; if white is outward and this relief does stand out (hair, "
        "scales, bumps), leave it as it is"
    )


def block_skewness(height: np.ndarray, inside: np.ndarray | None = None) -> np.ndarray:
    """Robust skewness of each block that holds enough relief, float64 (n,)."""
    rows, cols = (np.linspace(0, side, _n_blocks(side) + 1).astype(int) for side in height.shape)
    found = []
    for top, bottom in zip(rows, rows[1:], strict=False):
        for left, right in zip(cols, cols[1:], strict=False):
            block = (slice(top, bottom, _stride(bottom - top)), slice(left, right, _stride(right - left)))
            part = np.asarray(height[block], np.float64)
            counts = np.isfinite(part)
            if inside is not None:
                counts &= inside[block] >= 0.5
            if counts.mean() >= _LEAST_SHARE:
                found.append(_skewness(part, counts))
    values = np.array(found)
    return values[np.isfinite(values)]


def _n_blocks(side_px: int) -> int:
    return min(_MOST_BLOCKS, max(1, side_px // _LEAST_BLOCK_PX))


def _stride(side_px: int) -> int:
    return max(1, side_px // _LOOKED_AT_PX)


def _skewness(part: np.ndarray, counts: np.ndarray) -> float:
    """Skewness of a block about its quadratic form, outliers drawn in; NaN for a flat one."""
    y, x = np.nonzero(counts)
    x, y = x / part.shape[1] - 0.5, y / part.shape[0] - 0.5
    form = np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])
    z = part[counts]
    scale = np.abs(z).max()
    z = z - form @ np.linalg.solve(form.T @ form + 1e-9 * len(z) * np.eye(6), form.T @ z)
    low, middle, high = np.quantile(z, _QUANTILES)
    reach = _REACH_RATIO * max(middle - low, high - middle)
    z = np.clip(z, middle - reach, middle + reach)
    z -= z.mean()
    sq = z.std()
    return float((z**3).mean() / sq**3) if sq > 1e-12 * scale else math.nan
