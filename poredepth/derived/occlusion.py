"""Ambient occlusion of the micro relief: how much of the sky above the skin each texel sees past the relief about it.

The sky is the hemisphere about the skin's own normal, weighed by the cosine; the skin is taken for flat within the
radius, with the composed heights on it.  In each of n directions the horizon h is the steepest way up within the
radius; the share of the slice above it is the integral of 2 sin e cos e over elevations e from h to 90 degrees,
cos^2 h.  1 is open.

Source: horizon angles of height fields, Dozier & Frew 1990 (IEEE Trans. Geoscience and Remote Sensing 28:963), whose
sky view factor for level ground is this mean of cos^2 h (paper and formula from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.derived import occlusion_kernels
from poredepth.derived.heights import MapHeights
from poredepth.errors import PatchError
from poredepth.patch.types import check_positive
from poredepth.raster.texels import overlaps
from poredepth.raster.window import Window
from poredepth.surface.metric import mm_per_uv
from poredepth.surface.tiles import column_and_row

#: Rays end after so many texels, whatever the radius: it bounds the work where texels are very small on the skin.
MOST_REACH_PX = 128


@dataclass(frozen=True)
class MapOcclusion:
    """Ambient occlusion of a composed map; blocks may be asked in any order, by several threads.

    Attributes
    ----------
    heights : the composed map
    radius_mm : what lies farther does not occlude
    direction : float64 (n_directions, 2), cosines and sines of the angles from +u on the skin
    metric_mm : float64 (n_triangles, 3), see `occlusion_kernels.ray_px`
    reach_px : float64 (n_triangles,), how far rays reach, texels
    low_px, high_px : float64 (n_triangles, 2), where triangles lie, texels right and down from u, v = 0
    """

    heights: MapHeights
    radius_mm: float
    direction: np.ndarray
    metric_mm: np.ndarray
    reach_px: np.ndarray
    low_px: np.ndarray
    high_px: np.ndarray

    def block(self, tile: int, window: Window) -> np.ndarray:
        """What is open above a window's texels, float32 (rows, cols), 0 to 1; 1 where there is no skin."""
        out = np.ones(window.shape, np.float32)
        margin = self._margin_px(tile, window)
        plane = self.heights.places(tile, window, margin).triangle
        chart_of = self.heights.raster.surface.tri_chart
        chart = np.where(plane >= 0, chart_of[plane], -1).astype(np.int32)
        cell = np.empty_like(chart)
        occlusion_kernels.same_chart_cells(chart, cell)
        occlusion_kernels.occlude(
            self.heights.block(tile, window, margin),
            cell,
            plane,
            chart_of,
            self.metric_mm,
            self.direction,
            self.radius_mm,
            float(MOST_REACH_PX),
            margin,
            margin,
            out,
        )
        return out

    def _margin_px(self, tile: int, window: Window) -> int:
        """What rays from a window reach beyond it, texels; also from gutters, whose triangles lie beside it."""
        raster = self.heights.raster
        column, row = column_and_row(tile)
        first = np.array([column, -row - 1]) * raster.size_px
        here = overlaps(self.low_px - first, self.high_px - first, window, raster.gutter_px + 1.0)
        return int(np.ceil(self.reach_px[here].max(initial=0.0))) + 2


def occlusion(heights: MapHeights, radius_mm: float = 1.0, n_directions: int = 16) -> MapOcclusion:
    """Prepare the ambient occlusion of a composed map.

    Parameters
    ----------
    heights : the composed map
    radius_mm : float, mm along the skin; what lies farther does not occlude, nor what lies in another chart beyond the
        gutter, nor what is more than `MOST_REACH_PX` texels away
    n_directions : 4 to 64

    Raises
    ------
    PatchError : a radius that is not above 0, a wrong number of directions
    """
    check_positive("occlusion", "radius_mm", radius_mm, " (mm along the skin)")
    if not (isinstance(n_directions, int | np.integer) and 4 <= n_directions <= 64):
        raise PatchError(f"occlusion: n_directions is {n_directions}; allowed is a whole number from 4 to 64")
    raster = heights.raster
    for tile in raster.tiles:
        raster.chart_places(tile, Window(0, 0, 1, 1))  # what blocks share is made before threads ask for it
    _ = raster.surface.tri_chart
    # none runs along u or v, where grooves and steps of simple form do: half of them see a wall, not half and two
    angle = 2 * np.pi * (np.arange(n_directions) + 0.5) / n_directions
    metric_mm, reach = _texel_metric(heights)
    corner_px = raster.surface.corner_uv * [1.0, -1.0] * raster.size_px
    return MapOcclusion(
        heights,
        float(radius_mm),
        np.stack([np.cos(angle), np.sin(angle)], axis=1),
        metric_mm,
        np.minimum(reach * radius_mm, MOST_REACH_PX),
        corner_px.min(axis=1),
        corner_px.max(axis=1),
    )


def _texel_metric(heights: MapHeights) -> tuple[np.ndarray, np.ndarray]:
    """mm of a column, and of a row upwards along and across it, float64 (n_triangles, 3), nan without area in UV; and
    the most texels 1 mm leads, (n_triangles,).

    The frame of each triangle is turned so that its first axis is +u on the skin: rays then run alike in triangles next
    to each other.
    """
    jacobian = mm_per_uv(heights.raster.surface) / heights.raster.size_px
    a, b = jacobian[:, :, 0], jacobian[:, :, 1]
    ax = np.hypot(a[:, 0], a[:, 1])
    with np.errstate(invalid="ignore", divide="ignore"):
        bx = (a * b).sum(axis=1) / ax
        # mirrored or not: the second axis is the side +v lies on
        by = np.abs(np.linalg.det(jacobian)) / ax
    metric = np.stack([ax, bx, by], axis=1)
    metric[~(np.isfinite(metric).all(axis=1) & (ax > 0) & (by > 0))] = np.nan
    reach = np.zeros(len(metric))
    ok = np.isfinite(metric[:, 0])
    reach[ok] = 1.0 / np.linalg.svd(jacobian[ok], compute_uv=False)[:, 1]
    return metric, reach
