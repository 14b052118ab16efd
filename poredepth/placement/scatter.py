"""Scatter: many small sheets of a patch, laid along the field, that cover a region without a hole."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from poredepth.errors import PlacementError
from poredepth.patch.types import HeightPatch
from poredepth.placement import kernels
from poredepth.placement.centres import blue_noise, thin_out
from poredepth.placement.matching import SheetRows, likeness, matched_pieces, random_pieces, row_pairs
from poredepth.placement.prints import LATTICE, Prints, sharpness_for
from poredepth.surface.directions import DirectionField
from poredepth.surface.geodesic import triangles_around
from poredepth.surface.skin import Surface

#: Distance of centres over the diameter of a print: maximal blue noise leaves no point farther than one spacing from a
#: centre, so at 0.45 every point lies within 0.9 radius of one.
SPACING_RATIO = 0.45

#: Edges of the mesh over the diameter of a print, at most (trial figure of the design).
EDGE_RATIO = 1 / 3

#: Reach of a sheet along mesh edges over its radius; paths along edges are up to 15 % longer than straight ones.
REACH_RATIO = 1.25

#: Every lattice point of a covered triangle has a print of at least this weight.  Points between are at most
#: 1 / sqrt(3) of a lattice step away, a step is a quarter of an edge, an edge at most a third of a print and stretched
#: by at most 1.25: a weight of slope 1 / radius falls by less than 0.12 on the way.
COVERED_WEIGHT = 0.12

#: A print is cut off where its sheet is stretched beyond this, and others are laid there.
ALLOWED_STRETCH = (0.8, 1.25)

MAX_FILL_ROUNDS = 40


@dataclass(frozen=True)
class ScatterSpec:
    """How a patch is scattered.

    Attributes
    ----------
    print_mm : diameter of a print on the skin, mm
    overlap_mm : width over which two prints cross-fade, mm
    turn_deg : largest random turn off the field, degrees
    along_ratio, across_ratio : the patch is drawn out by this much along and across the field
    matched : pieces are chosen to go on where their neighbours end; else at random
    seed, name : the draw depends on both, so a layer does not change when others come or go
    """

    print_mm: float
    overlap_mm: float
    turn_deg: float = 0.0
    along_ratio: float = 1.0
    across_ratio: float = 1.0
    matched: bool = True
    seed: int = 0
    name: str = ""

    def rng(self) -> np.random.Generator:
        return np.random.default_rng([self.seed, zlib.crc32(self.name.encode())])


def scatter(
    surface: Surface,
    field: DirectionField,
    triangles: np.ndarray,
    patches: Sequence[HeightPatch],
    spec: ScatterSpec,
    *,
    share: Sequence[float] | None = None,
    size_at: Callable[[np.ndarray, np.ndarray], np.ndarray] | None = None,
) -> Prints:
    """Cover the given triangles with prints of one patch or several.

    Parameters
    ----------
    surface : the skin, edges no longer than about ``EDGE_RATIO * print_mm`` (see `surface.skin.refined`)
    field : line direction of each triangle
    triangles : bool (n_triangles,), what must be covered
    patches : each laid so that its lay follows the field
    share : how often each patch is drawn, (n_patches,); default: all alike
    size_at : size of the relief on the skin, 1 is true to the patch, at skin points (triangle (n,), barycentric
        (n, 3)); a print has the size of its centre

    Raises
    ------
    PlacementError : a spot of the region cannot be covered
    """
    rng = spec.rng()
    where = np.flatnonzero(triangles & (surface.area_mm2 > 0))
    if len(where) == 0:
        return _empty(surface, spec)
    centre, barycentric = blue_noise(surface, where, SPACING_RATIO * spec.print_mm, rng)
    sheets = _Sheets(surface, field, spec)
    sheets.lay(centre, barycentric)
    _fill_holes(sheets, where, spec)
    centre, barycentric = np.concatenate(sheets.centre_triangle), np.concatenate(sheets.centre_barycentric)
    size = np.ones(len(centre)) if size_at is None else np.asarray(size_at(centre, barycentric), float)
    shrink = 1.0 / (size[:, None] * [spec.along_ratio, spec.across_ratio])  # mm of skin to mm of patch
    rows = sheets.rows()
    rows = replace(rows, uv_mm=rows.uv_mm * shrink[rows.print_id][:, None])
    pairs = row_pairs(rows.start)
    sharpness = sharpness_for(spec.print_mm, spec.overlap_mm)
    share = np.ones(len(patches)) if share is None else share
    pieces = random_pieces(sheets.n_prints, patches, share, spec.turn_deg, rng)
    if spec.matched:
        in_patch_mm = spec.print_mm * float(np.sqrt(np.median(shrink.prod(axis=1))))
        pieces = matched_pieces(rows, pairs, patches, pieces, sharpness, in_patch_mm, rng)
    return Prints(
        start=rows.start,
        print_id=rows.print_id,
        picture=pieces.picture[rows.print_id],
        corner_mm=pieces.place(rows.uv_mm, rows.print_id).astype(np.float32),
        corner_weight=rows.weight.astype(np.float32),
        zoom=shrink.max(axis=1)[rows.print_id].astype(np.float32),
        sharpness=sharpness,
        pair_start=pairs.start,
        likeness=likeness(rows, pairs, patches, pieces, sharpness),
        centre_triangle=centre,
        centre_barycentric=barycentric,
    )


class _Sheets:
    """The sheets laid so far; more can be added."""

    def __init__(self, surface: Surface, field: DirectionField, spec: ScatterSpec):
        self.surface, self.field, self.spec = surface, field, spec
        self.centre_triangle: list[np.ndarray] = []
        self.centre_barycentric: list[np.ndarray] = []
        self.parts: list[tuple[np.ndarray, ...]] = []
        self._around = triangles_around(surface)
        self._angle = field.angle_rad

    @property
    def n_prints(self) -> int:
        return sum(len(c) for c in self.centre_triangle)

    def lay(self, centre: np.ndarray, barycentric: np.ndarray) -> None:
        first = self.n_prints
        halves = [half for half in np.array_split(np.arange(len(centre)), 2) if len(half)]
        with ThreadPoolExecutor(2) as pool:
            self.parts.extend(pool.map(lambda h: self._lay_some(centre[h], barycentric[h], first + h[0]), halves))
        self.centre_triangle.append(centre.astype(np.int32))
        self.centre_barycentric.append(barycentric)

    def _lay_some(self, centre: np.ndarray, barycentric: np.ndarray, first: int) -> tuple[np.ndarray, ...]:
        surface, adjacency = self.surface, self.surface.adjacency
        radius_mm = np.full(len(centre), 0.5 * self.spec.print_mm)
        per_print = np.pi * radius_mm[0] ** 2 / max(np.median(surface.area_mm2), 1e-9)
        per_print = min(per_print, surface.n_triangles)
        room = int(len(centre) * (2.0 * per_print + 40))
        while True:
            rows = np.empty(room, np.int32), np.empty(room, np.int32), np.empty((room, 3, 2)), np.empty((room, 3))
            used = kernels.lay_sheets(
                centre.astype(np.int64),
                barycentric,
                radius_mm,
                REACH_RATIO,
                surface.tri_vertex,
                surface.flat_mm,
                adjacency.triangle,
                self._angle,
                self.field.turn,
                *self._around,
                *ALLOWED_STRETCH,
                *rows,
                first,
            )
            if used >= 0:
                return tuple(column[:used].copy() for column in rows)
            room *= 2

    def rows(self) -> SheetRows:
        triangle, print_id, uv_mm, weight = (np.concatenate(column) for column in zip(*self.parts, strict=True))
        order = np.lexsort((print_id, triangle))
        start = np.zeros(self.surface.n_triangles + 1, np.int64)
        np.cumsum(np.bincount(triangle, minlength=self.surface.n_triangles), out=start[1:])
        return SheetRows(start, print_id[order], uv_mm[order], weight[order])


def _fill_holes(sheets: _Sheets, where: np.ndarray, spec: ScatterSpec) -> None:
    """Lay further prints on spots that no print covers, until none is left.

    A print centred on a spot has weight 1 there, so each round covers at least the spots it lays on.
    """
    for _ in range(MAX_FILL_ROUNDS):
        triangle, barycentric = uncovered(sheets.rows(), sheets.surface, where)
        if len(triangle) == 0:
            return
        keep = thin_out(sheets.surface, triangle, barycentric, 0.5 * SPACING_RATIO * spec.print_mm)
        sheets.lay(triangle[keep], barycentric[keep])
    at_mm = sheets.surface.points_mm(triangle[:1], barycentric[:1])[0]
    at = ", ".join(f"{x:.2f}" for x in at_mm / sheets.surface.mm_per_unit)
    raise PlacementError(
        f"layer '{spec.name}': {len(triangle)} spots of the region stay without a print, the first at [{at}] in mesh "
        f"units; allowed: prints that fit the skin; try a smaller print_mm than {spec.print_mm:g}"
    )


def uncovered(rows, surface: Surface, where: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Lattice points of the triangles ``where`` at which no print has ``COVERED_WEIGHT``; worst first in a triangle.

    Returns
    -------
    triangle int32 (n,), barycentric float64 (n, 3): at most one point per triangle
    """
    count = np.diff(rows.start)
    best = np.full((surface.n_triangles, len(LATTICE)), -1.0)
    filled = np.flatnonzero(count)
    if len(filled):
        at_lattice = rows.weight @ LATTICE.T
        best[filled] = np.maximum.reduceat(at_lattice, rows.start[:-1][filled], axis=0)
    lacking = where[(best[where] < COVERED_WEIGHT).any(axis=1)]
    worst = np.argmin(best[lacking], axis=1)
    # a corner of the lattice is moved a little inside, so that the centre lies in this triangle
    barycentric = 0.94 * LATTICE[worst] + 0.02
    return lacking.astype(np.int32), barycentric


def _empty(surface: Surface, spec: ScatterSpec) -> Prints:
    return Prints(
        start=np.zeros(surface.n_triangles + 1, np.int64),
        print_id=np.empty(0, np.int32),
        picture=np.empty(0, np.int32),
        corner_mm=np.empty((0, 3, 2), np.float32),
        corner_weight=np.empty((0, 3), np.float32),
        zoom=np.empty(0, np.float32),
        sharpness=sharpness_for(spec.print_mm, spec.overlap_mm),
        pair_start=np.zeros(surface.n_triangles + 1, np.int64),
        likeness=np.empty(0, np.float32),
    )
