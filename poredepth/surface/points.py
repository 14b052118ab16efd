"""`SkinPoints`: many points of the skin at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.surface.skin import Surface


@dataclass(frozen=True)
class SkinPoints:
    """Points of the skin.

    Attributes
    ----------
    triangle : int32 (n,), -1 where there is no skin
    barycentric : float32 (n, 3)
    """

    triangle: np.ndarray
    barycentric: np.ndarray

    def __len__(self) -> int:
        return len(self.triangle)


def barycentric_lattice(n: int) -> np.ndarray:
    """Barycentrics of the regular lattice that cuts each edge of a triangle into n: float64 ((n + 1)(n + 2) / 2, 3)."""
    return np.array([(i, j, n - i - j) for i in range(n + 1) for j in range(n + 1 - i)]) / n


def random_skin_points(
    surface: Surface, n: int, rng: np.random.Generator, triangles: np.ndarray | None = None
) -> SkinPoints:
    """Points spread evenly over the skin's area, or over the given triangles (bool (n_triangles,))."""
    area = surface.area_mm2 if triangles is None else np.where(triangles, surface.area_mm2, 0.0)
    share = np.cumsum(area) / area.sum()
    triangle = np.minimum(np.searchsorted(share, rng.random(n), side="right"), surface.n_triangles - 1)
    root, second = np.sqrt(rng.random(n)), rng.random(n)
    barycentric = np.column_stack([1 - root, root * (1 - second), root * second])
    return SkinPoints(triangle.astype(np.int32), barycentric.astype(np.float32))
