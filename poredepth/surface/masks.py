"""Painted masks: pictures of weights in the mesh's UVs, read so that what lies outside the charts has no say."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.ndimage import distance_transform_edt

from poredepth.errors import PoredepthWarning, RegionError
from poredepth.surface import mask_kernels as kernels
from poredepth.surface.skin import Surface
from poredepth.surface.tiles import column_and_row, tiles_touched

Pictures = Mapping[int, np.ndarray]

#: Weights on the two sides of a seam that differ by more than this are told.
TOLD_DIFFERENCE = 0.1

#: Seams along which they do are told from this length on.
TOLD_LENGTH_MM = 1.0

#: Seams are looked at as often as this.
SEAM_STEP_MM = 0.5

#: Rows of a mask that are worked on at once, so that a large one does not need its size many times over.
STRIP_PX = 512


class MaskSeamWarning(PoredepthWarning):
    """A painted mask says one thing on one side of a UV seam and another on the other side."""


class MissingTileWarning(PoredepthWarning):
    """A picture in UV is there for some of the skin only."""


def warn_of_missing_tiles(surface: Surface, tiles: Collection[int], what: str, so: str) -> None:
    """Warn if skin lies in UV tiles other than those given; ``so`` says what follows for it."""
    missing = sorted(set(tiles_touched(*surface.tile_span)) - set(tiles))
    if missing:
        warnings.warn(
            f"{what}: no picture for UV tile {', '.join(map(str, missing))}, {so}; a name with <UDIM> in place of the "
            "tile number takes all tiles",
            MissingTileWarning,
            stacklevel=3,
        )


def read_masks(path: Path, read_picture: Callable[[Path], np.ndarray], tiles: Mapping[int, Path]) -> Pictures:
    """Read mask pictures by tile, clipped to 0..1.

    Raises
    ------
    RegionError : values far outside 0..1 (a height map given as a mask)
    """
    pictures = {}
    for tile, file in tiles.items():
        picture = np.asarray(read_picture(file), np.float32)
        if picture.min() < -0.01 or picture.max() > 1.01:
            raise RegionError(
                f"{file}: mask values run from {picture.min():g} to {picture.max():g}; allowed: 0 (outside) to 1 "
                "(inside); is this a height map?"
            )
        pictures[tile] = np.clip(picture, 0.0, 1.0)
    if not pictures:
        raise RegionError(f"{path}: no mask picture found")
    return pictures


def filled_beside_charts(surface: Surface, pictures: Pictures) -> Pictures:
    """The pictures with the texels just outside of charts set to the nearest texel inside one.

    A texel is inside if its centre is.  Bilinear sampling at a chart's border reads texels up to one beyond it; what
    is painted there, often black, would darken the weight along every seam.  Only texels that such sampling can read
    are set.  Charts nearer to each other than two texels of the mask share texels, and so some of their weight.

    Parameters
    ----------
    pictures : weights by UV tile number, (rows, cols); float32 pictures are changed in place, others are copied

    Source: own derivation.
    """
    low, high = surface.tile_span
    out = {}
    for tile, picture in pictures.items():
        picture = np.require(picture, np.float32, ["C", "W"])
        here = ((low <= column_and_row(tile)) & (high >= column_and_row(tile))).all(axis=1)
        if here.any():
            rows, cols = picture.shape
            at = surface.corner_uv[here] - column_and_row(tile)
            corner_px = np.stack([at[..., 0] * cols, (1.0 - at[..., 1]) * rows], axis=2)
            inside = np.zeros(picture.shape, bool)
            kernels.cover(corner_px, inside)
            kernels.fill_beside(corner_px, surface.is_chart_border[here], inside, picture)
        out[tile] = picture
    return out


def spread_beside_charts(surface: Surface, pictures: Pictures, reach_px: int) -> Pictures:
    """New pictures whose texels up to ``reach_px`` beyond the charts show the nearest texel inside one.

    So a mask may be filtered without drawing in what is painted beyond.

    Parameters
    ----------
    pictures : weights by UV tile number, float32 (rows, cols), as `filled_beside_charts` gives them
    """
    low, high = surface.tile_span
    out = {}
    for tile, picture in pictures.items():
        here = ((low <= column_and_row(tile)) & (high >= column_and_row(tile))).all(axis=1)
        rows, cols = picture.shape
        at = surface.corner_uv[here] - column_and_row(tile)
        inside = np.zeros(picture.shape, bool)
        kernels.cover(np.stack([at[..., 0] * cols, (1.0 - at[..., 1]) * rows], axis=2), inside)
        out[tile] = np.array(picture, np.float32)
        for first in range(0, rows, STRIP_PX):
            top, last = max(first - reach_px, 0), min(first + STRIP_PX, rows)
            around = slice(top, min(last + reach_px, rows))
            if not inside[around].any() or inside[first:last].all():
                continue
            far, (row, col) = distance_transform_edt(~inside[around], return_indices=True)
            strip = slice(first - top, last - top)
            near = (far[strip] > 0) & (far[strip] <= reach_px)
            out[tile][first:last][near] = picture[around][row[strip][near], col[strip][near]]
    return out


def sample_pictures(
    surface: Surface,
    pictures: Pictures,
    triangle: np.ndarray,
    barycentric: np.ndarray,
    of_four: Callable[..., np.ndarray] | None = None,
) -> np.ndarray:
    """Value of pictures by tile at skin points (n,), (n, 3): float32 (n,), 0 where there is no picture or no UV.

    ``of_four`` makes one value of the four texels around a point and the point's place between them; default bilinear.
    """
    corner_uv = surface.corner_uv[triangle]
    corner_uv[triangle < 0] = np.nan
    uv = np.einsum("nk,nkx->nx", barycentric, corner_uv)
    low, high = surface.tile_span
    tile_uv = np.clip(np.floor(uv), low[triangle], high[triangle])
    out = np.zeros(len(triangle), np.float32)
    for tile, picture in pictures.items():
        column, row = column_and_row(tile)
        here = (tile_uv[:, 0] == column) & (tile_uv[:, 1] == row)
        if here.any():
            out[here] = _at(picture, uv[here, 0] - column, uv[here, 1] - row, of_four or _bilinear)
    return out


def uv_in_tile(surface: Surface, tile: int, barycentric: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Triangles (n,) one place of which, barycentrics (3,), lies in a UV tile; and its u and v (n,) from the tile's
    corner."""
    uv = np.einsum("k,tkx->tx", barycentric, surface.corner_uv)
    low, high = surface.tile_span
    triangle = np.flatnonzero((np.clip(np.floor(uv), low, high) == column_and_row(tile)).all(axis=1))
    u, v = (uv[triangle] - column_and_row(tile)).T
    return triangle, u, v


def pixels_around(
    shape: tuple[int, ...], u: np.ndarray, v: np.ndarray
) -> tuple[tuple[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray], np.ndarray, np.ndarray]:
    """The two rows and columns of a tile's picture around places (n,), and how far each place lies past the first."""
    rows, cols = shape
    x = np.clip(u * cols - 0.5, 0, cols - 1)
    y = np.clip((1 - v) * rows - 0.5, 0, rows - 1)
    x0, y0 = np.minimum(x.astype(int), max(cols - 2, 0)), np.minimum(y.astype(int), max(rows - 2, 0))
    x1, y1 = np.minimum(x0 + 1, cols - 1), np.minimum(y0 + 1, rows - 1)
    return (y0, y1), (x0, x1), y - y0, x - x0


def _at(picture: np.ndarray, u: np.ndarray, v: np.ndarray, of_four: Callable[..., np.ndarray]) -> np.ndarray:
    (y0, y1), (x0, x1), fy, fx = pixels_around(picture.shape, u, v)
    return of_four(picture[y0, x0], picture[y0, x1], picture[y1, x0], picture[y1, x1], fx, fy)


def _bilinear(a, b, c, d, fx, fy):
    top = a * (1 - fx) + b * fx
    return top * (1 - fy) + (c * (1 - fx) + d * fx) * fy


def _least(a, b, c, d, _fx, _fy):
    return np.minimum(np.minimum(a, b), np.minimum(c, d))


def _most(a, b, c, d, _fx, _fy):
    return np.maximum(np.maximum(a, b), np.maximum(c, d))


@dataclass(frozen=True)
class SeamDifference:
    """Where a mask differs on the two sides of seams.

    Attributes
    ----------
    length_mm : length of seam along which it differs by more than ``TOLD_DIFFERENCE``
    at_mm : float64 (3,), where it differs most
    uv, weight : float64 (2, 2) and (2,), the UVs and weights of the two sides there
    """

    length_mm: float
    at_mm: np.ndarray
    uv: np.ndarray
    weight: np.ndarray


def seam_difference(surface: Surface, pictures: Pictures) -> SeamDifference | None:
    """Compare a mask on both sides of every UV seam, or None where it is the same.

    The two sides differ where the four texels around a point on one side have no value within ``TOLD_DIFFERENCE`` of
    the four on the other, so a hard edge that is cut into other texels on either side is no difference.
    """
    triangle, barycentric, step_mm = _along_seams(surface)
    if triangle.shape[1] == 0:
        return None
    least, most, weight = (
        np.stack([sample_pictures(surface, pictures, t, b, of) for t, b in zip(triangle, barycentric, strict=True)])
        for of in (_least, _most, _bilinear)
    )
    gap = np.maximum(least[0] - most[1], least[1] - most[0])
    differs = gap > TOLD_DIFFERENCE
    if not differs.any():
        return None
    worst = int(np.argmax(gap))
    return SeamDifference(
        length_mm=float(step_mm[differs].sum()),
        at_mm=surface.points_mm(triangle[:1, worst], barycentric[0, worst][None])[0],
        uv=np.einsum("sk,skx->sx", barycentric[:, worst], surface.corner_uv[triangle[:, worst]]),
        weight=weight[:, worst].astype(float),
    )


def _along_seams(surface: Surface) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Points along every seam on both of its sides: triangle (2, n), barycentric (2, n, 3); and mm each stands for."""
    across, across_edge = surface.adjacency.triangle, surface.adjacency.edge
    t, k = np.nonzero(surface.is_chart_border & (across >= 0))
    t2, k2 = across[t, k], across_edge[t, k].astype(np.int64)
    once = (t < t2) & surface.has_uv[t] & surface.has_uv[t2]
    t, k, t2, k2 = t[once], k[once], t2[once], k2[once]
    start, end = (surface.position_mm[surface.tri_vertex[t, (k + i) % 3]] for i in (1, 2))
    length_mm = np.linalg.norm(end - start, axis=1)
    count = np.maximum(np.ceil(length_mm / SEAM_STEP_MM).astype(np.int64), 2)
    edge = np.repeat(np.arange(len(t)), count)
    share = (np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count) + 0.5) / count[edge]
    barycentric = np.zeros((2, len(edge), 3))
    at = np.arange(len(edge))
    barycentric[0, at, (k[edge] + 1) % 3], barycentric[0, at, (k[edge] + 2) % 3] = 1 - share, share
    # the neighbour runs the edge the other way round
    barycentric[1, at, (k2[edge] + 1) % 3], barycentric[1, at, (k2[edge] + 2) % 3] = share, 1 - share
    return np.stack([t[edge], t2[edge]]), barycentric, (length_mm / count)[edge]


def warn_of_seams(surface: Surface, region: str, pictures: Pictures) -> None:
    """Warn once if a region's mask differs on the two sides of seams, with how long and where."""
    found = seam_difference(surface, pictures)
    if found is None or found.length_mm < TOLD_LENGTH_MM:
        return
    sides = " and ".join(f"{w:.2f} at u {u:.4f} v {v:.4f}" for w, (u, v) in zip(found.weight, found.uv, strict=True))
    warnings.warn(
        f"regions.{region}.mask: differs on the two sides of UV seams along {found.length_mm:.1f} mm, most at "
        f"{surface.place_text(found.at_mm)}: {sides}; allowed: one weight on both sides (within {TOLD_DIFFERENCE:g}); "
        "paint over the seam on the mesh itself, not in one chart only",
        MaskSeamWarning,
        stacklevel=4,
    )
