"""Seams made even: small changes of the texels along seams, so that both sides read alike.

A renderer reads a map bilinearly, on the two sides of a seam from two grids that do not match, so the two readings
differ a little even where every texel is right.  Closing that gap by changing texels as little as possible is a sparse
least-squares problem (Ray, Nivoliers, Lefebvre & Levy 2010, "Invisible seams"; Liu, Ferguson, Jacobson & Gingold 2017,
"Seamless: seam erasure and seam-aware decoupling of shape from mesh resolution").  It depends on the skin and the size
of the map alone, so the change of a texel is the same in every window and block.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix

from poredepth.raster.reading import by_tile
from poredepth.raster.seams import LEAST_WEIGHT, SeamPoints, SeamTexels, seam_texels
from poredepth.raster.texels import TileRaster
from poredepth.raster.window import Window
from poredepth.surface.points import SkinPoints

#: Points of a seam at which it is measured, for each texel of the side that has more of them.
MEASURED_PER_TEXEL = 2.0
#: Both sides agree where they differ by no more than this: what a float map may lose when it is written.
AGREED_MM = 1e-6
#: Cost of changing a texel that is hardly read, beside one that is read with full weight over a texel of seam.
LEAST_COST = 0.3
#: Conjugate gradients stop when the gradient has shrunk to this share of the first, or after so many steps.
GRADIENT_SHARE, MOST_STEPS = 1e-7, 2000


@dataclass(frozen=True)
class Equalising:
    """How far both sides of a seam are brought together.

    Attributes
    ----------
    points_per_texel : where they are to agree, for each texel of the side that has more of them
    change_costs : rounds of least squares, each from what the last one left: cost of changes beside that of mismatch.
        Rounds of a fair cost close most gaps, and leave those that only large changes would close
    until_agreed : a round stops as soon as the two sides differ by no more than 1 / 65535 of the range of heights along
        the seams (rms)
    """

    points_per_texel: float
    change_costs: tuple[float, ...]
    until_agreed: bool = False


#: Seams as the recipe may ask for them.  The costs of ``eased`` are such that the skin within a texel of a seam is
#: still read about as truly as elsewhere (docs/seams.md).
EQUALISING = {
    "eased": Equalising(4.0, (0.4, 0.2, 0.1)),
    "closed": Equalising(MEASURED_PER_TEXEL, (0.0,), until_agreed=True),
}


@dataclass(frozen=True)
class TexelChanges:
    """Changes of single texels of one tile, sorted by row, then column: int32, int32, float32 mm, each (n,)."""

    row_px: np.ndarray
    col_px: np.ndarray
    change_mm: np.ndarray


@dataclass(frozen=True)
class SeamCorrection:
    """What is added to the texels along seams.

    Attributes
    ----------
    changes : by tile
    rms_before_mm, worst_before_mm, rms_after_mm, worst_after_mm : what the two sides read apart at points along all
        seams, MEASURED_PER_TEXEL of them a texel
    n_points, n_left_out : points that are to agree, and those of them that are left as they are, because a texel read
        there has no skin or lies inside another chart
    n_texels, largest_change_mm : of the texels that are changed
    """

    changes: Mapping[int, TexelChanges]
    rms_before_mm: float = 0.0
    worst_before_mm: float = 0.0
    rms_after_mm: float = 0.0
    worst_after_mm: float = 0.0
    n_points: int = 0
    n_left_out: int = 0

    @property
    def n_texels(self) -> int:
        return sum(len(one.change_mm) for one in self.changes.values())

    @property
    def largest_change_mm(self) -> float:
        return max((float(np.abs(one.change_mm).max()) for one in self.changes.values()), default=0.0)

    def add_to(self, tile: int, window: Window, height_mm: np.ndarray) -> None:
        """Add the changes of a window's texels to their heights, float32 (rows, cols), in place."""
        if tile not in self.changes:
            return
        changes = self.changes[tile]
        first, last = np.searchsorted(changes.row_px, [window.row_px, window.row_px + window.n_rows])
        col = changes.col_px[first:last] - window.col_px
        here = (col >= 0) & (col < window.n_cols)
        row = changes.row_px[first:last] - window.row_px
        height_mm[row[here], col[here]] += changes.change_mm[first:last][here]


def seam_correction(
    raster: TileRaster, height_mm: Callable[[SkinPoints], np.ndarray], how: Equalising
) -> SeamCorrection:
    """Work out the changes that make the seams of a map even.

    Parameters
    ----------
    raster : the texels of the map
    height_mm : gives float32 (n,), mm, at skin points; asked only for texels along seams
    """
    texels = seam_texels(raster, how.points_per_texel, MEASURED_PER_TEXEL)
    return correction_of(texels, height_mm(texels.skin), how)


def correction_of(texels: SeamTexels, before_mm: np.ndarray, how: Equalising) -> SeamCorrection:
    """The same from the heights of the texels, float32 (n_texels,), mm."""
    to_agree, measured = texels.points
    usable = texels.reads_own_skin(to_agree)
    change_mm = _changes_mm(to_agree.part(usable), before_mm, how).astype(np.float32)
    changed = np.flatnonzero(change_mm)
    return SeamCorrection(
        {
            tile: TexelChanges(row.astype(np.int32), col.astype(np.int32), change_mm[changed[here]])
            for tile, here, row, col in by_tile(texels.raster, texels.number[changed])
            if len(here)
        },
        *_rms_and_worst(measured.mismatch_mm(before_mm.astype(float))),
        *_rms_and_worst(measured.mismatch_mm((before_mm + change_mm).astype(float))),
        len(to_agree),
        int((~usable).sum()),
    )


def _rms_and_worst(apart_mm: np.ndarray) -> tuple[float, float]:
    return float(np.sqrt((apart_mm**2).sum() / max(len(apart_mm), 1))), float(np.abs(apart_mm).max(initial=0.0))


def _changes_mm(points: SeamPoints, height_mm: np.ndarray, how: Equalising) -> np.ndarray:
    """Changes of texels, float64 (n_texels,), mm, that bring both readings of the points together.

    First every texel moves by half of the mean gap that is read through it: an even gap is closed exactly, and nothing
    moves by more than half of the largest.  Rounds of least squares do the rest.
    """
    mismatch_mm = points.mismatch_mm(height_mm.astype(float))
    free, part = _free(points, mismatch_mm, len(height_mm))
    out = np.zeros(len(height_mm))
    if not part.any():
        return out
    points, mismatch_mm = points.part(part), mismatch_mm[part]
    is_read = (points.reading.weight > LEAST_WEIGHT) & free[points.reading.texel]
    point, side, _ = np.nonzero(is_read)
    column = (np.cumsum(free) - 1)[points.reading.texel[is_read]]
    share = np.sqrt(points.span_px)  # sums of squares over points stand for integrals along seams, in texels
    weight = points.reading.weight[is_read] * np.where(side == 0, share[point], -share[point])
    read_px = np.bincount(column, np.abs(weight) * share[point])
    ease = 1 / np.sqrt(read_px + LEAST_COST)  # in units of this, every change costs the same
    readings = csr_matrix((weight * ease[column], (point, column)), shape=(len(points), len(read_px)))
    wanted = -share * mismatch_mm
    change = 0.5 * (readings.T @ wanted) / (read_px * ease**2)
    agreed = float(np.ptp(height_mm[points.reading.texel[is_read]])) / 65535 * np.sqrt(points.span_px.sum())
    for cost in how.change_costs:
        change += _least_squares(readings, wanted - readings @ change, cost, agreed if how.until_agreed else 0.0)
    out[free] = change * ease
    return out


def _free(points: SeamPoints, mismatch_mm: np.ndarray, n_texels: int) -> tuple[np.ndarray, np.ndarray]:
    """Texels that may change, bool (n_texels,): some point that reads them does not agree; points that read them."""
    is_read = points.reading.weight > LEAST_WEIGHT
    free = np.zeros(n_texels, bool)
    apart = np.abs(mismatch_mm) > AGREED_MM
    free[points.reading.texel[apart][is_read[apart]]] = True
    return free, (free[points.reading.texel] & is_read).any(axis=(1, 2))


def _least_squares(readings: csr_matrix, wanted: np.ndarray, cost: float, agreed: float) -> np.ndarray:
    """Minimise |readings x - wanted|^2 + cost |x|^2 by conjugate gradients from x = 0.

    With cost 0 that approaches the solution of least norm; it stops once |readings x - wanted| is ``agreed`` or less.
    Sums are numpy's own, on one thread: the same bits on every run (Bjorck 1996, "Numerical methods for least squares
    problems", algorithm CGLS, section 7.4).
    """
    transposed = readings.T.tocsr()
    x, left = np.zeros(readings.shape[1]), wanted.copy()
    gradient = transposed @ left
    way, size = gradient.copy(), (gradient * gradient).sum()
    enough = GRADIENT_SHARE**2 * size
    for _ in range(MOST_STEPS):
        if size <= enough or (left * left).sum() <= agreed**2:
            break
        along = readings @ way
        step = size / ((along * along).sum() + cost * (way * way).sum())
        x += step * way
        left -= step * along
        gradient = transposed @ left - cost * x
        before, size = size, (gradient * gradient).sum()
        way = gradient + size / before * way
    return x
