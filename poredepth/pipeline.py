"""The stages in order: a recipe becomes a `Composition`, a function from skin points to heights in mm."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from poredepth.errors import RecipeError
from poredepth.ground import fine_skin, laying_ground
from poredepth.laying import compiled_layer, to_be_split
from poredepth.memory import give_back
from poredepth.mix.combine import Sampling, mixed_height_mm
from poredepth.mix.layers import CompiledLayer, LayingGround
from poredepth.mix.seams import EQUALISING, SeamCorrection, seam_correction
from poredepth.patch.types import HeightPatch
from poredepth.raster.texels import TileRaster
from poredepth.raster.window import BLOCK_TEXELS
from poredepth.recipe.model import Recipe
from poredepth.sources import load_patches
from poredepth.surface.obj import PolygonMesh, read_obj
from poredepth.surface.points import SkinPoints
from poredepth.surface.skin import Surface, surface_from_mesh

#: Called with what is being done, how much is done and how much there is.
OnProgress = Callable[[str, int, int], None]


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
    skin : the surface before it was split for the layers: what a renderer has; None: not kept
    """

    recipe: Recipe
    patches: Mapping[str, HeightPatch]
    ground: LayingGround
    layers: tuple[CompiledLayer, ...]
    skin: Surface | None = None

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

    def _height_in_parts_mm(self, points: SkinPoints, size_px: int) -> np.ndarray:
        """The same as `height_mm`, a block of points after the other, so that memory is bounded."""
        out = np.empty(len(points.triangle), np.float32)
        for first in range(0, len(out), BLOCK_TEXELS // 4):
            part = slice(first, first + BLOCK_TEXELS // 4)
            out[part] = self.height_mm(SkinPoints(points.triangle[part], points.barycentric[part]), size_px)
        return out

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
                raster, lambda points: self._height_in_parts_mm(points, raster.size_px), how
            )
            give_back()
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
    skin = _skin(recipe, mesh)
    on_progress("patches", 0, 1)
    patches = {**load_patches(recipe, given=patches or {}), **(patches or {})}
    ground = _ground(skin, recipe, on_progress)
    layers = []
    for number, spec in enumerate(recipe.layers):
        on_progress("layers", number, len(recipe.layers))
        layers.append(compiled_layer(recipe, number, patches, (maps or {}).get(spec.name), ground))
    on_progress("layers", len(layers), len(layers))
    for number, layer in enumerate(waiting := to_be_split(layers)):
        on_progress("bands", number, len(waiting))
        layer.bands.split()
    give_back()
    return Composition(recipe, patches, ground, tuple(layers), skin)


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
    surface, field = fine_skin(surface, recipe)
    on_progress("regions", 0, 1)
    return laying_ground(surface, field, recipe)
