"""The border of a patch that does not tile: where its relief is, and how it fades in from there.

Everything is a picture in the patch's own pixels, so a soft edge is as fine as the patch, however coarse the mesh.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.patch.kernels import border_distance
from poredepth.patch.types import HeightPatch

#: A soft mask counts as inside from here on, where a feather follows; without one it is taken as painted.
INSIDE_FROM = 0.5

#: Side of the blocks that tell where a patch is inside, pixels.
BLOCK_PX = 16

#: Margin of nothing around a cut-out, as a share of its longer side, and its limits in pixels.
MARGIN_SHARE = 1 / 8
MARGIN_PX = (16, 256)


@dataclass(frozen=True, eq=False)
class InsideBlocks:
    """Which blocks of ``BLOCK_PX`` pixels of a picture hold any inside, for quick questions about areas.

    ``filled`` bool (block rows, block cols); ``_total`` its summed-area table, int64 (block rows + 1, block cols + 1).
    """

    filled: np.ndarray
    _total: np.ndarray

    @classmethod
    def of(cls, inside: np.ndarray) -> InsideBlocks:
        rows, cols = (np.arange(0, side, BLOCK_PX) for side in inside.shape)
        filled = np.logical_or.reduceat(np.logical_or.reduceat(inside, rows, axis=0), cols, axis=1)
        total = np.zeros((filled.shape[0] + 1, filled.shape[1] + 1), np.int64)
        total[1:, 1:] = filled.cumsum(axis=0).cumsum(axis=1)
        return cls(filled, total)

    def centres_px(self) -> np.ndarray:
        """Middles of the filled blocks, float64 (n, 2): x, y from the top left corner."""
        row, col = np.nonzero(self.filled)
        return (np.column_stack([col, row]) + 0.5) * BLOCK_PX

    def touch(self, low_px: np.ndarray, high_px: np.ndarray) -> np.ndarray:
        """bool (n,): whether rectangles from ``low_px`` to ``high_px`` (n, 2), x right, y down, touch such a block."""
        limit = np.array(self.filled.shape[::-1])
        low = np.clip(np.floor(low_px / BLOCK_PX), 0, limit).astype(np.int64)
        high = np.clip(np.floor(high_px / BLOCK_PX) + 1, 0, limit).astype(np.int64)
        total = self._total
        found = (
            total[high[:, 1], high[:, 0]]
            - total[low[:, 1], high[:, 0]]
            - total[high[:, 1], low[:, 0]]
            + total[low[:, 1], low[:, 0]]
        )
        return (found > 0) & (high > low).all(axis=1)


@dataclass(frozen=True, eq=False)
class Cutout:
    """The part of a picture that counts, times its weight, with a margin of nothing.

    Attributes
    ----------
    height_mm : float32 (rows, cols), mm, heights times weight: what is summed
    weight : float32 (rows, cols), 0 to 1
    shift_px : float64 (2,), from the lower left corner of the picture to that of the cut-out: add it to a position
        (x right, y up) in the picture to get that in the cut-out
    max_levels : levels of a pyramid whose low-pass still ends inside the margin
    window, margin_px : rows and columns of the picture that count, and the margin around them
    """

    height_mm: np.ndarray
    weight: np.ndarray
    shift_px: np.ndarray
    max_levels: int
    window: tuple[slice, slice]
    margin_px: int

    def of(self, picture: np.ndarray) -> np.ndarray:
        """Another picture (rows, cols) of the same size, cut out alike."""
        return np.pad(picture[self.window], self.margin_px)


def inside_pixels(patch: HeightPatch, feather_mm: float) -> np.ndarray:
    """bool (rows, cols): where the patch is laid; the border that its feather runs from is the edge of this."""
    if patch.inside is None:
        return np.ones(patch.height_mm.shape, bool)
    return patch.inside >= INSIDE_FROM if feather_mm > 0 else patch.inside > 0


def feather_weight(inside: np.ndarray, painted: np.ndarray | None, feather_px: float) -> np.ndarray:
    """Weight of each pixel: smoothstep of its distance from the border over the feather, times what is painted.

    Parameters
    ----------
    inside : bool (rows, cols); painted : float (rows, cols), 0 to 1, or None
    feather_px : width of the fade, pixels; 0 leaves what is painted

    Returns
    -------
    float32 (rows, cols), 0 to 1; 0 at the border and outside
    """
    if feather_px > 0:
        weight = np.empty(inside.shape, np.float32)
        border_distance(inside, weight)
        weight /= np.float32(feather_px)
        np.clip(weight, 0, 1, out=weight)
        weight *= weight * (np.float32(3) - np.float32(2) * weight)
    else:
        weight = inside.astype(np.float32)
    if painted is not None:
        weight *= painted
    return weight


def cutout(height_mm: np.ndarray, weight: np.ndarray) -> Cutout:
    """Cut a picture (rows, cols) to where its weight is above 0, multiply it, and put a margin of zeros around it.

    Multiplied before the pyramid is built, a soft edge is filtered like any relief, and beyond the border there is
    nothing to be streaked.  A level's Gaussian has faded to 3e-5 after four sigma: the margin is at least that wide.
    """
    rows, cols = np.flatnonzero(weight.any(axis=1)), np.flatnonzero(weight.any(axis=0))
    if len(rows) == 0:
        rows = cols = np.zeros(1, np.int64)
    top, bottom, left, right = rows[0], rows[-1] + 1, cols[0], cols[-1] + 1
    longer = max(bottom - top, right - left)
    margin = int(np.clip(np.ceil(MARGIN_SHARE * longer), *MARGIN_PX))
    window = slice(top, bottom), slice(left, right)
    part = weight[window]
    shift = np.array([margin - left, margin - (weight.shape[0] - bottom)], float)
    # level k has sigma 2**k / 2 pixels
    max_levels = 1 + int(np.log2(margin / 2))
    heights = np.pad(height_mm[window] * part, margin)
    return Cutout(heights, np.pad(part, margin), shift, min(max_levels, 8), window, margin)
