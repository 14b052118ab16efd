"""What is asked of heights before they are measured."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import numpy as np

from poredepth.errors import PatchError
from poredepth.patch.border import INSIDE_FROM
from poredepth.patch.types import check_all_finite, float_picture

#: Rows that are looked at together, so that a large picture is not copied in double precision.
STRIP_PX = 256
#: Strips measured at a time.
_THREADS = 2

Found = TypeVar("Found")


def checked_relief(where: str, height_mm, inside=None) -> tuple[np.ndarray, np.ndarray | None]:
    """Heights to measure and where they count.

    Parameters
    ----------
    where : what messages begin with
    height_mm : (rows, cols), mm; outside of ``inside`` it may be NaN
    inside : (rows, cols), bool or 0 to 1; from a half on a texel counts.  None: all do

    Returns
    -------
    float32 or float64 (rows, cols), mm, with 0 outside; bool (rows, cols), or None where all texels count

    Raises
    ------
    PatchError : not a (rows, cols) of numbers, fewer than 4 x 4 texels, values not finite that count, an inside of
        another size
    """
    heights = float_picture(where, height_mm)
    if inside is None:
        check_all_finite(where, heights)
        return heights, None
    counts = np.asarray(inside)
    if counts.shape != heights.shape or counts.dtype.kind not in "bfiu":
        raise PatchError(
            f"{where}: inside has shape {counts.shape} and type {counts.dtype}; allowed: numbers of the shape of "
            f"height_mm, {heights.shape}"
        )
    counts = counts >= INSIDE_FROM
    heights = np.where(counts, heights, heights.dtype.type(0))
    check_all_finite(where, heights)
    return (heights, None) if counts.all() else (heights, counts)


def strips(n_rows: int):
    """Slices that cover the rows, a few at a time."""
    return (slice(top, min(top + STRIP_PX, n_rows)) for top in range(0, n_rows, STRIP_PX))


def over_strips(measure: Callable[[slice], Found], n_rows: int) -> list[Found]:
    """What is found in each strip, in their order, whichever is done first: sums do not depend on threads."""
    parts = list(strips(n_rows))
    if len(parts) == 1:
        return [measure(parts[0])]
    with ThreadPoolExecutor(_THREADS) as pool:
        return list(pool.map(measure, parts))


def mean_mm(heights: np.ndarray, inside: np.ndarray | None) -> float:
    """Mean of what counts, in double precision, in two passes: an offset far above the relief costs no digits."""
    first = float(heights.mean(dtype=np.float64)) if inside is None else _masked_mean(heights, inside, 0.0)
    return first + _masked_mean(heights, inside, first)


def _masked_mean(heights, inside, offset: float) -> float:
    def sums(part: slice) -> tuple[float, int]:
        values = heights[part].astype(np.float64) - offset
        values = values if inside is None else values[inside[part]]
        return float(values.sum()), values.size

    totals, counts = zip(*over_strips(sums, len(heights)), strict=True)
    return sum(totals) / sum(counts) if sum(counts) else 0.0
