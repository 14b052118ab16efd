"""The stages in order: a recipe becomes a `Composition`, a function from skin points to heights in mm."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np

from poredepth.errors import RecipeError
from poredepth.mix.combine import Sampling, mixed_height_mm, tracks_of
from poredepth.mix.compile import Joining, compile_map_layer, compile_patch_layer, kept_of
from poredepth.mix.edges import Edges, widenings
from poredepth.mix.layers import CompiledLayer, Factors, LayingGround
from poredepth.mix.seams import EQUALISING, SeamCorrection, seam_correction
from poredepth.mix.thinning import Thinning
from poredepth.mix.tracks import Rule
from poredepth.patch.bands import Cutoffs
from poredepth.patch.types import HeightPatch
from poredepth.placement.registered import WARP_EDGE_MM
from poredepth.placement.scatter import EDGE_RATIO, REACH_RATIO
from poredepth.raster.texels import TileRaster
from poredepth.recipe.model import Recipe
from poredepth.recipe.model_layers import LayerSpec
from poredepth.sources import direction_inputs, load_maps, load_patches, mask_reader
from poredepth.surface.direction_sources import build_pulls
from poredepth.surface.directions import DirectionField, carried, direction_field
from poredepth.surface.geodesic import distance_from_vertices_mm
from poredepth.surface.obj import PolygonMesh, read_obj
from poredepth.surface.points import SkinPoints
from poredepth.surface.regions import RegionField, build_regions, region_triangles
from poredepth.surface.scalars import build_factor
from poredepth.surface.skin import Surface, refined, surface_from_mesh, without_bridges
from poredepth.surface.widening import widened
from poredepth.units import UM_PER_MM

#: Called with what is being done, how much is done and how much there is.
OnProgress = Callable[[str, int, int], None]


#: The direction field is solved on edges no shorter than this.
FIELD_EDGE_MM = 3.0


def quiet(stage: str, done: int, total: int) -> None:
    """Progress that goes nowhere."""


@dataclass(frozen=True)
class Composition:
    """A recipe with everything laid: what remains is to ask it for heights.

    Attributes
    ----------
    recipe, patches : what it was made from
    ground : the skin, its directions and its regions
    layers : compiled, bottom to top
    """

    recipe: Recipe
    patches: Mapping[str, HeightPatch]
    ground: LayingGround
    layers: tuple[CompiledLayer, ...]

    @property
    def surface(self) -> Surface:
        return self.ground.surface

    @cached_property
    def _rasters(self) -> dict[int, TileRaster]:
        return {}

    @cached_property
    def _corrections(self) -> dict[int, SeamCorrection]:
        return {}

    def raster(self, size_px: int | None = None) -> TileRaster:
        """The skin as texels, at the recipe's size or another."""
        if size_px is not None and not 16 <= size_px <= 32768:
            raise RecipeError(f"size_px: found {size_px}; allowed: a whole number from 16 to 32768")
        output = self.recipe.output if size_px is None else self.recipe.output.model_copy(update={"size_px": size_px})
        if output.size_px not in self._rasters:
            self._rasters[output.size_px] = TileRaster(self.surface, output.size_px, output.effective_gutter_px)
        return self._rasters[output.size_px]

    def height_mm(self, points: SkinPoints, size_px: int | None = None) -> np.ndarray:
        """Height at any skin points, float32 (n,), mm, as filtered for texels of a map of ``size_px``.

        This is the relief itself; maps also make their seams even, see `seam_correction`.
        """
        raster = self.raster(size_px)
        return mixed_height_mm(self.layers, self.ground, Sampling(raster.footprint, raster.size_px), points)

    def seam_correction(self, size_px: int | None = None) -> SeamCorrection | None:
        """What maps of a size add to their texels along seams; None if the recipe leaves seams untouched.

        Worked out once for each size, from the texels along seams alone.
        """
        if self.recipe.output.seams == "untouched":
            return None
        raster = self.raster(size_px)
        if raster.size_px not in self._corrections:
            how = EQUALISING[self.recipe.output.seams]
            self._corrections[raster.size_px] = seam_correction(
                raster, lambda points: self.height_mm(points, raster.size_px), how
            )
        return self._corrections[raster.size_px]


def prepare(
    recipe: Recipe,
    *,
    mesh: PolygonMesh | None = None,
    patches: Mapping[str, HeightPatch] | None = None,
    maps: Mapping[str, Mapping[int, np.ndarray]] | None = None,
    on_progress: OnProgress = quiet,
) -> Composition:
    """Run every stage up to the mix.

    Parameters
    ----------
    recipe : see `load_recipe`
    mesh : the head, instead of the recipe's mesh file
    patches : by name, instead of patch files
    maps : by layer name, then UV tile: heights float32 (rows, cols) in mm, instead of map files
    on_progress : called with (stage, done, total)

    Raises
    ------
    PoredepthError : MeshError, PatchError, RegionError or PlacementError, each with what to do about it
    """
    on_progress("mesh", 0, 1)
    surface = _skin(recipe, mesh)
    on_progress("patches", 0, 1)
    patches = {**load_patches(recipe, given=patches or {}), **(patches or {})}
    ground = _ground(surface, recipe, on_progress)
    layers = []
    for number, spec in enumerate(recipe.layers):
        on_progress("layers", number, len(recipe.layers))
        layers.append(_compiled(number, recipe, patches, (maps or {}).get(spec.name), ground))
    on_progress("layers", len(layers), len(layers))
    _split(layers, on_progress)
    return Composition(recipe, patches, ground, tuple(layers))


def prepare_ground(recipe: Recipe, *, mesh: PolygonMesh | None = None, on_progress: OnProgress = quiet) -> LayingGround:
    """The skin, its directions and its regions, as `prepare` finds them, with nothing laid on it.

    Parameters
    ----------
    recipe, mesh, on_progress : see `prepare`

    Raises
    ------
    PoredepthError : MeshError, PatchError or RegionError, each with what to do about it
    """
    on_progress("mesh", 0, 1)
    return _ground(_skin(recipe, mesh), recipe, on_progress)


def _skin(recipe: Recipe, mesh: PolygonMesh | None) -> Surface:
    spec = recipe.mesh
    return surface_from_mesh(read_obj(recipe.path(spec.file)) if mesh is None else mesh, spec.unit, spec.subdivide)


def _ground(surface: Surface, recipe: Recipe, on_progress: OnProgress) -> LayingGround:
    on_progress("directions", 0, 1)
    surface, field = _fine_skin(surface, recipe)
    on_progress("regions", 0, 1)
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


def _fine_skin(surface: Surface, recipe: Recipe) -> tuple[Surface, DirectionField]:
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


def _compiled(number: int, recipe: Recipe, patches, heights_mm, ground: LayingGround) -> CompiledLayer:
    spec = recipe.layers[number]
    over = {} if spec.vary is None else {"gain": spec.vary.gain, "size": spec.vary.size}
    factors = Factors(
        **{
            key: build_factor(ground.surface, one, f"layers[{number}].vary.{key}", mask_reader(recipe))
            for key, one in over.items()
            if one is not None
        }
    )
    joining = Joining(
        Cutoffs(*recipe.cutoffs_of(spec)), Rule(spec.combine, spec.smooth_um / UM_PER_MM), _thinning(recipe, spec)
    )
    if spec.kind == "patch":
        return compile_patch_layer(spec, patches, factors, ground, joining, f"layers[{number}]")
    heights_mm = load_maps(recipe, spec) if heights_mm is None else heights_mm
    return compile_map_layer(spec, heights_mm, factors, ground, joining)


def _thinning(recipe: Recipe, spec: LayerSpec) -> Thinning | None:
    thin = spec.thin_where
    if thin is None:
        return None
    watched = next((layer for layer in recipe.layers if layer.name == thin.layer), None)
    mix = recipe.bands.coarse_mm, recipe.bands.fine_mm
    cutoffs = Cutoffs(*(mix if watched is None else recipe.cutoffs_of(watched)))
    if thin.deeper_than_um is None:
        return Thinning(thin.layer, "curvature", thin.threshold, thin.softness, thin.form, cutoffs)
    return Thinning(thin.layer, "depth", thin.threshold / UM_PER_MM, thin.softness / UM_PER_MM, thin.form, cutoffs)


def _split(layers: list[CompiledLayer], on_progress: OnProgress) -> None:
    """Work out now what every block will ask for: the low passes of layers whose bands part ways."""
    apart = len(tracks_of(layers)) > 1
    waiting = [layer for layer in layers if apart or not layer.is_even]
    for number, layer in enumerate(waiting):
        on_progress("bands", number, len(waiting))
        layer.bands.low  # noqa: B018  (made when first asked for)
    if waiting:
        on_progress("bands", len(waiting), len(waiting))
