"""The warp of a registered patch: flat skin to patch, through its tie points."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from poredepth.placement.ties import LEAST_TIES, on_one_line

#: Takes places on the flat skin (n, 2), mm, to places in the patch (n, 2), mm.
Warp = Callable[[np.ndarray], np.ndarray]


def fitted(sheet_mm: np.ndarray, patch_mm: np.ndarray) -> Warp:
    """Thin-plate spline through tie points (Bookstein 1989), an affine map where there are three.

    Of two tie points, or of tie points on one line, nothing can be learnt about the way across: those give the
    similarity that fits best.

    Parameters
    ----------
    sheet_mm, patch_mm : float64 (n, 2), n at least 2
    """
    if len(sheet_mm) < LEAST_TIES or on_one_line(sheet_mm):
        return similarity(sheet_mm, patch_mm)
    from scipy.interpolate import RBFInterpolator  # only here: its start-up time is not for every run

    return RBFInterpolator(sheet_mm, patch_mm, kernel="thin_plate_spline", degree=1)


def similarity(sheet_mm: np.ndarray, patch_mm: np.ndarray) -> Warp:
    """Least-squares turn, size and shift, in complex numbers (closed form)."""
    here, there = (points[:, 0] + 1j * points[:, 1] for points in (sheet_mm, patch_mm))
    middle, target = here.mean(), there.mean()
    factor = np.vdot(here - middle, there - target) / max(np.vdot(here - middle, here - middle).real, 1e-300)

    def warp(points: np.ndarray) -> np.ndarray:
        out = (points[:, 0] + 1j * points[:, 1] - middle) * factor + target
        return np.column_stack([out.real, out.imag])

    return warp


def without_each(sheet_mm: np.ndarray, patch_mm: np.ndarray) -> list[Warp]:
    """For each tie point, the warp through all others."""
    kept = ~np.eye(len(sheet_mm), dtype=bool)
    return [fitted(sheet_mm[keep], patch_mm[keep]) for keep in kept]
