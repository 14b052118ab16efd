"""Synthetic pieces of a scan: skin unwrapped by textbook projections, none of which the program knows.

A scan picture is made pixel by pixel: which skin point the unwrapping puts there, and what a known function says at it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from poredepth.patch.types import HeightPatch
from poredepth.raster.texels import TileRaster
from poredepth.surface.locate import nearest_skin_points
from poredepth.surface.obj import PolygonMesh
from poredepth.surface.points import SkinPoints
from poredepth.surface.skin import Surface, surface_from_mesh

#: Where tie points are set, as shares of the picture's width and height: corners and middle first.
LAYOUTS = {
    3: [(0.12, 0.12), (0.88, 0.12), (0.5, 0.88)],
    4: [(0.12, 0.12), (0.88, 0.12), (0.12, 0.88), (0.88, 0.88)],
    6: [(0.12, 0.12), (0.88, 0.12), (0.12, 0.88), (0.88, 0.88), (0.5, 0.5), (0.88, 0.5)],
    9: [(x, y) for y in (0.12, 0.5, 0.88) for x in (0.12, 0.5, 0.88)],
    12: [(x, y) for y in (0.12, 0.5, 0.88) for x in (0.12, 0.373, 0.627, 0.88)],
}

#: Stretch, shear and turn put on top of every unwrapping.
_TURN = np.array([[np.cos(0.35), -np.sin(0.35)], [np.sin(0.35), np.cos(0.35)]])
STRETCH = _TURN @ np.array([[1.12, 0.08], [0.0, 0.93]])

#: Column and row of the UV tile that a piece is made in, so that its surroundings lie in tiles too.
_TILE = 5

Unwrap = Callable[[np.ndarray, np.ndarray], np.ndarray]


def cylinder(position_mm: np.ndarray, middle_mm: np.ndarray) -> np.ndarray:
    """Round the vertical through the head, as turning scanners unwrap; true to size at the middle's radius."""
    at = np.arctan2(position_mm[:, 0], position_mm[:, 2] + 10) * np.hypot(middle_mm[0], middle_mm[2] + 10)
    return np.column_stack([at, position_mm[:, 1]])


def photograph(position_mm: np.ndarray, middle_mm: np.ndarray) -> np.ndarray:
    """Parallel projection, looking at the middle from a vertical axis through the head."""
    towards = np.array([middle_mm[0], 0.0, middle_mm[2] + 10])
    towards /= np.linalg.norm(towards)
    return np.column_stack([position_mm @ np.cross([0, 1, 0], towards), position_mm[:, 1]])


def stereographic(position_mm: np.ndarray, middle_mm: np.ndarray) -> np.ndarray:
    """Central projection on a sphere about a point in the head, then stereographic from there (Snyder 1987)."""
    centre = np.array([0.0, middle_mm[1], -10.0])
    ray = position_mm - centre
    ray /= np.linalg.norm(ray, axis=1, keepdims=True)
    z = (middle_mm - centre) / np.linalg.norm(middle_mm - centre)
    x = np.cross([0, 1, 0], z)
    x /= np.linalg.norm(x)
    size = 2 * np.linalg.norm(middle_mm - centre) / (1 + ray @ z)
    return np.column_stack([size * (ray @ x), size * (ray @ np.cross(z, x))])


UNWRAPS: dict[str, Unwrap] = {"cylinder": cylinder, "photograph": photograph, "stereographic": stereographic}


@dataclass(frozen=True)
class Scan:
    """A square piece of a scan: which skin point each pixel shows (triangles of ``surface``), and its size."""

    surface: Surface
    points: SkinPoints
    n_px: int
    texel_mm: float

    @property
    def position_mm(self) -> np.ndarray:
        """float64 (n_px, n_px, 3): where each pixel came from, nan where it shows no skin."""
        shown = self.points.triangle >= 0
        at = self.surface.points_mm(np.maximum(self.points.triangle, 0), self.points.barycentric.astype(float))
        at[~shown] = np.nan
        return at.reshape(self.n_px, self.n_px, 3)

    def patch(self, height_mm: np.ndarray, name: str = "scan", **keys) -> HeightPatch:
        """A patch of heights (n_px, n_px) in mm; pixels without skin are 0 and outside."""
        keys = {"inside": np.isfinite(height_mm), "periodic": False, **keys}
        return HeightPatch(name, np.nan_to_num(height_mm), self.texel_mm, **keys)

    def ties(self, shares, mm_per_unit: float) -> list[dict]:
        """Tie points at shares of the picture, each at the middle of a pixel."""
        pixel = (np.asarray(shares) * self.n_px).astype(int)
        at = self.position_mm[pixel[:, 1], pixel[:, 0]] / mm_per_unit
        return [
            {"px": [float(x) + 0.5, float(y) + 0.5], "at": point.tolist()}
            for (x, y), point in zip(pixel, at, strict=True)
        ]


def scan(surface: Surface, middle_mm, unwrap: Unwrap, side_mm: float, n_px: int, stretch=STRETCH) -> Scan:
    """Unwrap the skin around a point and take a square of ``side_mm`` (in the picture) about it."""
    point = nearest_skin_points(surface, np.asarray(middle_mm, float))[0]
    middle_mm = surface.points_mm(np.array([point.triangle]), point.barycentric[None])[0]
    flat = unwrap(surface.position_mm, middle_mm) @ np.asarray(stretch).T
    corner = flat[surface.tri_vertex]
    middle = point.barycentric @ corner[point.triangle]
    # only skin near the piece, and as seen from outside: the other side of the head unwraps elsewhere or face down
    near = np.linalg.norm(surface.corner_mm - middle_mm, axis=2).max(axis=1) < 2.0 * side_mm
    e1, e2 = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
    near &= e1[:, 0] * e2[:, 1] > e1[:, 1] * e2[:, 0]
    uv = (flat - middle) / side_mm + 0.5 + _TILE
    faces = surface.tri_vertex[near].tolist()
    unwrapped = surface_from_mesh(PolygonMesh.from_arrays(surface.position_mm, faces, uv, faces), "mm")
    raster = TileRaster(unwrapped, n_px, 0)
    return Scan(unwrapped, raster.skin_points(1001 + 11 * _TILE, raster.whole()), n_px, side_mm / n_px)
