"""From a recipe's layers to compiled layers: prints, pictures, bands and regions, ready to be evaluated anywhere."""

from __future__ import annotations

import math
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from poredepth.errors import PatchError, PlacementError, PoredepthWarning
from poredepth.mix.bands import LayerBands, LowPassed, Relief
from poredepth.mix.edges import wavelengths_mm
from poredepth.mix.layers import CompiledLayer, Factors, LayingGround
from poredepth.mix.thinning import Thinning
from poredepth.mix.tracks import Rule
from poredepth.patch.bands import BANDS, Cutoffs, bounded_low_pass, low_pass
from poredepth.patch.border import Cutout, InsideBlocks, cutout, feather_weight, inside_pixels
from poredepth.patch.levels import build_levels
from poredepth.patch.types import HeightPatch
from poredepth.placement.mapped import map_prints
from poredepth.placement.prints import Prints
from poredepth.placement.registered import Registration, register
from poredepth.placement.scatter import ScatterSpec, scatter
from poredepth.placement.spread import SpreadSpec, spread
from poredepth.placement.ties import RegisteredSpec
from poredepth.raster.evaluate import Pictures, pack_pictures
from poredepth.raster.low_pass import low_passed_map
from poredepth.recipe.model_layers import LayerSpec
from poredepth.surface.masks import warn_of_missing_tiles
from poredepth.surface.regions import RegionField, region_triangles, region_weight
from poredepth.surface.scalars import Factor, factor_at
from poredepth.surface.skin import Surface
from poredepth.surface.widening import Kept

#: A relief smaller than this share of its true size is taken for a mistake.
LEAST_SIZE = 0.05

#: A registered patch whose weight stays below this nowhere shows its full height.
FULL_WEIGHT = 0.99


class EmptyLayerWarning(PoredepthWarning):
    """A layer shows nowhere: its region holds no skin."""


class FaintLayerWarning(PoredepthWarning):
    """A registered patch fades out before it has reached its height."""


@dataclass(frozen=True)
class Joining:
    """How a layer joins those below: its cutoffs, its rule, and where it thins out."""

    cutoffs: Cutoffs
    rule: Rule = Rule()
    thins: Thinning | None = None


def kept_of(spec: LayerSpec) -> Kept:
    """What of a region's edge stays in place where it is made wider for coarse bands.

    The middle, so that neighbouring regions add up to 1; but one sheet ends where it ends.
    """
    return "outer" if spec.place in ("spread", "registered") else "middle"


def compile_patch_layer(
    spec: LayerSpec,
    patches: Mapping[str, HeightPatch],
    factors: Factors,
    ground: LayingGround,
    joining: Joining,
    key: str = "layer",
) -> CompiledLayer:
    """Lay the patch, or the patches, of a layer as ``spec.place`` says; ``key`` is its place in the recipe.

    Raises
    ------
    PatchError, PlacementError
    """
    used = [patches[name] for name in sorted(spec.patch_shares)]  # the order they are written in means nothing
    regions = _regions(spec, ground, joining)
    triangles = _triangles(spec, ground.surface, regions)
    if not triangles.any():
        warnings.warn(
            f"layer '{spec.name}': region '{spec.region}' is empty: the layer shows nowhere; check what it is made of",
            EmptyLayerWarning,
            stacklevel=2,
        )
    if spec.place == "registered":
        return _registered(spec, used[0], factors, ground, joining, triangles, key)
    for patch in used:
        if not patch.periodic:
            why = "it has an alpha channel or a mask" if patch.inside is not None else "periodic: false"
            raise PatchError(
                f"layer '{spec.name}': patch '{patch.name}' does not tile ({why}); allowed for {spec.place}: a "
                "tileable patch, as poredepth patch prepare makes; a single piece is laid by place: registered"
            )
    mean_mm = [float(patch.height_mm.mean(dtype=float)) for patch in used]
    about_mean = [
        replace(patch, height_mm=patch.height_mm - np.float32(mean)) for patch, mean in zip(used, mean_mm, strict=True)
    ]
    lay = {"scatter": _scattered, "spread": _spread}[spec.place]
    prints = lay(spec, about_mean, factors, ground, triangles)
    share = np.array([spec.patch_shares[name] for name in sorted(spec.patch_shares)])
    share /= share.sum()

    def relief(heights_mm: Sequence[np.ndarray]) -> Relief:
        stacks = [
            build_levels(one, patch.texel_mm, True, per_octave=2) for one, patch in zip(heights_mm, used, strict=True)
        ]
        return Relief(prints, pack_pictures(stacks, periodic=True, mean_mm=mean_mm))

    def low() -> LowPassed:
        drawn_out = {"along_ratio": spec.size * spec.along_ratio, "across_ratio": spec.size * spec.across_ratio}
        fine, coarse = (
            [low_pass(patch, cutoff_mm, **drawn_out) for patch in about_mean]
            for cutoff_mm in (joining.cutoffs.fine_mm, joining.cutoffs.coarse_mm)
        )
        parts = [_parts(patch.height_mm, *lows) for patch, *lows in zip(about_mean, fine, coarse, strict=True)]
        variance = share @ np.array([[one.var(dtype=float) for one in part] for part in parts])
        variance[0] += (
            share @ (np.array(mean_mm) - level_mm) ** 2
        )  # prints of patches of other means are coarse relief too
        return LowPassed(relief(fine), relief(coarse), tuple(np.sqrt(variance).tolist()))

    level_mm = float(share @ mean_mm)
    bands = LayerBands(relief([patch.height_mm for patch in about_mean]), low, level_mm)
    return CompiledLayer(spec.name, bands, in_uv=False, **_laid(spec, factors, joining, regions))


def _regions(spec: LayerSpec, ground: LayingGround, joining: Joining) -> tuple[RegionField | None, ...]:
    if spec.region is None:
        return (None,) * len(BANDS)
    return ground.edges.fields(spec.region, joining.cutoffs, kept_of(spec))


def _triangles(spec: LayerSpec, surface: Surface, regions: Sequence[RegionField | None]) -> np.ndarray:
    """bool (n_triangles,): where any band shows."""
    shown = {id(region): region for region, gain in zip(regions, spec.band_gain.values(), strict=True) if gain != 0.0}
    return np.logical_or.reduce([region_triangles(surface, region) for region in (shown or {0: regions[-1]}).values()])


def _laid(spec: LayerSpec, factors: Factors, joining: Joining, regions: tuple[RegionField | None, ...]) -> dict:
    """What all kinds of layers have in common."""
    return {
        "gain": tuple(spec.band_gain.values()),
        "used": tuple(i for i, band in enumerate(BANDS) if spec.bands is None or band in spec.bands),
        "regions": regions,
        "rule": joining.rule,
        "thins": joining.thins,
        "gain_factor": factors.gain,
    }


def _parts(whole_mm: np.ndarray, fine_low_mm: np.ndarray, coarse_low_mm: np.ndarray) -> tuple[np.ndarray, ...]:
    """Coarse, middle, fine."""
    return coarse_low_mm, fine_low_mm - coarse_low_mm, whole_mm - fine_low_mm


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
    spec: LayerSpec,
    patch: HeightPatch,
    factors: Factors,
    ground: LayingGround,
    joining: Joining,
    triangles: np.ndarray,
    key: str,
) -> CompiledLayer:
    inside = inside_pixels(patch, spec.feather_mm)
    if not inside.any():
        raise PatchError(
            f"layer '{spec.name}': alpha or mask of patch '{patch.name}' leave nothing inside; allowed: white where "
            "relief is"
        )
    how = RegisteredSpec(tuple(spec.tie_points), spec.mirror, spec.name, key)
    prints, found = register(ground.surface, triangles, patch, InsideBlocks.of(inside), how)
    piece = _Piece(patch, inside, found, spec.feather_mm)
    cut = cutout(patch.height_mm, piece.fade(spec.feather_mm))
    if spec.feather_mm > 0 and cut.weight.max() < FULL_WEIGHT:
        warnings.warn(
            f"layer '{spec.name}': patch '{patch.name}' is narrower than twice feather_mm, {spec.feather_mm:g} mm, and "
            f"never reaches more than {100 * cut.weight.max():.0f} % of its height; give a smaller feather_mm",
            FaintLayerWarning,
            stacklevel=3,
        )
    shift_mm = (cut.shift_px * found.texel_mm).astype(np.float32)
    prints = replace(prints, corner_mm=prints.corner_mm + shift_mm)
    bands = piece.bands(prints, cut, joining, even=not ground.edges.proportional)
    return CompiledLayer(
        spec.name,
        bands,
        in_uv=False,
        **_laid(spec, factors, joining, _regions(spec, ground, joining)),
        registration=found,
    )


@dataclass(frozen=True)
class _Piece:
    """A patch that does not tile, as it lies on the skin: its bands are those of its inside alone."""

    patch: HeightPatch
    inside: np.ndarray
    found: Registration
    feather_mm: float

    def fade(self, width_mm: float) -> np.ndarray:
        return feather_weight(self.inside, self.patch.inside, width_mm / self.found.texel_mm)

    def bands(self, prints: Prints, cut: Cutout, joining: Joining, even: bool) -> LayerBands:
        """Whole and by bands.  All fade over the feather, but where the piece does more than add to what lies below,
        none over less than its wavelength: a narrower fade of a long wave would be seen as an edge; unless ``even``."""

        def pictures(height_mm: np.ndarray) -> Pictures:
            levels = build_levels(height_mm, self.found.texel_mm, False, cut.max_levels)
            return pack_pictures([levels], periodic=False)

        def low(parts: Sequence[np.ndarray], fades: Sequence[np.ndarray]) -> LowPassed:
            coarse, middle, _ = (cut.of(part * fade) for part, fade in zip(parts, fades, strict=True))
            # a scan's coarse band, its tilt and its level too, means one place: it is form, like that of a map
            sq_mm = (0.0, *(float(part[self.inside].std(dtype=float)) for part in parts[1:]))
            return LowPassed(Relief(prints, pictures(middle + coarse)), Relief(prints, pictures(coarse)), sq_mm)

        if even or joining.rule.kind == "add":
            return LayerBands(
                Relief(prints, pictures(cut.height_mm)),
                lambda: low(self._parts(joining.cutoffs), [self.fade(self.feather_mm)] * len(BANDS)),
                make_fade=lambda: [pictures(cut.weight)] * len(BANDS),
            )
        least_mm = (*wavelengths_mm(joining.cutoffs)[:-1], 0.0)
        fades = [self.fade(max(self.feather_mm, width_mm)) for width_mm in least_mm]
        parts = self._parts(joining.cutoffs)
        whole = Relief(prints, pictures(sum(cut.of(part * fade) for part, fade in zip(parts, fades, strict=True))))
        made = low(parts, fades)
        return LayerBands(whole, lambda: made, make_fade=lambda: [pictures(cut.of(fade)) for fade in fades])

    def _parts(self, cutoffs: Cutoffs) -> tuple[np.ndarray, ...]:
        lows = [
            bounded_low_pass(self.patch.height_mm, self.found.texel_mm, cutoff_mm, self.inside)
            for cutoff_mm in (cutoffs.fine_mm, cutoffs.coarse_mm)
        ]
        return _parts(self.patch.height_mm, *lows)


def compile_map_layer(
    spec: LayerSpec, heights_mm: Mapping[int, np.ndarray], factors: Factors, ground: LayingGround, joining: Joining
) -> CompiledLayer:
    """Take pictures by UV tile, float32 (rows, cols) in mm, as a layer."""
    surface = ground.surface
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
    whole = Relief(map_prints(surface, tiles), pack_pictures(stacks, periodic=False))

    def low() -> LowPassed:
        coarse_mm, fine_mm = joining.cutoffs.coarse_mm, joining.cutoffs.fine_mm
        fine = low_passed_map(surface, whole.prints, whole.pictures, fine_mm)
        # a low pass of a low pass: Gaussians add up by their variances
        coarse = low_passed_map(surface, *fine, math.sqrt(coarse_mm**2 - fine_mm**2))
        return LowPassed(Relief(*fine), Relief(*coarse))

    regions = _regions(spec, ground, joining)
    return CompiledLayer(spec.name, LayerBands(whole, low), in_uv=True, **_laid(spec, factors, joining, regions))
