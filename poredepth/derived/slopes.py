"""Slopes of the relief along the skin, from heights in texels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.derived import frame_kernels, kernels
from poredepth.derived.heights import MapHeights
from poredepth.raster.texels import ChartPlaces
from poredepth.raster.window import Window
from poredepth.surface.points import SkinPoints
from poredepth.surface.tiles import column_and_row


@dataclass(frozen=True)
class Gradients:
    """Derivatives of heights in the flat frame of each texel's triangle (see `kernels.gradients`).

    Attributes
    ----------
    places : the texels' places, without margin
    first : float32 (rows, cols, 2), mm/mm; 0 without skin
    second : float32 (rows, cols, 3), d2h/dx2, d2h/dxdy, d2h/dy2, 1/mm; None if not asked for
    """

    places: ChartPlaces
    first: np.ndarray
    second: np.ndarray | None


@dataclass(frozen=True)
class Slopes:
    """Slopes in the tangent frames of texels, float32 (rows, cols); 0 without skin.

    Attributes
    ----------
    along_t, along_b : dh/dT, dh/dB, mm/mm: T along +u, B along +v
    along_tt, along_tb, along_bb : second derivatives, 1/mm; None if not asked for
    has_skin : bool (rows, cols), gutter included
    """

    along_t: np.ndarray
    along_b: np.ndarray
    has_skin: np.ndarray
    along_tt: np.ndarray | None = None
    along_tb: np.ndarray | None = None
    along_bb: np.ndarray | None = None


def slopes(heights: MapHeights, tile: int, window: Window, *, second: bool = False) -> Slopes:
    """Slopes of the relief, in mm along the skin whatever the UVs do.

    ``second`` : second derivatives too
    """
    found = gradients(heights, tile, window, second=second)
    place, out = flat_places(found.places), _in_frames(heights, found)
    more = {}
    if second:
        frame_kernels.turned_bends(*place, heights.frames.arrays, found.second.reshape(-1, 3))
        names = ("along_tt", "along_tb", "along_bb")
        more = dict(zip(names, np.moveaxis(found.second, 2, 0), strict=True))
    return Slopes(out[..., 0], out[..., 1], found.places.triangle >= 0, **more)


def placed_slopes(heights: MapHeights, tile: int, window: Window) -> tuple[np.ndarray, ChartPlaces]:
    """dh/dT and dh/dB, float32 (rows, cols, 2), and the texels' places."""
    found = gradients(heights, tile, window)
    return _in_frames(heights, found), found.places


def _in_frames(heights: MapHeights, found: Gradients) -> np.ndarray:
    out = np.empty(found.first.shape, np.float32)
    place = flat_places(found.places)
    frame_kernels.turned(*place, heights.frames.arrays, found.first.reshape(-1, 2), out.reshape(-1, 2))
    return out


def gradients(heights: MapHeights, tile: int, window: Window, *, second: bool = False) -> Gradients:
    """Derivatives in the flat frames of triangles."""
    margin = kernels.MARGIN_PX
    places = heights.places(tile, window, margin)
    column, row = column_and_row(tile)
    first = np.empty((*window.shape, 2), np.float32)
    bend = np.empty((*window.shape, 3) if second else (0, 0, 3), np.float32)
    kernels.gradients(
        heights.block(tile, window, margin),
        places.triangle,
        places.barycentric,
        places.is_held,
        places.skin.triangle.reshape(places.triangle.shape),
        places.skin.barycentric.reshape(places.barycentric.shape),
        window.row_px - margin,
        window.col_px - margin,
        heights.raster.size_px,
        int(column),
        int(row),
        heights.flattening,
        second,
        first,
        bend,
    )
    return Gradients(_without_margin(places, margin), first, bend if second else None)


def flat_places(places: ChartPlaces) -> tuple[np.ndarray, np.ndarray]:
    """Triangles (n,) and barycentrics (n, 3), row by row, as kernels take them."""
    return places.triangle.ravel(), places.barycentric.reshape(-1, 3)


def _without_margin(places: ChartPlaces, margin: int) -> ChartPlaces:
    inner = slice(margin, -margin)
    shape = places.triangle.shape
    return ChartPlaces(
        np.ascontiguousarray(places.triangle[inner, inner]),
        np.ascontiguousarray(places.barycentric[inner, inner]),
        np.ascontiguousarray(places.is_held[inner, inner]),
        SkinPoints(
            np.ascontiguousarray(places.skin.triangle.reshape(shape)[inner, inner]).ravel(),
            np.ascontiguousarray(places.skin.barycentric.reshape(*shape, 3)[inner, inner]).reshape(-1, 3),
        ),
    )
