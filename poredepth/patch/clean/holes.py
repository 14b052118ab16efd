"""Texels without data: how many there are, smooth relief in their place, the largest part of a picture without them.

A hole is filled from its rim by the surface of least bending with a little tension: heights and slopes run on over the
rim, and in the middle of a large hole the surface comes to rest.  It has no fine relief, so that a large hole shows as
a smooth spot.  At the picture's edge relief is continued level (on the tilt of the whole picture), not drawn out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from poredepth.errors import PatchError
from poredepth.patch.clean.kernels import halve, refill, relax_holes

#: More than this missing is not filled: own choice.
MOST_MISSING_RATIO = 0.3
#: A hole longer than this share of the picture's width shows: own choice.
LARGE_HOLE_RATIO = 0.05

#: Length over which a slope is carried on into a hole, texels: own choice.
_CARRY_PX = 16.0
#: Sweeps on a level: as many as make so many visits of texels, within bounds.
_VISITS, _SWEEPS = 8e7, (24, 200)
_EIGHT = np.ones((3, 3), bool)


@dataclass(frozen=True)
class Holes:
    """What was missing in a picture.

    ``n_px`` texels, ``share`` of the picture (or of its inside), ``n_holes`` joined pieces, ``largest_px`` longer side
    of the largest one, texels, ``n_large`` pieces longer than 0.05 of the width, ``n_border_px`` texels of pieces that
    touch the picture's edge.
    """

    n_px: int
    share: float
    n_holes: int
    largest_px: int
    n_large: int
    n_border_px: int

    @property
    def advice(self) -> str | None:
        """What to look at, or None."""
        if not self.n_large:
            return None
        return (
            f"{self.n_large} hole(s) longer than {LARGE_HOLE_RATIO:.0%} of the picture's width (the largest: "
            f"{self.largest_px} px) will show as a smooth spot; crop the picture beside them"
        )


def fill_holes(height: np.ndarray, inside: np.ndarray | None = None) -> tuple[np.ndarray, Holes | None]:
    """Fill texels without data (NaN or infinite) smoothly from around them.

    Parameters
    ----------
    height : float (rows, cols), any unit, NaN where nothing is known
    inside : bool or float (rows, cols), 0.5 or more where relief counts; None: everywhere.  What is missing outside is
        filled too, but not counted

    Returns
    -------
    float32 (rows, cols), finite, known texels bit for bit as they were; Holes, or None where nothing inside is missing

    Raises
    ------
    PatchError : more than 0.3 of the picture (of its inside) is missing

    Notes
    -----
    Solves L^2 bilaplacian(h) = laplacian(h) in the holes, L = 16 texels, known texels held, the edge mirrored, on a
    pyramid from coarse to fine, with 24 to 200 over-relaxed sweeps on each level, the more the less is missing.  The
    plane of the known texels is taken off first.

    Source: splines in tension, Smith & Wessel 1990 (Geophysics 55:293); relaxation from coarse to fine, common
    practice.
    """
    heights = np.array(height, np.float32, order="C", copy=True)
    missing = ~np.isfinite(heights)
    counted = missing if inside is None else missing & (np.asarray(inside) >= 0.5)
    n_px = int(np.count_nonzero(counted))
    size = missing.size if inside is None else max(int(np.count_nonzero(np.asarray(inside) >= 0.5)), 1)
    if n_px > MOST_MISSING_RATIO * size or missing.all():
        raise PatchError(
            f"holes: {n_px / size:.0%} of the picture has no data; allowed: {MOST_MISSING_RATIO:.0%}; crop it to where "
            "it has, or measure again"
        )
    fill_where(heights, missing)
    return heights, _report(counted, n_px, size) if n_px else None


def fill_where(heights: np.ndarray, missing: np.ndarray) -> None:
    """Fill texels of a contiguous float32 picture in place, see `fill_holes`; nothing is asked of their number."""
    at = np.flatnonzero(missing)
    if not len(at):
        return
    cols = heights.shape[1]
    level, down, right = _plane_of_known(heights, missing)
    work = heights - (level + down * np.arange(len(heights)))[:, None].astype(np.float32)
    work -= (right * np.arange(cols)).astype(np.float32)
    _fill_level(work, missing)
    flat = work.reshape(-1)[at] + (level + down * (at // cols) + right * (at % cols)).astype(np.float32)
    heights.reshape(-1)[at] = flat


def _fill_level(height: np.ndarray, missing: np.ndarray, level: int = 0) -> None:
    """Fill one level of the pyramid in place, after the coarser ones; level 0 is the picture."""
    at = np.flatnonzero(missing)
    if not len(at):
        return
    if min(height.shape) < 2 or len(at) == missing.size:
        height.reshape(-1)[at] = 0.0 if len(at) == missing.size else np.mean(height[~missing])
        return
    shape = tuple(-(-side // 2) for side in height.shape)
    coarse, coarse_missing = np.empty(shape, np.float32), np.empty(shape, bool)
    halve(height, missing, coarse, coarse_missing)
    _fill_level(coarse, coarse_missing, level + 1)
    refill(coarse, at, height.shape[1], height.reshape(-1))
    n_sweeps = int(np.clip(_VISITS / len(at), *_SWEEPS))
    r, c = np.divmod(at, height.shape[1])
    inner = (r > 1) & (r < height.shape[0] - 2) & (c > 1) & (c < height.shape[1] - 2)
    relax_holes(height, at, inner, (_CARRY_PX / 2**level) ** 2, n_sweeps)


def _plane_of_known(heights: np.ndarray, missing: np.ndarray) -> tuple[float, float, float]:
    """(level, per row, per column) of the plane through the known texels, by about a million of them."""
    every = max(1, int(np.sqrt(heights.size / 2**20)))
    known = ~missing[::every, ::every]
    if np.count_nonzero(known) < 3:
        known, every = ~missing, 1
    r, c = (index.astype(float) for index in np.nonzero(known))
    h = heights[::every, ::every][known].astype(float)
    middle = np.array([r.mean(), c.mean()])
    centred = np.column_stack([r - middle[0], c - middle[1]])
    slope = np.linalg.pinv(centred.T @ centred, rcond=1e-10, hermitian=True) @ (centred.T @ (h - h.mean()))
    return float(h.mean() - slope @ middle), float(slope[0] / every), float(slope[1] / every)


def _report(missing: np.ndarray, n_px: int, size: int) -> Holes:
    labels, n_holes = ndimage.label(missing, structure=_EIGHT)
    extents = [max(part.stop - part.start for part in box) for box in ndimage.find_objects(labels)]
    at_border = _touching(labels, n_holes)
    n_border = int(np.count_nonzero(at_border[labels])) if at_border.any() else 0
    large = sum(extent > LARGE_HOLE_RATIO * missing.shape[1] for extent in extents)
    return Holes(n_px, n_px / size, int(n_holes), max(extents), large, n_border)


def _touching(labels: np.ndarray, n_labels: int) -> np.ndarray:
    """bool (n_labels + 1,): which pieces touch the picture's edge."""
    touching = np.zeros(n_labels + 1, bool)
    for edge in (labels[0], labels[-1], labels[:, 0], labels[:, -1]):
        touching[edge] = True
    touching[0] = False
    return touching


def without_inner_holes(valid: np.ndarray) -> np.ndarray:
    """Where a picture has data once its inner holes are filled: all but what is missing in one piece with the edge.

    Parameters
    ----------
    valid : bool (rows, cols)

    Returns
    -------
    bool (rows, cols)
    """
    labels, n = ndimage.label(~valid, structure=_EIGHT)
    return ~_touching(labels, n)[labels]
