"""Furrows drawn as strokes: a path, with a depth and a width at each of its points.

A stroke is spread onto the grid as a chain of weights, and the chain is convolved with a kernel whose integral across
the path is the furrow's section.  So furrows are smooth, join smoothly, end softly and cross the borders of the tile
without any case of their own.  The section is a sum of Gaussians: a narrow one for the rounded bottom and wider ones
for the flanks that dome the skin between the furrows.  Own derivation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.patch.synthesise.periodic import Tile, blur, sample

#: Widths are mixed from these multiples of the section's own; a stroke between two is shared out between them.
_WIDTH_STEPS = (0.8, 1.0, 1.4)


@dataclass(frozen=True)
class Stroke:
    """``points_mm`` (n, 2); ``depth_mm`` (n,), + is a furrow; ``width_ratio`` (n,), 1 is the section's own width."""

    points_mm: np.ndarray
    depth_mm: np.ndarray
    width_ratio: np.ndarray


def draw(tile: Tile, strokes: list[Stroke], section: tuple[tuple[float, float], ...]) -> np.ndarray:
    """Depth of all strokes together, mm, + inward, (count, count) float64.

    ``section`` lists (share, sigma_mm) of the Gaussians; the shares' sum is the bottom's share of the stroke's depth.
    """
    chains = [np.zeros((tile.count, tile.count)) for _ in _WIDTH_STEPS]
    for stroke in strokes:
        _spread(tile, chains, stroke)
    depth = np.zeros((tile.count, tile.count))
    for chain, step in zip(chains, _WIDTH_STEPS, strict=True):
        for share, sigma_mm in section:
            # a line of unit weight per mm, blurred by sigma, is 1 / (sigma sqrt(2 pi)) deep
            depth += share * sigma_mm * step * np.sqrt(2.0 * np.pi) * blur(tile, chain, sigma_mm * step)
    return depth


def _spread(tile: Tile, chains: list[np.ndarray], stroke: Stroke) -> None:
    """Add a stroke's weight (depth times length, per area) to the chains of the two nearest widths."""
    reached_mm = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(stroke.points_mm, axis=0), axis=1)))
    count = max(2, int(np.ceil(reached_mm[-1] / (0.25 * tile.texel_mm))))
    at_mm = (np.arange(count) + 0.5) / count * reached_mm[-1]  # evenly along the path, or its depth would ripple
    points = np.column_stack([np.interp(at_mm, reached_mm, stroke.points_mm[:, axis]) for axis in (0, 1)])
    weight = np.interp(at_mm, reached_mm, stroke.depth_mm) * reached_mm[-1] / count / tile.texel_mm**2
    width_ratio = np.interp(at_mm, reached_mm, stroke.width_ratio)
    step = np.interp(width_ratio, _WIDTH_STEPS, np.arange(len(_WIDTH_STEPS)))
    for k, chain in enumerate(chains):
        share = np.maximum(0.0, 1.0 - np.abs(step - k)) * weight
        if share.any():
            _splat(tile, chain, points, share)


def _splat(tile: Tile, field: np.ndarray, points_mm: np.ndarray, weight: np.ndarray) -> None:
    """Add weights to the four texels around each point, bilinear, over the borders."""
    place = points_mm / tile.texel_mm - 0.5
    low = np.floor(place).astype(np.int64)
    part = place - low
    for dc in (0, 1):
        for dr in (0, 1):
            share = np.abs(1 - dc - part[:, 0]) * np.abs(1 - dr - part[:, 1])
            np.add.at(field, ((low[:, 1] + dr) % tile.count, (low[:, 0] + dc) % tile.count), share * weight)


@dataclass(frozen=True)
class LineFamily:
    """How a family of lines grows: distance between lines, longest and shortest length, length of a step, all mm."""

    spacing_mm: float
    longest_mm: float
    shortest_mm: float
    step_mm: float = 0.08


def grow_lines(
    tile: Tile, angle_rad: np.ndarray, seeds_mm: np.ndarray, family: LineFamily, rng: np.random.Generator
) -> list[np.ndarray]:
    """Grow evenly spaced lines along a field of angles; list of (n, 2) mm.

    From each seed a line is followed both ways until it comes closer than about half the spacing to a line grown
    before it, or is long enough (a random length).  After Jobard & Lefer 1997, evenly-spaced streamlines, with a grid
    of occupied cells in place of their list of points.
    """
    cell_count = max(8, round(tile.size_mm / (0.25 * family.spacing_mm)))
    taken = np.zeros((cell_count, cell_count), bool)
    kept = []
    for seed in seeds_mm:
        longest_mm = family.longest_mm * rng.uniform(0.35, 1.0)
        line = _grow_line(tile, angle_rad, seed, taken, (longest_mm, family.step_mm))
        if len(line) * family.step_mm < family.shortest_mm:
            continue
        kept.append(line)
        rows, cols = _cells(tile, line, cell_count)
        for dr in (-1, 0, 1):
            for dc in (-1, 0, 1):
                taken[(rows + dr) % cell_count, (cols + dc) % cell_count] = True
    return kept


def _cells(tile: Tile, points_mm: np.ndarray, cell_count: int) -> tuple[np.ndarray, np.ndarray]:
    index = np.floor(np.atleast_2d(points_mm) / tile.size_mm * cell_count).astype(np.int64) % cell_count
    return index[:, 1], index[:, 0]


def _grow_line(tile, angle_rad, seed, taken, lengths_mm) -> np.ndarray:
    """One line through a seed, both ways, stopping at taken cells."""
    longest_mm, step_mm = lengths_mm
    halves = []
    for sign in (1.0, -1.0):
        here, half = np.array(seed, float), []
        for _ in range(int(0.5 * longest_mm / step_mm)):
            rows, cols = _cells(tile, here, len(taken))
            if taken[rows[0], cols[0]]:
                break
            half.append(here)
            angle = float(sample(tile, angle_rad, here[None])[0])
            here = here + sign * step_mm * np.array([np.cos(angle), -np.sin(angle)])
        halves.append(half)
    return np.array(halves[1][:0:-1] + halves[0]).reshape(-1, 2)


def taper(count: int, share: float) -> np.ndarray:
    """1 along a path, falling smoothly to 0 over ``share`` of it at each end; (count,)."""
    at = np.minimum(np.linspace(0.0, 1.0, count), np.linspace(1.0, 0.0, count)) / max(share, 1e-9)
    rise = np.clip(at, 0.0, 1.0)
    return rise * rise * (3.0 - 2.0 * rise)
