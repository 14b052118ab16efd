"""How a layer fades at the edge of its region, band by band: coarse bands over more skin than fine ones."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from scipy import ndimage

from poredepth.patch.bands import Cutoffs
from poredepth.patch.levels import build_levels
from poredepth.placement.mapped import map_prints
from poredepth.raster.evaluate import add_prints, pack_pictures
from poredepth.raster.low_pass import low_passed_map
from poredepth.surface.masks import spread_beside_charts
from poredepth.surface.points import SkinPoints
from poredepth.surface.regions import FunctionField, PictureField, RegionField, touched_triangles
from poredepth.surface.skin import Surface
from poredepth.surface.widening import Kept, Widening, widened

#: A painted mask that was made softer than painted has no end; where it has fallen to this, it ends.
LEAST_PAINTED = 1 / 255


#: Texels beyond the charts that a mask is spread over before it is filtered, and the levels of a pyramid whose low
#: pass, of sigma 2^k / 2 texels, reads no farther (to four sigma).
SPREAD_PX, SPREAD_LEVELS = 16, 4


def wavelengths_mm(cutoffs: Cutoffs) -> tuple[float, float, float]:
    """A wavelength for each band (coarse, middle, fine), mm: its end towards the fine band, its middle, its long end.

    They rise by one ratio, the root of that of the cutoffs.
    """
    return cutoffs.coarse_mm, math.sqrt(cutoffs.coarse_mm * cutoffs.fine_mm), cutoffs.fine_mm


def widenings(cutoffs: Cutoffs, kept: Kept) -> tuple[Widening, Widening, Widening]:
    """How edges are widened for each band, coarse, middle, fine: in proportion to its wavelength.

    A band also fades over no less than its wavelength, however narrow the feather: a narrower edge would be seen as an
    edge, a wider one as a second picture that shines through (Burt & Adelson 1983, "A multiresolution spline with
    application to image mosaics", ACM Transactions on Graphics 2:217).
    """
    coarse_mm, middle_mm, fine_mm = wavelengths_mm(cutoffs)
    return (
        Widening(coarse_mm / fine_mm, coarse_mm, kept),
        Widening(middle_mm / fine_mm, middle_mm, kept),
        Widening(1.0, 0.0, kept),
    )


@dataclass(frozen=True)
class Edges:
    """The regions of a skin with edges for every band; what was made once is given again.

    Attributes
    ----------
    regions : as the recipe says, which is how the fine band fades
    proportional : whether coarser bands fade over more skin
    """

    surface: Surface
    regions: Mapping[str, RegionField]
    proportional: bool = True
    _made: dict = field(default_factory=dict, repr=False)

    def fields(self, region: str, cutoffs: Cutoffs, kept: Kept = "middle") -> tuple[RegionField, ...]:
        """The region for each band: coarse, middle, fine; ``kept`` says which end of its edge stays where it is."""
        own = self.regions[region]
        if not self.proportional:
            return own, own, own
        return (*(self._widened(region, how) for how in widenings(cutoffs, kept)[:2]), own)

    def _widened(self, region: str, how: Widening) -> RegionField:
        key = region, how
        if key not in self._made:
            self._made[key] = widened(self.regions[region], how, lambda painted: self._softened(painted, how.least_mm))
        return self._made[key]

    def _softened(self, painted: PictureField, wavelength_mm: float) -> RegionField:
        """A painted mask, low-passed on the skin: its edges, sharp or soft, are as soft as the band is long."""
        key = id(painted), wavelength_mm
        if key not in self._made:
            self._made[key] = softened(self.surface, painted, wavelength_mm), painted  # kept, so that its id is its own
        return self._made[key][0]


def softened(surface: Surface, painted: PictureField, cutoff_mm: float) -> FunctionField:
    """A painted mask low-passed on the skin by the areal Gaussian filter (ISO 16610-61)."""
    spread = spread_beside_charts(surface, painted.pictures, SPREAD_PX)
    tiles = tuple(sorted(spread))
    square = [_square(spread[tile]) for tile in tiles]
    stacks = [build_levels(one, 1.0 / one.shape[1], False, SPREAD_LEVELS) for one in square]
    pictures = pack_pictures(stacks, periodic=False)
    prints, pictures = low_passed_map(surface, map_prints(surface, tiles), pictures, cutoff_mm)
    footprint = np.zeros((surface.n_triangles, 3), np.float32)

    def weight(triangle: np.ndarray, barycentric: np.ndarray) -> np.ndarray:
        out = np.zeros(len(triangle), np.float32)
        points = SkinPoints(triangle.astype(np.int32, copy=False), barycentric.astype(np.float32, copy=False))
        add_prints(points, np.ones(len(out), np.float32), 1.0, footprint, prints, pictures, out)
        out -= np.float32(LEAST_PAINTED)
        out /= np.float32(1 - 2 * LEAST_PAINTED)
        return np.clip(out, 0, 1, out=out)

    return FunctionField(weight, touched_triangles(surface, weight))


def _square(picture: np.ndarray) -> np.ndarray:
    """A picture with as many rows as columns: the sides of a UV tile are one unit each."""
    rows, cols = picture.shape
    side = max(rows, cols, 4)
    if rows == cols == side:
        return picture
    return ndimage.zoom(picture, (side / rows, side / cols), order=1, mode="nearest", grid_mode=True)
