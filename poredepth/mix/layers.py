"""From a recipe's layers to compiled layers: prints, pictures and a region, ready to be evaluated anywhere."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from poredepth.errors import PatchError, PoredepthWarning
from poredepth.patch.border import InsideBlocks, cutout, feather_weight, inside_pixels
from poredepth.patch.levels import build_levels
from poredepth.patch.types import HeightPatch
from poredepth.placement.mapped import map_prints
from poredepth.placement.prints import Prints
from poredepth.placement.registered import Registration, register
from poredepth.placement.scatter import ScatterSpec, scatter
from poredepth.placement.spread import SpreadSpec, spread
from poredepth.placement.ties import RegisteredSpec
from poredepth.raster.evaluate import Pictures, pack_pictures
from poredepth.recipe.model import LayerSpec
from poredepth.surface.directions import DirectionField
from poredepth.surface.regions import RegionField, region_triangles
from poredepth.surface.skin import Surface


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
    weight : float32 (rows, cols), 0 to 1, of a layer that fades by its own picture: the heights in ``pictures`` are
        multiplied by it, and it lies on the skin as they do, pixel by pixel; None: the layer is whole wherever it is
    registration : what tie points say of a registered layer
    """

    name: str
    gain: float
    region: str | None
    prints: Prints
    pictures: Pictures
    in_uv: bool
    weight: np.ndarray | None = None
    registration: Registration | None = None


@dataclass(frozen=True)
class LayingGround:
    """What layers are laid on: the skin, its directions, its regions, and the recipe's seed."""

    surface: Surface
    field: DirectionField
    regions: Mapping[str, RegionField]
    seed: int


def compile_patch_layer(spec: LayerSpec, patch: HeightPatch, ground: LayingGround, key: str = "layer") -> CompiledLayer:
    """Lay a patch as ``spec.place`` says; ``key`` is the layer's place in the recipe, for messages.

    Raises
    ------
    PatchError, PlacementError
    """
    region = ground.regions[spec.region] if spec.region is not None else None
    triangles = region_triangles(ground.surface, region)
    if spec.place == "registered":
        return _registered(spec, patch, ground, triangles, key)
    if not patch.periodic:
        why = " (it has an alpha channel or a mask)" if patch.inside is not None else ""
        raise PatchError(
            f"layer '{spec.name}': patch '{patch.name}' does not tile{why}; allowed for {spec.place}: a tileable "
            "patch; a single piece is laid by place: registered"
        )
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


def _registered(
    spec: LayerSpec, patch: HeightPatch, ground: LayingGround, triangles: np.ndarray, key: str
) -> CompiledLayer:
    inside = inside_pixels(patch, spec.feather_mm)
    how = RegisteredSpec(tuple(spec.tie_points), spec.mirror, spec.name, key)
    prints, found = register(ground.surface, triangles, patch, InsideBlocks.of(inside), how)
    cut = cutout(patch.height_mm, feather_weight(inside, patch.inside, spec.feather_mm / found.texel_mm))
    levels = build_levels(cut.height_mm, found.texel_mm, False, cut.max_levels)
    shift_mm = (cut.shift_px * found.texel_mm).astype(np.float32)
    return CompiledLayer(
        spec.name,
        spec.gain,
        spec.region,
        replace(prints, corner_mm=prints.corner_mm + shift_mm),
        pack_pictures([levels], periodic=False),
        in_uv=False,
        weight=cut.weight,
        registration=found,
    )


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
    tile_uv = np.floor(surface.corner_uv[surface.has_uv].mean(axis=1)).astype(np.int64)
    missing = sorted(set(np.unique(1001 + tile_uv[:, 0] + 10 * tile_uv[:, 1]).tolist()) - set(tiles))
    if missing:
        warnings.warn(
            f"layer '{spec.name}': no picture for UV tile {', '.join(map(str, missing))}, the layer is flat there; a "
            "name with <UDIM> in place of the tile number takes all tiles",
            MissingTileWarning,
            stacklevel=2,
        )
