"""Normals of the relief: in the tangent frame, and in the axes of the mesh."""

from __future__ import annotations

import numpy as np

from poredepth.derived import frame_kernels
from poredepth.derived.heights import MapHeights
from poredepth.derived.slopes import flat_places, gradients
from poredepth.raster.window import Window


def tangent_normals(heights: MapHeights, tile: int, window: Window, *, green_down: bool = False) -> np.ndarray:
    """Normals of the relief in the tangent frame, float32 (rows, cols, 3), unit; (0, 0, 1) without skin.

    x along T, y along B (+v: green is up, as glTF has it), z along N.  A renderer that interpolates N and T of
    MikkTSpace and takes B = sign x cross(N, T), none of them normalised, decodes exactly what `object_normals` gives.

    Parameters
    ----------
    green_down : y along -B instead
    """
    found = gradients(heights, tile, window)
    out = np.empty((*window.shape, 3), np.float32)
    frame_kernels.tangent_normals(
        *flat_places(found.places),
        heights.frames.arrays,
        found.first.reshape(-1, 2),
        -1.0 if green_down else 1.0,
        out.reshape(-1, 3),
    )
    return out


def object_normals(heights: MapHeights, tile: int, window: Window) -> np.ndarray:
    """Normals of the relief in the axes of the mesh, float32 (rows, cols, 3), unit; (0, 0, 0) without skin.

    The smooth normal of the mesh, turned by the slope of the relief; it runs on over UV seams.
    """
    found = gradients(heights, tile, window)
    out = np.empty((*window.shape, 3), np.float32)
    frame_kernels.object_normals(
        *flat_places(found.places),
        heights.frames.arrays,
        found.first.reshape(-1, 2),
        found.places.skin.triangle,
        found.places.skin.barycentric,
        out.reshape(-1, 3),
    )
    return out
