"""From a recipe's layers to compiled layers: prints, pictures and a region, ready to be evaluated anywhere."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from poredepth.errors import PatchError, PlacementError, PoredepthWarning
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
from poredepth.recipe.model_layers import LayerSpec
from poredepth.surface.directions import DirectionField
from poredepth.surface.masks import warn_of_missing_tiles
from poredepth.surface.regions import RegionField, region_triangles, region_weight
from poredepth.surface.scalars import Factor, factor_at
from poredepth.surface.skin import Surface

#: A relief smaller than this share of its true size is taken for a mistake.
LEAST_SIZE = 0.05

#: A registered patch whose weight stays below this nowhere shows its full height.
FULL_WEIGHT = 0.99


class EmptyLayerWarning(PoredepthWarning):
    """A layer shows nowhere: its region holds no skin."""


class FaintLayerWarning(PoredepthWarning):
    """A registered patch fades out before it has reached its height."""


@dataclass(frozen=True)
class CompiledLayer:
    """A layer as a function on the skin.

    Attributes
    ----------
    gain : factor on its heights
    region : name of the region it covers, or None for the whole skin
    prints, pictures : what the kernel evaluates
    in_uv : its pictures are measured in UV (a map), not in mm (a patch)
    gain_factor : factor on the gain that varies over the skin
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
    gain_factor: Factor | None = None
    weight: np.ndarray | None = None
    registration: Registration | None = None


@dataclass(frozen=True)
class Factors:
    """Factors of one layer that vary over the skin; None where nothing varies."""

    gain: Factor | None = None
    size: Factor | None = None


@dataclass(frozen=True)
class LayingGround:
    """What layers are laid on: the skin, its directions, its regions, and the recipe's seed."""

    surface: Surface
    field: DirectionField
    regions: Mapping[str, RegionField]
    seed: int


def compile_patch_layer(
    spec: LayerSpec, patches: Mapping[str, HeightPatch], factors: Factors, ground: LayingGround, key: str = "layer"
) -> CompiledLayer:
    """Lay the patch, or the patches, of a layer as ``spec.place`` says; ``key`` is its place in the recipe.


    Raises
    ------
    PatchError, PlacementError
    """
    used = [patches[name] for name in sorted(spec.patch_shares)]  # the order they are written in means nothing
    region = ground.regions[spec.region] if spec.region is not None else None
    triangles = region_triangles(ground.surface, region)
    if not triangles.any():
        warnings.warn(
            f"layer '{spec.name}': region '{spec.region}' is empty: the layer shows nowhere; check what it is made of",
            EmptyLayerWarning,
            stacklevel=2,
        )
    if spec.place == "registered":
        return _registered(spec, used[0], factors, ground, triangles, key)
    for patch in used:
        if not patch.periodic:
            why = " (it has an alpha channel or a mask)" if patch.inside is not None else ""
            raise PatchError(
                f"layer '{spec.name}': patch '{patch.name}' does not tile{why}; allowed for {spec.place}: a tileable "
                "patch; a single piece is laid by place: registered"
            )
    mean_mm = [float(patch.height_mm.mean(dtype=float)) for patch in used]
    about_mean = [
        replace(patch, height_mm=patch.height_mm - np.float32(mean)) for patch, mean in zip(used, mean_mm, strict=True)
    ]
    pictures = pack_pictures([build_levels(patch) for patch in about_mean], periodic=True, mean_mm=mean_mm)
    lay = {"scatter": _scattered, "spread": _spread}[spec.place]
    prints = lay(spec, about_mean, factors, ground, triangles)
    return CompiledLayer(spec.name, spec.gain, spec.region, prints, pictures, in_uv=False, gain_factor=factors.gain)


def _scattered(
    spec: LayerSpec, patches: list[HeightPatch], factors: Factors, ground: LayingGround, triangles
) -> Prints:
    how = ScatterSpec(
        spec.print_mm,
        spec.effective_overlap_mm,
        spec.turn_deg,
        spec.size * spec.along_ratio,
        spec.size * spec.across_ratio,
        seed=ground.seed,
        name=spec.name,
    )
    size_at = partial(_size_at, spec, factors.size, ground.surface) if factors.size is not None else None
    share = [spec.patch_shares[name] for name in sorted(spec.patch_shares)]
    return scatter(ground.surface, ground.field, triangles, patches, how, share=share, size_at=size_at)


def _size_at(spec: LayerSpec, factor: Factor, surface: Surface, triangle: np.ndarray, barycentric: np.ndarray):
    size = factor_at(surface, factor, triangle, barycentric)
    low = int(np.argmin(size))
    if size[low] < LEAST_SIZE:
        at_mm = surface.points_mm(triangle[[low]], barycentric[[low]])[0] / surface.mm_per_unit
        raise PlacementError(
            f"layer '{spec.name}': vary.size is {size[low]:.3g} near [{', '.join(f'{x:.2f}' for x in at_mm)}] in mesh "
            f"units; allowed: at least {LEAST_SIZE}; with a map, set black to the size where it is black"
        )
    return size


def _spread(spec: LayerSpec, patches: list[HeightPatch], factors: Factors, ground: LayingGround, triangles) -> Prints:
    how = SpreadSpec(
        spec.size * spec.along_ratio, spec.size * spec.across_ratio, spec.phase_mm or (0.0, 0.0), spec.name
    )
    centre = np.full((ground.surface.n_triangles, 3), 1 / 3, np.float32)
    every = np.arange(ground.surface.n_triangles, dtype=np.int32)
    share = region_weight(ground.surface, ground.regions[spec.region], every, centre)
    return spread(ground.surface, ground.field, triangles, patches[0], how, share=share)


def _registered(
    spec: LayerSpec, patch: HeightPatch, factors: Factors, ground: LayingGround, triangles: np.ndarray, key: str
) -> CompiledLayer:
    inside = inside_pixels(patch, spec.feather_mm)
    if not inside.any():
        raise PatchError(
            f"layer '{spec.name}': alpha or mask of patch '{patch.name}' leave nothing inside; allowed: white where "
            "relief is"
        )
    how = RegisteredSpec(tuple(spec.tie_points), spec.mirror, spec.name, key)
    prints, found = register(ground.surface, triangles, patch, InsideBlocks.of(inside), how)
    cut = cutout(patch.height_mm, feather_weight(inside, patch.inside, spec.feather_mm / found.texel_mm))
    if spec.feather_mm > 0 and cut.weight.max() < FULL_WEIGHT:
        warnings.warn(
            f"layer '{spec.name}': patch '{patch.name}' is narrower than twice feather_mm, {spec.feather_mm:g} mm, and "
            f"never reaches more than {100 * cut.weight.max():.0f} % of its height; give a smaller feather_mm",
            FaintLayerWarning,
            stacklevel=3,
        )
    levels = build_levels(cut.height_mm, found.texel_mm, False, cut.max_levels)
    shift_mm = (cut.shift_px * found.texel_mm).astype(np.float32)
    return CompiledLayer(
        spec.name,
        spec.gain,
        spec.region,
        replace(prints, corner_mm=prints.corner_mm + shift_mm),
        pack_pictures([levels], periodic=False),
        in_uv=False,
        gain_factor=factors.gain,
        weight=cut.weight,
        registration=found,
    )


def compile_map_layer(
    spec: LayerSpec, heights_mm: Mapping[int, np.ndarray], factors: Factors, surface: Surface
) -> CompiledLayer:
    """Take pictures by UV tile, float32 (rows, cols) in mm, as a layer."""
    tiles = tuple(sorted(heights_mm))
    for tile in tiles:
        shape = np.shape(heights_mm[tile])
        if len(shape) != 2 or shape[0] != shape[1] or shape[0] < 4:
            raise PatchError(
                f"layer '{spec.name}', tile {tile}: a map of shape {shape}; allowed: a square picture of at least "
                "4 x 4 texels, as UV tiles are"
            )
    warn_of_missing_tiles(surface, tiles, f"layer '{spec.name}'", "the layer is flat there")
    # one unit of UV wide, whatever the picture's size; square pictures as UV tiles are
    stacks = [build_levels(np.asarray(heights_mm[t], np.float32), 1.0 / heights_mm[t].shape[1], False) for t in tiles]
    prints, pictures = map_prints(surface, tiles), pack_pictures(stacks, periodic=False)
    return CompiledLayer(spec.name, spec.gain, spec.region, prints, pictures, in_uv=True, gain_factor=factors.gain)
