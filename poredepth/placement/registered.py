"""Registered: a flattened piece of a scan, fixed to the skin by tie points.

The skin around the tie points, as far along the skin as the patch reaches, is laid flat (`flatten`), and a thin-plate
spline through the tie points takes the flat skin to the patch (`warp`).
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse.csgraph import minimum_spanning_tree

from poredepth.errors import PoredepthWarning
from poredepth.patch.border import InsideBlocks
from poredepth.patch.types import HeightPatch
from poredepth.placement.flatten import Sheet, flatten, neighbours_within, skin_within
from poredepth.placement.prints import Prints
from poredepth.placement.ties import (
    LEAST_TIES,
    RegisteredSpec,
    Ties,
    coordinates,
    on_one_line,
    placed_ties,
    refuse,
)
from poredepth.placement.warp import Warp, fitted, similarity, without_each
from poredepth.recipe.model_layers import Axis
from poredepth.surface.skin import Surface
from poredepth.surface.topology import connected_triangles
from poredepth.units import UM_PER_MM

#: Edges of the mesh under a registered patch, at most: the warp is bent between corners and straight inside triangles.
#: On a face with edges of 7 mm (median) tie points were off by up to 0.16 mm, at 5 mm by 0.02 mm.
WARP_EDGE_MM = 5.0

#: The reach on the skin is what the patch seems to need times the first, then times the second until it is enough.
FIRST_REACH, MORE_REACH, MAX_ROUNDS = 1.1, 1.4, 8

#: Areas below this share of the mean one count as folded.
LEAST_AREA_RATIO = 0.02

#: Sizes that differ by more than this are warned about.
SIZE_SLACK_RATIO = 0.15

#: So many tie points are named as being at fault, if without them the rest fits as well as this times the best.
MAX_TOLD, AS_LIKELY = 2, 2.0


class PatchSizeWarning(PoredepthWarning):
    """The tie points give a patch another size than its texel_um."""


@dataclass(frozen=True)
class TieFit:
    """How a tie point fits.

    Attributes
    ----------
    number : in the recipe, from 0
    px, at : as in the recipe
    snapped_mm : from the given point to the skin, mm
    residual_mm : on the skin, from where its pixel lands to where it was asked, mm
    left_out_mm : the same for the warp through all other tie points: large for a wrong one, and where others are far
    """

    number: int
    px: tuple[float, float]
    at: tuple[float, float, float]
    snapped_mm: float
    residual_mm: float
    left_out_mm: float


@dataclass(frozen=True)
class Registration:
    """What the tie points say of a registered layer.

    Attributes
    ----------
    ties : in the order of the recipe
    texel_mm : side of a pixel on the skin by the warp, mm (mean over the patch)
    stated_texel_mm : the same by the recipe
    mirror : the layer is mirrored in the plane in which this coordinate is 0
    """

    ties: tuple[TieFit, ...]
    texel_mm: float
    stated_texel_mm: float
    mirror: Axis | None = None

    @property
    def size_ratio(self) -> float:
        """Size found over size stated."""
        return self.texel_mm / self.stated_texel_mm


@dataclass(frozen=True, eq=False)
class _Laid:
    """A sheet with its warp: ``tie_mm`` the tie points on the sheet, ``patch_mm`` the corners in the patch, ``shows``
    the triangles that show any of the patch, ``area_ratio`` area in the patch over area on the skin, by triangle."""

    sheet: Sheet
    tie_mm: np.ndarray
    patch_mm: np.ndarray
    shows: np.ndarray
    area_ratio: np.ndarray


def register(
    surface: Surface, triangles: np.ndarray, patch: HeightPatch, inside: InsideBlocks, spec: RegisteredSpec
) -> tuple[Prints, Registration]:
    """Lay a patch by its tie points.

    Parameters
    ----------
    triangles : bool (n_triangles,), where rows are wanted; they do not change the warp
    patch, inside : the picture and where it holds relief
    spec : tie points

    Returns
    -------
    prints : one print; patch coordinates in mm of the size found, from the picture's lower left corner.  Its weight is
        that of the picture
    registration : sizes and residuals

    Raises
    ------
    PlacementError : tie points that do not fit the picture, the skin or each other, or a warp that folds

    Warns
    -----
    PatchSizeWarning : a size that is more than 15 % off the stated one
    """
    ties = placed_ties(surface, patch, spec)
    laid = _laid(surface, patch, inside, ties)
    area_mm2 = laid.sheet.area_mm2[laid.shows]
    scale = np.sqrt((laid.area_ratio[laid.shows] * area_mm2).sum() / area_mm2.sum())
    registration = Registration(_tie_fits(laid, ties), float(patch.texel_mm / scale), patch.texel_mm, spec.mirror)
    _warn_of_size(patch, registration, spec)
    shown = laid.shows & triangles[laid.sheet.triangle]
    where = laid.sheet.triangle[shown]
    start = np.zeros(surface.n_triangles + 1, np.int64)
    np.cumsum(np.bincount(where, minlength=surface.n_triangles), out=start[1:])
    prints = Prints(
        start=start,
        print_id=np.zeros(len(where), np.int32),
        picture=np.zeros(len(where), np.int32),
        corner_mm=(laid.patch_mm[laid.sheet.corner[shown]] / scale).astype(np.float32),
        corner_weight=np.ones((len(where), 3), np.float32),
        zoom=np.ones(len(where), np.float32),
        pair_start=np.zeros(surface.n_triangles + 1, np.int64),
        likeness=np.empty(0, np.float32),
    )
    return prints, registration


def _laid(surface: Surface, patch: HeightPatch, inside: InsideBlocks, ties: Ties) -> _Laid:
    """The smallest sheet that holds all skin the patch shows on, and its warp."""
    reach_mm = FIRST_REACH * _needed_reach_mm(surface, patch, inside, ties)
    for _ in range(MAX_ROUNDS):
        where = skin_within(surface, ties.points, reach_mm)
        reach_mm *= MORE_REACH
        if not np.isin(ties.triangle, where).all():
            continue
        sheet = flatten(surface, where)
        if ties.spec.mirror is not None:
            sheet = replace(sheet, uv_mm=sheet.uv_mm * [-1.0, 1.0])
        tie_mm = sheet.at(sheet.uv_mm, ties.triangle, ties.barycentric)
        if on_one_line(tie_mm):
            _refuse_unflat(surface, sheet, np.arange(len(where)), ties, 0.1)
            refuse(
                ties.spec,
                "tie_points",
                f"the at of tie points 0 to {len(ties) - 1} lie on one line along the skin",
                "tie points spread over the skin; add one off that line",
            )
        laid = _warped(surface, sheet, tie_mm, fitted(tie_mm, ties.patch_mm), patch, inside, ties)
        _refuse_folds(surface, laid, ties)
        if not (laid.shows & sheet.rim).any():
            return laid
    return refuse(
        ties.spec,
        "tie_points",
        "by them the patch reaches farther over the skin than can be followed",
        "a patch that ends on the skin around its tie points; check the px and the patch, or give it a mask",
    )


def _needed_reach_mm(surface: Surface, patch: HeightPatch, inside: InsideBlocks, ties: Ties) -> float:
    """How far along the skin the patch reaches beyond its nearest tie point, by the straight way between tie points.

    At least as far as it takes for the surroundings of all tie points to meet.
    """
    at_mm = surface.points_mm(ties.triangle, ties.barycentric)
    apart_mm = np.linalg.norm(at_mm[:, None] - at_mm[None], axis=2)
    size = apart_mm.sum() / np.linalg.norm(ties.patch_mm[:, None] - ties.patch_mm[None], axis=2).sum()
    px = np.column_stack([ties.patch_mm[:, 0], patch.height_extent_mm - ties.patch_mm[:, 1]]) / patch.texel_mm
    nearest_px = np.min([np.linalg.norm(inside.centres_px() - x, axis=1) for x in px], axis=0)
    return float(max(nearest_px.max() * patch.texel_mm * size, 0.5 * minimum_spanning_tree(apart_mm).max()))


def _warped(
    surface: Surface, sheet: Sheet, tie_mm: np.ndarray, warp: Warp, patch: HeightPatch, inside: InsideBlocks, ties: Ties
) -> _Laid:
    patch_mm = warp(sheet.uv_mm)
    px = np.column_stack([patch_mm[:, 0], patch.height_extent_mm - patch_mm[:, 1]]) / patch.texel_mm
    low, high = px[sheet.corner].min(axis=1), px[sheet.corner].max(axis=1)
    # of the skin that meets the picture, what hangs together with a tie point: the sheet may come round again
    on_picture = ((high >= 0) & (low <= patch.height_mm.shape[::-1])).all(axis=1)
    tied = sheet.number_of(ties.triangle)
    on_picture[tied] = True
    piece = np.full(len(on_picture), -1)
    piece[on_picture] = connected_triangles(neighbours_within(surface, sheet.triangle[on_picture]))
    shows = inside.touch(low, high) & np.isin(piece, piece[tied]) & (sheet.area_mm2 > 0)
    return _Laid(sheet, tie_mm, patch_mm, shows, _handedness(ties) * np.linalg.det(sheet.jacobian(patch_mm)))


def _handedness(ties: Ties) -> float:
    """Sign of the area that the patch covers, seen from outside: -1 where the layer is mirrored."""
    return 1.0 if ties.spec.mirror is None else -1.0


def _folded(area_ratio: np.ndarray, area_mm2: np.ndarray) -> np.ndarray:
    """bool (n,): triangles that are turned over, or nearly without area, in the patch."""
    mean = np.abs((area_ratio * area_mm2).sum()) / area_mm2.sum()
    return area_ratio < LEAST_AREA_RATIO * mean


def _refuse_folds(surface: Surface, laid: _Laid, ties: Ties) -> None:
    sheet, spec = laid.sheet, ties.spec
    area_mm2 = sheet.area_mm2[laid.shows]
    if not laid.shows.any():
        refuse(spec, "tie_points", "the patch shows nowhere on the skin", "tie points on or near the patch's inside")
    folded = _folded(laid.area_ratio[laid.shows], area_mm2)
    if not folded.any():
        return
    if (laid.area_ratio[laid.shows] * area_mm2).sum() < 0:
        refuse(
            spec,
            "tie_points",
            "they lay the patch face down: its picture would have to be turned over, as in a mirror",
            "tie points that go round in the picture as they do on the skin seen from outside; check left and right, "
            "or whether the picture is mirrored",
        )
    number = np.flatnonzero(laid.shows)[folded]
    _refuse_unflat(surface, sheet, number, ties, 0.0)
    worst = number[np.argmin(laid.area_ratio[number])]
    told = " and ".join(ties.told(i) for i in _at_fault(laid, ties, worst))
    refuse(
        spec,
        "tie_points",
        f"the patch would fold over itself near {_near(surface, sheet, worst)} in mesh units, likely by {told}",
        "tie points that lie to each other in the picture as they do on the skin; check px and at",
    )


def _refuse_unflat(surface: Surface, sheet: Sheet, number: np.ndarray, ties: Ties, allowed_share: float) -> None:
    """Refuse a sheet that is itself folded on more than a share of the area of its triangles ``number``."""
    own = _handedness(ties) * np.linalg.det(sheet.jacobian(sheet.uv_mm))[number]
    area_mm2 = sheet.area_mm2[number]
    if area_mm2[own < LEAST_AREA_RATIO].sum() <= allowed_share * area_mm2.sum():
        return
    refuse(
        ties.spec,
        "tie_points",
        f"the skin near {_near(surface, sheet, number[np.argmin(own)])} in mesh units is too folded to be laid flat",
        "skin that can be laid flat; leave that place out of the patch with a mask",
    )


def _near(surface: Surface, sheet: Sheet, number: int) -> str:
    middle_mm = surface.corner_mm[sheet.triangle[number]].mean(axis=0)
    return coordinates(np.round(middle_mm / surface.mm_per_unit, 3))


def _at_fault(laid: _Laid, ties: Ties, worst: int) -> list[int]:
    """Tie points whose removal removes the fold, those first without which the rest agrees; else the nearest to it."""
    sheet, shows = laid.sheet, laid.shows
    cures = []
    for number, warp in enumerate(without_each(laid.tie_mm, ties.patch_mm) if len(ties) > LEAST_TIES else ()):
        area_ratio = _handedness(ties) * np.linalg.det(sheet.jacobian(warp(sheet.uv_mm)))[shows]
        if not _folded(area_ratio, sheet.area_mm2[shows]).any():
            others = np.arange(len(ties)) != number
            rest = similarity(laid.tie_mm[others], ties.patch_mm[others])(laid.tie_mm[others]) - ties.patch_mm[others]
            cures.append((float(np.sqrt((rest**2).sum())), number))
    if cures:
        least = min(cures)[0]
        return [number for off_mm, number in sorted(cures) if off_mm <= AS_LIKELY * least][:MAX_TOLD]
    fold_mm = sheet.uv_mm[sheet.corner[worst]].mean(axis=0)
    return np.argsort(np.linalg.norm(laid.tie_mm - fold_mm, axis=1))[:MAX_TOLD].tolist()


def _tie_fits(laid: _Laid, ties: Ties) -> tuple[TieFit, ...]:
    """Residuals, taken from the patch back to the skin by the warp's derivative at the tie point."""
    landed_mm = laid.sheet.at(laid.patch_mm, ties.triangle, ties.barycentric)
    to_skin = np.linalg.pinv(laid.sheet.jacobian(laid.patch_mm)[laid.sheet.number_of(ties.triangle)])
    others = without_each(laid.tie_mm, ties.patch_mm)
    alone_mm = np.array([warp(laid.tie_mm[i : i + 1])[0] for i, warp in enumerate(others)])
    residual_mm, left_out_mm = (
        np.linalg.norm(np.einsum("nqk,nk->nq", to_skin, found - ties.patch_mm), axis=1)
        for found in (landed_mm, alone_mm)
    )
    return tuple(
        TieFit(i, tie.px, tie.at, ties.points[i].snapped_mm, float(residual_mm[i]), float(left_out_mm[i]))
        for i, tie in enumerate(ties.spec.tie_points)
    )


def _warn_of_size(patch: HeightPatch, found: Registration, spec: RegisteredSpec) -> None:
    if max(found.size_ratio, 1 / found.size_ratio) <= 1 + SIZE_SLACK_RATIO:
        return
    warnings.warn(
        f"{spec.key}.tie_points: by them a pixel of patch '{patch.name}' is {UM_PER_MM * found.texel_mm:.3g} um wide "
        f"on the skin, by texel_um it is {UM_PER_MM * patch.texel_mm:g} um ({100 * (found.size_ratio - 1):+.0f} %); "
        f"wanted: within {100 * SIZE_SLACK_RATIO:.0f} %; check texel_um, the mesh's unit, and that px are those of "
        f"this picture; heights stay as stated (layer '{spec.name}')",
        PatchSizeWarning,
        stacklevel=2,
    )
