"""The surface of least bending between bounds: within half a step of heights that were rounded to steps.

On a pyramid of means over 2 x 2 texels, from coarse to fine: a mean of true heights lies within half a step of the mean
of stored ones, so each level has the same bounds.
"""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from poredepth.patch.clean.kernels import halve, mirror_margin, refine_bounded, relax_bounded, square_laplacian
from poredepth.patch.clean.rows import on_rows

#: Square of the laplacian, in steps, at which least bending and what is known from waves are equally good (measured, on
#: waves, ramps, relief of demo patches and self-affine relief).
BENT = 0.003

_BOUND = np.float32(0.5)
#: Sweeps on levels from the finest on; the last counts for all coarser ones.
_SWEEPS = (10, 32, 80, 160)
_COARSEST_PX = 8

#: Levels whose bending tells where finer ones are worth the time, by blocks of so many of the picture's texels.
_TOLD_AT, _TOLD_BY_PX = (2, 1), 16
#: Blocks are left out where the surface would count for less than this share.
_LEAST_SHARE = 0.05


def least_bending(steps: np.ndarray) -> np.ndarray | None:
    """The surface of least bending within half a step.

    Parameters
    ----------
    steps : float32 (rows, cols), stored heights in steps, level on the whole

    Returns
    -------
    float32 (rows, cols), least bent where it is bent by little and only roughly elsewhere; None: bent everywhere

    Notes
    -----
    The least sum of squared laplacians (the edge mirrored) within the bounds, by projected, over-relaxed Gauss-Seidel
    sweeps on each level.  The square of a laplacian of smooth relief falls by 16 from a level to the next finer one, of
    other relief by less; where so much falling would leave it beyond 19 * 0.003, finer levels are left as they are.

    Source: projected over-relaxation, Cryer 1971 (SIAM J. Control 9:385); pyramid of means, own derivation.
    """
    levels = [steps]
    while min(levels[-1].shape) > _COARSEST_PX:
        shape = tuple(-(-side // 2) for side in levels[-1].shape)
        coarse = np.empty(shape, np.float32)
        halve(levels[-1], np.zeros(levels[-1].shape, bool), coarse, np.empty(shape, bool))
        levels.append(coarse)
    height, wanted, side = np.pad(levels[-1], 2, mode="edge"), np.ones((1, 1), bool), 2 * max(steps.shape)
    for k in range(len(levels) - 1, -1, -1):
        stored = levels.pop()
        if stored.shape != tuple(n - 4 for n in height.shape):
            height = _refined(height, stored)
        for _ in range(_SWEEPS[min(k, len(_SWEEPS) - 1)]):
            _sweep(height, stored, wanted, max(side >> k, 1))
        if k in _TOLD_AT:
            wanted, side = _little_bent(height[2:-2, 2:-2], k), _TOLD_BY_PX
            if not wanted.any():
                return None
    return height[2:-2, 2:-2]


def _little_bent(height: np.ndarray, level: int) -> np.ndarray:
    """bool, blocks, and those beside them, where finer levels are worth the time."""
    side = _TOLD_BY_PX >> level
    bent = np.empty(tuple(-(-n // side) for n in height.shape), np.float32)
    square_laplacian(height, side, bent, 0, len(bent))
    wanted = bent < 16.0**level * BENT * (1.0 / _LEAST_SHARE - 1.0)
    return ndimage.binary_dilation(wanted, np.ones((3, 3), bool))


def _refined(coarse: np.ndarray, stored: np.ndarray) -> np.ndarray:
    mirror_margin(coarse)
    height = np.empty(tuple(n + 4 for n in stored.shape), np.float32)
    on_rows(lambda a, b: refine_bounded(coarse, stored, _BOUND, height, a, b), len(stored))
    return height


def _sweep(height: np.ndarray, stored: np.ndarray, wanted: np.ndarray, side: int) -> None:
    mirror_margin(height)
    for first in (0, 1, 2):

        def part(start: int, stop: int, first: int = first) -> None:
            relax_bounded(height, stored, _BOUND, wanted, side, first, start, stop)

        on_rows(part, len(stored), least=256)
