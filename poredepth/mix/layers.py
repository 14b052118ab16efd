"""From a recipe's layers to compiled layers: prints, pictures and a region, ready to be evaluated anywhere."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from poredepth.errors import PatchError, PoredepthWarning
from poredepth.patch.levels import build_levels
from poredepth.patch.types import HeightPatch
from poredepth.placement.mapped import map_prints
from poredepth.placement.prints import Prints
from poredepth.placement.scatter import ScatterSpec, scatter
from poredepth.placement.spread import SpreadSpec, spread
from poredepth.raster.evaluate import Pictures, pack_pictures
from poredepth.recipe.model import LayerSpec
from poredepth.surface.directions import DirectionField
from poredepth.surface.regions import RegionField, region_triangles
from poredepth.surface.skin import Surface
from poredepth.surface.tiles import tiles_touched


class MissingTileWarning(PoredepthWarning):
    """A map layer has no picture for some of the skin."""


@dataclass(frozen=True)
class CompiledLayer:
    """A layer as a function on the skin.

    Attributes
    ----------
    gain : factor on its heights
    region : name of the region it covers, or None for the whole skin
    prints, pictures : what the kernel evaluates
    in_uv : its pictures are measured in UV (a map), not in mm (a patch)
    """

    name: str
    gain: float
    region: str | None
    prints: Prints
    pictures: Pictures
    in_uv: bool


@dataclass(frozen=True)
class LayingGround:
    """What layers are laid on: the skin, its directions, its regions, and the recipe's seed."""

    surface: Surface
    field: DirectionField
    regions: Mapping[str, RegionField]
    seed: int


def compile_patch_layer(spec: LayerSpec, patch: HeightPatch, ground: LayingGround) -> CompiledLayer:
    """Lay a patch as ``spec.place`` says.

    Raises
    ------
    PatchError, PlacementError
    """
    if not patch.periodic:
        raise PatchError(
            f"layer '{spec.name}': patch '{patch.name}' does not tile; allowed for {spec.place}: a tileable patch"
        )
    region = ground.regions[spec.region] if spec.region is not None else None
    triangles = region_triangles(ground.surface, region)
    lay = {"scatter": _scattered, "spread": _spread}[spec.place]
    mean_mm = float(patch.height_mm.mean(dtype=float))
    about_mean = replace(patch, height_mm=patch.height_mm - np.float32(mean_mm))
    pictures = pack_pictures([build_levels(about_mean)], periodic=True, mean_mm=mean_mm)
    return CompiledLayer(
        spec.name, spec.gain, spec.region, lay(spec, about_mean, ground, triangles), pictures, in_uv=False
    )


def _scattered(spec: LayerSpec, patch: HeightPatch, ground: LayingGround, triangles: np.ndarray) -> Prints:
    how = ScatterSpec(spec.print_mm, spec.effective_overlap_mm, spec.turn_deg, seed=ground.seed, name=spec.name)
    return scatter(ground.surface, ground.field, triangles, patch, how)


def _spread(spec: LayerSpec, patch: HeightPatch, ground: LayingGround, triangles: np.ndarray) -> Prints:
    how = SpreadSpec(spec.along_ratio, spec.across_ratio, spec.phase_mm or (0.0, 0.0), spec.name)
    return spread(ground.surface, ground.field, triangles, patch, how)


def compile_map_layer(spec: LayerSpec, heights_mm: Mapping[int, np.ndarray], surface: Surface) -> CompiledLayer:
    """Take pictures by UV tile, float32 (rows, cols) in mm, as a layer."""
    tiles = tuple(sorted(heights_mm))
    for tile in tiles:
        shape = np.shape(heights_mm[tile])
        if len(shape) != 2 or shape[0] != shape[1] or shape[0] < 4:
            raise PatchError(
                f"layer '{spec.name}', tile {tile}: a map of shape {shape}; allowed: a square picture of at least "
                "4 x 4 texels, as UV tiles are"
            )
    _warn_of_missing_tiles(spec, tiles, surface)
    # one unit of UV wide, whatever the picture's size; square pictures as UV tiles are
    stacks = [build_levels(np.asarray(heights_mm[t], np.float32), 1.0 / heights_mm[t].shape[1], False) for t in tiles]
    return CompiledLayer(
        spec.name, spec.gain, spec.region, map_prints(surface, tiles), pack_pictures(stacks, periodic=False), in_uv=True
    )


def _warn_of_missing_tiles(spec: LayerSpec, tiles: tuple[int, ...], surface: Surface) -> None:
    missing = sorted(set(tiles_touched(*surface.tile_span)) - set(tiles))
    if missing:
        warnings.warn(
            f"layer '{spec.name}': no picture for UV tile {', '.join(map(str, missing))}, the layer is flat there; a "
            "name with <UDIM> in place of the tile number takes all tiles",
            MissingTileWarning,
            stacklevel=2,
        )
