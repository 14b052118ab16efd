"""Charts that lie on each other in UV: how much skin gets no texels of its own, and where."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from poredepth.surface import overlap_kernels as kernels
from poredepth.surface.metric import uv_area

if TYPE_CHECKING:
    from poredepth.surface.skin import Surface

#: Looks at the skin, all together: one in 0.25 mm2 of a head of 1500 cm2.  A triangle gets at least one.
N_LOOKS = 600_000

#: Charts that merely touch, or that a file's rounding has pushed together, lie on each other by less than this (0.8
#: texels at 8K).
TOUCH_UV = 1e-4

#: What is lost to skin of the same chart nearer than this many edges is a fold; the halves of a mirrored head may be
#: one chart too, joined along the middle.
FOLD_EDGES = 2.5

#: Triangles in a cell of the search grid, about.
PER_CELL = 16


@dataclass(frozen=True)
class ChartOverlap:
    """Skin that lies in UV under other skin, which has the texels.

    Attributes
    ----------
    lost_mm2 : its area on the skin
    uv_ratio : its share of the area of all charts in UV
    kind : what most of it is: "fold", lost to skin close by (a chart turned over on itself); "mirrored", lost to skin
        elsewhere that lies the other way round in UV (as halves of a head do that share their charts); or "stacked"
    lost_at_mm, shown_at_mm : float64 (3,), a place that is lost, in the triangle that loses most, and what is shown
        there instead
    uv : float64 (2,), where that is
    """

    lost_mm2: float
    uv_ratio: float
    kind: Literal["fold", "mirrored", "stacked"]
    lost_at_mm: np.ndarray
    shown_at_mm: np.ndarray
    uv: np.ndarray


def chart_overlap(surface: Surface) -> ChartOverlap | None:
    """Measure the overlap of charts, or None where there is none.

    Where charts overlap, the face that comes first in the file has the texels (see `raster.texels.TileRaster`).  Every
    triangle is looked at once in each of many equal parts; a part is lost if an earlier face lies there too, not
    merely with the rim of its chart.  A triangle that lies wholly under others is measured exactly, any other to a
    part.  The cost grows with the number of triangles, however many lie on each other.

    Source: own derivation.
    """
    usable = np.flatnonzero(surface.has_uv & (uv_area(surface) > 0))
    if len(usable) == 0:
        return None
    # in order of the file: a triangle can only be lost to one before it
    order = usable[np.argsort(surface.tri_face[usable], kind="stable")]
    uv = np.ascontiguousarray(surface.corner_uv[order])
    area_mm2, area_uv = surface.area_mm2[order], uv_area(surface)[order]
    divisions = np.ceil(np.sqrt(area_mm2 * N_LOOKS / max(area_mm2.sum(), 1e-300))).astype(np.int64).clip(1)
    grid = _grid(uv)
    start, cell_triangle = kernels.fill_cells(uv, grid.low_uv, grid.cell_uv, grid.n_cells)
    edge_margin_uv, corner_margin_uv = _margins(surface)
    lost, shown = np.zeros(len(order), np.int64), np.full(len(order), -1, np.int64)
    first_uv, mirrored = np.zeros((len(order), 2)), np.zeros(len(order), np.int64)
    kernels.count_lost(
        uv, edge_margin_uv[order], corner_margin_uv[order], divisions,
        grid.low_uv, grid.cell_uv, grid.n_cells, start, cell_triangle, lost, shown, first_uv, mirrored,
    )  # fmt: skip
    share = lost / divisions**2
    lost_mm2 = share * area_mm2
    if not lost_mm2.sum() > 0:
        return None
    some = np.flatnonzero(lost)
    lost_at_mm = _places_mm(surface, order[some], first_uv[some])
    shown_at_mm = _places_mm(surface, order[shown[some]], first_uv[some])
    edge_mm = np.sqrt(np.maximum(area_mm2[some], area_mm2[shown[some]]) * 4 / np.sqrt(3))
    near = np.linalg.norm(lost_at_mm - shown_at_mm, axis=1) < FOLD_EDGES * edge_mm
    near &= surface.tri_chart[order[some]] == surface.tri_chart[order[shown[some]]]
    total_mm2 = float(lost_mm2.sum())
    mirrored_mm2 = (mirrored[some] / divisions[some] ** 2 * area_mm2[some])[~near].sum()
    worst = int(np.argmax(lost_mm2[some]))
    return ChartOverlap(
        lost_mm2=total_mm2,
        uv_ratio=float((share * area_uv).sum() / area_uv.sum()),
        kind=_kind(lost_mm2[some][near].sum() / total_mm2, mirrored_mm2 / total_mm2),
        lost_at_mm=lost_at_mm[worst],
        shown_at_mm=shown_at_mm[worst],
        uv=first_uv[some[worst]],
    )


def _margins(surface: Surface) -> tuple[np.ndarray, np.ndarray]:
    """What counts as the rim of a chart beside each edge and about each corner, float64 (n_triangles, 3), units of UV.

    Twice as much about a corner: that also keeps from the rim where a triangle meets it with a corner only, at an angle
    of 30 degrees or more.
    """
    border = surface.is_chart_border
    on_rim = np.zeros(len(surface.uv), bool)
    for k in (1, 2):
        ends = surface.tri_uv_vertex[np.arange(surface.n_triangles)[:, None], (np.arange(3) + k) % 3]
        on_rim[ends[border & (ends >= 0)]] = True
    return np.where(border, TOUCH_UV, 0.0), np.where(on_rim[surface.tri_uv_vertex], 2 * TOUCH_UV, 0.0)


def _kind(fold_ratio: float, mirrored_ratio: float) -> Literal["fold", "mirrored", "stacked"]:
    if fold_ratio > 0.5:
        return "fold"
    return "mirrored" if mirrored_ratio > 0.5 * (1 - fold_ratio) else "stacked"


@dataclass(frozen=True)
class _Grid:
    low_uv: np.ndarray
    cell_uv: np.ndarray
    n_cells: int


def _grid(uv: np.ndarray) -> _Grid:
    """Square grid over the charts, as fine as keeps the triangles' entries few: large triangles lie in many cells."""
    low_uv, extent_uv = uv.min(axis=(0, 1)), np.maximum(np.ptp(uv, axis=(0, 1)), 1e-9)
    n_cells = max(1, int(np.sqrt(len(uv))))
    low, high = uv.min(axis=1) - low_uv, uv.max(axis=1) - low_uv
    while n_cells > 1:
        span = np.floor(high / extent_uv * n_cells) - np.floor(low / extent_uv * n_cells) + 1
        if span.prod(axis=1).sum() <= PER_CELL * len(uv):
            break
        n_cells //= 2
    return _Grid(low_uv, extent_uv / n_cells, n_cells)


def _places_mm(surface: Surface, triangle: np.ndarray, uv: np.ndarray) -> np.ndarray:
    """Skin points (n, 3) of triangles (n,) at UVs (n, 2) in them."""
    system = np.concatenate([surface.corner_uv[triangle].transpose(0, 2, 1), np.ones((len(triangle), 1, 3))], axis=1)
    barycentric = np.linalg.solve(system, np.concatenate([uv, np.ones((len(uv), 1))], axis=1)[..., None])[..., 0]
    return surface.points_mm(triangle, barycentric)
