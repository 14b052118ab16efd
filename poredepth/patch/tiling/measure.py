"""How well a picture tiles: steps and kinks over its borders, and low waves that show as repeats."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from poredepth.patch.tiling.checks import checked_picture
from poredepth.patch.types import check_positive

#: Steps and kinks over the border, against those inside, that do not show: own choice.
MOST_BORDER_RATIO = 1.2
#: The same for steps of several texels, which there are fewer of to take a mean of: own choice.
MOST_STRUCTURE_RATIO = 1.6
#: Share of the relief in low waves above which repeats show: own choice, see docs/tiling.md.
MOST_BLOTCH_RATIO = 0.35

#: Distances in texels that heights are compared over.
LAGS_PX = (1, 2, 4, 8, 16)
#: Longest distance, per side of the picture, and the lines beside the border that are looked at.
_LAG_SHARE, _BESIDE = 1 / 16, 4
#: Lines that rms values of the inside are taken from at most.
_MOST_LINES = 1024
#: Rows of the picture that are summed at once.
_ROWS_AT_ONCE = 64


@dataclass(frozen=True)
class TileBorder:
    """What a picture does where it meets itself; pairs are (over the top and bottom, over the left and right).

    Attributes
    ----------
    jump_ratio : rms step over the border / rms step between neighbouring rows (columns) inside
    gradient_ratio : rms kink (second difference) over the border / rms kink inside
    structure_ratio : rms step over the border / rms step beside it, for the worst of several distances: what is
        seen where a border runs through a quiet part of a rough picture
    """

    jump_ratio: tuple[float, float]
    gradient_ratio: tuple[float, float]
    structure_ratio: tuple[float, float]

    @property
    def worst_ratio(self) -> float:
        """Largest of the jump and gradient ratios: 1 is ideal, at most ``MOST_BORDER_RATIO`` does not show."""
        return max(*self.jump_ratio, *self.gradient_ratio)

    @property
    def continues(self) -> bool:
        """Whether the picture goes on over its borders as it does beside them."""
        return max(self.structure_ratio) <= MOST_STRUCTURE_RATIO


def tile_border(height: np.ndarray) -> TileBorder:
    """Measure steps and kinks over the borders of a picture that is to tile.

    Parameters
    ----------
    height : float (rows, cols), any unit

    Returns
    -------
    TileBorder; all ratios are 1 for a level picture

    Raises
    ------
    PatchError : heights that are no finite (rows, cols)

    Notes
    -----
    Own definitions.  Inside, rms values are taken from all pairs of neighbours of at most 1024 rows (columns), evenly
    chosen; over the border from all of them.
    """
    heights = checked_picture("tile border", height)
    found = [_over_left_and_right(picture) for picture in (heights.T, heights)]
    return TileBorder(*(tuple(float(ratio) for ratio in pair) for pair in zip(*found, strict=True)))


def _over_left_and_right(heights: np.ndarray) -> tuple[float, float, float]:
    """jump, gradient and structure ratio of the border between the last and the first column."""
    inner = np.ascontiguousarray(heights[:: -(-len(heights) // _MOST_LINES)])
    floor = _floor(heights)
    steps = inner[:, 1:] - inner[:, :-1]
    jump = ratio_of(rms(heights[:, 0] - heights[:, -1]), rms(steps), floor)
    kinks = steps[:, 1:] - steps[:, :-1]
    over = _around_border(heights, 2)
    gradient = ratio_of(rms(np.diff(over, n=2, axis=1)), rms(kinks), floor)
    return jump, gradient, _structure(heights, floor)


def _structure(heights: np.ndarray, floor: float) -> float:
    """Worst ratio of steps over the border to those beside it, on the side where they are larger."""
    worst = 0.0
    for lag in lags_px(heights.shape[1]):
        reach = 3 * lag + _BESIDE
        around = _around_border(heights, reach)
        steps = around[:, lag:] - around[:, :-lag]
        kinks = steps[:, lag:] - steps[:, :-lag]
        # step k joins columns k and k + lag of `around`, kink k also k + 2 lag; the border lies before column `reach`
        for terms, span in ((steps, lag), (kinks, 2 * lag)):
            beside = max(rms(terms[:, : reach - span]), rms(terms[:, reach:]))
            worst = max(worst, ratio_of(rms(terms[:, reach - span : reach]), beside, floor))
    return worst


def lags_px(side_px: int) -> list[int]:
    """Distances that a side of so many texels can be looked at with."""
    return [lag for lag in LAGS_PX if lag == 1 or lag <= side_px * _LAG_SHARE]


def _around_border(heights: np.ndarray, reach: int) -> np.ndarray:
    """The last columns and then the first, float64 (rows, 2 reach)."""
    cols = np.arange(-reach, reach) % heights.shape[1]
    return heights[:, cols].astype(np.float64)


def rms(values: np.ndarray) -> float:
    """Root mean square, 0 of nothing."""
    flat = np.ascontiguousarray(values).ravel()
    return math.sqrt(float(np.einsum("i,i->", flat, flat, dtype=np.float64)) / flat.size) if flat.size else 0.0


def _floor(heights: np.ndarray) -> float:
    """A step that is nothing but rounding of such heights."""
    return 1e-6 * max(float(heights.max()), -float(heights.min())) + np.finfo(np.float32).tiny


def ratio_of(over: float, inside: float, floor: float) -> float:
    """over / inside, where both count as at least ``floor``."""
    return max(over, floor) / max(inside, floor)


#: Of so many rows, so many are summed before waves as long as the picture are looked for.
_MANY_ROWS, _ROWS_TOGETHER = 2048, 8


def blotch_ratio(height_mm: np.ndarray, texel_mm: float) -> float:
    """Share of a tile's relief that lies in waves longer than a third of its sides: what shows as repeats.

    Parameters
    ----------
    height_mm : float (rows, cols), mm, relief that tiles
    texel_mm : float, mm

    Returns
    -------
    float, 0 to 1: Sq of those waves / Sq of all; 0 for a level picture.  Above ``MOST_BLOTCH_RATIO`` take form off with
    a shorter cutoff

    Raises
    ------
    PatchError : heights that are no finite (rows, cols), a texel that is not above 0

    Notes
    -----
    Own definition.  Of a tile that is wide W and high H, waves (k / W, l / H) with 0 < k^2 + l^2 < 9: 24 of them,
    summed exactly.  It is a ratio, so the texel's size changes nothing.
    """
    heights = checked_picture("blotch ratio", height_mm)
    check_positive("blotch ratio", "texel_mm", texel_mm)
    rows, cols = heights.shape
    waves = np.arange(-2, 3)
    right = 2 * np.pi * np.outer(np.arange(cols), waves[2:]) / cols
    cos, sin = np.cos(right).astype(heights.dtype), np.sin(right).astype(heights.dtype)
    down = np.exp(-2j * np.pi * np.outer(waves, np.arange(rows)) / rows)
    mean, whole, sums = heights.dtype.type(heights.mean(dtype=np.float64)), 0.0, np.zeros((5, 3), np.complex128)
    for top in range(0, rows, _ROWS_AT_ONCE):
        part = heights[top : top + _ROWS_AT_ONCE] - mean
        whole += float(np.vdot(part, part))
        phases = down[:, top : top + _ROWS_AT_ONCE]
        if rows >= _MANY_ROWS and len(part) % _ROWS_TOGETHER == 0:
            # waves this long hardly turn over a few rows of so many: 4e-6 of their amplitude
            part = part.reshape(-1, _ROWS_TOGETHER, cols).sum(axis=1)
            phases = phases.reshape(5, -1, _ROWS_TOGETHER).mean(axis=2)
        sums += phases @ (part @ cos - 1j * (part @ sin))
    whole /= heights.size
    if math.sqrt(whole) <= _floor(heights):
        return 0.0
    power = np.abs(np.concatenate([sums[::-1, :0:-1].conj(), sums], axis=1) / heights.size) ** 2
    low = (waves[:, None] ** 2 + waves**2 < 9) & ((waves[:, None] != 0) | (waves != 0))
    return min(1.0, math.sqrt(float(power[low].sum()) / whole))
