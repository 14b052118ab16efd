"""Skin of the cheek and the nose: a net of fine furrows between domed fields of skin, with pores at its junctions.

The ranges are advice, not measurement: furrows 20 to 100 um and 5 to 40 um deep (Hashimoto 1974, value from memory),
pores 0.2 to 0.6 mm wide (from memory) with a broken raised rim (Mizukoshi & Takahashi 2013, Skin Res Technol).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from poredepth.patch.synthesise.periodic import (
    Net,
    Tile,
    band_noise,
    blur,
    cell_net,
    finished,
    make_tile,
    sample,
    smooth_noise,
    spread_points,
    window,
)
from poredepth.patch.synthesise.strokes import Stroke, draw


@dataclass(frozen=True)
class PoreRelief:
    """Physical parameters of ``pores``; pairs are (least, most).

    ``cell_mm`` mean distance of the fields of skin; ``furrow_mm`` depth of furrows; ``furrow_width_mm`` their width at
    half depth; ``density_per_cm2`` pores per square centimetre; ``pore_mm`` their diameter; ``pore_depth_mm``;
    ``rim_mm`` height of the rim; ``grain_mm`` Sq of the grain; ``stretch_ratio`` how much longer along the lay (+u).
    """

    cell_mm: float = 0.55
    furrow_mm: tuple[float, float] = (0.012, 0.030)
    furrow_width_mm: float = 0.11
    density_per_cm2: float = 60.0
    pore_mm: tuple[float, float] = (0.2, 0.4)
    pore_depth_mm: tuple[float, float] = (0.04, 0.09)
    rim_mm: float = 0.005
    grain_mm: float = 0.0009
    stretch_ratio: float = 1.15


def pores(size_mm: float, texel_mm: float, seed: int, relief: PoreRelief | None = None) -> np.ndarray:
    """Periodic skin with furrow net and pores, lay along +u.

    Returns
    -------
    float32 (rows, cols), mm, mean 0

    Raises
    ------
    PatchError : size_mm is no whole number of texels
    """
    relief = PoreRelief() if relief is None else relief
    tile, rng = make_tile(size_mm, texel_mm), np.random.default_rng(seed)
    points = spread_points(tile, relief.cell_mm, rng, relief.stretch_ratio)
    net = cell_net(tile, points)
    warp = _warp(tile, relief, rng)
    furrows = _furrows(tile, points, net, warp, relief, rng)
    fields = _fields(tile, relief, rng)
    pits, rims, cover = _pits(tile, _pore_places(tile, net, warp, relief, rng), relief, rng)
    # inside a pore the furrows that meet there are part of its wall, not dug into its floor again
    return finished(fields + rims - furrows * (1.0 - 0.75 * cover) - pits)


def _warp(tile: Tile, relief: PoreRelief, rng: np.random.Generator) -> list[np.ndarray]:
    """Smooth displacement (x, y), mm: bends borders and whole rows of cells out of the straight."""
    return [
        0.22 * relief.cell_mm * smooth_noise(tile, 3.0 * relief.cell_mm, rng)
        + 0.035 * relief.cell_mm * smooth_noise(tile, 0.45 * relief.cell_mm, rng)
        for _ in range(2)
    ]


def _moved(tile: Tile, warp: list[np.ndarray], points_mm: np.ndarray) -> np.ndarray:
    return points_mm + np.column_stack([sample(tile, field, points_mm) for field in warp])


def _furrows(tile, points_mm, net: Net, warp, relief: PoreRelief, rng) -> np.ndarray:
    """Depth of the furrow net, mm: primary where groups of cells meet, secondary between cells of a group."""
    groups = spread_points(tile, 2.1 * relief.cell_mm, rng, relief.stretch_ratio)
    _, group = cKDTree(groups % tile.size_mm, boxsize=tile.size_mm).query(points_mm % tile.size_mm)
    is_primary = group[net.cells[:, 0]] != group[net.cells[:, 1]]
    depth_mm = _border_depths(net, is_primary, relief, rng)
    along, wide = smooth_noise(tile, 0.9, rng), smooth_noise(tile, 1.2, rng)
    strokes = []
    for start, end, depth, primary in zip(net.start_mm, net.end_mm, depth_mm, is_primary, strict=True):
        count = max(4, math.ceil(np.linalg.norm(end - start) / 0.03))
        path = _moved(tile, warp, start + np.linspace(0.0, 1.0, count)[:, None] * (end - start))
        vary = np.clip(1.0 + 0.3 * sample(tile, along, path), 0.3, 1.7)
        width = np.clip((1.15 if primary else 0.9) * (1.0 + 0.2 * sample(tile, wide, path)), 0.8, 1.4)
        strokes.append(Stroke(path, depth * vary, width))
    # the three Gaussians together are furrow_width_mm wide at half depth
    unit = relief.furrow_width_mm / 4.5
    raw = draw(tile, strokes, ((0.38, unit), (0.32, 2.3 * unit), (0.3, 5.0 * unit)))
    limit = 1.9 * relief.furrow_mm[1]  # where furrows meet they get deeper, but not by their sum
    return limit * np.tanh(raw / limit)


def _border_depths(net: Net, is_primary: np.ndarray, relief: PoreRelief, rng) -> np.ndarray:
    """Depth of each border of the net, mm; some secondary ones nearly vanish, so fields are not all convex."""
    least, most = relief.furrow_mm
    chance = rng.random(len(is_primary))
    depth = np.where(is_primary, least + (most - least) * (0.55 + 0.45 * chance), least * (0.55 + 0.75 * chance))
    depth[~is_primary & (rng.random(len(chance)) < 0.28)] *= 0.25
    run = net.end_mm - net.start_mm
    doubled_cos = (run[:, 0] ** 2 - run[:, 1] ** 2) / np.maximum((run**2).sum(axis=1), 1e-12)
    return depth * (1.0 + 0.18 * doubled_cos)


def _fields(tile: Tile, relief: PoreRelief, rng) -> np.ndarray:
    """Relief of the fields between furrows, mm: uneven domes, faint third-order net, grain."""
    uneven = 0.0022 * band_noise(tile, 0.45, 1.1, rng)
    patchy = np.clip(0.5 + 0.5 * smooth_noise(tile, 0.8, rng), 0.0, 1.2)
    fine = cell_net(tile, spread_points(tile, 0.36 * relief.cell_mm, rng, relief.stretch_ratio))
    depth = relief.furrow_mm[0] * 0.45 * rng.random(len(fine.cells)) ** 1.5
    bend = [0.02 * smooth_noise(tile, 0.25, rng) for _ in range(2)]
    strokes = []
    for start, end, deep in zip(fine.start_mm, fine.end_mm, depth, strict=True):
        path = _moved(tile, bend, start + np.linspace(0.0, 1.0, 5)[:, None] * (end - start))
        strokes.append(Stroke(path, np.full(5, deep), np.ones(5)))
    third = draw(tile, strokes, ((0.7, 0.024), (0.3, 0.05))) * patchy
    return uneven - third + relief.grain_mm * band_noise(tile, 0.09, 0.3, rng)


def _pore_places(tile: Tile, net: Net, warp, relief: PoreRelief, rng) -> np.ndarray:
    """Centres of pores, (n, 2) mm: evenly spread, most of them moved to the nearest junction of the net."""
    count = round(relief.density_per_cm2 * tile.area_mm2 / 100.0)
    spacing_mm = math.sqrt(tile.area_mm2 / max(count, 1) / math.sqrt(0.75))
    wished = spread_points(tile, spacing_mm, rng)[:count] % tile.size_mm
    junctions = _moved(tile, warp, net.junctions_mm) % tile.size_mm
    distance, nearest = cKDTree(junctions, boxsize=tile.size_mm).query(wished)
    first = np.zeros(count, bool)
    first[np.unique(nearest, return_index=True)[1]] = True
    to_junction = first & (distance < 0.3 * spacing_mm) & (rng.random(count) < 0.88)
    return np.where(to_junction[:, None], junctions[nearest], wished)


def _pits(tile: Tile, centers_mm: np.ndarray, relief: PoreRelief, rng) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Depth of the pores, height of their rims (mm), and how much of each texel a pore covers (0..1)."""
    spared, uncovered = (np.ones((tile.count, tile.count)) for _ in range(2))
    rims = np.zeros((tile.count, tile.count))
    limit_mm = 1.2 * relief.pore_depth_mm[1]  # neighbouring pits join smoothly below this depth, without a sharp wall
    for center in centers_mm:
        size = rng.beta(1.6, 2.2)
        radius = 0.5 * (relief.pore_mm[0] + size * (relief.pore_mm[1] - relief.pore_mm[0]))
        mix = np.clip(0.65 * size + 0.35 * rng.random(), 0.0, 1.0)
        depth = relief.pore_depth_mm[0] + mix * (relief.pore_depth_mm[1] - relief.pore_depth_mm[0])
        index, dx, dy = window(tile, center, 3.2 * radius)
        far, around = _pore_shape(dx, dy, radius, rng)
        pit = np.exp(-(far**2.2) * math.log(2.0))  # half depth at the pore's radius
        uncovered[index] *= 1.0 - pit
        spared[index] *= 1.0 - depth / limit_mm * pit
        broken = np.clip(0.5 + 0.8 * np.cos(around + rng.uniform(0, 2 * np.pi)) + 0.3 * rng.normal(), 0.0, 1.4)
        rims[index] += relief.rim_mm * size * broken * np.exp(-(((far - 1.75) / 0.5) ** 2))
    soft_mm = 0.5 * tile.texel_mm
    return blur(tile, limit_mm * (1.0 - spared), soft_mm), blur(tile, rims, soft_mm), 1.0 - uncovered


def _pore_shape(dx, dy, radius_mm: float, rng) -> tuple[np.ndarray, np.ndarray]:
    """Distance from a pore's centre in radii of its uneven, longish outline, and the angle around it."""
    turn, longer = rng.normal(0.0, 0.45), math.sqrt(rng.uniform(1.0, 1.55))
    along = (np.cos(turn) * dx - np.sin(turn) * dy) / longer
    across = (np.sin(turn) * dx + np.cos(turn) * dy) * longer
    around = np.arctan2(across, along)
    lobes = sum(0.5 * rng.normal(0.0, 0.13) * np.cos(k * around + rng.uniform(0, 2 * np.pi)) for k in (2, 3, 4))
    return np.hypot(along, across) / radius_mm / (1.0 + lobes), around
