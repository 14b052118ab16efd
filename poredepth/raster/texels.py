"""Which skin point is each texel: the raster of a surface's UVs, with a gutter beyond every chart border."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from poredepth.errors import MeshError
from poredepth.raster import kernels
from poredepth.raster.window import Window
from poredepth.surface.metric import Footprint, footprint
from poredepth.surface.points import SkinPoints
from poredepth.surface.skin import Surface
from poredepth.surface.tiles import column_and_row, tile_span, tiles_touched

#: Side of the blocks that single texels are looked up in.
SMALL_BLOCK_PX = 32


@dataclass(frozen=True)
class ChartPlaces:
    """The texels of a window, each with the place that its own chart gives it.

    Inside charts that is the texel's skin point.  In a gutter across a seam it is the point of the plane of the
    border's triangle that lies under the texel, beyond the border: the skin point is reached by rolling that plane over
    the skin, so heights in the gutter run on evenly from it.  In a gutter along an open border it is the skin point.

    Attributes
    ----------
    triangle : int32 (rows, cols), -1 without skin
    barycentric : float32 (rows, cols, 3), in that triangle; below 0 in gutters across seams
    is_held : bool (rows, cols), the skin ends before the texel: in gutters along open borders
    skin : rows x cols points, see `TileRaster.skin_points`
    """

    triangle: np.ndarray
    barycentric: np.ndarray
    is_held: np.ndarray
    skin: SkinPoints


@dataclass(frozen=True)
class TileRaster:
    """A surface seen as texels of UV tiles.

    Attributes
    ----------
    size_px : rows and columns of every tile
    gutter_px : how far beyond a chart border texels still get a skin point: straight on over the skin across the
        border, or, at an open border, the border's nearest point
    """

    surface: Surface
    size_px: int
    gutter_px: int

    @cached_property
    def footprint(self) -> Footprint:
        return footprint(self.surface, self.size_px)

    @property
    def footprint_mm(self) -> np.ndarray:
        """Size of a texel on the skin at triangle corners, float32 (n_triangles, 3), as it is filtered evenly."""
        return self.footprint.size_mm

    @cached_property
    def tiles(self) -> tuple[int, ...]:
        """Numbers (1001 + U + 10 V) of the tiles that hold any skin."""
        # what reaches less than half a texel over a tile's border meets no texel centre there
        tiles = tiles_touched(*tile_span(self.surface.corner_uv, 0.5 / self.size_px))
        if not tiles:
            raise MeshError(
                f"{self.surface.label}: no UVs lie in the tiles 1001 to 1100; allowed: u and v from 0 to 10; move the "
                "charts there"
            )
        return tiles

    def whole(self) -> Window:
        return Window(0, 0, self.size_px, self.size_px)

    def skin_points(self, tile: int, window: Window) -> SkinPoints:
        """Skin points of a window's texels, row by row; the same for a texel whatever window it is asked in."""
        view = self._tile_view(tile)
        owner, barycentric = self._own(view, view.touching(window, 1.0), window)
        if self.gutter_px > 0:
            borders = view.borders_touching(window, self.gutter_px + 1.0)
            self._fill_gutter(view, borders, self.gutter_px, window, owner, barycentric)
        return SkinPoints(owner.ravel(), barycentric.reshape(-1, 3))

    def chart_places(self, tile: int, window: Window) -> ChartPlaces:
        """Places of a window's texels in their own charts; the same for a texel whatever window it is asked in."""
        view = self._tile_view(tile)
        owner, barycentric = self._own(view, view.touching(window, 1.0), window)
        triangle, place, is_held = owner.copy(), barycentric.copy(), np.zeros(window.shape, bool)
        if self.gutter_px > 0:
            borders = view.borders_touching(window, self.gutter_px + 1.0)
            near = self._fill_gutter(view, borders, self.gutter_px, window, owner, barycentric)
            self._place_gutter(
                view, view.border_triangle[borders], near, owner, barycentric, window, triangle, place, is_held
            )
        return ChartPlaces(triangle, place, is_held, SkinPoints(owner.ravel(), barycentric.reshape(-1, 3)))

    def _place_gutter(self, view, border_triangle, near, owner, barycentric, window, *place) -> None:
        surface = self.surface
        kernels.place_gutter(
            near,
            border_triangle,
            view.affine,
            window.row_px,
            window.col_px,
            owner,
            barycentric,
            surface.adjacency.triangle,
            surface.frame,
            surface.corner_mm,
            self.footprint.slope_per_mm,
            *place,
        )

    def skin_points_at(
        self, tile: int, row_px: np.ndarray, col_px: np.ndarray, reach_px: int
    ) -> tuple[SkinPoints, np.ndarray]:
        """Skin points of single texels, rows and columns int (n,), none farther than ``reach_px`` from a chart.

        Returns
        -------
        points, bit for bit as `skin_points` gives them; and bool (n,), the texel lies inside a chart
        """
        view, reach_px = self._tile_view(tile), min(self.gutter_px, reach_px)
        triangle, inside = np.full(len(row_px), -1, np.int32), np.zeros(len(row_px), bool)
        barycentric = np.zeros((len(row_px), 3), np.float32)
        for block, here, candidates, borders in _small_blocks(view, self.size_px, row_px, col_px, reach_px):
            at = row_px[here] - block.row_px, col_px[here] - block.col_px
            owner, found = self._own(view, candidates, block)
            inside[here] = owner[at] >= 0
            if reach_px > 0:
                self._fill_gutter(view, borders, reach_px, block, owner, found)
            triangle[here], barycentric[here] = owner[at], found[at]
        return SkinPoints(triangle, barycentric), inside

    @cached_property
    def has_texels(self) -> np.ndarray:
        """bool (n_triangles,): the triangle has area in UV, so that texels can show it."""
        return np.isfinite(self._tile_view(self.tiles[0]).affine).all(axis=(1, 2))

    def _own(self, view: _TileView, candidates: np.ndarray, window: Window) -> tuple[np.ndarray, np.ndarray]:
        return own_texels(self.surface, view.corner_px, view.affine, candidates, window)

    def _fill_gutter(
        self,
        view: _TileView,
        borders: np.ndarray,
        reach_px: int,
        window: Window,
        owner: np.ndarray,
        barycentric: np.ndarray,
    ) -> np.ndarray:
        border_px, border_triangle = view.border_px[borders], view.border_triangle[borders]
        return fill_gutter(self.surface, view.affine, border_px, border_triangle, reach_px, window, owner, barycentric)

    def _tile_view(self, tile: int) -> _TileView:
        if tile not in self._views:
            self._views[tile] = _TileView(self.surface, self.size_px, tile)
        return self._views[tile]

    @cached_property
    def _views(self) -> dict[int, _TileView]:
        return {}


def own_texels(
    surface: Surface, corner_px: np.ndarray, affine: np.ndarray, candidates: np.ndarray, window: Window
) -> tuple[np.ndarray, np.ndarray]:
    """Which triangle each texel of a window lies in, int32 (rows, cols), -1: none; and where, float32 (rows, cols, 3).

    Parameters
    ----------
    corner_px, affine, candidates : see `kernels.own_texels`
    """
    owner = np.full(window.shape, -1, np.int32)
    barycentric = np.zeros((*window.shape, 3), np.float32)
    kernels.own_texels(
        corner_px, affine, candidates, surface.face_rank, window.row_px, window.col_px, owner, barycentric
    )
    return owner, barycentric


def fill_gutter(  # noqa: PLR0913  (what is walked over, how far, and what is filled)
    surface: Surface,
    affine: np.ndarray,
    border_px: np.ndarray,
    border_triangle: np.ndarray,
    reach_px: int,
    window: Window,
    owner: np.ndarray,
    barycentric: np.ndarray,
) -> np.ndarray:
    """Give texels up to ``reach_px`` beyond borders the skin straight on, in place; which border, int32 (rows, cols).

    Parameters
    ----------
    affine, border_px, border_triangle, owner, barycentric : see `kernels.nearest_border` and `kernels.fill_gutter`
    """
    near_d2 = np.full(window.shape, np.nextafter(np.float32(reach_px**2), np.float32(np.inf)), np.float32)
    near_edge = np.full(window.shape, -1, np.int32)
    kernels.nearest_border(border_px, float(reach_px), window.row_px, window.col_px, owner, near_d2, near_edge)
    adjacency = surface.adjacency
    kernels.fill_gutter(
        near_edge,
        border_triangle,
        affine,
        window.row_px,
        window.col_px,
        surface.flat_mm,
        adjacency.triangle,
        adjacency.edge,
        owner,
        barycentric,
    )
    return near_edge


class _TileView:
    """Triangles and chart borders of a surface in texels of one tile."""

    def __init__(self, surface: Surface, size_px: int, tile: int):
        uv = surface.corner_uv - column_and_row(tile)
        self.corner_px = np.stack([uv[..., 0] * size_px, (1.0 - uv[..., 1]) * size_px], axis=2)
        self.affine = barycentric_affine(self.corner_px)
        self._low, self._high = self.corner_px.min(axis=1), self.corner_px.max(axis=1)
        usable = np.isfinite(self.affine).all(axis=(1, 2))
        self._low[~usable], self._high[~usable] = np.inf, -np.inf
        t, k = np.nonzero(surface.is_chart_border & usable[:, None])
        self.border_triangle = t.astype(np.int32)
        self.border_px = np.hstack([self.corner_px[t, (k + 1) % 3], self.corner_px[t, (k + 2) % 3]])
        self._border_low = np.minimum(self.border_px[:, :2], self.border_px[:, 2:])
        self._border_high = np.maximum(self.border_px[:, :2], self.border_px[:, 2:])

    def touching(self, window: Window, margin_px: float, among: np.ndarray | None = None) -> np.ndarray:
        """Triangles, int32 by rising number, that may touch a window; of all or of some."""
        return _touching(self._low, self._high, window, margin_px, among).astype(np.int32)

    def borders_touching(self, window: Window, margin_px: float, among: np.ndarray | None = None) -> np.ndarray:
        return _touching(self._border_low, self._border_high, window, margin_px, among)


def _touching(low_px, high_px, window: Window, margin_px: float, among: np.ndarray | None) -> np.ndarray:
    if among is None:
        return np.flatnonzero(overlaps(low_px, high_px, window, margin_px))
    return among[overlaps(low_px[among], high_px[among], window, margin_px)]


def _small_blocks(view: _TileView, size_px: int, row_px: np.ndarray, col_px: np.ndarray, reach_px: int):
    """Cut a tile in four again and again, wherever texels are asked for, down to small blocks.

    Gives (window, numbers of its texels, triangles that may touch it, borders that may reach it).
    """
    side = SMALL_BLOCK_PX * 2 ** math.ceil(math.log2(max(size_px / SMALL_BLOCK_PX, 1)))
    waiting = [(Window(0, 0, side, side), np.arange(len(row_px)), None, None)]
    while waiting:
        window, here, triangles, borders = waiting.pop()
        if len(here) == 0:
            continue
        triangles = view.touching(window, 1.0, triangles)
        borders = view.borders_touching(window, reach_px + 1.0, borders)
        if window.n_rows == SMALL_BLOCK_PX:
            yield window, here, triangles, borders
            continue
        half = window.n_rows // 2
        for row in (window.row_px, window.row_px + half):
            for col in (window.col_px, window.col_px + half):
                low = (row_px[here] < window.row_px + half) == (row == window.row_px)
                left = (col_px[here] < window.col_px + half) == (col == window.col_px)
                waiting.append((Window(row, col, half, half), here[low & left], triangles, borders))


def overlaps(low_px: np.ndarray, high_px: np.ndarray, window: Window, margin_px: float) -> np.ndarray:
    """bool (n,): boxes from ``low_px`` to ``high_px`` (n, 2), x right, y down, that come that near to a window."""
    start = np.array([window.col_px, window.row_px]) - margin_px
    stop = np.array([window.col_px + window.n_cols, window.row_px + window.n_rows]) + margin_px
    return ((high_px >= start) & (low_px <= stop)).all(axis=1)


def barycentric_affine(corner_px: np.ndarray) -> np.ndarray:
    """Rows (x, y, 1) -> barycentrics of each triangle, float64 (n, 3, 3); nan for triangles without area in UV."""
    a, b, c = corner_px[:, 0], corner_px[:, 1], corner_px[:, 2]
    det = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (c[:, 0] - a[:, 0]) * (b[:, 1] - a[:, 1])
    out = np.full((len(corner_px), 3, 3), np.nan)
    ok = np.isfinite(det) & (np.abs(det) > 1e-12)
    for k, (p, q) in enumerate(((b, c), (c, a), (a, b))):
        out[ok, k, 0] = ((p[:, 1] - q[:, 1])[ok]) / det[ok]
        out[ok, k, 1] = ((q[:, 0] - p[:, 0])[ok]) / det[ok]
        out[ok, k, 2] = ((p[:, 0] * q[:, 1] - q[:, 0] * p[:, 1])[ok]) / det[ok]
    return out
