"""The largest upright rectangle in a mask."""

from __future__ import annotations

import numpy as np

from poredepth.patch.kernels import largest_rectangle

#: Cells a side on which rectangles are looked for.
_RECTANGLE_CELLS = 1024


def largest_full_rectangle(valid: np.ndarray) -> tuple[slice, slice]:
    """The largest upright rectangle in which nothing is missing.

    Parameters
    ----------
    valid : bool (rows, cols); give that of `without_inner_holes` to keep holes that can be filled

    Returns
    -------
    (rows, cols) slices; empty ones if nothing is valid

    Notes
    -----
    On cells of several texels where the picture is larger than 1024 texels, then each side is moved out as far as it
    goes: never a missing texel within, and at most about two cells a side short of the best.
    """
    valid = np.asarray(valid, bool)
    cell_px = -(-max(valid.shape) // _RECTANGLE_CELLS)
    full = _all_in_cells(valid, cell_px)
    top, bottom, left, right = (int(k) for k in largest_rectangle(full))
    rows, cols = valid.shape
    box = [top * cell_px, min(bottom * cell_px, rows), left * cell_px, min(right * cell_px, cols)]
    return _moved_out(valid, box) if box[1] > box[0] else (slice(0, 0), slice(0, 0))


def _all_in_cells(valid: np.ndarray, cell_px: int) -> np.ndarray:
    if cell_px == 1:
        return valid
    starts = [np.arange(0, side, cell_px) for side in valid.shape]
    return np.logical_and.reduceat(np.logical_and.reduceat(valid, starts[1], axis=1), starts[0], axis=0)


def _moved_out(valid: np.ndarray, box: list[int]) -> tuple[slice, slice]:
    """Move the sides of a full rectangle out, one texel at a time in turn, as long as all stays full."""
    moved = True
    while moved:
        moved = False
        top, bottom, left, right = box
        if top > 0 and valid[top - 1, left:right].all():
            box[0], moved = top - 1, True
        if bottom < valid.shape[0] and valid[bottom, left:right].all():
            box[1], moved = bottom + 1, True
        top, bottom = box[:2]
        if left > 0 and valid[top:bottom, left - 1].all():
            box[2], moved = left - 1, True
        if right < valid.shape[1] and valid[top:bottom, right].all():
            box[3], moved = right + 1, True
    return slice(box[0], box[1]), slice(box[2], box[3])
