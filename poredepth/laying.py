"""The layers of a recipe, compiled one by one on its ground."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from poredepth.mix.combine import tracks_of, watchers_of
from poredepth.mix.compile import Joining, compile_map_layer, compile_patch_layer
from poredepth.mix.layers import CompiledLayer, Factors, LayingGround
from poredepth.mix.thinning import Thinning
from poredepth.mix.tracks import Rule
from poredepth.patch.bands import Cutoffs
from poredepth.patch.types import HeightPatch
from poredepth.recipe.model import Recipe
from poredepth.recipe.model_layers import LayerSpec
from poredepth.sources import load_maps, mask_reader
from poredepth.surface.scalars import build_factor
from poredepth.units import UM_PER_MM


def compiled_layer(
    recipe: Recipe,
    number: int,
    patches: Mapping[str, HeightPatch],
    heights_mm: Mapping[int, np.ndarray] | None,
    ground: LayingGround,
) -> CompiledLayer:
    """One layer of a recipe; ``heights_mm`` by UV tile stand for the files of a map."""
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


def to_be_split(layers: Sequence[CompiledLayer]) -> list[CompiledLayer]:
    """Layers whose bands part ways, so that every block will ask for their low passes."""
    apart = len(tracks_of(layers)) > 1
    return [layer for layer in layers if apart or not layer.is_even or "curvature" in watchers_of(layer, layers)]
