"""How much of the detail of each patch a map of the recipe's size carries, as rows to print."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from poredepth.patch.carried import HeightSpectrum
from poredepth.pipeline import Composition
from poredepth.placement.prints import visible_area_mm2
from poredepth.surface.metric import footprint, median_texel_mm, singular_values_mm
from poredepth.surface.points import SkinPoints
from poredepth.surface.regions import region_weight
from poredepth.surface.skin import Surface
from poredepth.units import UM_PER_MM

#: Below this share a size is named that carries `ENOUGH`, if there is one.
LITTLE, ENOUGH = 0.80, 0.95

#: Widest map, px (`OutputSpec.size_px`).
LARGEST_PX = 32768

#: Texel sizes between the smallest and the largest of a layer that shares are worked out for; others lie between them.
N_TEXEL_SIZES = 64


@dataclass(frozen=True, eq=False)
class LaidTexels:
    """The texels that a layer reads its patches with, on a map of one texel.

    Attributes
    ----------
    texel_mm : float, median side on the skin
    read_mm : float64 (n,), side in the patch of the texels of each row of prints, as they are filtered
    area_mm2 : float64 (n,), skin that each row shows in the layer's region
    """

    texel_mm: float
    read_mm: np.ndarray
    area_mm2: np.ndarray

    def carried_ratio(self, spectrum: HeightSpectrum, size_px: int) -> float:
        """Share of a patch's Sq over all skin the layer covers, on a map of ``size_px``: root mean square by area."""
        read_mm = self.read_mm / size_px
        sizes = np.geomspace(read_mm.min(), read_mm.max(), N_TEXEL_SIZES)
        square = np.interp(read_mm, sizes, [spectrum.carried_ratio(texel_mm) ** 2 for texel_mm in sizes])
        return float(np.sqrt(np.average(square, weights=self.area_mm2)))


def carried_rows(composition: Composition) -> list[tuple[str, str]]:
    """One row for each patch that is laid: the share of its Sq on the recipe's map, and on larger ones.

    Of several layers that lay it, that which carries least.  The share is that of all skin the layer covers (texels
    differ over it), each texel by its side as it is filtered.
    """
    skin = _Skin(composition)
    laid: dict[str, list[LaidTexels]] = {}
    for layer, spec in zip(composition.layers, composition.recipe.layers, strict=True):
        texels = None if layer.in_uv or not any(layer.gain) else skin.texels_of(layer, spec.region)
        for name in spec.patch_shares if texels is not None else ():
            laid.setdefault(name, []).append(texels)
    width = max(map(len, laid), default=0) + 2
    size_px = composition.recipe.output.size_px
    rows = []
    for name, patch in composition.patches.items():
        if name not in laid:
            continue
        spectrum = HeightSpectrum.of(patch)

        def share(px: int, where=laid[name], spectrum=spectrum) -> tuple[float, float]:
            return min((one.carried_ratio(spectrum, px), one.texel_mm / px) for one in where)

        told = f"{f'{name}:':<{width}}{_told(share, size_px, UM_PER_MM * spectrum.sq_mm)}"
        rows.append(("" if rows else "detail carried", told))
    return rows


def _told(share: Callable[[int], tuple[float, float]], size_px: int, sq_um: float) -> str:
    carried, texel_mm = share(size_px)
    text = f"{_percent(carried)} of Sq {sq_um:.1f} um by texels of {UM_PER_MM * texel_mm:.1f} um (median, {size_px} px)"
    larger = _larger(size_px) if carried < 0.995 else []
    named = larger[:1]
    if carried < LITTLE:
        named += [next((px for px in larger if share(px)[0] >= ENOUGH), LARGEST_PX)] if larger else []
    more = ", ".join(f"{_percent(share(px)[0])} at {px} px" for px in dict.fromkeys(named))
    return f"{text}; {more}" if more else text


def _larger(size_px: int) -> list[int]:
    """Twice the size, again and again, and last the largest."""
    sizes = []
    while 2 * size_px < LARGEST_PX:
        size_px *= 2
        sizes.append(size_px)
    return [*sizes, LARGEST_PX] if size_px < LARGEST_PX else []


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


class _Skin:
    """What all layers ask of the skin."""

    def __init__(self, composition: Composition):
        self.regions = composition.ground.regions
        self.surface: Surface = composition.surface
        self.centre = SkinPoints(
            np.arange(self.surface.n_triangles, dtype=np.int32),
            np.full((self.surface.n_triangles, 3), 1 / 3, np.float32),
        )

    @cached_property
    def footprint_mm(self) -> np.ndarray:
        """Side of a texel as it is filtered on a map of one texel, mm, of a long one the root mean square of both; nan
        without area in UV."""
        texels = footprint(self.surface, 1)
        even_mm = texels.size_mm.mean(axis=1)
        side_mm = np.sqrt(0.5 * (even_mm**2 + np.maximum(even_mm, texels.length_mm) ** 2))
        return np.where(np.isfinite(singular_values_mm(self.surface)[:, 0]), side_mm, np.nan)

    def texels_of(self, layer, region: str | None) -> LaidTexels | None:
        """None of a layer that shows on no texel."""
        prints, surface = layer.prints, self.surface
        triangle = prints.row_triangle
        area_mm2 = visible_area_mm2(prints, surface.area_mm2)
        if region is not None:
            weight = region_weight(surface, self.regions[region], self.centre.triangle, self.centre.barycentric)
            area_mm2 = area_mm2 * weight[triangle]
        size = 1.0 if layer.registration is None else layer.registration.size_ratio
        read_mm = self.footprint_mm[triangle] * prints.zoom / size
        shown = (area_mm2 > 0) & np.isfinite(read_mm)
        if not shown.any():
            return None
        by_triangle = np.bincount(triangle[shown], area_mm2[shown], surface.n_triangles)
        return LaidTexels(median_texel_mm(surface, 1, by_triangle), read_mm[shown], area_mm2[shown])
