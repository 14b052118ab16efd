"""A composed map measured: how far apart its two readings are along seams, and how truly it is read inside charts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from poredepth.errors import MapFileError
from poredepth.maps import HeightMap
from poredepth.mix.seams import MEASURED_PER_TEXEL
from poredepth.pipeline import Composition
from poredepth.raster.reading import bilinear, read_maps
from poredepth.raster.seams import SeamPoints, seam_points
from poredepth.raster.texels import TileRaster
from poredepth.surface.points import random_skin_points
from poredepth.surface.seams import seam_edges


@dataclass(frozen=True)
class SeamMeasure:
    """What a renderer reads on both sides of the seams of a map.

    Attributes
    ----------
    n_points : points on seams, about MEASURED_PER_TEXEL for each texel of the side that has more of them; 0: no seams
    rms_mm, p99_mm, worst_mm : how far apart the two sides read: root mean square, 99 % of the points, and the worst
    worst_at_mm : where that is, (x, y, z) in mm; worst_at : the same in units of the mesh file
    worst_uv : its (u, v) on the one side and on the other, tile included
    reading_rms_mm, reading_p99_mm, reading_worst_mm : for comparison, how far a reading at random points of the skin is
        from the relief itself at this size, mm
    """

    n_points: int
    rms_mm: float
    p99_mm: float
    worst_mm: float
    worst_at_mm: tuple[float, float, float] | None
    worst_at: tuple[float, float, float] | None
    worst_uv: tuple[tuple[float, float], tuple[float, float]] | None
    reading_rms_mm: float
    reading_p99_mm: float
    reading_worst_mm: float


def measure_seams(
    composition: Composition,
    maps: Mapping[int, HeightMap | np.ndarray],
    *,
    points_per_texel: float = MEASURED_PER_TEXEL,
    n_reading_points: int = 100_000,
) -> SeamMeasure:
    """Measure the seams of a composition's map, read bilinearly with texel centres at +0.5.

    Parameters
    ----------
    composition : see `prepare`
    maps : heights by UV tile, as `compose` gives them or float (size_px, size_px) in mm, as `read_map` does
    points_per_texel : points along a seam for each texel of the side that has more of them
    n_reading_points : random skin points that are read for comparison; always the same ones

    Raises
    ------
    MapFileError : maps that are not square or not of one size, or a tile that is not there

    Source: own derivation; reading error and mismatch are compared as both are errors of reading.
    """
    heights_mm = {tile: getattr(one, "height_mm", one) for tile, one in maps.items()}
    raster = composition.raster(_size_px(heights_mm))
    missing = sorted(set(raster.tiles) - set(heights_mm))
    if missing:
        raise MapFileError(f"maps: found no tile {missing[0]}; allowed: all of {', '.join(map(str, raster.tiles))}")
    points = seam_points(raster, seam_edges(composition.surface), points_per_texel)
    apart_mm = np.abs(_mismatch_mm(raster, heights_mm, points))
    place = _worst_place(composition, points, int(np.argmax(apart_mm))) if len(points) else (None, None, None)
    return SeamMeasure(
        len(points),
        *_spread(apart_mm),
        *place,
        *_spread(np.abs(_reading_error_mm(composition, raster, heights_mm, n_reading_points))),
    )


def _size_px(heights_mm: Mapping[int, np.ndarray]) -> int:
    shapes = {np.shape(one) for one in heights_mm.values()}
    if len(shapes) != 1 or len(shape := shapes.pop()) != 2 or shape[0] != shape[1]:
        found = ", ".join(f"{tile}: {np.shape(one)}" for tile, one in heights_mm.items()) or "none"
        raise MapFileError(f"maps: found {found}; allowed: square maps of one size, by tile; pass what compose gave")
    return shape[0]


def _mismatch_mm(raster: TileRaster, heights_mm: Mapping[int, np.ndarray], points: SeamPoints) -> np.ndarray:
    texel, number = np.unique(points.reading.texel, return_inverse=True)
    known_mm = read_maps(raster, heights_mm, texel).astype(float)
    return points.renumbered(number.reshape(-1, 2, 4)).mismatch_mm(known_mm)


def _reading_error_mm(
    composition: Composition, raster: TileRaster, heights_mm: Mapping[int, np.ndarray], n_points: int
) -> np.ndarray:
    """Bilinear reading less the relief at random skin points that have texels, mm."""
    surface = composition.surface
    skin = random_skin_points(surface, n_points, np.random.default_rng(0), raster.has_texels)
    uv = np.einsum("nk,nkx->nx", skin.barycentric.astype(float), surface.corner_uv[skin.triangle])
    reading = bilinear(raster, uv, skin.triangle)
    texel_mm = read_maps(raster, heights_mm, reading.texel.ravel()).reshape(-1, 4)
    read_mm = (texel_mm * reading.weight).sum(axis=1)
    return (read_mm - composition.height_mm(skin, raster.size_px))[reading.in_tile]


def _spread(values: np.ndarray) -> tuple[float, float, float]:
    """Root mean square, 99 %, largest; zeros of nothing."""
    if len(values) == 0:
        return 0.0, 0.0, 0.0
    return float(np.sqrt(np.mean(values**2))), float(np.percentile(values, 99)), float(values.max())


def _worst_place(composition: Composition, points: SeamPoints, worst: int):
    surface, edges = composition.surface, seam_edges(composition.surface)
    edge = points.edge[worst]
    triangle, k = edges.triangle[edge, 0], edges.edge[edge, 0]
    ends_mm = surface.corner_mm[triangle][[(k + 1) % 3, (k + 2) % 3]]
    at_mm = ends_mm[0] + points.at[worst] * (ends_mm[1] - ends_mm[0])
    one, other = (tuple(float(x) for x in uv) for uv in points.uv[worst])
    return (
        tuple(float(x) for x in at_mm),
        tuple(float(x) for x in at_mm / surface.mm_per_unit),
        (one, other),
    )
