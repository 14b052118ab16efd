"""Regions: where on the skin a layer lies, as a soft weight from 0 to 1.

A region is a small expression over two kinds of leaves: a ramp held at the skin's vertices (0 at the outer end of the
feather, 1 at the inner, unclamped, so that it can be interpolated before it is smoothed) and a painted picture in UV.
Distances run along the skin, never through the air.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np

from poredepth.errors import RegionError
from poredepth.recipe.model_skin import RegionSpec
from poredepth.recipe.words import names_text, suggest
from poredepth.surface import kernels
from poredepth.surface.geodesic import distance_from_point_mm, distance_from_vertices_mm
from poredepth.surface.locate import snapped_points
from poredepth.surface.masks import Pictures, filled_beside_charts, sample_pictures, warn_of_seams
from poredepth.surface.parts import Partition, face_partition
from poredepth.surface.points import barycentric_lattice
from poredepth.surface.skin import Surface

#: A feather of 0 is a hard edge: the ramp rises within this width.
HARD_EDGE_MM = 1e-3

#: Gives the widest feather, mm, that a region of a feather in mm may be given later; None: its own.
Widest = Callable[[float], float] | None

#: Barycentrics of the lattice that decides whether a painted mask touches a triangle.
_LATTICE = barycentric_lattice(4)


@dataclass(frozen=True)
class RampField:
    """Ramp at vertices, float32 (n_vertices,); the weight is smoothstep(clip(ramp, 0, 1)); width of the feather, mm."""

    ramp: np.ndarray
    width_mm: float


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
class FunctionField:
    """Weight as a function of (triangle (n,), barycentric (n, 3)) -> float32 (n,); bool (n_triangles,): it is above 0
    somewhere there."""

    weight: Callable[[np.ndarray, np.ndarray], np.ndarray]
    touched: np.ndarray


@dataclass(frozen=True)
class SetField:
    """Set algebra of weights: ``union`` largest, ``intersect`` smallest, ``subtract`` min(first, 1 - rest)."""

    kind: Literal["union", "intersect", "subtract"]
    parts: tuple


RegionField = RampField | DiskField | PictureField | FunctionField | SetField


def build_regions(
    surface: Surface,
    specs: Mapping[str, RegionSpec],
    read_mask: Callable[[str], Pictures],
    landmarks: Mapping[str, Sequence[float]] | None = None,
    only: Collection[str] | None = None,
    widest: Callable[[float], float] | None = None,
) -> dict[str, RegionField]:
    """Turn region specs into fields on the skin.

    Parameters
    ----------
    surface : the skin
    specs : by name; sets name other regions (cycles are refused when the recipe is read)
    read_mask : function that reads a mask named in the recipe as pictures by tile, which are then the regions' own
    landmarks : by name, [x, y, z] in the mesh file's unit; parts of the face need the standard ones
    only : names of the regions that are wanted, with what they are made of, for a first look (nothing is warned of);
        default: all
    widest : gives, for a feather in mm, the widest that the region may be given later (see `widening`); distances are
        kept true so far

    Raises
    ------
    RegionError : no such group, a centre or landmark that lies far from the skin, landmarks that are missing
    """
    done: dict[str, RegionField] = {}
    masks: dict[str, Pictures] = {}

    def mask_of(name: str, file: str) -> Pictures:
        if file not in masks:  # two regions may name one mask
            masks[file] = filled_beside_charts(surface, read_mask(file))
            if only is None:
                warn_of_seams(surface, name, masks[file])
        return masks[file]

    partition = cache(lambda: face_partition(surface, landmarks or {}))

    def build(name: str) -> RegionField:
        if name not in done:
            spec = specs[name]
            if spec.names:
                done[name] = SetField(spec.kind, tuple(build(part) for part in spec.names))
            elif spec.kind == "part":
                done[name] = _part(partition(), spec, widest)
            else:
                done[name] = _leaf(surface, name, spec, mask_of, widest)
        return done[name]

    for name in specs if only is None else sorted(only):
        build(name)
    return done


def _leaf(
    surface: Surface, name: str, spec: RegionSpec, mask_of: Callable[[str, str], Pictures], widest: Widest
) -> RegionField:
    if spec.kind == "group":
        inside = surface.tri_group == _group_number(surface, name, spec.group)
        return _ramp_of_triangles(surface, inside, spec.feather_mm, widest)
    if spec.kind == "center":
        return _disk(surface, name, spec, widest)
    field = PictureField(mask_of(name, spec.mask))
    if spec.feather_mm is None:
        return field
    centre = np.full((surface.n_triangles, 3), 1 / 3)
    inside = sample_pictures(surface, field.pictures, np.arange(surface.n_triangles), centre) >= 0.5
    return _ramp_of_triangles(surface, inside, spec.feather_mm, widest)


def _group_number(surface: Surface, name: str, group: str) -> int:
    if group not in surface.group_names:
        meant = suggest(group, surface.group_names)
        raise RegionError(
            f"regions.{name}.group: the mesh has no group '{group}'; allowed: {names_text(surface.group_names, 'none')}"
            + (f"; did you mean '{meant}'?" if meant else "")
        )
    return surface.group_names.index(group)


def _ramp_of_triangles(surface: Surface, inside: np.ndarray, feather_mm: float, widest: Widest) -> RampField:
    """Ramp that is 0.5 on the border of a set of triangles (bool (n_triangles,)) and 1 feather wide."""
    belongs, outside = np.zeros(surface.n_vertices, bool), np.zeros(surface.n_vertices, bool)
    belongs[surface.tri_vertex[inside]] = True
    outside[surface.tri_vertex[~inside]] = True
    border = np.flatnonzero(belongs & outside)
    width_mm = max(feather_mm, HARD_EDGE_MM)
    reach_mm = _reach_mm(surface, width_mm, widest)
    distance_mm = np.minimum(distance_from_vertices_mm(surface, border, max_mm=reach_mm), reach_mm)
    return RampField((0.5 + np.where(belongs, distance_mm, -distance_mm) / width_mm).astype(np.float32), width_mm)


def _part(partition: Partition, spec: RegionSpec, widest: Widest) -> RampField:
    """Ramp that is 0.5 on the border of a part of the face and 1 feather wide."""
    width_mm = max(spec.feather_mm, HARD_EDGE_MM)
    signed_mm = partition.signed_mm(spec.part, _reach_mm(partition.surface, width_mm, widest))
    return RampField((0.5 + signed_mm / width_mm).astype(np.float32), width_mm)


def _reach_mm(surface: Surface, width_mm: float, widest: Widest) -> float:
    """How far distances must be true: past the feather, and past any triangle that its end crosses."""
    if widest is not None:
        width_mm = max(width_mm, widest(width_mm))
    return width_mm + 2.0 * float(_longest_edge_mm(surface).max())


def _longest_edge_mm(surface: Surface) -> np.ndarray:
    corner = surface.corner_mm
    return np.sqrt(((corner - np.roll(corner, 1, axis=1)) ** 2).sum(axis=2).max(axis=1))


def _disk(surface: Surface, name: str, spec: RegionSpec, widest: Widest) -> DiskField:
    centre_mm = np.asarray(spec.center, float) * surface.mm_per_unit
    point = snapped_points(surface, centre_mm[None], [f"regions.{name}.center"])[0]
    width_mm = max(spec.feather_mm, HARD_EDGE_MM)
    reach_mm = spec.radius_mm + _reach_mm(surface, width_mm, widest)
    distance_mm = np.minimum(distance_from_point_mm(surface, point, max_mm=reach_mm), reach_mm)
    return DiskField(distance_mm.astype(np.float32), float(spec.radius_mm), float(width_mm))


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
    if isinstance(field, FunctionField):
        return field.weight(triangle, barycentric)
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
    if isinstance(field, FunctionField):
        return field.touched
    if field.kind == "union":
        return np.logical_or.reduce([region_triangles(surface, part) for part in field.parts])
    if field.kind == "intersect":
        return np.logical_and.reduce([region_triangles(surface, part) for part in field.parts])
    taken = np.logical_or.reduce([_filled_triangles(surface, part) for part in field.parts[1:]])
    return region_triangles(surface, field.parts[0]) & ~taken


def _filled_triangles(surface: Surface, field: RegionField) -> np.ndarray:
    """bool (n_triangles,): triangles in which the weight is surely 1 everywhere (painted ones: none)."""
    if isinstance(field, RampField):
        return (field.ramp[surface.tri_vertex] >= 1).all(axis=1)
    if isinstance(field, DiskField):
        return (field.distance_mm[surface.tri_vertex] <= field.radius_mm - 0.5 * field.width_mm).all(axis=1)
    if isinstance(field, PictureField | FunctionField):
        return np.zeros(surface.n_triangles, bool)
    if field.kind == "union":
        return np.logical_or.reduce([_filled_triangles(surface, part) for part in field.parts])
    if field.kind == "intersect":
        return np.logical_and.reduce([_filled_triangles(surface, part) for part in field.parts])
    touched = np.logical_or.reduce([region_triangles(surface, part) for part in field.parts[1:]])
    return _filled_triangles(surface, field.parts[0]) & ~touched


def _painted_triangles(surface: Surface, field: PictureField) -> np.ndarray:
    return touched_triangles(surface, lambda *points: sample_pictures(surface, field.pictures, *points))


def touched_triangles(surface: Surface, weight: Callable[[np.ndarray, np.ndarray], np.ndarray]) -> np.ndarray:
    """bool (n_triangles,): where a weight, asked for on a lattice in each triangle, is above 0; widened by one ring."""
    touched = np.zeros(surface.n_triangles, bool)
    triangle = np.arange(surface.n_triangles)
    for barycentric in _LATTICE:
        touched |= weight(triangle, np.tile(barycentric, (len(triangle), 1))) > 0
    vertex = np.zeros(surface.n_vertices, bool)
    vertex[surface.tri_vertex[touched]] = True
    return vertex[surface.tri_vertex].any(axis=1)
