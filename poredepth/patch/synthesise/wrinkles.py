"""Wrinkles: long creases along the lay that wander, branch and run out.

The ranges are advice, not measurement: fine wrinkles 50 to 200 um deep (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.patch.synthesise.periodic import (
    Tile,
    band_noise,
    finished,
    make_tile,
    sample,
    smooth_noise,
    spread_points,
)
from poredepth.patch.synthesise.strokes import LineFamily, Stroke, draw, grow_lines, taper

#: Length of a step along a crease.
STEP_MM = 0.15


@dataclass(frozen=True)
class WrinkleRelief:
    """Physical parameters of ``wrinkles``; pairs are (least, most).

    ``spacing_mm`` distance of creases; ``depth_mm``; ``width_mm`` at half depth; ``longest_mm``; ``spread_deg`` how far
    the creases wander off the lay; ``branches_per_crease`` of a long one; ``fine_mm`` depth of the fine lines between.
    """

    spacing_mm: float = 3.0
    depth_mm: tuple[float, float] = (0.06, 0.15)
    width_mm: float = 0.55
    longest_mm: float = 22.0
    spread_deg: float = 9.0
    branches_per_crease: float = 2.2
    fine_mm: float = 0.009


def wrinkles(size_mm: float, texel_mm: float, seed: int, relief: WrinkleRelief | None = None) -> np.ndarray:
    """Periodic branching creases, lay along +u.

    Returns
    -------
    float32 (rows, cols), mm, mean 0

    Raises
    ------
    PatchError : size_mm is no whole number of texels
    """
    relief = WrinkleRelief() if relief is None else relief
    tile, rng = make_tile(size_mm, texel_mm), np.random.default_rng(seed)
    wander = np.radians(relief.spread_deg) * (0.8 * smooth_noise(tile, 7.0, rng) + 0.6 * smooth_noise(tile, 2.5, rng))
    family = LineFamily(relief.spacing_mm, relief.longest_mm, 2.5, step_mm=STEP_MM)
    seeds = rng.permutation(spread_points(tile, 0.4 * relief.spacing_mm, rng))
    sway = [0.16 * smooth_noise(tile, 3.0, rng) + 0.02 * smooth_noise(tile, 0.8, rng) for _ in range(2)]
    creases = [_swayed(tile, sway, path) for path in grow_lines(tile, wander, seeds, family, rng)]
    wide = smooth_noise(tile, 4.0, rng)
    strokes = []
    for path in creases:
        strokes += _crease(tile, path, wide, relief, rng)
    unit = relief.width_mm / 5.0  # the three Gaussians together are width_mm wide at half depth
    raw = draw(tile, strokes, ((0.4, unit), (0.35, 2.2 * unit), (0.25, 4.0 * unit)))
    swell = draw(tile, strokes, ((0.16, 6.5 * unit),))  # skin pushed up on both sides of a fold
    limit = 1.5 * relief.depth_mm[1]
    fine = draw(tile, _fine_lines(tile, wander, relief, rng), ((0.6, 0.06), (0.4, 0.14)))
    uneven = 0.003 * band_noise(tile, 0.9, 2.2, rng)
    return finished(uneven + swell - fine - limit * np.tanh(raw / limit))


def _crease(tile: Tile, path: np.ndarray, wide: np.ndarray, relief: WrinkleRelief, rng) -> list[Stroke]:
    """A crease and its branches; long creases are deeper and branch more."""
    length_ratio = min(1.0, 1.4 * len(path) * STEP_MM / relief.longest_mm)
    least, most = relief.depth_mm
    deepest = least + (most - least) * (0.65 * length_ratio + 0.35 * rng.random())
    at = np.linspace(0.0, 1.0, len(path))
    swing = 1.0 + 0.22 * np.sin(2.0 * np.pi * (rng.uniform(1.0, 3.0) * at + rng.random()))
    depth = deepest * np.minimum(swing, 1.15) * taper(len(path), 0.36)
    width = np.clip(0.75 + 0.35 * depth / deepest + 0.15 * sample(tile, wide, path), 0.8, 1.4)
    strokes = [Stroke(path, depth, width)]
    for _ in range(rng.poisson(relief.branches_per_crease * length_ratio)):
        strokes.append(_branch(path, depth, rng))
    return strokes


def _branch(path: np.ndarray, depth_mm: np.ndarray, rng) -> Stroke:
    """A side crease that leaves a crease at a small angle, bends back along it and runs out."""
    start = int(rng.uniform(0.2, 0.8) * (len(path) - 1))
    forward = 1 if rng.random() < 0.5 else -1
    step = (path[min(start + 1, len(path) - 1)] - path[max(start - 1, 0)]) * (0.5 * forward)
    count = max(8, int(rng.uniform(1.8, 5.0) / max(np.linalg.norm(step), 1e-6)))
    turn = rng.choice((-1.0, 1.0)) * np.radians(rng.uniform(22.0, 45.0)) * np.linspace(1.0, 0.15, count)
    turn += np.radians(6.0) * np.sin(np.linspace(0.0, rng.uniform(3.0, 8.0), count) + rng.uniform(0, 6.28))
    steps = np.column_stack(
        [np.cos(turn) * step[0] - np.sin(turn) * step[1], np.sin(turn) * step[0] + np.cos(turn) * step[1]]
    )
    at = np.linspace(0.0, 1.0, count)
    fade = (1.0 - at) ** 1.2 * np.minimum(1.0, 0.35 + 3.0 * at)
    depth = rng.uniform(0.4, 0.75) * depth_mm[start] * fade
    return Stroke(path[start] + np.cumsum(steps, axis=0) - steps[0], depth, np.full(count, 0.85))


def _swayed(tile: Tile, sway: list[np.ndarray], path: np.ndarray) -> np.ndarray:
    return path + np.column_stack([sample(tile, field, path) for field in sway])


def _fine_lines(tile: Tile, wander: np.ndarray, relief: WrinkleRelief, rng) -> list[Stroke]:
    """Shallow short lines between the creases, along and across."""
    sway = [0.06 * smooth_noise(tile, 0.7, rng) for _ in range(2)]
    strokes = []
    for turn_deg, longest_mm, share in ((0.0, 6.0, 1.0), (62.0, 2.6, 0.35), (-70.0, 2.6, 0.35)):
        family = LineFamily(0.3 * relief.spacing_mm, longest_mm, 0.8, step_mm=0.12)
        seeds = spread_points(tile, 0.24 * relief.spacing_mm, rng)
        for path in grow_lines(tile, wander + np.radians(turn_deg), seeds, family, rng):
            depth = share * relief.fine_mm * rng.uniform(0.3, 1.0) * taper(len(path), 0.4)
            strokes.append(Stroke(_swayed(tile, sway, path), depth, np.ones(len(path))))
    return strokes
