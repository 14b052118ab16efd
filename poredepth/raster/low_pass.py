"""A map low-passed on the skin: the areal Gaussian filter of ISO 16610-61, with its cutoff in mm of skin.

The map is filtered on grids in UV (`low_pass_grids`), texel by texel, but distances and areas are those of the skin:
each texel of a grid is a skin point; beyond a piece's border it is the point reached by walking straight on over the
skin.  The low-passed height at p is the integral over the skin about it,

    sum_q w(|q - p|) A_q h_q / sum_q w(|q - p|) A_q,   w(d) = exp(-d^2 / (2 sigma^2)),   sigma = 0.187390625 cutoff,

with d the straight distance of the points in space and A_q the skin of a texel.  So stretch, seams, mirrored charts and
charts of other density need no case of their own.  Skin without UVs has no part, as no map says anything of it, nor has
what lies beyond an open border.

The map is read through its own pyramid, filtered for the grid's step; that filter's variance, which is known along the
larger and the smaller stretch of each triangle, is taken off the Gaussian's.

The straight distance is shorter than the way along the skin by the way's cube over 24 squared radii of curvature; only
over a fold, sharper than sigma, is more smoothed than on a flat skin (docs/bands.md).

Source: the weights of ISO 16610-61 (planar surfaces); on the skin our own derivation.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from poredepth.patch.bands import SIGMA_PER_CUTOFF
from poredepth.patch.levels import mixing
from poredepth.patch.types import check_positive
from poredepth.placement.prints import Prints
from poredepth.raster import low_pass_kernels
from poredepth.raster.evaluate import Pictures, add_prints
from poredepth.raster.low_pass_grids import GridPicture, Grids, Metric, SourceTexels, grids_for
from poredepth.raster.low_pass_pictures import PackedGrids, flat_pieces
from poredepth.raster.texels import fill_gutter, overlaps, own_texels
from poredepth.raster.window import Window, row_blocks
from poredepth.surface.points import SkinPoints
from poredepth.surface.skin import Surface

#: Texels of a grid worked on at once, so that the memory is bounded; about 60 bytes each.
BLOCK_TEXELS = 1 << 18

#: Pictures of more texels than this are made one after the other, each by all threads.
LARGE_TEXELS = 1 << 22

#: The source is read for texels of so many steps.  Reading mixes two levels of its pyramid: the finer one must not
#: alias, or have next to no share.  By this factor less than 1 % of a wave of one step is left (own derivation), and
#: the variance taken is nearly the same share whatever the stretch: it does not jump where triangles differ.
FILTERED_FOR = 2**0.5

#: The pyramid takes no more than this share of the variance.
MOST_TAKEN = 0.75


def low_passed_map(
    surface: Surface,
    prints: Prints,
    pictures: Pictures,
    cutoff_mm: float,
    *,
    n_threads: int = 2,
    block_texels: int = BLOCK_TEXELS,
    levels: int | None = None,
) -> tuple[Prints, Pictures]:
    """Low-pass a layer that is measured in UV (a map, a painted mask) along the skin.

    A sine of wavelength l along the skin keeps 2^-((cutoff / l)^2) of its height.  The result is a function on the
    skin, the same whatever size a map is made in.  It may be low-passed again: variances add, so that a cutoff of a is
    made one of b > a by sqrt(b^2 - a^2), which is truer than b at once: results have gutters of their own.
    ``n_threads`` and ``block_texels`` change no bit.

    Parameters
    ----------
    prints, pictures : the layer, coordinates in UV within its pictures (see `placement.mapped.map_prints`)
    cutoff_mm : float, mm along the skin
    n_threads : pieces of work at once; block_texels : grid texels each of them holds
    levels : most levels of the result's pictures; None: as many as coarser maps read; 1 takes less than half the memory

    Returns
    -------
    prints, with one row for each triangle that has UVs, and pictures, one for each piece; coordinates in UV

    Raises
    ------
    PatchError : a cutoff that is not above 0
    """
    check_positive("low pass", "cutoff_mm", cutoff_mm, " (mm along the skin)")
    sigma_mm = SIGMA_PER_CUTOFF * float(cutoff_mm)
    metric, texels = Metric.of(surface), SourceTexels.of(prints, pictures)
    grids = grids_for(surface, metric, texels, sigma_mm)
    if levels is not None:
        pictures_of = (replace(one, max_levels=min(one.max_levels, levels)) for one in grids.pictures)
        grids = replace(grids, pictures=tuple(pictures_of))
    work = _Work(surface, _Source(prints, pictures, texels), metric, grids, sigma_mm)
    out = PackedGrids.for_grids(grids, flat_pieces(surface, prints, pictures, grids))
    work.make_shared()
    block_texels = max(int(block_texels), 1)
    large = [i for i, one in enumerate(grids.pictures) if np.prod(one.window.shape) > LARGE_TEXELS]
    small = sorted(set(range(len(grids.pictures))) - set(large))
    with ThreadPoolExecutor(n_threads) as pool:
        for i in large:
            out.put(i, work.picture_mm(grids.pictures[i], block_texels, pool.map))
        for _ in pool.map(lambda i: out.put(i, work.picture_mm(grids.pictures[i], block_texels, map)), small):
            pass
    return out.prints(grids), out.pictures()


@dataclass(frozen=True)
class _Source:
    prints: Prints
    pictures: Pictures
    texels: SourceTexels


@dataclass(frozen=True)
class _Work:
    surface: Surface
    source: _Source
    metric: Metric
    grids: Grids
    sigma_mm: float

    @cached_property
    def texel_mm2(self) -> np.ndarray:
        """Skin of one grid texel in each triangle's plane, float32 (n_triangles,)."""
        step = np.where(self.grids.piece >= 0, self.grids.step_uv[self.grids.piece], np.nan)
        return np.nan_to_num(self.metric.stretch_mm.prod(axis=1) * step**2).astype(np.float32)

    @cached_property
    def members(self) -> list[np.ndarray]:
        """Triangles that hold texels, int32, of each piece."""
        usable = np.flatnonzero(np.isfinite(self.grids.affine).all(axis=(1, 2)) & (self.grids.piece >= 0))
        return _by_piece(usable, self.grids.piece[usable], len(self.grids.step_uv))

    @cached_property
    def borders(self) -> list[np.ndarray]:
        """Border edges of each piece, int32 (n, 2): triangle that holds texels, edge."""
        piece, neighbour = self.grids.piece, self.surface.adjacency.triangle
        usable = np.isfinite(self.grids.affine).all(axis=(1, 2)) & (piece >= 0)
        inside = ~self.surface.is_chart_border & (piece[neighbour] == piece[:, None]) & usable[neighbour]
        triangle, edge = np.nonzero(usable[:, None] & ~inside)
        return _by_piece(np.stack([triangle, edge], axis=1), piece[triangle], len(self.grids.step_uv))

    def make_shared(self) -> None:
        """Make once, before threads start, what all blocks share."""
        _ = self.surface.adjacency, self.surface.flat_mm, self.surface.corner_mm, self.surface.face_rank
        _ = self.texel_mm2, self.members, self.borders

    def picture_mm(self, picture: GridPicture, block_texels: int, run: Callable[..., Iterable]) -> np.ndarray:
        """Low-passed heights of a picture, float32 (rows, cols); their mean where there is no skin."""
        window = picture.window
        out = np.empty(window.shape, np.float32)
        triangles, borders = self.members[picture.piece], self.borders[picture.piece]
        corner_px = self.grids.corner_px
        triangles = _touching(triangles, corner_px[triangles], self._around(picture.piece, window))
        gutter_px = self.grids.gutter_px[picture.piece]
        borders = _touching(borders, self._ends_px(borders), self._around(picture.piece, window), gutter_px + 1)

        def fill(block: Window) -> None:
            rows = slice(block.row_px - window.row_px, block.row_px - window.row_px + block.n_rows)
            out[rows] = self._block_mm(picture.piece, triangles, borders, block)

        for _ in run(fill, list(row_blocks(window, block_texels))):
            pass
        has_skin = np.isfinite(out)
        out[~has_skin] = out[has_skin].mean(dtype=float) if has_skin.any() else 0.0
        return out

    def _around(self, piece: int, window: Window) -> Window:
        """The window and what the Gaussian reaches beyond it."""
        far = int(self.grids.reach[self.members[piece]].max())
        return Window(window.row_px - far, window.col_px - far, window.n_rows + 2 * far, window.n_cols + 2 * far)

    def _block_mm(self, piece: int, triangles: np.ndarray, borders: np.ndarray, block: Window) -> np.ndarray:
        around = self._around(piece, block)
        far = block.row_px - around.row_px
        owner, barycentric, near_edge, border_triangle = self._skin(piece, triangles, borders, around)
        at_mm, mm2 = np.empty((3, *around.shape), np.float32), np.empty(around.shape, np.float32)
        corner_mm = self.surface.corner_mm
        low_pass_kernels.place_texels(
            owner, barycentric, near_edge, border_triangle, self.texel_mm2, self.surface.adjacency.triangle, corner_mm,
            corner_mm[self.members[piece][0], 0], at_mm, mm2,
        )  # fmt: skip
        footprint_uv, form = self._reading(piece, owner)
        height_mm = np.zeros(owner.size, np.float32)
        points = SkinPoints(owner.ravel(), barycentric.reshape(-1, 3))
        whole = np.ones(owner.size, np.float32)
        add_prints(points, whole, 1.0, footprint_uv, self.source.prints, self.source.pictures, height_mm)
        texel_form = np.empty((4, *around.shape), np.float32)
        low_pass_kernels.weigh_texels(owner, form, texel_form, mm2)
        out = np.empty(block.shape, np.float32)
        low_pass_kernels.gaussian_mean(
            at_mm,
            mm2,
            texel_form,
            height_mm.reshape(owner.shape),
            near_edge,
            self.grids.reach,
            around.col_px,
            far,
            far,
            out,
        )
        return out

    def _skin(self, piece: int, triangles: np.ndarray, borders: np.ndarray, window: Window):
        """Skin points of a window of a piece's grid, and the borders gutter texels were walked over."""
        surface, corner_px, affine = self.surface, self.grids.corner_px, self.grids.affine
        here = _touching(triangles, corner_px[triangles], window).astype(np.int32)
        owner, barycentric = own_texels(surface, corner_px, affine, here, window)
        gutter = int(self.grids.gutter_px[piece])
        borders = _touching(borders, self._ends_px(borders), window, gutter + 1.0)
        border_triangle = np.ascontiguousarray(borders[:, 0], np.int32)
        ends_px = self._ends_px(borders).reshape(-1, 4)
        near_edge = fill_gutter(surface, affine, ends_px, border_triangle, gutter, window, owner, barycentric)
        return owner, barycentric, near_edge, border_triangle

    def _ends_px(self, borders: np.ndarray) -> np.ndarray:
        """Ends of border edges, float64 (n, 2, 2), in texels of their piece's grid."""
        triangle, edge = borders.T
        return np.stack([self.grids.corner_px[triangle, (edge + k) % 3] for k in (1, 2)], axis=1)

    def _reading(self, piece: int, owner: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Footprint in UV to read the source with, float32 (n_triangles, 3), the same in mm everywhere, and what that
        leaves of the Gaussian, float32 (n_triangles, 5), see `low_pass_kernels.weigh_texels`; only for triangles seen.
        """
        n = self.surface.n_triangles
        footprint_uv, form = np.empty((n, 3), np.float32), np.empty((n, 5), np.float32)
        seen = np.zeros(n + 1, bool)
        seen[owner] = True
        seen = np.flatnonzero(seen[:n])
        stretch, texel_uv = self.metric.stretch_mm[seen], self.source.texels.texel_uv[seen]
        size_uv = FILTERED_FOR * self.grids.step_mm[piece] / stretch[:, 0]
        footprint_uv[seen] = np.where(np.isfinite(size_uv), size_uv, 0.0)[:, None]
        taken = _pyramid_variance(
            footprint_uv[seen, 0] / texel_uv,
            self.source.texels.n_levels[seen],
            texel_uv[:, None] * stretch,
            self.sigma_mm,
        )
        left = self.sigma_mm**2 - np.minimum(taken, MOST_TAKEN * self.sigma_mm**2)
        across, along = 0.5 / left[:, 1], 0.5 / left[:, 0]
        form[seen, 0] = across
        form[seen, 1:4] = self.metric.along[seen] * np.sqrt(np.maximum(along - across, 0.0))[:, None]
        form[seen, 4] = self.surface.has_uv[seen] * self.sigma_mm**2 / np.sqrt(left.prod(axis=1))
        return footprint_uv, form


def _pyramid_variance(ratio: np.ndarray, n_levels: np.ndarray, texel_mm: np.ndarray, sigma_mm: float) -> np.ndarray:
    """Variance, mm2, of what `kernels.add_prints` filters a picture with for texels ``ratio`` (n,) times its own.

    Level k >= 1 is a Gaussian of sigma 0.5 2^k texels; two levels are mixed (`patch.levels.mixing`).  The mix is no
    Gaussian: the one that lets as much of a wave of the cutoff's length pass stands for it.

    Parameters
    ----------
    texel_mm : float64 (n, 2), texel on the skin along the larger and the smaller stretch, nan or inf where none is read
    """
    texel2 = np.where(np.isfinite(texel_mm), texel_mm, 0.0) ** 2
    variance = np.where(ratio >= 2.0, 0.25 * ratio**2, np.maximum(ratio**2 - 1.0, 0.0) / 3.0)
    k = np.minimum(np.log2(np.maximum(ratio, 1.0)).astype(np.int64), n_levels - 1)
    low, high = (np.where(level > 0, 0.25 * 4.0**level, 0.0) for level in (k, k + 1))
    t = (variance - low) / (high - low)
    a, b = np.where(k > 0, np.array(mixing(1.0, 4.0))[:, None], np.array(mixing(0.0, 1.0))[:, None])
    mix = np.where(k == n_levels - 1, 0.0, t + t * (1.0 - t) * (a + b * (1.0 - 2.0 * t)))[:, None]
    fine, coarse = texel2 * low[:, None], texel2 * high[:, None]
    at_cutoff = np.log(2.0) / sigma_mm**2
    passed = (1.0 - mix) * np.exp(-at_cutoff * fine) + mix * np.exp(-at_cutoff * coarse)
    return -np.log(np.maximum(passed, 1e-30)) / at_cutoff


def _by_piece(rows: np.ndarray, piece: np.ndarray, n_pieces: int) -> list[np.ndarray]:
    order = np.argsort(piece, kind="stable")
    return np.split(rows[order].astype(np.int32), np.searchsorted(piece[order], np.arange(1, n_pieces)))


def _touching(rows: np.ndarray, points_px: np.ndarray, window: Window, margin_px: float = 1.0) -> np.ndarray:
    """Of rows (n, ...) those whose points (n, k, 2) have a bounding box that may touch a window."""
    return rows[overlaps(points_px.min(axis=1), points_px.max(axis=1), window, margin_px)]
