"""A region of the skin seen flat: a regular grid of skin points whose steps are mm along the skin."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.placement.flatten import Sheet, flatten, neighbours_within, skin_within
from poredepth.raster.texels import barycentric_affine, own_texels
from poredepth.raster.window import Window
from poredepth.surface.directions import DirectionField
from poredepth.surface.geodesic import distance_from_vertices_mm
from poredepth.surface.locate import SkinPoint
from poredepth.surface.points import SkinPoints
from poredepth.surface.skin import Surface
from poredepth.surface.topology import connected_triangles

#: Skin that a flat view stretches by less or more than this is left out of it.
TRUE_STRETCH = (0.8, 1.25)

#: More of a piece than this left out: it cannot be laid flat as a whole, and a smaller disk of it is tried.
MOST_LEFT_OUT = 0.2

#: From one disk tried to the next, and how many.
SMALLER, MOST_TRIES = 0.75, 12


@dataclass(frozen=True)
class FlatView:
    """A grid laid over flattened skin.

    Attributes
    ----------
    points : rows x cols skin points, row by row, triangle -1 where the grid shows none
    shape : rows, cols
    step_mm : distance of neighbours along rows and columns, on the skin
    left_out_ratio : share of the skin's area that is not shown: stretched too much, or folded under other skin
    stretch : least and largest stretch of what is shown
    """

    points: SkinPoints
    shape: tuple[int, int]
    step_mm: float
    left_out_ratio: float
    stretch: tuple[float, float]

    @property
    def shown(self) -> np.ndarray:
        """bool (rows, cols): there is skin."""
        return self.points.triangle.reshape(self.shape) >= 0


def largest_piece(surface: Surface, triangles: np.ndarray) -> np.ndarray:
    """The connected piece of most area among triangles, bool (n_triangles,): int64 (n,), rising."""
    where = np.flatnonzero(triangles & (surface.area_mm2 > 0))
    if len(where) == 0:
        return where
    piece = connected_triangles(neighbours_within(surface, where))
    return where[piece == np.argmax(np.bincount(piece, surface.area_mm2[where]))]


def flat_view(surface: Surface, field: DirectionField, where: np.ndarray, step_mm: float) -> FlatView:
    """Flatten a connected set of triangles, int64 (n,) and rising, and lay a grid over it.

    As true to size as a plane allows (see `placement.flatten`); columns run along the mean direction of the field.  A
    piece that no plane can hold, such as a tube or half a head, is seen by a disk around its innermost point.
    """
    view = _flat_view(surface, field, where, step_mm)
    if view.left_out_ratio <= MOST_LEFT_OUT:
        return view
    centre = _innermost(surface, where)
    reach_mm = float(np.sqrt(surface.area_mm2[where].sum() / np.pi))
    for _ in range(MOST_TRIES):
        disk = np.intersect1d(skin_within(surface, [centre], reach_mm), where)
        disk = largest_piece(surface, np.isin(np.arange(surface.n_triangles), disk))
        view = _flat_view(surface, field, disk, step_mm)
        if view.left_out_ratio <= MOST_LEFT_OUT:
            break
        reach_mm *= SMALLER
    return view


def _innermost(surface: Surface, where: np.ndarray) -> SkinPoint:
    """Middle of the triangle that lies farthest from the border of a set of triangles; the first if it has none."""
    border = np.zeros(surface.n_vertices, bool)
    t, k = np.nonzero(neighbours_within(surface, where) < 0)
    border[surface.tri_vertex[where][t, (k + 1) % 3]] = True
    border[surface.tri_vertex[where][t, (k + 2) % 3]] = True
    far_mm = distance_from_vertices_mm(surface, np.flatnonzero(border))
    # rounded, so that a head that was merely moved is seen from the same triangle
    depth_mm = np.round(np.where(np.isfinite(far_mm), far_mm, 0.0)[surface.tri_vertex[where]].min(axis=1), 6)
    return SkinPoint(int(where[np.argmax(depth_mm)]), np.full(3, 1 / 3), 0.0)


def _flat_view(surface: Surface, field: DirectionField, where: np.ndarray, step_mm: float) -> FlatView:
    sheet = flatten(surface, where)
    jacobian = sheet.jacobian(sheet.uv_mm)
    stretch = np.linalg.svd(jacobian, compute_uv=False)
    true = (np.linalg.det(jacobian) > 0) & (stretch[:, 1] >= TRUE_STRETCH[0]) & (stretch[:, 0] <= TRUE_STRETCH[1])
    uv_mm = sheet.uv_mm @ _along_u(sheet, jacobian, field.angle_rad[where])
    low, high = uv_mm.min(axis=0), uv_mm.max(axis=0)
    n_cols, n_rows = (int(n) for n in np.ceil((high - low) / step_mm) + 1)
    corner_px = np.full((surface.n_triangles, 3, 2), np.nan)
    corner_px[where] = (np.stack([uv_mm[:, 0] - low[0], high[1] - uv_mm[:, 1]], axis=1) / step_mm)[sheet.corner]
    shown = where[true]
    window = Window(0, 0, n_rows, n_cols)
    owner, barycentric = own_texels(surface, corner_px, barycentric_affine(corner_px), shown.astype(np.int32), window)
    flat_mm2 = sheet.area_mm2 * np.abs(np.linalg.det(jacobian))
    folded_mm2 = max(flat_mm2[true].sum() - (owner >= 0).sum() * step_mm**2, 0.0)
    return FlatView(
        SkinPoints(owner.ravel(), barycentric.reshape(-1, 3)),
        window.shape,
        step_mm,
        float((sheet.area_mm2[~true].sum() + folded_mm2) / sheet.area_mm2.sum()),
        (float(stretch[true, 1].min(initial=1.0)), float(stretch[true, 0].max(initial=1.0))),
    )


def _along_u(sheet: Sheet, jacobian: np.ndarray, angle_rad: np.ndarray) -> np.ndarray:
    """Matrix (2, 2) to put behind coordinates so that the mean line of the field runs along u."""
    line = np.einsum("tqa,ta->tq", jacobian, np.stack([np.cos(angle_rad), np.sin(angle_rad)], axis=1))
    doubled = (sheet.area_mm2 * np.exp(2j * np.arctan2(line[:, 1], line[:, 0]))).sum()  # lines have no sign
    c, s = np.cos(0.5 * np.angle(doubled)), np.sin(0.5 * np.angle(doubled))
    return np.array([[c, -s], [s, c]])
