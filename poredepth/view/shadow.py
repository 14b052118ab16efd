"""Where light falls on a head: soft shadows of a lamp of some size, and the open sky."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.view import kernels

#: Points of the lamp, and its half width as seen from the head.
LAMP_POINTS, LAMP_RADIUS_DEG = 16, 6.0
LAMP_MAP_PX = 900
#: Directions of the sky, and the size of the picture each one takes of the head.
SKY_POINTS, SKY_MAP_PX = 96, 320
_GOLDEN_ANGLE = np.pi * (3 - np.sqrt(5))


@dataclass(frozen=True, eq=False)
class Caster:
    """What casts shadows: position_mm float64 (n_vertices, 3), tri_vertex int (n_triangles, 3)."""

    position_mm: np.ndarray
    tri_vertex: np.ndarray


def lamp_reach(caster: Caster, direction: np.ndarray, point_mm: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """Share of a lamp seen from points, float32 (n,), 0 to 1.

    Parameters
    ----------
    caster : in the frame of the points
    direction : (3,), unit, towards the middle of the lamp
    point_mm, normal : float32 (n, 3)

    Notes
    -----
    A picture of depths from each point of the lamp (shadow maps, Williams 1978).  Points are lifted along their normal
    by a little more than a pixel of that picture, so that no facet shades itself.
    """
    total = np.zeros(len(point_mm), np.float32)
    axes = _axes(direction)
    turn = _GOLDEN_ANGLE * np.arange(LAMP_POINTS)
    off = np.tan(np.radians(LAMP_RADIUS_DEG)) * np.sqrt((np.arange(LAMP_POINTS) + 0.5) / LAMP_POINTS)
    for x, y in zip(off * np.cos(turn), off * np.sin(turn), strict=True):
        towards = axes[2] + x * axes[0] + y * axes[1]
        total += _reached(caster, towards / np.linalg.norm(towards), point_mm, normal, LAMP_MAP_PX)
    return total / np.float32(LAMP_POINTS)


def sky_light(caster: Caster, up: np.ndarray, evenness: float, point_mm: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """Light of a sky that is brightest at ``up``, at points, float32 (n,); 1 for open skin facing ``up``.

    Parameters
    ----------
    up : (3,), unit; evenness : 0 = dark opposite ``up``, 1 = as bright from everywhere
    caster, point_mm, normal : see `lamp_reach`
    """
    n = np.arange(SKY_POINTS)
    z = 1 - (2 * n + 1) / SKY_POINTS
    radius, turn = np.sqrt(1 - z**2), _GOLDEN_ANGLE * n
    directions = np.column_stack([radius * np.cos(turn), radius * np.sin(turn), z])
    brightness = evenness + (1 - evenness) * (0.5 + 0.5 * directions @ up)
    received = np.zeros(len(point_mm))
    for towards, bright in zip(directions, brightness, strict=True):
        cosine = np.maximum(normal @ towards, 0)
        received += bright * cosine * _reached(caster, towards, point_mm, normal, SKY_MAP_PX)
    open_sky = (brightness * np.maximum(directions @ up, 0)).sum()
    return (received / open_sky).astype(np.float32)


def _reached(caster: Caster, towards: np.ndarray, point_mm, normal, map_px: int) -> np.ndarray:
    axes = _axes(towards)
    seen = caster.position_mm @ axes.T
    low, high = seen[:, :2].min(axis=0), seen[:, :2].max(axis=0)
    px_per_mm = (map_px - 4) / max(float((high - low).max()), 1e-9)
    scale = np.array([px_per_mm, -px_per_mm, px_per_mm])
    shift = np.array([2 - low[0] * px_per_mm, 2 + high[1] * px_per_mm, 0.0])
    depth = np.full((map_px, map_px), -np.inf, np.float32)
    owner, barycentric = np.full(depth.shape, -1, np.int32), np.empty((*depth.shape, 3), np.float32)
    kernels.nearest_triangles((seen * scale + shift)[caster.tri_vertex], owner, barycentric, depth)
    to_px = np.column_stack([axes * scale[:, None], shift]).astype(np.float32)
    out = np.empty(len(point_mm), np.float32)
    kernels.reached(
        np.ascontiguousarray(point_mm, np.float32),
        np.ascontiguousarray(normal, np.float32),
        np.float32(1.5 / px_per_mm),
        to_px,
        depth,
        np.float32(1.0),
        out,
    )
    return out


def _axes(towards: np.ndarray) -> np.ndarray:
    """Orthonormal rows (3, 3): right, up, towards; right-handed."""
    helper = np.eye(3)[np.argmin(np.abs(towards))]
    right = np.cross(helper, towards)
    right /= np.linalg.norm(right)
    return np.stack([right, np.cross(towards, right), towards])
