"""Skin of known pits for tests: paraboloid or Gaussian pits in a tile, with rims, furrows and grain; own and simple."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree


@dataclass(frozen=True, eq=False)
class Pitted:
    """A tile (rows, cols), mm, and the truth about it: middles (n, 2), mm from the left and the top."""

    height_mm: np.ndarray
    texel_mm: float
    middle_mm: np.ndarray
    diameter_mm: np.ndarray
    depth_mm: np.ndarray


def pitted(
    seed: int,
    *,
    size_mm: float = 10.0,
    texel_mm: float = 0.02,
    density_per_cm2: float = 100.0,
    diameter_mm: tuple[float, float] = (0.25, 0.25),
    depth_mm: tuple[float, float] = (0.05, 0.05),
    gaussian: bool = False,
    longer: float = 1.0,
    rim_mm: float = 0.0,
    furrow_mm: tuple[float, float] | None = None,
    junctions: int = 0,
    grain_mm: float = 0.0,
) -> Pitted:
    """Pits 1 - (r / R)^2, or Gaussian ones whose diameter is that at half depth; ``longer``: length by width.

    Furrows run from each pit to the three nearest points, of which ``junctions`` are no pits; they are 0.1 mm wide at
    half depth, and the deeper of pit and furrow counts.  Rims are Gaussian rings beside the opening, higher on one
    side.  Grain is white noise.
    """
    rng = np.random.default_rng(seed)
    n, count = round(size_mm / texel_mm), round(density_per_cm2 * size_mm**2 / 100)
    points = _spread(rng, size_mm, count + junctions)
    middle = points[:count]
    diameter, depth = rng.uniform(*diameter_mm, count), rng.uniform(*depth_mm, count)
    pit, rim, furrow = np.zeros((3, n, n))
    for (x, y), wide, deep, turn in zip(middle, diameter, depth, rng.uniform(0, np.pi, count), strict=True):
        index, dx, dy = _around(n, size_mm, x, y, 2.5 * wide)
        along, across = np.cos(turn) * dx + np.sin(turn) * dy, np.cos(turn) * dy - np.sin(turn) * dx
        far = np.hypot(along / np.sqrt(longer), across * np.sqrt(longer)) / (wide / 2)
        shape = 2.0 ** -(far**2) if gaussian else np.maximum(1 - far**2, 0)
        pit[index] = np.maximum(pit[index], deep * shape)
        side = 0.5 + 0.5 * np.cos(np.arctan2(across, along))
        rim[index] += rim_mm * side * np.exp(-(((far - 1.3) / 0.18) ** 2)) * (far > 1)
    if furrow_mm is not None:
        _, near = cKDTree(points, boxsize=size_mm).query(points, k=4)
        pairs = np.unique(np.sort([(i, j) for i, row in enumerate(near) for j in row[1:]], axis=1), axis=0)
        for (i, j), deep in zip(pairs, rng.uniform(*furrow_mm, len(pairs)), strict=True):
            run = (points[j] - points[i] + size_mm / 2) % size_mm - size_mm / 2
            index, dx, dy = _around(n, size_mm, *points[i], np.abs(run).max() + 0.3)
            at = np.clip((dx * run[0] + dy * run[1]) / (run @ run), 0, 1)
            off = np.hypot(dx - at * run[0], dy - at * run[1]) / 0.05
            furrow[index] = np.maximum(furrow[index], deep * 2.0 ** -(off**2))
    height = rim - np.maximum(pit, furrow) + grain_mm * rng.normal(size=(n, n))
    return Pitted(height, texel_mm, middle, diameter, depth)


def _spread(rng, size_mm: float, count: int) -> np.ndarray:
    """Points of a tile, each the farthest of some darts from those before (Mitchell 1991, best candidates)."""
    points = rng.uniform(0, size_mm, (1, 2))
    while len(points) < count:
        darts = rng.uniform(0, size_mm, (30, 2))
        far, _ = cKDTree(points, boxsize=size_mm).query(darts)
        points = np.vstack([points, darts[far.argmax()]])
    return rng.permutation(points)[:count]


def _around(n: int, size_mm: float, x: float, y: float, reach_mm: float):
    """Numbers of the texels around a point of a tile, and their distances from it, mm."""
    texel = size_mm / n
    cols = np.arange(int((x - reach_mm) / texel) - 1, int((x + reach_mm) / texel) + 2)
    rows = np.arange(int((y - reach_mm) / texel) - 1, int((y + reach_mm) / texel) + 2)
    dx, dy = np.meshgrid((cols + 0.5) * texel - x, (rows + 0.5) * texel - y)
    return np.ix_(rows % n, cols % n), dx, dy
