"""Wrinkles: long creases along the lay that wander, branch and run out, with fine lines between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.patch.synthesise.net import NetSpec, furrow_strokes
from poredepth.patch.synthesise.parameters import OWN, Relief, check_texel, drawn, parameter, ranked_like
from poredepth.patch.synthesise.periodic import (
    FieldRows,
    Progress,
    Tile,
    band_noise,
    by_rows,
    make_tile,
    mixed_noise,
    sample_paths,
    smooth_noise,
    spread_points,
    swayed,
)
from poredepth.patch.synthesise.result import Pits, take_mean_off
from poredepth.patch.synthesise.strokes import CREASE, LineFamily, Stroke, StrokeRows, grow_lines, taper

UM = 1e-3

#: Length of a step along a crease, mm.
STEP_MM = 0.15
#: Share of a crease over which it runs out at each end.
_RUN_OUT = 0.3
#: Width of the swell of skin pushed up on both sides of a fold, in widths of the fold.
_SWELL_WIDTH = 3.4
#: Wavelengths of the uneven ground and of the grain, mm.
_UNEVEN_MM, _GRAIN_MM = (0.9, 2.2), (0.1, 0.4)


@dataclass(frozen=True)
class WrinkleRelief(Relief):
    """Parameters of ``wrinkles``, by default those of the forehead; a pair is (least, most).  See ``preset_table``."""

    kind = "wrinkles"

    spacing_mm: float = parameter(
        3.0, "mm", OWN, least=0.3, most=50.0, help="mean distance of creases, met on a way across them",
    )  # fmt: skip
    depth_um: tuple[float, float] = parameter(
        (50.0, 130.0), "um", "from memory: fine wrinkles 50 to 200 um deep",
        least=0.0, most=2000.0, help="depth of a crease where it is deepest, below the skin around",
    )  # fmt: skip
    width_um: float = parameter(550.0, "um", OWN, least=20.0, most=5000.0, help="width of a crease at half depth")
    longest_mm: float = parameter(22.0, "mm", OWN, least=1.0, most=200.0, help="length of the longest creases")
    wander_deg: float = parameter(
        9.0, "deg", OWN, least=0.0, most=40.0, help="how far creases wander off the lay (standard deviation)",
    )  # fmt: skip
    branches: float = parameter(
        2.2, "count", OWN, least=0.0, most=10.0, help="mean number of branches of a long crease"
    )
    swell_ratio: float = parameter(
        0.13, "ratio", OWN, least=0.0, most=0.5, help="height of the skin pushed up beside creases, in depths",
    )  # fmt: skip
    fine_um: float = parameter(
        14.0, "um", "from memory: secondary lines 5 to 40 um deep (Hashimoto 1974)",
        least=0.0, most=200.0, help="depth of the deepest fine lines between creases",
    )  # fmt: skip
    fine_cell_mm: float = parameter(
        0.7, "mm", "from memory: lines 0.3 to 1.0 mm apart",
        least=0.1, most=10.0, help="mean distance of neighbouring fields between fine lines",
    )  # fmt: skip
    fine_width_um: float = parameter(
        130.0, "um", OWN, least=10.0, most=2000.0, help="width of fine lines at half depth",
    )  # fmt: skip
    uneven_um: float = parameter(
        3.0, "um", OWN, least=0.0, most=100.0, help="Sq of the uneven ground, wavelengths 0.9 to 2.2 mm",
    )  # fmt: skip
    grain_um: float = parameter(
        0.8, "um", OWN, least=0.0, most=50.0, help="Sq of the grain, wavelengths 100 to 400 um",
    )  # fmt: skip


def wrinkles(size_mm: float, texel_mm: float, seed: int, relief: WrinkleRelief | None = None) -> np.ndarray:
    """Periodic branching creases, lay along +u.

    Returns
    -------
    float32 (rows, cols), mm, mean 0

    Raises
    ------
    PatchError : size_mm is no whole number of texels, texels too large for the creases
    """
    height_mm, _, _ = raw_wrinkles(make_tile(size_mm, texel_mm), seed, WrinkleRelief() if relief is None else relief)
    take_mean_off(height_mm)
    return height_mm


def raw_wrinkles(
    tile: Tile, seed: int, relief: WrinkleRelief, on_progress: Progress | None = None
) -> tuple[np.ndarray, Pits, float]:
    """Relief whose skin between creases is at 0 (but for the swell beside them), no pits, no coverage."""
    check_texel("wrinkles", tile.texel_mm, "width_um", relief.width_um)
    if relief.fine_um > 0:
        check_texel("wrinkles", tile.texel_mm, "fine_width_um", relief.fine_width_um)
    rng = np.random.default_rng(seed)
    spread = np.radians(relief.wander_deg)
    wander = mixed_noise(tile, ((0.8 * spread, 7.0), (0.6 * spread, 2.5)), rng)
    creases = _creases(tile, wander, relief, rng)
    crease_rows = StrokeRows(tile, creases, CREASE)
    swell_rows = StrokeRows(tile, [_swell(s, relief) for s in creases] if relief.swell_ratio > 0 else [], CREASE)
    fine_rows = StrokeRows(tile, _fine_lines(tile, relief, rng) if relief.fine_um > 0 else [])
    ground = [
        FieldRows(tile, UM * sq_um * band_noise(tile, *band, rng))
        for sq_um, band in ((relief.uneven_um, _UNEVEN_MM), (relief.grain_um, _GRAIN_MM))
        if sq_um > 0
    ]

    def rows(top: int, bottom: int) -> np.ndarray:
        out = swell_rows.rows(top, bottom) - crease_rows.rows(top, bottom) - fine_rows.rows(top, bottom)
        for noise in ground:
            out += noise.rows(top, bottom)
        return out

    return by_rows(tile, rows, on_progress), Pits(), 0.0


def _creases(tile: Tile, wander: np.ndarray, relief: WrinkleRelief, rng: np.random.Generator) -> list[Stroke]:
    """All creases and their branches; long creases are deeper and branch more."""
    shortest_mm = 0.3 * relief.longest_mm
    family = LineFamily(relief.spacing_mm, relief.longest_mm, shortest_mm, STEP_MM, relief.longest_mm, _RUN_OUT)
    seeds = rng.permutation(spread_points(tile, 0.3 * relief.spacing_mm, rng))
    paths = grow_lines(tile, wander, seeds, family, rng)
    sway = [mixed_noise(tile, ((0.16, 3.0), (0.02, 0.8)), rng) for _ in range(2)]
    wide = sample_paths(tile, smooth_noise(tile, 4.0, rng), paths)
    length_mm = np.array([len(path) * STEP_MM for path in paths])
    order = length_mm / relief.longest_mm + 0.4 * rng.random(len(paths))
    deepest = UM * ranked_like(drawn(relief.depth_um, len(paths), rng), order)
    strokes = []
    for path, wider, deep in zip(swayed(tile, sway, paths), wide, deepest, strict=True):
        strokes += _crease(path, wider, (relief, deep), rng)
    return strokes


def _crease(path: np.ndarray, wide: np.ndarray, asked, rng: np.random.Generator) -> list[Stroke]:
    """A crease, as deep as asked where it is deepest, and its branches."""
    relief, deepest_mm = asked
    at = np.linspace(0.0, 1.0, len(path))
    swing = 1.0 + 0.22 * np.sin(2.0 * np.pi * (rng.uniform(1.0, 3.0) * at + rng.random()))
    shape = swing * taper(len(path), _RUN_OUT)
    shape = shape / shape.max()
    vary = np.clip(0.8 + 0.25 * shape + 0.12 * wide, 0.6, 1.4)
    deepest_mm /= 1.0 - relief.swell_ratio  # the swell lifts the bottom by as much
    strokes = [Stroke(path, deepest_mm * shape, UM * relief.width_um * vary)]
    length_ratio = min(1.0, 1.4 * len(path) * STEP_MM / relief.longest_mm)
    for _ in range(rng.poisson(relief.branches * length_ratio)):
        strokes.append(_branch(path, deepest_mm * shape, UM * relief.width_um, rng))
    return strokes


def _branch(path: np.ndarray, depth_mm: np.ndarray, width_mm: float, rng: np.random.Generator) -> Stroke:
    """A side crease that leaves a crease at a small angle, bends back along it and runs out."""
    start = int(rng.uniform(0.2, 0.8) * (len(path) - 1))
    forward = 1 if rng.random() < 0.5 else -1
    step = (path[min(start + 1, len(path) - 1)] - path[max(start - 1, 0)]) * (0.5 * forward)
    count = max(8, int(rng.uniform(1.8, 5.0) / max(np.linalg.norm(step), 1e-6)))
    turn = rng.choice((-1.0, 1.0)) * np.radians(rng.uniform(22.0, 45.0)) * np.linspace(1.0, 0.1, count)
    turn += np.radians(7.0) * np.sin(np.linspace(0.0, rng.uniform(3.0, 8.0), count) + rng.uniform(0, 6.28))
    steps = np.column_stack(
        [np.cos(turn) * step[0] - np.sin(turn) * step[1], np.sin(turn) * step[0] + np.cos(turn) * step[1]]
    )
    at = np.linspace(0.0, 1.0, count)
    fade = (1.0 - at) ** 1.2 * np.minimum(1.0, 0.5 + 3.0 * at)
    depth = rng.uniform(0.4, 0.75) * depth_mm[start] * fade
    return Stroke(path[start] + np.cumsum(steps, axis=0) - steps[0], depth, np.full(count, 0.75 * width_mm))


def _swell(crease: Stroke, relief: WrinkleRelief) -> Stroke:
    """The broad swell around a crease, to be added."""
    return Stroke(crease.points_mm, relief.swell_ratio * crease.depth_mm, _SWELL_WIDTH * crease.width_mm)


def _fine_lines(tile: Tile, relief: WrinkleRelief, rng: np.random.Generator) -> list[Stroke]:
    """Net of fine furrows between the creases, its fields longer along the lay."""
    deep = UM * relief.fine_um
    width_mm = UM * relief.fine_width_um
    spec = NetSpec(relief.fine_cell_mm, 1.5, (0.6 * deep, deep), (0.2 * deep, 0.6 * deep), width_mm)
    return furrow_strokes(tile, spec, np.empty((0, 2)), rng)
