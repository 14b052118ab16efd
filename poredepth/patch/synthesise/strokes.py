"""Furrows drawn as strokes: a path, with a depth and a width at each of its points.

A texel's depth is that of the section at its distance from the path, so a furrow is exactly as deep and as wide as its
stroke says.  The section is a sum of Gaussians: narrow ones for the bottom and its walls, a broad one for the flanks
that dome the skin between furrows.  Where strokes meet, the narrow parts are joined by a smooth deepest-of, the broad
ones by the root of the sum of squares, so that fields between furrows have no ridges.  Own derivation.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from poredepth.patch.synthesise.kernels import carve_rows, grow_line, mark_near
from poredepth.patch.synthesise.periodic import FieldRows, Tile, by_rows, grid_count

#: (share, sigma) of the Gaussians of a section; the last is the broad part, the shares sum to 1.
FURROW = ((0.38, 1.0), (0.32, 2.3), (0.30, 5.0))
CREASE = ((0.40, 1.0), (0.35, 2.2), (0.25, 4.0))
HAIRLINE = ((0.70, 1.0), (0.30, 2.1))

_STEPS = 512


@dataclass(frozen=True)
class Stroke:
    """``points_mm`` (n, 2); ``depth_mm`` (n,), + is a furrow; ``width_mm`` (n,), at half depth."""

    points_mm: np.ndarray
    depth_mm: np.ndarray
    width_mm: np.ndarray


@dataclass(frozen=True)
class Part:
    """Part of a section: ``table`` at even steps of the square of the distance, 0 at the end; where that is (``reach``)
    and its narrowest Gaussian (``finest_sigma``), in half widths."""

    table: np.ndarray
    reach: float
    finest_sigma: float


def section(parts: tuple[tuple[float, float], ...]) -> tuple[Part, Part]:
    """Narrow and broad part of a section.

    Together they are 1 in the middle and 0.5 at one half width; each runs out to 0 smoothly at three times its widest
    sigma.
    """

    def part(distance, chosen):
        end = 3.0 * chosen[-1][1]
        fade = np.clip(1.0 - (distance / end) ** 2, 0.0, 1.0) ** 2
        return fade * sum(share * np.exp(-0.5 * (distance / sigma) ** 2) for share, sigma in chosen)

    half = brentq(lambda x: float(part(x, parts[:-1]) + part(x, parts[-1:])) - 0.5, 0.0, 3.0 * parts[-1][1])
    halves = []
    for chosen in (parts[:-1], parts[-1:]):
        end = 3.0 * chosen[-1][1]
        table = part(end * np.sqrt(np.linspace(0.0, 1.0, _STEPS + 1)), chosen)
        halves.append(Part(table, end / half, chosen[0][1] / half))
    return halves[0], halves[1]


class StrokeRows:
    """Depth of strokes together, read at the texels of any rows.

    What is smooth enough for it is worked out once, on a coarser grid: the broad part, and the narrow part of wide
    strokes.
    """

    def __init__(self, tile: Tile, strokes: list[Stroke], parts: tuple[tuple[float, float], ...] = FURROW):
        self._tile, self._empty = tile, not strokes
        if self._empty:
            return
        self._first = np.concatenate([[0], np.cumsum([len(s.points_mm) for s in strokes])]).astype(np.int64)
        starts = [np.floor(s.points_mm[:1] / tile.size_mm) * tile.size_mm for s in strokes]
        self._points_mm = np.concatenate([s.points_mm - start for s, start in zip(strokes, starts, strict=True)])
        self._depth_mm = np.concatenate([s.depth_mm for s in strokes])
        self._width_mm = np.concatenate([s.width_mm for s in strokes])
        narrow, broad = section(parts)
        half_mm = 0.5 * float(self._width_mm.min())
        # a Gaussian of standard deviation sigma has no waves left (1e-5) that a grid of 0.6 sigma does not carry; the
        # narrow part turns sharply where strokes meet, which takes a finer one
        grids = (half_mm * narrow.finest_sigma * 0.25, half_mm * broad.finest_sigma * 0.6)
        self._rows = [self._reader(*both) for both in zip((narrow, broad), grids, (True, False), strict=True)]

    def rows(self, top: int, bottom: int) -> np.ndarray:
        """float32 (bottom - top, count), mm, + is deep."""
        if self._empty:
            return np.zeros((bottom - top, self._tile.count), np.float32)
        return self._rows[0](top, bottom) + self._rows[1](top, bottom)

    def _reader(self, part: Part, pitch_mm: float, cubed: bool) -> Callable[[int, int], np.ndarray]:
        """What makes rows of one part of the section."""
        if pitch_mm <= self._tile.texel_mm and cubed:
            return lambda top, bottom: self._carved(self._tile, top, bottom, part, cubed)
        count = grid_count(self._tile.size_mm, 2.0 * pitch_mm)
        grid = Tile(count, self._tile.size_mm / count)
        return FieldRows(
            self._tile, by_rows(grid, lambda top, bottom: self._carved(grid, top, bottom, part, cubed))
        ).rows

    def _carved(self, grid: Tile, top: int, bottom: int, part: Part, cubed: bool) -> np.ndarray:
        shape = (bottom - top, grid.count)
        values = np.column_stack([self._depth_mm, 0.5 * self._width_mm / grid.texel_mm])
        out, best, owner = np.empty(shape), np.empty(shape), np.empty(shape, np.int32)
        points = self._points_mm / grid.texel_mm
        carve_rows(top, grid.count, self._first, points, values, part.table, part.reach, cubed, best, owner, out)
        return out.astype(np.float32)


@dataclass(frozen=True)
class LineFamily:
    """How a family of lines grows, mm: mean distance between lines met on a way across, longest and shortest length,
    length of a step; and over how much of its length each runs out at both ends: mm and share, the smaller counts."""

    spacing_mm: float
    longest_mm: float
    shortest_mm: float
    step_mm: float = 0.08
    run_out_mm: float = 0.3
    run_out_ratio: float = 0.15

    def run_out(self, length_mm: float) -> float:
        """Share of a line over which it runs out at each end."""
        return min(self.run_out_mm / length_mm, self.run_out_ratio)


def grow_lines(
    tile: Tile, angle_rad: np.ndarray, seeds_mm: np.ndarray, family: LineFamily, rng: np.random.Generator
) -> list[np.ndarray]:
    """Grow evenly spaced lines along a field of angles; list of (n, 2) mm.

    From each seed a line is followed both ways until it comes too close to one grown before it, or is long enough (a
    random length).  After Jobard & Lefer 1997, evenly-spaced streamlines, with a grid of marked cells in place of their
    list of points.  Lines are added until their length is that of lines ``spacing_mm`` apart, area / spacing: first at
    0.75 of the spacing from each other, at which random parallel lines jam at about the spacing, then nearer.
    """
    cell_count = max(16, round(tile.size_mm / (0.1 * family.spacing_mm)))
    cell_mm = tile.size_mm / cell_count
    wanted_mm = tile.area_mm2 / family.spacing_mm
    longest_mm = min(family.longest_mm, 0.9 * tile.size_mm)
    shortest_mm = min(family.shortest_mm, 0.5 * longest_mm)
    buffer = np.empty((2 * math.ceil(0.5 * longest_mm / family.step_mm) + 3, 2))
    kept, reached_mm = [], 0.0
    for apart in (0.75, 0.65, 0.55, 0.45, 0.35, 0.25):
        taken = np.zeros((cell_count, cell_count), bool)
        for line in kept:
            mark_near(line / cell_mm, cell_count, 10.0 * apart, taken)
        for seed in seeds_mm:
            half = int(0.5 * longest_mm * rng.uniform(0.35, 1.0) / family.step_mm)
            at = seed / cell_mm
            n = grow_line(*at, angle_rad, len(angle_rad) / cell_count, taken, half, family.step_mm / cell_mm, buffer)
            length_mm = (n - 1) * family.step_mm
            if n < 2 or length_mm < shortest_mm:
                continue
            line = buffer[:n] * cell_mm
            kept.append(line)
            mark_near(line / cell_mm, cell_count, 10.0 * apart, taken)
            # on the outer half of its run-out a line is less than half as deep
            reached_mm += (1.0 - family.run_out(length_mm)) * length_mm
            if reached_mm >= wanted_mm:
                return kept
    return kept


def taper(count: int, share: float) -> np.ndarray:
    """1 along a path, falling smoothly to 0 over ``share`` of it at each end; (count,)."""
    at = np.minimum(np.linspace(0.0, 1.0, count), np.linspace(1.0, 0.0, count)) / max(share, 1e-9)
    rise = np.clip(at, 0.0, 1.0)
    return rise * rise * (3.0 - 2.0 * rise)
