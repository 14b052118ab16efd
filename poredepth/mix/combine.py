"""The mix: all layers, bottom to top, as one height at any skin point."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from poredepth.mix.layers import CompiledLayer, LayingGround
from poredepth.raster.evaluate import add_prints
from poredepth.surface.points import SkinPoints
from poredepth.surface.regions import region_weight
from poredepth.surface.scalars import factor_at


@dataclass(frozen=True)
class Sampling:
    """How densely the skin is looked at: what texels are on the skin, and in UV.

    Attributes
    ----------
    footprint_mm : float32 (n_triangles, 3), size of a texel on the skin at triangle corners
    size_px : texels along one UV tile
    """

    footprint_mm: np.ndarray
    size_px: int

    def footprint_of(self, layer: CompiledLayer) -> np.ndarray:
        """Texel size in the layer's own measure: mm for patches, units of UV for maps."""
        if layer.in_uv:
            return np.full_like(self.footprint_mm, 1.0 / self.size_px)
        return self.footprint_mm


def mixed_height_mm(
    layers: Sequence[CompiledLayer], ground: LayingGround, sampling: Sampling, points: SkinPoints
) -> np.ndarray:
    """Height of the whole stack at skin points.

    Layers are added from the bottom up, each as gain x region weight x height; a gain that varies over
    the skin multiplies the weight.

    Returns
    -------
    float32 (n,), mm; 0 where there is no skin
    """
    height_mm = np.zeros(len(points), np.float32)
    weights: dict[str | None, np.ndarray] = {None: np.ones(len(points), np.float32)}
    for layer in layers:
        if layer.gain == 0.0:
            continue
        if layer.region not in weights:
            field = ground.regions[layer.region]
            weights[layer.region] = region_weight(ground.surface, field, points.triangle, points.barycentric)
        weight = weights[layer.region]
        if layer.gain_factor is not None:
            weight = weight * factor_at(ground.surface, layer.gain_factor, points.triangle, points.barycentric)
        footprint = sampling.footprint_of(layer)
        add_prints(points, weight, layer.gain, footprint, layer.prints, layer.pictures, height_mm)
    return height_mm
