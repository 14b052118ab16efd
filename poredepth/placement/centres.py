"""Seeded blue-noise centres on the skin."""

from __future__ import annotations

import numpy as np

from poredepth.placement import kernels
from poredepth.surface.skin import Surface

#: Darts thrown per disk of one spacing; at 20 nearly no room is left (Bridson 2007 tries 30 around each point).
DARTS_PER_DISK = 20


def blue_noise(
    surface: Surface, triangles: np.ndarray, spacing_mm: float, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Points on the given triangles, no two on one side of the skin nearer than ``spacing_mm``.

    Parameters
    ----------
    triangles : int (n,), where points may lie
    spacing_mm : float > 0, least distance in space of two points whose normals agree
    rng : seeded generator; the draw depends on the triangles' areas and order only

    Returns
    -------
    triangle int32 (n,), barycentric float64 (n, 3)
    """
    area_mm2 = surface.area_mm2[triangles]
    total_mm2 = float(area_mm2.sum())
    if total_mm2 <= 0:
        return np.empty(0, np.int32), np.empty((0, 3))
    n_darts = max(64, int(np.ceil(DARTS_PER_DISK * total_mm2 / (0.25 * np.pi * spacing_mm**2))))
    share = np.cumsum(area_mm2) / total_mm2
    at = np.minimum(np.searchsorted(share, rng.random(n_darts), side="right"), len(triangles) - 1)
    root, second = np.sqrt(rng.random(n_darts)), rng.random(n_darts)
    barycentric = np.column_stack([1 - root, root * (1 - second), root * second])
    triangle = np.asarray(triangles, np.int32)[at]
    keep = thin_out(surface, triangle, barycentric, spacing_mm)
    return triangle[keep], barycentric[keep]


def thin_out(
    surface: Surface, triangle: np.ndarray, barycentric: np.ndarray, spacing_mm: float, n_kept_before: int = 0
) -> np.ndarray:
    """bool (n,): which points stay when each must keep ``spacing_mm`` from those before it."""
    point_mm = surface.points_mm(triangle, barycentric)
    # rounded, so that a head that was merely moved falls into cells alike
    cell = np.floor((point_mm - point_mm.min(axis=0)) / spacing_mm + 1e-6).astype(np.int64)
    keep = np.zeros(len(triangle), bool)
    kernels.thin_out(point_mm, surface.normal[triangle], spacing_mm, cell, cell.max(axis=0) + 1, keep, n_kept_before)
    return keep
