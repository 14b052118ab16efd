"""A picture made to tile by laying its margins over each other, first left and right, then top and bottom."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from poredepth.errors import PatchError
from poredepth.patch.tiling.blend import joined
from poredepth.patch.tiling.checks import checked_picture
from poredepth.patch.tiling.drift import bent, drift_px
from poredepth.patch.tiling.period import MOST_SLIP_SHARE, OFFSET_SMOOTH, Period, best_period, overlap_limits
from poredepth.patch.tiling.shear import moved_lines
from poredepth.patch.types import MIN_SIDE_PX

#: How far lines of both margins may be brought together along the cut, per side: as far as a whole margin may slip.
_MOST_DRIFT_SHARE = MOST_SLIP_SHARE
#: A side must hold two margins and a tile between them, texels.
LEAST_SIDE_PX = 2 * MIN_SIDE_PX


@dataclass(frozen=True, eq=False)
class Seam:
    """One cut and what it was made from.

    ``picture`` (rows, period), periodic along rows; ``path`` int64 (rows,), column of the cut; ``left``, ``right``
    (rows, overlap), the margins before they were joined; ``period`` where they came from
    """

    picture: np.ndarray
    path: np.ndarray
    left: np.ndarray
    right: np.ndarray
    period: Period


def overlap_cut(height: np.ndarray, overlap_px: tuple[int, int] | float | None = None) -> np.ndarray:
    """Make a picture tile by cuts that follow its furrows.

    Parameters
    ----------
    height : float (rows, cols), level relief, any unit
    overlap_px : (rows, cols), texels that are laid over each other at top and bottom, left and right; or a share of
        each side, above 0 up to 1/3; None: what fits best

    Returns
    -------
    Relief that tiles, float32 (float64 if the heights are), smaller by the overlap and by what its best period leaves

    Raises
    ------
    PatchError : heights that are no finite (rows, cols) of at least 8 texels; an overlap of less than 1 texel or more
        than a third of a side
    """
    heights = checked_picture("overlap cut", height)
    check_can_be_cut(heights.shape)
    seams = cut_seams(heights, _overlaps(heights.shape, overlap_px))
    return np.ascontiguousarray(seams[1].picture.T)


def can_be_cut(shape: tuple[int, int]) -> bool:
    """Whether a picture is large enough for margins."""
    return min(shape) >= LEAST_SIDE_PX


def check_can_be_cut(shape: tuple[int, int]) -> None:
    """Raise PatchError unless a picture is large enough for margins."""
    if not can_be_cut(shape):
        raise PatchError(
            f"overlap cut: the heights have shape {shape}; allowed is at least {LEAST_SIDE_PX} texels each, to have "
            "margins; give a larger piece"
        )


def cut_seams(heights: np.ndarray, overlap_px: tuple[int | None, int | None] = (None, None)) -> tuple[Seam, Seam]:
    """The cut between left and right, then that between top and bottom: its picture, transposed, tiles both ways."""
    across = _seam(heights, overlap_px[1], closed=False)
    down = _seam(across.picture.T, overlap_px[0], closed=True)
    return across, down


def _seam(heights: np.ndarray, overlap_px: int | None, closed: bool) -> Seam:
    """Make a picture periodic along its rows."""
    period = best_period(heights, overlap_px, closed)
    piece = _upright(heights, period, closed)
    width = period.overlap_px
    piece = _met(piece, period, closed)
    _spread_offset(piece, period, closed)
    left, right = piece[:, :width], np.ascontiguousarray(piece[:, period.period_px :])
    both = joined(np.ascontiguousarray(left), right, closed)
    left = left.copy()
    picture = piece[:, : period.period_px]
    picture[:, :width] = both.height
    return Seam(picture, both.path, left, right, period)


def _upright(heights: np.ndarray, period: Period, closed: bool) -> np.ndarray:
    """Columns of one period and its right margin, sheared by the slip: a copy."""
    cols = slice(period.start_px, period.start_px + period.period_px + period.overlap_px)
    if period.slip_px == 0:
        return heights[:, cols].copy()
    slide = period.slip_px * (np.arange(cols.stop - cols.start) / period.period_px)
    count = len(heights) if closed else len(heights) - int(np.ceil(abs(slide[-1])))
    start = slide if closed else slide - min(0.0, slide[-1])
    return np.ascontiguousarray(moved_lines(heights[:, cols].T, start, count, periodic=closed).T)


def _met(piece: np.ndarray, period: Period, closed: bool) -> np.ndarray:
    """Bend the piece, evenly over its period, so that lines that both margins hold meet; else the piece as it is."""
    width = period.overlap_px
    most = _MOST_DRIFT_SHARE * len(piece)
    drift = drift_px(piece[:, :width], piece[:, period.period_px :], closed, most)
    if drift is None:
        return piece
    share = (np.arange(piece.shape[1]) - (piece.shape[1] - 1) / 2) / period.period_px
    return bent(piece, drift, share, closed)


def _spread_offset(piece: np.ndarray, period: Period, closed: bool) -> None:
    """Tilt each row, in place, so that its margins have one height; the tilt is as smooth along the cut as long.

    It is the coarsest band, whose fade is the whole period: an edge between two levels would show as a ramp if it had
    to fade over the overlap.
    """
    width = period.overlap_px
    apart = (piece[:, :width] - piece[:, period.period_px :]).mean(axis=1, dtype=np.float64)
    apart = ndimage.gaussian_filter1d(apart, OFFSET_SMOOTH * period.period_px, mode="wrap" if closed else "nearest")
    slope = (apart / period.period_px).astype(piece.dtype)
    at = np.arange(piece.shape[1], dtype=piece.dtype) - piece.dtype.type((piece.shape[1] - 1) / 2)
    for top in range(0, len(piece), 256):
        piece[top : top + 256] += slope[top : top + 256, None] * at


def _overlaps(shape: tuple[int, int], overlap_px) -> tuple[int | None, int | None]:
    """Texels of both overlaps, checked."""
    if overlap_px is None:
        return None, None
    wished = (overlap_px, overlap_px) if np.ndim(overlap_px) == 0 else tuple(overlap_px)
    if np.ndim(overlap_px) == 0:
        wished = tuple(share * side for share, side in zip(wished, shape, strict=True))
    for wish, side in zip(wished, shape, strict=True):
        if not 1 <= wish <= overlap_limits(side)[1]:
            raise PatchError(
                f"overlap cut: an overlap of {wish:g} of {side} texels; allowed is 1 to {overlap_limits(side)[1]}, a "
                "third of the side; give (rows, cols) in texels or a share of the side"
            )
    return tuple(int(round(wish)) for wish in wished)
