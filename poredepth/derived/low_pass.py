"""A composed map low-passed along the skin: the areal Gaussian filter of ISO 16610-61, its cutoff in mm of skin.

The composed heights are taken for a map layer and filtered as one (`raster.low_pass`): over seams, in charts that are
mirrored or stretched, a wave keeps what the standard says.  They are reduced first, as far as the cutoff allows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.derived.heights import MapHeights
from poredepth.derived.reduced import reduced_pictures
from poredepth.patch.types import check_positive
from poredepth.placement.mapped import map_prints
from poredepth.placement.prints import Prints
from poredepth.raster.evaluate import Pictures, add_prints
from poredepth.raster.low_pass import low_passed_map
from poredepth.raster.texels import TileRaster
from poredepth.raster.window import Window


@dataclass(frozen=True)
class SkinLowPass:
    """A low-passed map, asked at the map's texels; blocks may be asked in any order, by several threads.

    Attributes
    ----------
    raster : the texels of the map
    cutoff_mm : mm along the skin
    prints, pictures : the low pass as a function on the skin
    """

    raster: TileRaster
    cutoff_mm: float
    prints: Prints
    pictures: Pictures

    def block(self, tile: int, window: Window) -> np.ndarray:
        """Low-passed heights of a window's texels, float32 (rows, cols), mm; 0 where there is no skin."""
        points = self.raster.skin_points(tile, window)
        out = np.zeros(len(points), np.float32)
        # the low pass is asked at the texels' centres, not filtered once more for their size
        exact = np.zeros((self.raster.surface.n_triangles, 3), np.float32)
        add_prints(points, np.ones_like(out), 1.0, exact, self.prints, self.pictures, out)
        return out.reshape(window.shape)


def low_passed(heights: MapHeights, cutoff_mm: float, n_threads: int = 2) -> SkinLowPass:
    """Low-pass a composed map along the skin.

    A sine of wavelength l along the skin keeps 2^-((cutoff / l)^2) of its height.

    Parameters
    ----------
    heights : the composed map
    cutoff_mm : float, mm along the skin
    n_threads : pieces of work at once; they change no bit

    Raises
    ------
    PatchError : a cutoff that is not above 0
    MapFileError : no room for temporary files, where the map lies in files or is large
    """
    check_positive("low pass", "cutoff_mm", cutoff_mm, " (mm along the skin)")
    raster = heights.raster
    prints = map_prints(raster.surface, raster.tiles)
    source = reduced_pictures(heights, cutoff_mm, n_threads)
    # none but the first level is read at the map's own texels
    prints, pictures = low_passed_map(raster.surface, prints, source, cutoff_mm, n_threads=n_threads, levels=1)
    return SkinLowPass(raster, float(cutoff_mm), prints, pictures)
