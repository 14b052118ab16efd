"""The grids a map is filtered on: pieces of charts of one density, and the pictures they are cut into.

A piece is a set of triangles that hang together in UV and whose stretch from UV to skin is about the same (within a
factor of 2), so that one step in UV is about one step on the skin and the cost is bounded by the skin's area.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.patch.levels import level_sizes
from poredepth.placement.prints import Prints
from poredepth.raster.evaluate import Pictures
from poredepth.raster.texels import barycentric_affine
from poredepth.raster.window import Window
from poredepth.surface.metric import mm_per_uv, uv_area
from poredepth.surface.skin import Surface
from poredepth.surface.topology import connected_triangles

#: Step of a grid on the skin, in sigmas: what a Gaussian leaves above its Nyquist frequency is 4e-5.
FINE_STEP = 0.7
#: Step where the source is coarse: sums over a Gaussian are still right to 1e-5.
COARSE_STEP = 1.3
#: The Gaussian is cut off at so many sigmas along rows and columns.
REACH = 3.5
#: Most texels that are looked at on each side: bounds the work where UVs are nearly collapsed one way.
MOST_REACH_PX = 64
#: Side of the pictures large pieces are cut into.
PICTURE_PX = 1024
#: Grid texels around a picture, and its levels, so that coarser outputs find it filtered right at its border.
MARGIN_PX, MAX_LEVELS = 20, 5
#: The same for pieces with sides below `SMALL_PX`: an atlas may have thousands.
SMALL_PX, SMALL_MARGIN_PX, SMALL_LEVELS = 64, 10, 3
#: A piece of fewer texels is joined to a neighbour in its chart of the next density.
LEAST_TEXELS = 1024


@dataclass(frozen=True)
class Metric:
    """From UV to skin, for each triangle.

    Attributes
    ----------
    stretch_mm : float64 (n_triangles, 2), larger and smaller, mm per unit of UV; nan without area in UV
    along : float64 (n_triangles, 3), direction in space of the larger
    uv_reach : float64 (n_triangles, 2), how far along u and v a step of 1 mm on the skin can lead
    """

    stretch_mm: np.ndarray
    along: np.ndarray
    uv_reach: np.ndarray

    @classmethod
    def of(cls, surface: Surface) -> Metric:
        jacobian = mm_per_uv(surface)
        n = surface.n_triangles
        stretch_mm, along, reach = np.full((n, 2), np.nan), np.zeros((n, 3)), np.full((n, 2), np.nan)
        ok = np.isfinite(jacobian).all(axis=(1, 2)) & (surface.area_mm2 > 0)
        left, values, right = np.linalg.svd(jacobian[ok])
        stretch_mm[ok] = values
        along[ok] = np.einsum("nk,nkx->nx", left[:, :, 0], surface.frame[ok])
        # rows of the inverse Jacobian
        reach[ok] = np.sqrt(((right / np.maximum(values, 1e-12)[:, :, None]) ** 2).sum(axis=1))
        return cls(stretch_mm, along, reach)


@dataclass(frozen=True)
class SourceTexels:
    """What a layer's pictures are made of, as each triangle reads them.

    Attributes
    ----------
    texel_uv : float64 (n_triangles,), texel of its picture, inf for triangles that show none
    n_levels : int64 (n_triangles,)
    """

    texel_uv: np.ndarray
    n_levels: np.ndarray

    @classmethod
    def of(cls, prints: Prints, pictures: Pictures) -> SourceTexels:
        n = len(prints.start) - 1
        texel, count = np.full(n, np.inf), np.ones(n, np.int64)
        shown = np.flatnonzero(prints.picture >= 0)[::-1]  # the first row of a triangle is written last
        triangle, picture = prints.row_triangle[shown], prints.picture[shown]
        texel[triangle] = pictures.levels[pictures.first_level[picture], 7]
        count[triangle] = np.diff(pictures.first_level)[picture]
        return cls(texel, count)


@dataclass(frozen=True)
class GridPicture:
    """One picture of a piece: ``window`` in texels of the piece's grid, and the triangles, int (n,), that read it."""

    piece: int
    window: Window
    triangles: np.ndarray
    max_levels: int

    @property
    def level_shapes(self) -> list[tuple[int, int]]:
        return level_sizes(self.window.shape, self.max_levels)


@dataclass(frozen=True)
class Grids:
    """The pieces of a surface and their grids.

    Attributes
    ----------
    piece : int32 (n_triangles,), -1 for triangles without UVs
    step_uv, step_mm : float64 (n_pieces,), texel of a piece's grid; step_uv is nan for pieces without area in UV
    corner_px : float64 (n_triangles, 3, 2), corners in texels of the piece's grid: x right, y down
    affine : float64 (n_triangles, 3, 3), see `kernels.own_texels`; nan for triangles that hold no texels
    gutter_px : int (n_pieces,), how far beyond a piece's border texels get a skin point
    reach : int32 (n_triangles, 2), rows and columns the Gaussian is summed over on each side
    pictures : GridPicture of all pieces that have area in UV
    """

    piece: np.ndarray
    step_uv: np.ndarray
    step_mm: np.ndarray
    corner_px: np.ndarray
    affine: np.ndarray
    gutter_px: np.ndarray
    reach: np.ndarray
    pictures: tuple[GridPicture, ...]


def grids_for(surface: Surface, metric: Metric, source: SourceTexels, sigma_mm: float) -> Grids:
    """Pieces, steps and pictures for a Gaussian of ``sigma_mm``."""
    piece = _pieces(surface, metric, sigma_mm)
    step_uv, step_mm = _steps(surface, metric, source, sigma_mm, piece)
    step = np.where(piece >= 0, step_uv[piece], np.nan)[:, None, None]
    corner_px = surface.corner_uv * [1.0, -1.0] / step
    affine = barycentric_affine(corner_px)
    affine[~np.isfinite(metric.stretch_mm).all(axis=1)] = np.nan
    reach = _reach(surface, metric, sigma_mm, step_uv, piece, corner_px)
    pictures = _pictures(piece, corner_px, affine)
    margin = np.zeros(len(step_uv), int)
    np.maximum.at(margin, [p.piece for p in pictures], [_margin(p.max_levels) for p in pictures])
    far = np.zeros(len(step_uv), int)
    np.maximum.at(far, piece[piece >= 0], reach[piece >= 0].max(axis=1))
    return Grids(piece, step_uv, step_mm, corner_px, affine, margin + far, reach, tuple(pictures))


def _margin(max_levels: int) -> int:
    return SMALL_MARGIN_PX if max_levels == SMALL_LEVELS else MARGIN_PX


def _vertex_mean(surface: Surface, value: np.ndarray) -> np.ndarray:
    """Mean of values (n_triangles,) about a triangle's UV vertices, by area in UV; nan where none."""
    ok = np.isfinite(value) & surface.has_uv
    corner, n_uv = surface.tri_uv_vertex, len(surface.uv)
    area = np.repeat(np.maximum(uv_area(surface)[ok], 1e-20), 3)
    weight = np.bincount(corner[ok].ravel(), area, n_uv)
    total = np.bincount(corner[ok].ravel(), area * np.repeat(value[ok], 3), n_uv)
    corner_weight = np.where(surface.has_uv[:, None], weight[corner], 0.0)
    corner_total = np.where(surface.has_uv[:, None], total[corner], 0.0)
    weight = corner_weight.sum(axis=1)
    return np.divide(corner_total.sum(axis=1), weight, out=np.full(len(value), np.nan), where=weight > 0)


def _pieces(surface: Surface, metric: Metric, sigma_mm: float) -> np.ndarray:
    """Piece of each triangle, int32, -1 without UVs."""
    own = np.log2(np.maximum(metric.stretch_mm[:, 0], 1e-12))
    mean = _vertex_mean(surface, _vertex_mean(surface, own))
    # borders follow the mean, which does not fray; but a step of density is a border
    value = np.where(np.isnan(own) | (np.abs(mean - own) < 0.5), mean, own)
    density = np.where(np.isnan(value), -9999, np.round(np.nan_to_num(value))).astype(np.int64)
    neighbour = np.where(surface.is_chart_border, -1, surface.adjacency.triangle)
    label = connected_triangles(np.where((neighbour >= 0) & (density[:, None] == density[neighbour]), neighbour, -1))
    label = _without_crumbs(surface, label, density, neighbour, sigma_mm)
    placed = surface.has_uv & np.isfinite(surface.corner_uv).all(axis=(1, 2))
    out = np.full(surface.n_triangles, -1, np.int32)
    out[placed] = np.unique(label[placed], return_inverse=True)[1]
    return out


def _without_crumbs(
    surface: Surface, label: np.ndarray, density: np.ndarray, neighbour: np.ndarray, sigma_mm: float
) -> np.ndarray:
    """Join pieces of few texels to the one of the next density they share most edges with in their chart."""
    n = int(label.max(initial=-1)) + 1
    of_piece = np.zeros(n, np.int64)
    of_piece[label] = density
    texels = np.bincount(label, surface.area_mm2, n) / (FINE_STEP * sigma_mm) ** 2
    small = texels < LEAST_TEXELS
    t, k = np.nonzero((neighbour >= 0) & (label[neighbour] != label[:, None]))
    a, b = label[t], label[neighbour[t, k]]
    fits = small[a] & ~small[b] & (np.abs(of_piece[a] - of_piece[b]) <= 1)
    pairs, count = np.unique(np.stack([a[fits], b[fits]]), axis=1, return_counts=True)
    order = np.argsort(count, kind="stable")
    joined = np.arange(n)
    joined[pairs[0, order]] = pairs[1, order]  # the last, of most edges, stands
    return joined[label]


def _steps(
    surface: Surface, metric: Metric, source: SourceTexels, sigma_mm: float, piece: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Texel of each piece's grid, in UV and in mm of the larger stretch that nine tenths of its skin stay below."""
    n = int(piece.max(initial=-1)) + 1
    ok = np.flatnonzero((piece >= 0) & np.isfinite(metric.stretch_mm[:, 0]))
    ok = ok[np.lexsort((metric.stretch_mm[ok, 0], piece[ok]))]
    area = np.cumsum(surface.area_mm2[ok])
    first, last = np.searchsorted(piece[ok], np.arange(n)), np.searchsorted(piece[ok], np.arange(n), side="right")
    before = np.concatenate([[0.0], area])
    at = np.searchsorted(area, before[first] + 0.9 * (before[last] - before[first]))
    stretch = np.full(n, np.nan)
    there = last > first
    stretch[there] = metric.stretch_mm[ok, 0][np.minimum(at, last - 1)[there]]
    texel = np.full(n, np.inf)
    np.minimum.at(texel, piece[piece >= 0], source.texel_uv[piece >= 0])
    coarse = np.minimum(texel / 2, COARSE_STEP * sigma_mm / stretch)
    least = np.where(np.isfinite(texel), texel / 4, 0.0)
    step_uv = np.maximum(np.maximum(FINE_STEP * sigma_mm / stretch, coarse), least)
    return step_uv, step_uv * stretch


def _reach(
    surface: Surface,
    metric: Metric,
    sigma_mm: float,
    step_uv: np.ndarray,
    piece: np.ndarray,
    corner_px: np.ndarray,
) -> np.ndarray:
    """Rows and columns the Gaussian is summed over, int32 (n_triangles, 2).

    Texels may be smaller in the triangles next to one: the largest reach about its vertices is taken, but slivers,
    which have next to no texels, add no more than they are wide.
    """
    ok = (piece >= 0) & np.isfinite(metric.uv_reach).all(axis=1) & np.isfinite(corner_px).all(axis=(1, 2))
    out = np.ones((surface.n_triangles, 2), np.int32)
    corner = surface.tri_uv_vertex[ok]
    for axis in (0, 1):
        own = np.full(surface.n_triangles, np.nan)
        own[ok] = REACH * sigma_mm * metric.uv_reach[ok, axis] / step_uv[piece[ok]]
        mean = _vertex_mean(surface, own)[ok]
        wide = np.minimum(own[ok], 1.5 * mean + np.ptp(corner_px[ok, :, axis], axis=1))
        for _ in range(2):
            most = np.zeros(len(surface.uv))
            np.maximum.at(most, corner.ravel(), np.repeat(wide, 3))
            wide = most[corner].max(axis=1)
        out[ok, 1 - axis] = np.ceil(np.minimum(wide, MOST_REACH_PX))
    return out


def _pictures(piece: np.ndarray, corner_px: np.ndarray, affine: np.ndarray) -> list[GridPicture]:
    """Cut pieces into pictures of about `PICTURE_PX` a side."""
    low, high = corner_px.min(axis=1), corner_px.max(axis=1)
    placed = np.flatnonzero((piece >= 0) & np.isfinite(low).all(axis=1))
    n = int(piece.max(initial=-1)) + 1
    has_texels = np.zeros(n, bool)
    has_texels[piece[placed][np.isfinite(affine[placed]).all(axis=(1, 2))]] = True
    placed = placed[has_texels[piece[placed]]]
    piece_low, piece_high = np.full((n, 2), np.inf), np.full((n, 2), -np.inf)
    np.minimum.at(piece_low, piece[placed], low[placed])
    np.maximum.at(piece_high, piece[placed], high[placed])
    side = piece_high - piece_low
    # equal parts, none for pieces that are only a little too large
    parts = np.maximum(np.round(side / PICTURE_PX), 1.0)
    middle = corner_px[placed].mean(axis=1) - piece_low[piece[placed]]
    cell = np.floor(middle / np.maximum(side / parts, 1e-9)[piece[placed]]).astype(np.int64)
    key = np.stack([piece[placed].astype(np.int64), cell[:, 1], cell[:, 0]])
    order = np.lexsort(key[::-1])
    starts = np.flatnonzero(np.concatenate([[True], (np.diff(key[:, order], axis=1) != 0).any(axis=0)]))
    out = []
    for triangles in np.split(placed[order], starts[1:]) if len(placed) else []:
        x0, y0 = np.floor(low[triangles].min(axis=0)).astype(int)
        x1, y1 = np.ceil(high[triangles].max(axis=0)).astype(int)
        levels = SMALL_LEVELS if side[piece[triangles[0]]].max() < SMALL_PX else MAX_LEVELS
        margin = _margin(levels)
        window = Window(y0 - margin, x0 - margin, max(y1 - y0, 1) + 2 * margin, max(x1 - x0, 1) + 2 * margin)
        out.append(GridPicture(int(piece[triangles[0]]), window, triangles, levels))
    return out
