"""What making a picture tile has done to it: steps along the cut, contrast beside it, area lost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from poredepth.patch.bands import SIGMA_PER_CUTOFF
from poredepth.patch.tiling.cut import Seam
from poredepth.patch.tiling.measure import (
    MOST_BLOTCH_RATIO,
    MOST_BORDER_RATIO,
    MOST_STRUCTURE_RATIO,
    TileBorder,
    blotch_ratio,
    lags_px,
    ratio_of,
    rms,
    tile_border,
)

#: Upper wavelength of the band that contrast is measured in, texels.
FINE_PX = 8.0
#: Contrast where parts meet, or its inverse, that does not show: own choice.
MOST_CONTRAST_RATIO = 1.1
#: Columns beside the border of a picture made smooth that its contrast is measured in.
_BESIDE_PX = 16
#: Lines of a strip that are measured at most.
_MOST_LINES = 2048


@dataclass(frozen=True)
class TileQuality:
    """How well one method did.

    Attributes
    ----------
    border : measures over the borders of the tile
    seam_ratio : rms steps and kinks, over several distances, where two parts meet / those of the parts themselves
        there; for a cut along its path, else ``border.structure_ratio``; the worst
    contrast_ratio : Sq of waves below ``FINE_PX`` texels where two parts meet / that of the parts; the one of both
        seams that is farther from 1
    blotch_ratio : see `blotch_ratio`
    kept_ratio : area of the tile / area of the picture
    """

    border: TileBorder
    seam_ratio: float
    contrast_ratio: float
    blotch_ratio: float
    kept_ratio: float

    @property
    def tiles(self) -> bool:
        """Whether neither the border nor the seam should show."""
        return self.border.worst_ratio <= MOST_BORDER_RATIO and self.seam_ratio <= MOST_STRUCTURE_RATIO

    @property
    def rank(self) -> tuple[bool, bool, float]:
        """The lesser, the better: whether the border shows, whether the seam does, and the cost."""
        return self.border.worst_ratio > MOST_BORDER_RATIO, self.seam_ratio > MOST_STRUCTURE_RATIO, self.cost

    @property
    def cost(self) -> float:
        """What methods that both tile are compared by, 0 is ideal: own choice.

        Excess of the seam, contrast lost or gained (twice), half of the area lost, low waves above what is advised.
        """
        seam = max(self.seam_ratio, self.border.worst_ratio, 1.0) - 1.0
        blotch = max(self.blotch_ratio - MOST_BLOTCH_RATIO, 0.0)
        return seam + 2 * abs(self.contrast_ratio - 1.0) + 0.5 * (1.0 - self.kept_ratio) + blotch


def quality_as_it_is(height: np.ndarray, texel_mm: float) -> TileQuality:
    """A picture that nothing is done to."""
    border = tile_border(height)
    return TileQuality(border, max(border.structure_ratio), 1.0, blotch_ratio(height, texel_mm), 1.0)


def quality_of_smooth(height: np.ndarray, periodic: np.ndarray, texel_mm: float) -> TileQuality:
    """The periodic part of a picture, beside the picture."""
    border = tile_border(periodic)
    ratios = [_contrast_beside(one, other) for one, other in ((height.T, periodic.T), (height, periodic))]
    seam = max(border.structure_ratio)
    return TileQuality(border, seam, _farthest(ratios), blotch_ratio(periodic, texel_mm), 1.0)


def quality_of_cut(tile: np.ndarray, seams: tuple[Seam, Seam], shape: tuple[int, int], texel_mm: float) -> TileQuality:
    """A tile made by two cuts out of a picture of ``shape``."""
    worst = max(seam_ratio(seam) for seam in seams)
    contrast = _farthest([_contrast_of_cut(seam) for seam in seams])
    kept = tile.size / (shape[0] * shape[1])
    return TileQuality(tile_border(tile), worst, contrast, blotch_ratio(tile, texel_mm), kept)


def seam_ratio(seam: Seam) -> float:
    """Worst ratio of steps and kinks across a cut to those of both margins at the same places.

    Those count as at least half of the margins' steps and kinks at any place: beside such relief less does not show.
    """
    width = seam.left.shape[1]
    both = seam.picture[:, :width]
    floor = 1e-6 * float(np.abs(seam.left).max()) + np.finfo(np.float32).tiny
    worst = 0.0
    for lag in lags_px(2 * width):
        for span, terms in ((lag, (1, -1)), (2 * lag, (1, -2, 1))):
            first = np.clip(seam.path - (span + 1) // 2, 0, max(width - 1 - span, 0))
            over, one, other = (_across(strip, first, lag, terms) for strip in (both, seam.left, seam.right))
            anywhere = float(np.hypot(*(_any(strip, lag, len(terms)) for strip in (seam.left, seam.right))))
            without = max(float(np.hypot(one, other)), 0.5 * anywhere) / np.sqrt(2)
            worst = max(worst, ratio_of(over, float(without), floor))
    return worst


def _across(strip: np.ndarray, first: np.ndarray, lag: int, terms: tuple[int, ...]) -> float:
    """rms of a difference along each row, from column ``first`` on, in steps of ``lag``."""
    rows, last = np.arange(len(strip)), strip.shape[1] - 1
    return rms(sum(term * strip[rows, np.minimum(first + k * lag, last)].astype(float) for k, term in enumerate(terms)))


def _any(strip: np.ndarray, lag: int, terms: int) -> float:
    """rms of the same difference at all places of some rows."""
    some = strip[:: -(-len(strip) // _MOST_LINES)]
    for _ in range(terms - 1):
        some = some[:, lag:] - some[:, :-lag]
    return rms(some)


def _fine(strip: np.ndarray) -> np.ndarray:
    return strip - ndimage.gaussian_filter(strip, SIGMA_PER_CUTOFF * FINE_PX, mode="nearest")


def _contrast_of_cut(seam: Seam) -> float:
    """Sq of the fine band in the overlap / that of the margins, each where it leads."""
    some = slice(None, None, 1) if len(seam.path) <= _MOST_LINES else slice(0, _MOST_LINES)
    width = seam.left.shape[1]
    both, left, right = (_fine(strip[some]) for strip in (seam.picture[:, :width], seam.left, seam.right))
    leads = np.where(np.arange(width) >= seam.path[some, None], left, right)
    return ratio_of(rms(both), rms(leads), np.finfo(np.float32).tiny)


def _contrast_beside(height: np.ndarray, periodic: np.ndarray) -> float:
    """Sq of the fine band beside the left and right border, of the periodic part / of the picture."""
    beside = min(_BESIDE_PX, height.shape[1] // 2)
    some = slice(0, _MOST_LINES)
    ends = [height[some, :beside], height[some, -beside:]]
    before = np.hypot(*(rms(_fine(part)) for part in ends)) / np.sqrt(2)
    over = np.concatenate([periodic[some, -2 * beside :], periodic[some, : 2 * beside]], axis=1)
    cut = (over.shape[1] - 2 * beside) // 2
    after = rms(_fine(over)[:, cut : over.shape[1] - cut])
    return ratio_of(after, float(before), 1e-6 * float(np.abs(height).max()) + np.finfo(np.float32).tiny)


def _farthest(ratios: list[float]) -> float:
    """The ratio that is farthest from 1."""
    return max(ratios, key=lambda ratio: abs(np.log(ratio)))
