"""One region of the map at its final texel size, under raking light.

The heights of a preview are bit for bit those of the written map: both come from the same function of the skin.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from poredepth.errors import MapFileError, RegionError
from poredepth.files import part_files, put_in_place
from poredepth.mix.blocks import window_height_mm
from poredepth.pipeline import Composition
from poredepth.raster.texels import TileRaster
from poredepth.raster.window import Window, row_blocks
from poredepth.recipe.model import Recipe
from poredepth.recipe.words import names_text, suggest
from poredepth.surface.metric import mm_per_uv, weighted_quantiles
from poredepth.surface.points import barycentric_lattice
from poredepth.surface.regions import RegionField, region_triangles, region_weight
from poredepth.surface.skin import Surface
from poredepth.view.relief import raking_relief
from poredepth.view.scalebar import with_scale_bar

#: Skin left around a region that is smaller than the window.
MARGIN_PX = 16
#: Barycentrics of the lattice that looks for a region too small to hold a triangle's middle.
_LATTICE = barycentric_lattice(10)


@dataclass(frozen=True, eq=False)
class Preview:
    """A window of the map, and its picture.

    Attributes
    ----------
    height_mm : float32 (rows, cols), mm: bit for bit the crop of the whole map
    tile, window : where it is
    texel_um : median size of a texel on the skin in the window, micrometres
    image : uint8 (more rows, cols or more, 3), sRGB: the relief, with a strip below that holds scale bar and caption
    """

    height_mm: np.ndarray
    tile: int
    window: Window
    texel_um: float
    image: np.ndarray


def preview(  # noqa: PLR0913  (where, how large, and the three numbers of the light)
    composition: Composition,
    region: str | None,
    *,
    size_px: int = 1024,
    map_size_px: int | None = None,
    azimuth_deg: float = 135.0,
    elevation_deg: float = 18.0,
    exaggeration: float = 1.0,
) -> Preview:
    """Heights and picture of a region.

    Parameters
    ----------
    composition : see `prepare`
    region : name of a region of the recipe, or None for the whole skin
    size_px : largest side of the window
    map_size_px : size of the map the window is cut from; default: the recipe's
    azimuth_deg, elevation_deg, exaggeration : see `raking_relief`

    Raises
    ------
    RegionError : no such region, or one that covers no texel
    PoredepthError : a light that is not above the skin
    """
    tile, window = preview_window(composition, region, size_px=size_px, map_size_px=map_size_px)
    raster = composition.raster(map_size_px)
    height_mm = _heights_mm(composition, raster, tile, window)
    x_per_px_mm, y_per_px_mm, has_height = texel_steps_mm(raster, tile, window)
    known_mm = np.where(has_height, height_mm, np.float32(np.nan))
    picture = raking_relief(
        known_mm,
        x_per_px_mm,
        y_per_px_mm,
        azimuth_deg=azimuth_deg,
        elevation_deg=elevation_deg,
        exaggeration=exaggeration,
    )
    x, y = x_per_px_mm[np.isfinite(x_per_px_mm[..., 0])], y_per_px_mm[np.isfinite(y_per_px_mm[..., 0])]
    if len(x) == 0:
        raise RegionError(
            f"{_label(region)} covers no texel of a map of {raster.size_px} px; allowed: a region with skin in the UV "
            "tiles; use a larger map, or check the UVs there"
        )
    texel_um = 1000 * float(np.median(np.sqrt(np.abs(x[:, 0] * y[:, 1] - x[:, 1] * y[:, 0]))))
    mm_per_px = float(np.median(np.hypot(x[:, 0], x[:, 1])))
    caption = f"{region or 'whole skin'} | median texel {texel_um:.3g} um | light from {azimuth_deg:g} deg"
    if exaggeration != 1:
        caption += f" | heights x {exaggeration:g}"
    return Preview(height_mm, tile, window, texel_um, with_scale_bar(picture, mm_per_px, caption))


def preview_window(
    composition: Composition, region: str | None, *, size_px: int = 1024, map_size_px: int | None = None
) -> tuple[int, Window]:
    """Tile and window around the heart of a region: where most of its skin lies in one chart.

    Parameters as in `preview`.

    Returns
    -------
    tile number, and a window of at most ``size_px`` on a side inside the tile; smaller where the region is

    Raises
    ------
    RegionError : no such region, or one without skin in the UV tiles
    """
    surface = composition.surface
    map_size_px = composition.recipe.output.size_px if map_size_px is None else map_size_px
    area_mm2 = _region_area_mm2(surface, _field(composition, region), region)
    chart = int(np.argmax(np.bincount(surface.tri_chart, area_mm2)))
    inside = np.flatnonzero((area_mm2 > 0) & (surface.tri_chart == chart))
    corner_uv = surface.corner_uv[inside]
    middle_uv = corner_uv.mean(axis=1)
    heart_uv = _heart_uv(middle_uv, area_mm2[inside], reach_uv=0.5 * size_px / map_size_px)
    tile_uv = np.floor(heart_uv)
    heart_uv = heart_uv - tile_uv
    low_uv, high_uv = corner_uv.min(axis=(0, 1)) - tile_uv, corner_uv.max(axis=(0, 1)) - tile_uv
    col, n_cols = _span(heart_uv[0], low_uv[0], high_uv[0], map_size_px, size_px)
    first_row, n_rows = _span(1 - heart_uv[1], 1 - high_uv[1], 1 - low_uv[1], map_size_px, size_px)
    return int(1001 + tile_uv[0] + 10 * tile_uv[1]), Window(first_row, col, n_rows, n_cols)


def texel_steps_mm(raster: TileRaster, tile: int, window: Window) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """What one step in the picture is on the skin, in the flat frame of each texel's triangle.

    Returns
    -------
    x_per_px_mm, y_per_px_mm : float32 (rows, cols, 2), mm per column and per row (downwards); nan outside charts
    has_height : bool (rows, cols): inside a chart or in the gutter around it
    """
    surface = raster.surface
    has_height = raster.skin_points(tile, window).triangle >= 0
    drawn = TileRaster(surface, raster.size_px, 0).skin_points(tile, window).triangle
    is_used = np.zeros(surface.n_triangles + 1, bool)
    is_used[drawn] = True
    used = np.flatnonzero(is_used[:-1])
    # a last row of nan, for triangle -1
    jacobian = np.full((surface.n_triangles + 1, 2, 2), np.nan, np.float32)
    jacobian[used] = mm_per_uv(_part(surface, used)) / raster.size_px
    step = jacobian[drawn].reshape(*window.shape, 2, 2)
    return step[..., 0], -step[..., 1], has_height.reshape(window.shape)


def _part(surface: Surface, triangles: np.ndarray) -> Surface:
    """The same skin with only the given triangles (n,), in that order."""
    return replace(
        surface,
        tri_vertex=surface.tri_vertex[triangles],
        tri_uv_vertex=surface.tri_uv_vertex[triangles],
        tri_face=surface.tri_face[triangles],
        tri_group=surface.tri_group[triangles],
    )


def _heights_mm(composition: Composition, raster: TileRaster, tile: int, window: Window) -> np.ndarray:
    """Heights of a window, float32 (rows, cols), mm, made in blocks on two threads; blocks change no bit."""
    blocks = list(row_blocks(window, max(1, window.n_rows * window.n_cols // 4)))
    layers, ground = composition.layers, composition.ground
    # what all blocks share is made once, before the threads start
    raster.skin_points(tile, Window(0, 0, 1, 1))
    correction = composition.seam_correction(raster.size_px)
    with ThreadPoolExecutor(2) as pool:
        parts = pool.map(lambda block: window_height_mm(layers, ground, raster, tile, block, correction), blocks)
        return np.concatenate(list(parts))


def save_png(image: np.ndarray, path: Path | str) -> Path:
    """Write a picture, uint8 (rows, cols, 3), as PNG; a missing folder is created.

    Raises
    ------
    MapFileError : the disk refused; a file that was there before is untouched, and nothing half-written is left
    """
    import imageio.v3 as iio  # only here: its start-up time is not for every run

    path = Path(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with part_files(path) as [part]:
            with open(part, "wb") as file:
                file.write(iio.imwrite("<bytes>", np.ascontiguousarray(image), extension=".png", compress_level=4))
            put_in_place([(part, path)])
    except OSError as error:
        raise MapFileError(
            f"{path}: cannot be written ({error.strerror or error}); allowed: a file in a folder you may write to; "
            "check the path and the space on the disk"
        ) from error
    return path


def check_region(recipe: Recipe, region: str | None) -> None:
    """Raise RegionError unless the recipe has a region of that name (None is the whole skin)."""
    if region is None or region in recipe.regions:
        return
    close = suggest(region, recipe.regions)
    end = "" if close is None else f"; did you mean {close!r}?"
    raise RegionError(
        f"{recipe.file or 'recipe'}: regions: found no region {region!r}; "
        f"allowed: {names_text(recipe.regions, 'the whole skin only, the recipe has no regions')}{end}"
    )


def _field(composition: Composition, region: str | None) -> RegionField | None:
    check_region(composition.recipe, region)
    return None if region is None else composition.ground.regions[region]


def _label(region: str | None) -> str:
    return "the whole skin" if region is None else f"region {region!r}"


def _region_area_mm2(surface: Surface, field: RegionField | None, region: str | None) -> np.ndarray:
    """Area of each triangle that belongs to a region, float64 (n_triangles,), mm2; 0 where UVs leave the tiles."""
    weight = np.zeros(surface.n_triangles)
    candidates = np.flatnonzero(region_triangles(surface, field) & _in_tiles(surface))
    if field is None:
        weight[candidates] = 1.0
    else:
        middle = np.full((len(candidates), 3), 1 / 3)
        weight[candidates] = region_weight(surface, field, candidates, middle)
        if not (weight > 0).any() and len(candidates):
            at = np.tile(_LATTICE, (len(candidates), 1))
            fine = region_weight(surface, field, np.repeat(candidates, len(_LATTICE)), at)
            weight[candidates] = fine.reshape(-1, len(_LATTICE)).mean(axis=1)
    area_mm2 = weight * surface.area_mm2
    if not (area_mm2 > 0).any():
        raise RegionError(
            f"{_label(region)} is empty: it has no skin in the UV tiles 1001 to 1100; allowed: a region with skin; "
            "check its radius, mask, group or sets"
        )
    return area_mm2


def _in_tiles(surface: Surface) -> np.ndarray:
    """bool (n_triangles,): the triangle has UVs, and its middle lies in a tile."""
    middle_uv = surface.corner_uv.mean(axis=1)
    return np.isfinite(middle_uv).all(axis=1) & (middle_uv >= 0).all(axis=1) & (middle_uv < 10).all(axis=1)


def _heart_uv(middle_uv: np.ndarray, area_mm2: np.ndarray, reach_uv: float) -> np.ndarray:
    """Weighted median of triangle middles (n, 2); moved onto the nearest of them where it lies off the region.

    The medians of u and v may meet in the hollow of a bent region, or in another tile.
    """
    heart_uv = np.array([weighted_quantiles(middle_uv[:, k], area_mm2, (0.5,))[0] for k in (0, 1)])
    away = np.abs(middle_uv - heart_uv).max(axis=1)
    same_tile = (np.floor(middle_uv) == np.floor(heart_uv)).all(axis=1)
    if (same_tile & (away < reach_uv)).any():
        return heart_uv
    return middle_uv[np.argmin(away)]


def _span(heart: float, low: float, high: float, map_size_px: int, size_px: int) -> tuple[int, int]:
    """First pixel and number of pixels along one axis of a tile, for a heart and bounds in 0..1 of it."""
    first_px = max(0, int(np.floor(low * map_size_px)) - MARGIN_PX)
    last_px = min(map_size_px, int(np.ceil(high * map_size_px)) + MARGIN_PX)
    count = max(1, min(size_px, last_px - first_px))
    start = round(heart * map_size_px - count / 2)
    start = min(max(start, first_px), last_px - count)
    return start, count
