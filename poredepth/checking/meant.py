"""The relief a recipe means, at points a renderer displaces; and how truly a map of its size can be read at all."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from poredepth.checking.displace_kernels import locate
from poredepth.pipeline import Composition
from poredepth.surface.overlap_kernels import fill_cells
from poredepth.surface.points import SkinPoints

#: Cells of the grid in UV: about so many for each triangle.
_CELLS_PER_TRIANGLE = 2.0


@dataclass(frozen=True)
class MeantPoints:
    """Where a recipe's skin has points of UV.

    Attributes
    ----------
    skin : n points, triangle -1 where the recipe's skin has nothing
    apart_mm : float64 (n,), how far they lie from where the renderer has them; nan where there is nothing
    """

    skin: SkinPoints
    apart_mm: np.ndarray

    @property
    def found(self) -> np.ndarray:
        return self.skin.triangle >= 0


@dataclass(frozen=True)
class MeantRelief:
    """A composition asked for heights by UV, at one size of map."""

    composition: Composition
    size_px: int

    def at(self, uv: np.ndarray, near_mm: np.ndarray) -> MeantPoints:
        """Skin points at UVs float64 (n, 2); where charts overlap, those nearest to ``near_mm`` float64 (n, 3)."""
        n = len(uv)
        triangle, barycentric = np.full(n, -1, np.int32), np.zeros((n, 3))
        apart_mm = np.full(n, np.nan)
        usable, low_uv, cell_uv, n_cells, start, held = self._grid
        surface = self.composition.surface
        locate(
            np.ascontiguousarray(uv), np.ascontiguousarray(near_mm), surface.corner_uv[usable],
            surface.corner_mm[usable], low_uv, cell_uv, n_cells, start, held, triangle, barycentric, apart_mm,
        )  # fmt: skip
        triangle = np.where(triangle >= 0, usable[triangle], -1).astype(np.int32)
        barycentric = np.clip(barycentric, 0.0, None)
        barycentric /= np.maximum(barycentric.sum(axis=1, keepdims=True), 1e-30)
        return MeantPoints(SkinPoints(triangle, barycentric.astype(np.float32)), apart_mm)

    def height_mm(self, points: MeantPoints) -> np.ndarray:
        """The relief itself, float64 (n,), as filtered for texels of the map; nan where there is no skin."""
        found = points.found
        out = np.full(len(found), np.nan)
        there = SkinPoints(points.skin.triangle[found], points.skin.barycentric[found])
        out[found] = self.composition.height_mm(there, self.size_px)
        return out

    def readings_mm(self, uv: np.ndarray, points: MeantPoints) -> tuple[np.ndarray, np.ndarray]:
        """Bilinear readings of true texels, and the relief, float64 (m,), mm, at points with all texels in their chart.

        The texels are made anew from the recipe, so that readings know nothing of any file.
        """
        n_px, chart = self.size_px, self.composition.surface.tri_chart
        at = uv[points.found]
        own = SkinPoints(points.skin.triangle[points.found], points.skin.barycentric[points.found])
        near_mm = self.composition.surface.points_mm(own.triangle, own.barycentric.astype(float))
        low = np.floor(at * n_px - 0.5)
        share = at * n_px - 0.5 - low
        total, inside = np.zeros(len(at)), np.ones(len(at), bool)
        for du, dv in ((0, 0), (1, 0), (0, 1), (1, 1)):
            texel = self.at((low + [du, dv] + 0.5) / n_px, near_mm)
            inside &= texel.found
            inside[inside] &= chart[texel.skin.triangle[inside]] == chart[own.triangle[inside]]
            weight = np.abs(1 - du - share[:, 0]) * np.abs(1 - dv - share[:, 1])
            total += weight * np.nan_to_num(self.height_mm(texel))
        return total[inside], self.composition.height_mm(own, n_px)[inside].astype(float)

    @cached_property
    def _grid(self):
        corner_uv = self.composition.surface.corner_uv
        usable = np.flatnonzero(np.isfinite(corner_uv).all(axis=(1, 2)))
        uv = corner_uv[usable]
        low_uv, high_uv = uv.min(axis=(0, 1)), uv.max(axis=(0, 1))
        n_cells = int(np.clip(np.sqrt(_CELLS_PER_TRIANGLE * len(usable)), 1, 2048))
        cell_uv = np.maximum((high_uv - low_uv) / n_cells, 1e-12)
        return usable, low_uv, cell_uv, n_cells, *fill_cells(uv, low_uv, cell_uv, n_cells)
