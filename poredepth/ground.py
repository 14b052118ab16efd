"""The ground of a recipe: its skin, split as finely as its layers need, with directions and regions."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial

import numpy as np

from poredepth.mix.compile import kept_of
from poredepth.mix.edges import Edges, widenings
from poredepth.mix.layers import LayingGround
from poredepth.patch.bands import Cutoffs
from poredepth.placement.registered import WARP_EDGE_MM
from poredepth.placement.scatter import EDGE_RATIO, REACH_RATIO
from poredepth.recipe.model import Recipe
from poredepth.recipe.model_layers import LayerSpec
from poredepth.sources import direction_inputs, mask_reader
from poredepth.surface.direction_sources import build_pulls
from poredepth.surface.directions import DirectionField, carried, direction_field
from poredepth.surface.geodesic import distance_from_vertices_mm
from poredepth.surface.regions import RegionField, build_regions, region_triangles
from poredepth.surface.skin import Surface, refined, without_bridges
from poredepth.surface.widening import widened

#: The direction field is solved on edges no shorter than this.
FIELD_EDGE_MM = 3.0


def fine_skin(surface: Surface, recipe: Recipe) -> tuple[Surface, DirectionField]:
    """The skin split as finely as prints, warps and group borders need, and its direction field.

    The field is solved on edges of no less than ``FIELD_EDGE_MM`` and carried to their parts: it is smooth, and the
    solve is what grows fastest with the number of triangles.
    """
    edges_mm = [EDGE_RATIO * layer.print_mm for layer in recipe.layers if layer.print_mm is not None]
    edges_mm += [WARP_EDGE_MM for layer in recipe.layers if layer.place == "registered"]
    form = surface
    if edges_mm:
        surface = refined(form, max(min(edges_mm), FIELD_EDGE_MM))
    field = direction_field(surface, pulls=build_pulls(surface, recipe.directions, direction_inputs(recipe), form))
    splits = [lambda s: refined(s, _edge_limits_mm(s, recipe))] if edges_mm and min(edges_mm) < FIELD_EDGE_MM else []
    groups = {spec.group for spec in recipe.regions.values() if spec.group in surface.group_names}
    numbers = sorted(surface.group_names.index(group) for group in groups)
    splits += [partial(_without_bridges, number=number) for number in numbers]
    for split in splits:
        fine = split(surface)
        if fine.n_triangles != surface.n_triangles:
            surface, field = fine, carried(field, surface, fine)
    return surface, field


def laying_ground(surface: Surface, field: DirectionField, recipe: Recipe) -> LayingGround:
    """The skin with its directions and the recipe's regions, with edges for every band."""
    regions = build_regions(surface, recipe.regions, mask_reader(recipe), recipe.landmarks, widest=_widest(recipe))
    return LayingGround(surface, field, Edges(surface, regions, _is_proportional(recipe)), recipe.seed)


def _is_proportional(recipe: Recipe) -> bool:
    return recipe.bands.transitions == "proportional"


def _widest(recipe: Recipe) -> Callable[[float], float] | None:
    """The widest feather that any layer gives to a region of a feather."""
    if not _is_proportional(recipe):
        return None
    every = [widenings(Cutoffs(*recipe.cutoffs_of(spec)), "middle")[0] for spec in recipe.layers]
    return lambda feather_mm: max((how.width_mm(feather_mm) for how in every), default=feather_mm)


def _edge_limits_mm(surface: Surface, recipe: Recipe) -> np.ndarray:
    """Longest edge that each triangle may have: fine where small prints can lie, and only there."""
    out = np.full(surface.n_triangles, np.inf)
    fine = [spec for spec in recipe.layers if spec.print_mm is not None and EDGE_RATIO * spec.print_mm < FIELD_EDGE_MM]
    named = {spec.region for spec in fine if spec.region is not None}
    regions = build_regions(
        surface, recipe.regions, mask_reader(recipe), recipe.landmarks, only=named, widest=_widest(recipe)
    )
    for spec in fine:
        where = region_triangles(surface, _outline(recipe, spec, regions))
        reach_mm = REACH_RATIO * spec.print_mm
        near_mm = distance_from_vertices_mm(surface, np.unique(surface.tri_vertex[where]), 1.5 * reach_mm)
        # rounded, so that a head that was merely moved is split alike
        where |= (np.round(near_mm, 6) <= reach_mm)[surface.tri_vertex].any(axis=1)
        out[where] = np.minimum(out[where], EDGE_RATIO * spec.print_mm)
    return out


def _outline(recipe: Recipe, spec: LayerSpec, regions: Mapping[str, RegionField]) -> RegionField | None:
    """The region of a layer with the edge of its coarsest band (a painted one as it is painted)."""
    region = regions.get(spec.region)
    if region is None or not _is_proportional(recipe):
        return region
    return widened(region, widenings(Cutoffs(*recipe.cutoffs_of(spec)), kept_of(spec))[0], lambda painted: painted)


def _without_bridges(surface: Surface, number: int) -> Surface:
    return without_bridges(surface, surface.tri_group == number)
