"""Regions: where on the skin a layer lies, as a soft weight from 0 to 1.

A region is a small expression over two kinds of leaves: a ramp held at the skin's vertices (0 at the outer end of the
feather, 1 at the inner, unclamped, so that it can be interpolated before it is smoothed) and a painted picture in UV.
Distances run along the skin, never through the air.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from poredepth.errors import RegionError
from poredepth.recipe.model import RegionSpec
from poredepth.surface import kernels
from poredepth.surface.geodesic import distance_from_point_mm, distance_from_vertices_mm
from poredepth.surface.locate import nearest_skin_points
from poredepth.surface.skin import Surface

#: A feather of 0 is a hard edge: the ramp rises within this width.
HARD_EDGE_MM = 1e-3

#: A disk's centre farther from the skin than this share of the mesh's diagonal is taken for a mistake.
SNAP_RATIO = 0.1

#: Barycentrics of the lattice that decides whether a painted mask touches a triangle.
_LATTICE = np.array([(i, j, 4 - i - j) for i in range(5) for j in range(5 - i)]) / 4.0

Pictures = Mapping[int, np.ndarray]


@dataclass(frozen=True)
class RampField:
    """Ramp at vertices, float32 (n_vertices,); the weight is smoothstep(clip(ramp, 0, 1))."""

    ramp: np.ndarray


@dataclass(frozen=True)
class DiskField:
    """Disk along the skin: distance of vertices from its centre, float32 (n_vertices,), mm; radius and feather, mm."""

    distance_mm: np.ndarray
    radius_mm: float
    width_mm: float


@dataclass(frozen=True)
class PictureField:
    """Painted weight by UV tile number, float32 (rows, cols) each, 0 to 1, sampled bilinearly."""

    pictures: Pictures


@dataclass(frozen=True)
class SetField:
    """Set algebra of weights: ``union`` largest, ``intersect`` smallest, ``subtract`` min(first, 1 - rest)."""

    kind: Literal["union", "intersect", "subtract"]
    parts: tuple


RegionField = RampField | DiskField | PictureField | SetField


def build_regions(
    surface: Surface, specs: Mapping[str, RegionSpec], read_mask: Callable[[str], Pictures]
) -> dict[str, RegionField]:
    """Turn region specs into fields on the skin.

    Parameters
    ----------
    surface : the skin
    specs : by name; sets name other regions (cycles are refused when the recipe is read)
    read_mask : function that reads a mask named in the recipe as pictures by tile

    Raises
    ------
    RegionError : no such group, or a centre that lies far from the skin
    """
    done: dict[str, RegionField] = {}

    def build(name: str) -> RegionField:
        if name not in done:
            spec = specs[name]
            if spec.names:
                done[name] = SetField(spec.kind, tuple(build(part) for part in spec.names))
            else:
                done[name] = _leaf(surface, name, spec, read_mask)
        return done[name]

    for name in specs:
        build(name)
    return done


def _leaf(surface: Surface, name: str, spec: RegionSpec, read_mask: Callable[[str], Pictures]) -> RegionField:
    if spec.kind == "group":
        inside = surface.tri_group == _group_number(surface, name, spec.group)
        return RampField(_ramp_of_triangles(surface, inside, spec.feather_mm))
    if spec.kind == "center":
        return _disk(surface, name, spec)
    field = PictureField(read_mask(spec.mask))
    if spec.feather_mm is None:
        return field
    centre = np.full((surface.n_triangles, 3), 1 / 3)
    inside = sample_pictures(surface, field.pictures, np.arange(surface.n_triangles), centre) >= 0.5
    return RampField(_ramp_of_triangles(surface, inside, spec.feather_mm))


def _group_number(surface: Surface, name: str, group: str) -> int:
    if group not in surface.group_names:
        raise RegionError(
            f"regions.{name}.group: the mesh has no group '{group}'; allowed: {', '.join(surface.group_names)}"
        )
    return surface.group_names.index(group)


def _ramp_of_triangles(surface: Surface, inside: np.ndarray, feather_mm: float) -> np.ndarray:
    """Ramp that is 0.5 on the border of a set of triangles (bool (n_triangles,)) and 1 feather wide."""
    belongs, outside = np.zeros(surface.n_vertices, bool), np.zeros(surface.n_vertices, bool)
    belongs[surface.tri_vertex[inside]] = True
    outside[surface.tri_vertex[~inside]] = True
    border = np.flatnonzero(belongs & outside)
    width_mm = max(feather_mm, HARD_EDGE_MM)
    reach_mm = _reach_mm(surface, width_mm)
    distance_mm = np.minimum(distance_from_vertices_mm(surface, border, max_mm=reach_mm), reach_mm)
    return (0.5 + np.where(belongs, distance_mm, -distance_mm) / width_mm).astype(np.float32)


def _reach_mm(surface: Surface, width_mm: float) -> float:
    """How far distances must be true: past the feather, and past any triangle that its end crosses."""
    return width_mm + 2.0 * float(_longest_edge_mm(surface).max())


def _longest_edge_mm(surface: Surface) -> np.ndarray:
    corner = surface.corner_mm
    return np.sqrt(((corner - np.roll(corner, 1, axis=1)) ** 2).sum(axis=2).max(axis=1))


def _disk(surface: Surface, name: str, spec: RegionSpec) -> DiskField:
    centre_mm = np.asarray(spec.center, float) * surface.mm_per_unit
    point = nearest_skin_points(surface, centre_mm)[0]
    limit_mm = SNAP_RATIO * np.linalg.norm(np.ptp(surface.position_mm, axis=0))
    if point.snapped_mm > limit_mm:
        raise RegionError(
            f"regions.{name}.center: {list(spec.center)} is {point.snapped_mm:.1f} mm from the skin; allowed: up to "
            f"{limit_mm:.1f} mm; the centre is in the mesh file's unit: check the unit and the coordinates"
        )
    width_mm = max(spec.feather_mm, HARD_EDGE_MM)
    reach_mm = spec.radius_mm + _reach_mm(surface, width_mm)
    distance_mm = np.minimum(distance_from_point_mm(surface, point, max_mm=reach_mm), reach_mm)
    return DiskField(distance_mm.astype(np.float32), float(spec.radius_mm), float(width_mm))


def sample_pictures(surface: Surface, pictures: Pictures, triangle: np.ndarray, barycentric: np.ndarray) -> np.ndarray:
    """Bilinear value of pictures by tile at skin points (n,), (n, 3); 0 where there is no picture or no UV."""
    corner_uv = surface.corner_uv[triangle]
    corner_uv[triangle < 0] = np.nan
    uv = np.einsum("nk,nkx->nx", barycentric, corner_uv)
    tile_uv = np.floor(corner_uv.mean(axis=1))
    out = np.zeros(len(triangle), np.float32)
    for tile, picture in pictures.items():
        column, row = _tile_corner(tile)
        here = (tile_uv[:, 0] == column) & (tile_uv[:, 1] == row)
        if here.any():
            out[here] = _bilinear(picture, uv[here, 0] - column, uv[here, 1] - row)
    return out


def uv_in_tile(surface: Surface, tile: int, barycentric: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Triangles (n,) in a UV tile, and u and v (n,) from the tile's corner of one place, (3,), in each."""
    tile_uv = np.floor(surface.corner_uv.mean(axis=1))
    corner = np.array(_tile_corner(tile))
    triangle = np.flatnonzero((tile_uv == corner).all(axis=1))
    u, v = (np.einsum("k,tkx->tx", barycentric, surface.corner_uv[triangle]) - corner).T
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


def _tile_corner(tile: int) -> tuple[int, int]:
    """U and V of a tile 1001 + U + 10 V."""
    return (tile - 1001) % 10, (tile - 1001) // 10


def _bilinear(picture: np.ndarray, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    (y0, y1), (x0, x1), fy, fx = pixels_around(picture.shape, u, v)
    top = picture[y0, x0] * (1 - fx) + picture[y0, x1] * fx
    return top * (1 - fy) + (picture[y1, x0] * (1 - fx) + picture[y1, x1] * fx) * fy


def region_weight(surface: Surface, field: RegionField, triangle: np.ndarray, barycentric: np.ndarray) -> np.ndarray:
    """Weight of a region at skin points.

    Parameters
    ----------
    triangle : int (n,), -1 where there is no skin (weight 0); barycentric : float (n, 3)

    Returns
    -------
    float32 (n,), 0 to 1
    """
    if isinstance(field, RampField):
        out = np.zeros(len(triangle), np.float32)
        kernels.ramp_weight(
            triangle.astype(np.int32, copy=False),
            barycentric.astype(np.float32, copy=False),
            surface.tri_vertex,
            field.ramp,
            out,
        )
        return out
    if isinstance(field, DiskField):
        out = np.zeros(len(triangle), np.float32)
        kernels.disk_weight(
            triangle.astype(np.int32, copy=False),
            barycentric.astype(np.float32, copy=False),
            surface.tri_vertex,
            surface.flat_mm,
            field.distance_mm,
            field.radius_mm,
            field.width_mm,
            out,
        )
        return out
    if isinstance(field, PictureField):
        return sample_pictures(surface, field.pictures, triangle, barycentric)
    parts = [region_weight(surface, part, triangle, barycentric) for part in field.parts]
    if field.kind == "union":
        return np.maximum.reduce(parts)
    if field.kind == "intersect":
        return np.minimum.reduce(parts)
    return np.minimum.reduce([parts[0], *(np.float32(1) - part for part in parts[1:])])


def region_triangles(surface: Surface, field: RegionField | None) -> np.ndarray:
    """bool (n_triangles,): triangles in which the region's weight is above 0 somewhere.

    Ramps are exact; a painted picture is looked at on a lattice in each triangle and widened by one ring.
    """
    if field is None:
        return np.ones(surface.n_triangles, bool)
    if isinstance(field, RampField):
        return (field.ramp[surface.tri_vertex] > 0).any(axis=1)
    if isinstance(field, DiskField):
        # no point of a triangle is farther from its nearest corner than the longest edge
        nearest = field.distance_mm[surface.tri_vertex].min(axis=1)
        return nearest - _longest_edge_mm(surface) < field.radius_mm + 0.5 * field.width_mm
    if isinstance(field, PictureField):
        return _painted_triangles(surface, field)
    if field.kind == "union":
        return np.logical_or.reduce([region_triangles(surface, part) for part in field.parts])
    if field.kind == "intersect":
        return np.logical_and.reduce([region_triangles(surface, part) for part in field.parts])
    taken = np.logical_or.reduce([_filled_triangles(surface, part) for part in field.parts[1:]])
    return region_triangles(surface, field.parts[0]) & ~taken


def _filled_triangles(surface: Surface, field: RegionField) -> np.ndarray:
    """bool (n_triangles,): triangles in which the weight is surely 1 everywhere (painted pictures: none)."""
    if isinstance(field, RampField):
        return (field.ramp[surface.tri_vertex] >= 1).all(axis=1)
    if isinstance(field, DiskField):
        return (field.distance_mm[surface.tri_vertex] <= field.radius_mm - 0.5 * field.width_mm).all(axis=1)
    if isinstance(field, PictureField):
        return np.zeros(surface.n_triangles, bool)
    if field.kind == "union":
        return np.logical_or.reduce([_filled_triangles(surface, part) for part in field.parts])
    if field.kind == "intersect":
        return np.logical_and.reduce([_filled_triangles(surface, part) for part in field.parts])
    touched = np.logical_or.reduce([region_triangles(surface, part) for part in field.parts[1:]])
    return _filled_triangles(surface, field.parts[0]) & ~touched


def _painted_triangles(surface: Surface, field: PictureField) -> np.ndarray:
    touched = np.zeros(surface.n_triangles, bool)
    triangle = np.arange(surface.n_triangles)
    for barycentric in _LATTICE:
        touched |= sample_pictures(surface, field.pictures, triangle, np.tile(barycentric, (len(triangle), 1))) > 0
    vertex = np.zeros(surface.n_vertices, bool)
    vertex[surface.tri_vertex[touched]] = True
    return vertex[surface.tri_vertex].any(axis=1)


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
