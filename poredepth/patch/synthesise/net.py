"""The net of furrows between fields of skin, with pores at its junctions."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import spsolve
from scipy.spatial import cKDTree

from poredepth.compiled import one_blas_thread
from poredepth.patch.synthesise.parameters import drawn
from poredepth.patch.synthesise.periodic import (
    Net,
    Tile,
    cell_net,
    nearest_copy,
    sample,
    smooth_noise,
    spread_points,
)
from poredepth.patch.synthesise.strokes import Stroke

#: How strongly a junction is held where it was: moving one to a pore moves its neighbours less and less.
_HOLD = 0.08


@dataclass(frozen=True)
class NetSpec:
    """What a net is made of.

    ``cell_mm`` mean distance of neighbouring fields, ``stretch_ratio`` how much longer they are along x, depths (pairs,
    mm) of primary furrows (between groups of fields) and secondary ones (within a group), ``width_mm`` at half depth.
    """

    cell_mm: float
    stretch_ratio: float
    primary_mm: tuple[float, float]
    secondary_mm: tuple[float, float]
    width_mm: float


def furrow_strokes(tile: Tile, spec: NetSpec, pores_mm: np.ndarray, rng: np.random.Generator) -> list[Stroke]:
    """Furrows of a net whose junctions include the pores, as far as it has junctions near them."""
    points = spread_points(tile, spec.cell_mm, rng, spec.stretch_ratio)
    net = cell_net(tile, points)
    groups = spread_points(tile, 2.1 * spec.cell_mm, rng, spec.stretch_ratio)
    _, group = cKDTree(groups % tile.size_mm, boxsize=tile.size_mm).query(points % tile.size_mm)
    primary = group[net.cells[:, 0]] != group[net.cells[:, 1]]
    warp = _warp(tile, spec, rng)
    moved, held = _moves_to_pores(tile, net, warp, pores_mm, rng)
    primary |= held[net.ends].any(axis=1) & (rng.random(len(primary)) < 0.35)  # pores are where furrows are deep
    depth = _depths(net, primary, spec, rng)
    paths = _paths(tile, net, warp, moved, rng)
    along, wide = smooth_noise(tile, 0.9, rng), smooth_noise(tile, 1.2, rng)
    every = np.concatenate(paths)
    vary = np.clip(1.0 + 0.25 * sample(tile, along, every), 0.4, 1.6)
    width = spec.width_mm * np.clip(1.0 + 0.2 * sample(tile, wide, every), 0.7, 1.4)
    strokes, at = [], 0
    for path, deep, is_primary in zip(paths, depth, primary, strict=True):
        part = slice(at, at + len(path))
        strokes.append(Stroke(path, deep * vary[part], (1.1 if is_primary else 0.85) * width[part]))
        at += len(path)
    return strokes


def _depths(net: Net, primary: np.ndarray, spec: NetSpec, rng: np.random.Generator) -> np.ndarray:
    """Depth of each border of the net, mm; a quarter of the secondary ones nearly vanish: not all fields are convex."""
    depth = np.empty(len(primary))
    depth[primary] = drawn(spec.primary_mm, int(primary.sum()), rng)
    depth[~primary] = drawn(spec.secondary_mm, int((~primary).sum()), rng)
    depth[~primary & (rng.random(len(depth)) < 0.25)] *= 0.25
    run = net.end_mm - net.start_mm
    doubled_cos = (run[:, 0] ** 2 - run[:, 1] ** 2) / np.maximum((run**2).sum(axis=1), 1e-12)
    return depth * (1.0 + 0.15 * doubled_cos)  # furrows along the lay are deeper than those across


def _warp(tile: Tile, spec: NetSpec, rng: np.random.Generator) -> list[np.ndarray]:
    """Smooth displacement (x, y), mm: bends borders and whole rows of fields out of the straight."""
    return [0.18 * spec.cell_mm * smooth_noise(tile, 3.0 * spec.cell_mm, rng) for _ in range(2)] + [
        0.028 * spec.cell_mm * smooth_noise(tile, 0.45 * spec.cell_mm, rng) for _ in range(2)
    ]


def _shift(tile: Tile, warp: list[np.ndarray], points_mm: np.ndarray) -> np.ndarray:
    broad_x, broad_y, fine_x, fine_y = (sample(tile, field, points_mm) for field in warp)
    return np.column_stack([broad_x + fine_x, broad_y + fine_y])


def _moves_to_pores(
    tile: Tile, net: Net, warp, pores_mm: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """How far each junction moves, (m, 2) mm, so that nearly every pore has one, and which are at a pore, (m,).

    The rest of the net gives way smoothly.
    """
    count, size = len(net.junctions_mm), tile.size_mm
    moved, at_pore = np.zeros((count, 2)), np.zeros(count, bool)
    if len(pores_mm) == 0:
        return moved, at_pore
    at = net.junctions_mm + _shift(tile, warp, net.junctions_mm)
    farthest_mm = 0.6 * math.sqrt(tile.area_mm2 / (0.5 * count))  # beyond, the net would fold; such a pore lies alone
    held = _junctions_of_pores(net, at, pores_mm, (size, farthest_mm), rng)
    taken = np.array(list(held), np.int64)
    at_pore[taken] = True
    moved[taken] = nearest_copy(pores_mm[list(held.values())] - at[taken], size)
    first, second = net.ends.T
    ones = np.ones(len(first))
    graph = sparse.coo_matrix((ones, (first, second)), (count, count)).tocsr()
    graph = graph + graph.T
    pull = sparse.diags(np.asarray(graph.sum(axis=1)).ravel() + _HOLD) - graph
    free = np.setdiff1d(np.arange(count), taken)
    if len(free):
        with one_blas_thread():
            moved[free] = spsolve(pull[free][:, free].tocsc(), -pull[free][:, taken] @ moved[taken])
    return moved, at_pore


def _junctions_of_pores(net: Net, at_mm: np.ndarray, pores_mm, sizes_mm, rng) -> dict[int, int]:
    """Junction -> pore: the nearest one that is free, the closest pairs first.

    Often a neighbour of it joins it there, so that four and more furrows meet in a pore.
    """
    size_mm, farthest_mm = sizes_mm
    near = min(8, len(at_mm))
    distance, junction = cKDTree(at_mm % size_mm, boxsize=size_mm).query(pores_mm % size_mm, k=near)
    held: dict[int, int] = {}
    done = np.zeros(len(pores_mm), bool)
    for flat in np.argsort(distance, axis=None, kind="stable"):
        pore, rank = divmod(int(flat), near)
        if distance[pore, rank] > farthest_mm:
            break
        if not done[pore] and int(junction[pore, rank]) not in held:
            held[int(junction[pore, rank])] = pore
            done[pore] = True
    length = np.linalg.norm(net.end_mm - net.start_mm, axis=1)
    neighbours: dict[int, list[tuple[float, int]]] = {}
    for (a, b), long in zip(net.ends.tolist(), length.tolist(), strict=True):
        neighbours.setdefault(a, []).append((long, b))
        neighbours.setdefault(b, []).append((long, a))
    for junction_of_pore, pore in list(held.items()):
        free = sorted((long, other) for long, other in neighbours.get(junction_of_pore, []) if other not in held)
        if free and free[0][0] < 0.5 * farthest_mm and rng.random() < 0.7:
            held[free[0][1]] = pore
    return held


def _paths(tile: Tile, net: Net, warp, moved_mm: np.ndarray, rng: np.random.Generator) -> list[np.ndarray]:
    """Path of each border, (n, 2) mm: from junction to junction, bent by the warp and a bow of its own."""
    run = net.end_mm - net.start_mm
    counts = np.maximum(4, np.ceil(np.linalg.norm(run, axis=1) / 0.04).astype(int))
    border = np.repeat(np.arange(len(run)), counts)
    part = np.concatenate([np.linspace(0.0, 1.0, n) for n in counts])[:, None]
    plain = net.start_mm[border] + part * run[border]
    bow = rng.normal(0.0, 0.07, len(run))[border, None] * np.sin(math.pi * part)
    sideways = np.column_stack([-run[:, 1], run[:, 0]])[border]
    start, end = moved_mm[net.ends[:, 0]][border], moved_mm[net.ends[:, 1]][border]
    path = plain + _shift(tile, warp, plain) + (1.0 - part) * start + part * end + bow * sideways
    return np.split(path, np.cumsum(counts)[:-1])
