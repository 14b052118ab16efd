"""Slopes of relief: their mean square, the area they make, and the way they lie."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from poredepth.patch.texture.checks import over_strips

#: Slope at a texel from 1, 2, 3 texels to either side, per texel: the seven-point formula that ISO 25178-2 names for
#: Sdq (from memory), which is the central difference of sixth order: a wave of n texels loses (2 pi / n)^6 / 140.
SEVEN_POINT = (45 / 60, -9 / 60, 1 / 60)
#: The central difference of second order, for pictures that have no room for seven.
THREE_POINT = (0.5,)

#: Standard deviation of the Gaussian that slopes for the lay are taken under, texels, and how far it reaches.
LAY_SIGMA_PX, LAY_REACH_PX = 1.0, 4


@dataclass(frozen=True)
class SlopeSums:
    """``mean_square`` of the slope (mm per mm) squared; ``excess_ratio`` of area over the flat area; NaN: no room."""

    mean_square: float
    excess_ratio: float


def slope_sums(heights: np.ndarray, texel_mm: float, periodic: bool, inside: np.ndarray | None) -> SlopeSums:
    """Sums over texels that have all the neighbours the formula asks for, within the picture and the inside."""
    formula = SEVEN_POINT if periodic or min(heights.shape) > 2 * len(SEVEN_POINT) else THREE_POINT
    reach = len(formula)

    def sums(part: slice) -> np.ndarray:
        block, counts = _with_halo(heights, inside, part, reach, periodic)
        if min(block.shape) <= 2 * reach:
            return np.zeros(3)  # no texel has all neighbours
        down = sum(w * (_rows(block, reach, k) - _rows(block, reach, -k)) for k, w in enumerate(formula, 1))
        right = sum(w * (_cols(block, reach, k) - _cols(block, reach, -k)) for k, w in enumerate(formula, 1))
        slope2 = (down[:, reach:-reach] ** 2 + right[reach:-reach] ** 2) / texel_mm**2
        if counts is not None:
            near = [_rows(counts, reach, k)[:, reach:-reach] for k in range(-reach, reach + 1)]
            near += [_cols(counts, reach, k)[reach:-reach] for k in range(-reach, reach + 1)]
            slope2 = slope2[np.logical_and.reduce(near)]
        # sqrt(1 + s) - 1 without losing the digits of small slopes
        return np.array([slope2.sum(), (slope2 / (np.sqrt(1.0 + slope2) + 1.0)).sum(), slope2.size])

    square, area, count = sum(over_strips(sums, len(heights))).tolist()
    return SlopeSums(square / count, area / count) if count else SlopeSums(math.nan, math.nan)


def lay_tensor(heights: np.ndarray, periodic: bool, inside: np.ndarray | None) -> np.ndarray:
    """Mean of products of the slopes about their mean, (2, 2), axes u and v (up), heights per texel.

    Slopes are those of the relief under a narrow Gaussian: turned by any angle they are turned alike, also those of
    waves of a few texels.  The mean slope, so a plane, is taken off.  NaN where there is no room.
    """
    reach = LAY_REACH_PX
    bounded = not periodic
    keeps_border = bounded and min(heights.shape) <= 4 * reach  # too small to give its border away

    def sums(part: slice) -> tuple[np.ndarray, np.ndarray, int]:
        block, counts = _with_halo(heights, inside, part, reach, periodic, keeps_border)
        inner = (slice(reach, -reach), slice(reach, -reach))
        settings = {"sigma": LAY_SIGMA_PX, "truncate": reach, "mode": "nearest"}
        u = ndimage.gaussian_filter(block, order=(0, 1), **settings)[inner]
        v = -ndimage.gaussian_filter(block, order=(1, 0), **settings)[inner]
        if counts is not None:
            full = ndimage.minimum_filter(counts, 2 * reach + 1, mode="nearest")[inner]
            u, v = u[full], v[full]
        slopes = np.stack([u.ravel(), v.ravel()])
        return slopes.sum(axis=1), np.einsum("ik,jk->ij", slopes, slopes), slopes.shape[1]

    totals, products, counts = zip(*over_strips(sums, len(heights)), strict=True)
    count = sum(counts)
    if count == 0:
        return np.full((2, 2), np.nan)
    mean = sum(totals) / count
    return sum(products) / count - np.outer(mean, mean)


def _with_halo(heights, inside, part: slice, reach: int, periodic: bool, keeps_border: bool = False):
    """Rows of a strip with ``reach`` more on all sides, double precision; at a border there may be fewer strips' rows.

    Periodic relief goes on over its borders, bounded relief has only texels whose neighbours are there, unless
    ``keeps_border``: then its border texels go on outwards.
    """
    rows, cols = heights.shape
    mode = "wrap" if periodic else "clip"
    if periodic or keeps_border:
        at_row = np.arange(part.start - reach, part.stop + reach)
        at_col = np.arange(-reach, cols + reach)
    else:
        at_row = np.arange(max(part.start - reach, 0), min(part.stop + reach, rows))
        at_col = np.arange(cols)
    block = heights.take(at_row, axis=0, mode=mode).take(at_col, axis=1, mode=mode).astype(np.float64)
    counts = None if inside is None else inside.take(at_row, axis=0, mode=mode).take(at_col, axis=1, mode=mode)
    return block, counts


def _rows(block, reach: int, shift: int):
    return block[reach + shift : len(block) - reach + shift]


def _cols(block, reach: int, shift: int):
    return block[:, reach + shift : block.shape[1] - reach + shift]
