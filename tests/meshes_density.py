"""Flat squares of 40 mm whose charts are stretched: what a filter along the skin must not see; and layers on meshes."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from meshes import grid
from meshes_seams import cut_square, turned

from poredepth.patch.levels import build_levels
from poredepth.placement.mapped import map_prints
from poredepth.raster.evaluate import add_prints, pack_pictures
from poredepth.raster.texels import TileRaster
from poredepth.raster.window import row_blocks
from poredepth.surface.obj import PolygonMesh
from poredepth.surface.points import SkinPoints
from poredepth.surface.skin import Surface

SIDE_MM = 40.0


def mirrored_density_square() -> PolygonMesh:
    """Two charts, the right one mirrored, turned, and four times smaller in UV."""
    return cut_square(turned(20, 100, (0.3, 0.5)), turned(-31, 400, (0.85, 0.5), True))


def stretched_square(u_mm: float, v_mm: float) -> PolygonMesh:
    """One chart of other scales along u and v, mm per unit."""
    position, faces = grid(SIDE_MM, SIDE_MM, 10, 10)
    uv = position[:, :2] / [u_mm, v_mm] + 0.05
    return PolygonMesh.from_arrays(position, faces, uv, faces)


def kinked_square() -> PolygonMesh:
    """One chart whose right half, from x = 20 on, is four times shorter along u."""
    position, faces = grid(SIDE_MM, SIDE_MM, 20, 20)
    x = position[:, 0]
    u = np.where(x < 20, x / 100, 0.2 + (x - 20) / 400) + 0.1
    return PolygonMesh.from_arrays(position, faces, np.column_stack([u, position[:, 1] / 100 + 0.1]), faces)


def chips_square(n: int = 40) -> PolygonMesh:
    """Every quad of an n x n grid a chart of its own, every other mirrored, some only a texel or two wide."""
    position, faces = grid(SIDE_MM, SIDE_MM, n, n)
    uv, face_uv = [], []
    for number in range(len(faces)):
        row, col = divmod(number, n)
        side = (0.9, 0.5, 0.02)[number % 3] / n
        local = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * side
        if number % 2:
            local[:, 0] = side - local[:, 0]
        face_uv.append(list(range(len(uv), len(uv) + 4)))
        uv += (local + [(col + 0.05) / n, (row + 0.05) / n]).tolist()
    return PolygonMesh.from_arrays(position, faces, np.array(uv), face_uv)


def painted(surface: Surface, height: Callable[[np.ndarray], np.ndarray], size_px: int, gutter_px: int = 24):
    """A map layer that holds a function of place, (n, 3) in mm -> mm, gutters included: its prints and pictures."""
    raster = TileRaster(surface, size_px, gutter_px)
    stacks = []
    for tile in raster.tiles:
        out = np.zeros((size_px, size_px), np.float32)
        for block in row_blocks(raster.whole()):
            points = raster.skin_points(tile, block)
            ok = points.triangle >= 0
            part = np.zeros(len(points), np.float32)
            part[ok] = height(surface.points_mm(points.triangle[ok], points.barycentric[ok].astype(float)))
            out[block.slices] = part.reshape(block.shape)
        stacks.append(build_levels(out, 1.0 / size_px, False))
    return map_prints(surface, raster.tiles), pack_pictures(stacks, periodic=False)


def heights_at(surface: Surface, points: SkinPoints, layer, footprint_uv: float = 1e-6) -> np.ndarray:
    """What a layer (prints, pictures) says at skin points, mm."""
    out = np.zeros(len(points), np.float32)
    footprint = np.full((surface.n_triangles, 3), footprint_uv, np.float32)
    add_prints(points, np.ones(len(points), np.float32), 1.0, footprint, *layer, out)
    return out
