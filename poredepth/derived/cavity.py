"""Cavity: how deep the skin lies below its surroundings, mm.

The surroundings are the map low-passed along the skin: a wave of half the cutoff's length keeps 0.94 of its height, one
of four times its length 0.04 (docs/derived_relief.md).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.derived.heights import MapHeights
from poredepth.derived.low_pass import SkinLowPass, low_passed
from poredepth.raster.window import Window

#: Pores and the furrows between them are narrower than this, folds and forms are longer (common practice, no source).
CUTOFF_MM = 1.0


@dataclass(frozen=True)
class Cavity:
    """A composed map against its surroundings; blocks may be asked in any order, by several threads."""

    heights: MapHeights
    surroundings: SkinLowPass

    def block(self, tile: int, window: Window) -> np.ndarray:
        """How deep a window's texels lie below their surroundings, float32 (rows, cols), mm; else 0."""
        # + 0: never -0
        return np.maximum(-self.relative(tile, window), np.float32(0)) + np.float32(0)

    def relative(self, tile: int, window: Window) -> np.ndarray:
        """Height above the surroundings, below 0 in pits, float32 (rows, cols), mm; 0 without skin."""
        return self.heights.block(tile, window) - self.surroundings.block(tile, window)


def cavity(heights: MapHeights, cutoff_mm: float = CUTOFF_MM, n_threads: int = 2) -> Cavity:
    """Prepare the cavity of a composed map.

    Parameters
    ----------
    heights : the composed map
    cutoff_mm : float, mm along the skin, of the low pass that the surroundings are
    n_threads : see `low_passed`

    Raises
    ------
    PatchError, MapFileError : see `low_passed`
    """
    return Cavity(heights, low_passed(heights, cutoff_mm, n_threads))
