"""Pits: where they lie, how large and deep each is, their outlines; closed forms of their coverage and mean."""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from poredepth.errors import PatchError
from poredepth.patch.synthesise.kernels import SUB, sink_rows
from poredepth.patch.synthesise.parameters import drawn, ranked_like
from poredepth.patch.synthesise.periodic import Tile, blue_noise, nearest_copy
from poredepth.patch.synthesise.result import Pits

#: Profile -> exponent and power of depth * (1 - far**exponent)**power, far 1 at the outline.
PROFILES = {"rounded": (2.0, 2.0), "paraboloid": (2.0, 1.0)}
#: Points of area 1 whose least distance blue_noise can be sure of, times that distance squared.
_SURE_PACKING = 0.5
#: How often places are drawn anew before so many pits are said not to fit.
_TRIES = 4


def profile_mean(profile: str) -> float:
    """Mean depth of a pit over its opening, as a share of its depth: 1/2 for a paraboloid, 1/3 for a rounded one.

    The mean of (1 - far**e)**p over a disc: 1 - 2/(e + 2) for p = 1, 1 - 4/(e + 2) + 1/(e + 1) for p = 2.  It holds for
    any outline, because a pit's levels are the outline drawn smaller about its middle.
    """
    exponent, power = PROFILES[profile]
    return 1.0 - 2.0 / (exponent + 2.0) if power == 1 else 1.0 - 4.0 / (exponent + 2.0) + 1.0 / (exponent + 1.0)


@dataclass(frozen=True)
class PitSpec:
    """What pits are asked for: as the fields of ``PoreRelief`` of the same names."""

    density_per_cm2: float
    diameter_um: tuple[float, float]
    depth_um: tuple[float, float]
    elongation_ratio: tuple[float, float]
    outline_ratio: float
    profile: str
    rim_um: float


def draw_pits(tile: Tile, spec: PitSpec, rng: np.random.Generator) -> tuple[Pits, np.ndarray]:
    """Exactly round(density * area) pits that do not overlap, and their outlines (n, 11), in mm.

    Raises
    ------
    PatchError : so many pits as large do not fit
    """
    count = round(spec.density_per_cm2 * tile.area_mm2 / 100.0)
    if count == 0:
        return Pits(), np.empty((0, 11))
    diameter = drawn(spec.diameter_um, count, rng)
    # larger pores are deeper, by and large
    rank = np.argsort(np.argsort(diameter, kind="stable"), kind="stable") / count
    depth = ranked_like(drawn(spec.depth_um, count, rng), rank + 0.35 * rng.random(count))
    shapes, reach_mm = _shapes(diameter, spec, rng)
    for _ in range(_TRIES):
        if count * (2.0 * reach_mm.min()) ** 2 > tile.area_mm2:
            break
        places = blue_noise(tile, count, rng) % tile.size_mm
        chosen = _places_for(tile, places, reach_mm, rng)
        if chosen is not None:
            middles = places[chosen]
            return Pits(middles, diameter, depth, _least_distance(tile, middles)), shapes
    longest_mm = spec.diameter_um[1] / 1000.0 * math.sqrt(spec.elongation_ratio[1]) * (1.0 + spec.outline_ratio)
    raise PatchError(
        f"synthesis of pores: density_per_cm2 is {spec.density_per_cm2:g}; so many would overlap; of pits up to "
        f"{1000 * longest_mm:.0f} um long (diameter_um {spec.diameter_um[1]:g}, drawn out, uneven) "
        f"{math.floor(100 * _SURE_PACKING / longest_mm**2)} surely fit; make the density or the diameter smaller"
    )


def _least_distance(tile: Tile, middles_mm: np.ndarray) -> float:
    """Between two middles over the borders, mm; nan below two."""
    if len(middles_mm) < 2:
        return math.nan
    return float(cKDTree(middles_mm, boxsize=tile.size_mm).query(middles_mm, k=2)[0][:, 1].min())


def _places_for(tile: Tile, places_mm: np.ndarray, reach_mm: np.ndarray, rng: np.random.Generator) -> np.ndarray | None:
    """For each pit the index of a random place where it overlaps no other, the largest pits first; None: not found."""
    order, smallest = np.argsort(-reach_mm, kind="stable"), float(reach_mm.min())
    tree = cKDTree(places_mm, boxsize=tile.size_mm)
    pairs = tree.query_pairs(min(2.0 * float(reach_mm.max()), 0.499 * tile.size_mm), output_type="ndarray")
    apart = np.linalg.norm(nearest_copy(places_mm[pairs[:, 0]] - places_mm[pairs[:, 1]], tile.size_mm), axis=1)
    room = np.full(len(places_mm), np.inf)  # what is left for a pit at each place
    near: dict[int, list[tuple[int, float]]] = {}
    for (a, b), gap in zip(pairs.tolist(), apart.tolist(), strict=True):
        near.setdefault(a, []).append((b, gap))
        near.setdefault(b, []).append((a, gap))
        room[a], room[b] = min(room[a], gap - smallest), min(room[b], gap - smallest)
    free = rng.permutation(len(places_mm)).tolist()
    chosen = np.empty(len(places_mm), np.int64)
    for pit in order.tolist():
        at = next((k for k, place in enumerate(free) if room[place] >= reach_mm[pit]), None)
        if at is None:
            return None
        chosen[pit] = free.pop(at)
        for other, gap in near.get(int(chosen[pit]), []):
            room[other] = min(room[other], gap - reach_mm[pit])
    return chosen


class PitRows:
    """Depth of pits, their rims and what they leave of furrows, read at the texels of any rows."""

    def __init__(self, tile: Tile, spec: PitSpec, rng: np.random.Generator):
        self._tile = tile
        self.pits, self._shapes = draw_pits(tile, spec, rng)
        self._shapes[:, :2] /= tile.texel_mm
        self._profile = PROFILES[spec.profile]
        self._rims = _rims(self.pits, spec, rng)
        self._inside = 0
        self._lock = threading.Lock()

    @property
    def coverage_ratio(self) -> float:
        """Share of the tile inside openings, by the samples drawn so far."""
        return self._inside / SUB**2 / self._tile.count**2

    def rows(self, top: int, bottom: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Depth and rim, mm, and 0..1 what is left of furrows: float32 (bottom - top, count) each."""
        pit, rim, spare = (np.empty((bottom - top, self._tile.count), np.float32) for _ in range(3))
        middles, depth = self.pits.middle_mm / self._tile.texel_mm, self.pits.depth_um / 1000.0
        shapes = (middles, self._shapes, depth, self._rims, *self._profile)
        inside = sink_rows(top, self._tile.count, *shapes, pit, rim, spare)
        with self._lock:
            self._inside += inside
        return pit, rim, spare


def _shapes(diameter_um: np.ndarray, spec: PitSpec, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Outlines, (n, 11), as ``sink_rows`` takes them but in mm, and how far from their middles they reach at most, mm.

    Longish ellipses, turned a little off the lay, with three lobes.

    The lobes' amplitudes sum to ``outline_ratio`` at most; the scale makes the area that of the ellipse: with waves of
    amplitude a_k around a circle it is larger by 1 + sum(a_k**2) / 2.
    """
    n = len(diameter_um)
    longer = np.sqrt(drawn(spec.elongation_ratio, n, rng))
    radius = 0.5 * diameter_um / 1000.0
    turn = rng.normal(0.0, 0.35, n) if spec.elongation_ratio[1] > 1.0 else np.zeros(n)
    share = rng.dirichlet((2.0, 2.0, 1.0), n)
    amplitude = spec.outline_ratio * share * rng.uniform(0.6, 1.0, n)[:, None]
    phase = rng.uniform(0.0, 2.0 * np.pi, (n, 3))
    scale = 1.0 / np.sqrt(1.0 + 0.5 * (amplitude**2).sum(axis=1))
    lobes = np.stack([amplitude * np.cos(phase), amplitude * np.sin(phase)], axis=2).reshape(n, 6)
    shapes = np.column_stack([radius * longer, radius / longer, np.cos(turn), np.sin(turn), scale, lobes])
    return shapes, radius * longer * scale * (1.0 + amplitude.sum(axis=1))


def _rims(pits: Pits, spec: PitSpec, rng: np.random.Generator) -> np.ndarray:
    """Rims, (n, 5), as ``sink_rows`` takes them: broken, higher on one side; of a large pit up to ``rim_um`` high."""
    n = len(pits)
    size = pits.diameter_um / max(float(pits.diameter_um.max()), 1e-9) if n else np.empty(0)
    one, two = rng.uniform(0.0, 2.0 * np.pi, (2, n))
    first, second = rng.uniform(0.4, 0.8, n), rng.uniform(0.1, 0.5, n)
    height = spec.rim_um / 1000.0 * size
    waves = (first * np.cos(one), first * np.sin(one), second * np.cos(two), second * np.sin(two))
    return np.column_stack([height, *waves])
