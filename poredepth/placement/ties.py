"""Tie points: pixels of a patch and the skin points they belong on, checked."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from poredepth.errors import PlacementError
from poredepth.patch.types import HeightPatch
from poredepth.recipe.model_layers import Axis, TiePoint
from poredepth.surface.locate import SkinPoint, nearest_skin_points, snap_limit_mm
from poredepth.surface.skin import Surface

#: Fewest tie points: three fix an affine map.
LEAST_TIES = 3

#: Tie points whose extent across is less than this share of that along are taken to lie on one line.
LEAST_WIDTH_RATIO = 0.05


@dataclass(frozen=True)
class RegisteredSpec:
    """How a patch is registered.

    Attributes
    ----------
    tie_points : see `recipe.model.TiePoint`
    mirror : the layer is mirrored in the plane of the mesh in which this coordinate is 0
    name, key : of the layer and its place in the recipe, for messages
    """

    tie_points: tuple[TiePoint, ...]
    mirror: Axis | None = None
    name: str = ""
    key: str = "layer"


@dataclass(frozen=True, eq=False)
class Ties:
    """Tie points on the skin.

    Attributes
    ----------
    spec : what they were made from
    patch_mm : float64 (n, 2), place in the patch, from its lower left corner, x right, y up
    points : skin points; triangle, barycentric : int64 (n,), float64 (n, 3), of the same
    """

    spec: RegisteredSpec
    patch_mm: np.ndarray
    points: tuple[SkinPoint, ...]
    triangle: np.ndarray
    barycentric: np.ndarray

    def __len__(self) -> int:
        return len(self.points)

    def told(self, number: int) -> str:
        """A tie point as the recipe has it."""
        tie = self.spec.tie_points[number]
        return f"tie_points[{number}] (px {coordinates(tie.px)}, at {coordinates(tie.at)})"


def coordinates(values) -> str:
    """Coordinates as a recipe writes them."""
    return "[" + ", ".join(f"{x:g}" for x in values) + "]"


def refuse(spec: RegisteredSpec, key: str, found: str, allowed: str):
    """Raise the refusal of something at ``key`` of a layer."""
    raise PlacementError(f"{spec.key}.{key}: {found}; allowed: {allowed} (layer '{spec.name}')")


def placed_ties(surface: Surface, patch: HeightPatch, spec: RegisteredSpec) -> Ties:
    """Snap tie points to the skin and check them one by one and against each other.

    Raises
    ------
    PlacementError : with the place in the recipe and the tie point's number
    """
    px = np.array([tie.px for tie in spec.tie_points], float).reshape(-1, 2)
    rows, cols = patch.height_mm.shape
    if len(px) < LEAST_TIES:
        refuse(spec, "tie_points", f"{len(px)} tie points", f"at least {LEAST_TIES}")
    for number, (x, y) in enumerate(px):
        if not (0 <= x <= cols and 0 <= y <= rows):
            refuse(
                spec,
                f"tie_points[{number}].px",
                f"{coordinates(px[number])} lies outside the picture of patch '{patch.name}'",
                f"x from 0 to {cols} and y from 0 to {rows}, pixels from the top left corner",
            )
    points = _snapped(surface, spec)
    triangle = np.array([point.triangle for point in points], np.int64)
    barycentric = np.array([point.barycentric for point in points])
    _refuse_other_pieces(surface, triangle, spec)
    at_mm = surface.points_mm(triangle, barycentric)
    _refuse_same(spec, "px", px, 1.0, "one pixel")
    _refuse_same(spec, "at", at_mm, patch.texel_mm, f"one pixel of the patch, {patch.texel_mm:g} mm,")
    if on_one_line(px):
        refuse(
            spec,
            "tie_points",
            f"the px of tie points 0 to {len(px) - 1} lie on one line",
            "tie points spread over the picture; add one off that line",
        )
    patch_mm = np.column_stack([px[:, 0], rows - px[:, 1]]) * patch.texel_mm
    return Ties(spec, patch_mm, points, triangle, barycentric)


def on_one_line(points: np.ndarray) -> bool:
    """Whether points (n, 2) have hardly any extent across their main direction."""
    extent = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    return bool(extent[1] < LEAST_WIDTH_RATIO * extent[0])


def _snapped(surface: Surface, spec: RegisteredSpec) -> tuple[SkinPoint, ...]:
    at = np.array([tie.at for tie in spec.tie_points], float)
    if spec.mirror is not None:
        at[:, "xyz".index(spec.mirror)] *= -1
    points = nearest_skin_points(surface, at * surface.mm_per_unit)
    limit_mm = snap_limit_mm(surface)
    for number, point in enumerate(points):
        if point.snapped_mm > limit_mm:
            mirrored = f" mirrored in {spec.mirror} = 0" if spec.mirror is not None else ""
            refuse(
                spec,
                f"tie_points[{number}].at",
                f"{coordinates(spec.tie_points[number].at)}{mirrored} is {point.snapped_mm:.1f} mm from the skin",
                f"up to {limit_mm:.1f} mm; it is in the mesh file's unit: check the unit and the coordinates",
            )
    return tuple(points)


def _refuse_other_pieces(surface: Surface, triangle: np.ndarray, spec: RegisteredSpec) -> None:
    piece = surface.tri_piece[triangle]
    # those on the piece that most tie points are on are right
    usual = np.argmax([(piece == p).sum() for p in piece])
    for number in np.flatnonzero(piece != piece[usual]):
        refuse(
            spec,
            f"tie_points[{number}].at",
            f"{coordinates(spec.tie_points[number].at)} lies on another piece of skin than tie_points[{usual}], with "
            "no way between them along the skin",
            "tie points on one connected piece; move it, or lay each piece by a layer of its own",
        )


def _refuse_same(spec: RegisteredSpec, key: str, places: np.ndarray, least: float, told: str) -> None:
    for i, j in combinations(range(len(places)), 2):
        if np.linalg.norm(places[i] - places[j]) < least:
            refuse(
                spec,
                f"tie_points[{j}].{key}",
                f"{coordinates(getattr(spec.tie_points[j], key))} is the same place as that of tie_points[{i}]",
                f"places at least {told} apart; remove one of the two, or correct it",
            )
