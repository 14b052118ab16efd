"""Maps as a renderer uses them: the mesh is displaced by the files, and the heights obtained are measured."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from poredepth.checking.cracks import Cracks, cracks
from poredepth.checking.displace_findings import Facts, findings
from poredepth.checking.meant import MeantPoints, MeantRelief
from poredepth.checking.obtained import DisplaceMeasure, Fit, Spread
from poredepth.checking.ray_heights import displaced_corners, ray_heights
from poredepth.checking.rendered import TURNS, RenderedMaps, checked_maps
from poredepth.checking.tessellate import BasePoints, SmallTriangles, Tessellation, base_surface
from poredepth.errors import MapFileError
from poredepth.output.metadata import MapMetadata
from poredepth.pipeline import Composition
from poredepth.surface.metric import median_texel_mm
from poredepth.surface.polygons import PolygonMesh
from poredepth.units import UM_PER_MM, mm_from

#: Vertices are looked at for each point that is measured along its normal.
VERTICES_PER_POINT = 10
#: Up to so many small triangles all are looked at for folds; of more, so many drawn at random.
MOST_SMALL, DRAWN_SMALL = 2_000_000, 300_000
#: Small triangles that are held in memory at once.
_BLOCK = 100_000
#: Below this correlation with the relief it is tried whether the picture lies wrong on the UVs.
LEAST_CORRELATION = 0.9


def measure_displaced(  # noqa: PLR0913  (what is displaced, how finely, and how closely it is looked at)
    maps: Mapping[int, tuple[np.ndarray, MapMetadata]],
    mesh: PolygonMesh,
    unit: str,
    composition: Composition | None = None,
    *,
    subdivide: int | None = None,
    edge_um: float | None = None,
    n_points: int = 10_000,
    seed: int = 0,
) -> DisplaceMeasure:
    """Displace a mesh by map files, as a renderer does, and measure the heights obtained.

    Parameters
    ----------
    maps : by UV tile, the raw values (rows, cols) as they stand in the file, and its metadata
    mesh : what the renderer displaces, as its file has it
    unit : of the mesh's numbers, as the scene takes them: um, mm, cm, m or in
    composition : what made the map, to compare with the relief it means; None: only what needs no relief is measured
    subdivide : Catmull-Clark steps before the mesh is cut finely; default: the recipe's, else 0
    edge_um : longest edge of the small triangles on the skin, um; default: the map's texel
    n_points : points measured along their normals; ten times as many vertices are looked at
    seed : of the random points

    Returns
    -------
    DisplaceMeasure

    Raises
    ------
    MapFileError : no maps, arrays that are no single channel of heights, maps that are not square or not of one
        size, or that hold a part of the relief only
    MeshError : a mesh without UVs

    Notes
    -----
    See docs/displacing.md.  Work and memory are bounded whatever the size of the map and the mesh: small triangles are
    made where they are looked at.

    Source: own derivation.
    """
    rendered = checked_maps(maps, unit)
    size_px = _size_px(rendered, with_relief=composition is not None)
    if subdivide is None:
        subdivide = composition.recipe.mesh.subdivide if composition is not None else 0
    surface, steps = base_surface(mesh, unit, subdivide)
    texel_mm = median_texel_mm(surface, size_px)
    tessellation = Tessellation(surface, texel_mm if edge_um is None else edge_um / UM_PER_MM)
    relief = MeantRelief(composition, size_px) if composition is not None else None
    mm_per_scene = mm_from(1.0, unit) if composition is None else composition.surface.mm_per_unit
    run = _Run(tessellation, rendered, relief, mm_per_scene, n_points, seed)
    measure = replace(run.measured(), unit=unit, subdivide=steps, texel_mm=texel_mm)
    return replace(measure, findings=tuple(findings(measure, run.facts())))


def _size_px(rendered: RenderedMaps, with_relief: bool) -> int:
    shapes = {one.shape for one in rendered.values.values()}
    if len(shapes) != 1 or len(set(next(iter(shapes)))) != 1:
        found = ", ".join(f"{tile}: {one.shape}" for tile, one in rendered.values.items())
        raise MapFileError(f"maps: found {found}; allowed: square maps of one size, by tile; pass what the files hold")
    parts = {known.part for known in rendered.metadata.values()} - {None}
    if with_relief and parts:
        raise MapFileError(
            f"maps: they hold {', '.join(sorted(parts))}; allowed: the whole relief, to compare with what the recipe "
            "means; pass no composition"
        )
    return next(iter(shapes))[0]


@dataclass(frozen=True)
class _Run:
    """One measurement: what is displaced by what, and the points that are looked at."""

    tessellation: Tessellation
    maps: RenderedMaps
    relief: MeantRelief | None
    mm_per_scene: float
    n_points: int
    seed: int

    def measured(self) -> DisplaceMeasure:
        tessellation, surface = self.tessellation, self.tessellation.surface
        torn = cracks(tessellation, self.maps)
        widest = int(np.argmax(torn.width)) if len(torn.width) else -1
        n_looked_at, n_folded, folded_at = self._folds()
        without_uv = np.unique(surface.tri_face[~surface.has_uv])
        return DisplaceMeasure(
            edge_mm=tessellation.edge_mm,
            n_small=tessellation.n_small,
            n_points=self.n_points,
            n_faces_without_uv=len(without_uv),
            n_cut_edges=surface.n_joined_edges,
            unread_ratio=float((self._vertex_tile < 0).mean()),
            zero_mm=self._moved_by_zero_mm(),
            float32_step_mm=float(np.spacing(np.float32(np.abs(tessellation.corner).max()))) * self.mm_per_scene,
            n_seam_points=len(torn.width),
            seams=Spread.of(torn.width * self.mm_per_scene, torn.position),
            seam_worst_uv=_both_sides(torn, widest),
            neighbours_rms_mm=self._neighbours_rms_mm(),
            n_looked_at=n_looked_at,
            n_folded=n_folded,
            folded_at=folded_at,
            **self._against_map(),
            **(self._against_relief() if self.relief is not None else {}),
        )

    def facts(self) -> Facts:
        """What findings look at besides the measure."""
        turned = {}
        if self.relief is not None and self._fit.correlation < LEAST_CORRELATION:
            points, meant_mm = self._vertices, self._meant_mm
            known = np.flatnonzero(np.isfinite(meant_mm))[: self.n_points]
            for turn in TURNS:
                height, _ = self.maps.height(points.uv[known], points.toward_uv[known], turn)
                turned[turn] = Fit.of(height * self.mm_per_scene, meant_mm[known]).correlation
        composition = self.relief.composition if self.relief is not None else None
        return Facts(
            metadata=self.maps.metadata,
            recipe_unit=composition.recipe.mesh.unit if composition is not None else None,
            recipe_subdivide=composition.recipe.mesh.subdivide if composition is not None else None,
            turned_correlation=turned,
            quantum_mm=self._quantum_mm(),
        )

    # ---- points

    @cached_property
    def _random(self) -> tuple[np.ndarray, np.ndarray]:
        return self.tessellation.random_points(self.n_points * VERTICES_PER_POINT, np.random.default_rng(self.seed))

    @cached_property
    def _vertices(self) -> BasePoints:
        """Vertices of small triangles, spread evenly over the skin."""
        triangle, barycentric = self._random
        small = self.tessellation.holding(triangle, barycentric)
        corner = np.random.default_rng([self.seed, 1]).integers(0, 3, len(small))
        at = self.tessellation.corner_barycentrics(small)[np.arange(len(small)), corner]
        return self.tessellation.points(triangle, at)

    @cached_property
    def _points(self) -> tuple[np.ndarray, np.ndarray, BasePoints]:
        """Points between vertices: triangle, barycentrics, and what they are."""
        triangle, barycentric = (one[: self.n_points] for one in self._random)
        return triangle, barycentric, self.tessellation.points(triangle, barycentric)

    @cached_property
    def _vertex_mm(self) -> np.ndarray:
        """Heights obtained at vertices: how far each is moved along its normal, mm."""
        points = self._vertices
        return ((self.maps.displaced(points) - points.position) * points.normal).sum(axis=1) * self.mm_per_scene

    @cached_property
    def _vertex_tile(self) -> np.ndarray:
        return self.maps.height(self._vertices.uv, self._vertices.toward_uv)[1]

    @cached_property
    def _ray_mm(self) -> np.ndarray:
        triangle, barycentric, _ = self._points
        return ray_heights(self.tessellation, self.maps, triangle, barycentric) * self.mm_per_scene

    @cached_property
    def _meant(self) -> MeantPoints:
        return self.relief.at(self._vertices.uv, self._vertices.position * self.mm_per_scene)

    @cached_property
    def _meant_mm(self) -> np.ndarray:
        """The relief meant at vertices, mm; nan where nothing is read."""
        return np.where(self._vertex_tile >= 0, self.relief.height_mm(self._meant), np.nan)

    @cached_property
    def _fit(self) -> Fit:
        known = np.isfinite(self._meant_mm)
        return Fit.of(self._vertex_mm[known], self._meant_mm[known])

    # ---- figures

    def _against_map(self) -> dict:
        """What the tessellation loses of the map."""
        _, _, points = self._points
        height, tile = self.maps.height(points.uv, points.toward_uv)
        hit = np.isfinite(self._ray_mm) & (tile >= 0)
        lost_mm = (self._ray_mm - height * self.mm_per_scene)[hit]
        return {
            "n_missed": int((~np.isfinite(self._ray_mm)).sum()),
            "between": Spread.of(lost_mm, points.position[hit]),
        }

    def _against_relief(self) -> dict:
        """Heights obtained less the relief the recipe means."""
        known = np.isfinite(self._meant_mm)
        off_mm = (self._vertex_mm - self._meant_mm)[known]
        _, _, points = self._points
        meant = self.relief.at(points.uv, points.position * self.mm_per_scene)
        ray_off_mm = self._ray_mm - self.relief.height_mm(meant)
        hit = np.isfinite(ray_off_mm)
        read_mm, true_mm = self.relief.readings_mm(points.uv, points.toward_uv, meant)
        surface, skin = self.tessellation.surface, self.relief.composition.surface
        scale = self.mm_per_scene / surface.mm_per_unit
        apart_mm = self._meant.apart_mm[self._meant.found]
        return {
            "n_vertices": int(known.sum()),
            "relief_rms_mm": float(np.std(self._meant_mm[known])) if known.any() else 0.0,
            "gain": self._fit.gain / (Fit.of(read_mm, true_mm).gain or 1.0),
            "correlation": self._fit.correlation,
            "vertices": Spread.of(off_mm, self._vertices.position[known]),
            "mean_shift_mm": float(off_mm.mean()) if len(off_mm) else 0.0,
            "mean_shift_error_mm": float(off_mm.std() / np.sqrt(max(len(off_mm), 1))) if len(off_mm) else 0.0,
            "rays": Spread.of(ray_off_mm[hit], points.position[hit]),
            "reading": Spread.of(read_mm - true_mm, None),
            "apart_rms_mm": float(np.sqrt(np.mean(apart_mm**2))) if len(apart_mm) else 0.0,
            "area_ratio": _uv_area_mm2(surface) * scale**2 / _uv_area_mm2(skin),
        }

    def _folds(self) -> tuple[int, int, tuple[float, float, float] | None]:
        """Small triangles looked at, those that were turned over, and where the first of them lies."""
        tessellation = self.tessellation
        n = tessellation.n_small
        if n <= MOST_SMALL:
            blocks = (tessellation.all_small(a, min(a + _BLOCK, n)) for a in range(0, n, _BLOCK))
        else:
            n = DRAWN_SMALL
            drawn = tessellation.random_points(n, np.random.default_rng([self.seed, 2]))
            small = tessellation.holding(*drawn)
            blocks = (small.part(slice(a, a + _BLOCK)) for a in range(0, n, _BLOCK))
        n_folded, at = 0, None
        for block in blocks:
            folded = self._is_folded(block)
            if at is None and folded.any():
                middle = self._corners(block.part([int(np.argmax(folded))]))[0].mean(axis=0)
                at = tuple(float(x) for x in middle)
            n_folded += int(folded.sum())
        return n, n_folded, at

    def _corners(self, small: SmallTriangles) -> np.ndarray:
        at = self.tessellation.corner_barycentrics(small)
        return np.einsum("nck,nkx->ncx", at, self.tessellation.corner[small.triangle])

    def _is_folded(self, small: SmallTriangles) -> np.ndarray:
        """bool (n,): displacing turned the triangle's normal by more than 90 degrees."""
        before, after = self._corners(small), displaced_corners(self.tessellation, self.maps, small)
        return (_area_vector(before) * _area_vector(after)).sum(axis=1) < 0

    def _moved_by_zero_mm(self) -> float:
        """The farthest that a map of zero height moves a vertex, mm."""
        moved = self.maps.at_mid().displaced(self._vertices) - self._vertices.position
        return float(np.abs(moved).max(initial=0.0)) * self.mm_per_scene

    def _neighbours_rms_mm(self) -> float:
        """Root mean square difference of readings one texel apart along u, mm: how rough the map is."""
        _, _, points = self._points
        cols = next(iter(self.maps.values.values())).shape[1]
        here, tile = self.maps.height(points.uv, points.toward_uv)
        beside, tile_beside = self.maps.height(points.uv + [1 / cols, 0], points.toward_uv)
        both = (tile >= 0) & (tile == tile_beside)
        return float(np.sqrt(np.mean((here - beside)[both] ** 2))) * self.mm_per_scene if both.any() else 0.0

    def _quantum_mm(self) -> float:
        """Root mean square error that rounding to the file's numbers makes, mm: a step over sqrt(12)."""
        squares = []
        for tile, values in self.maps.values.items():
            some = np.asarray(values[:: max(1, values.shape[0] // 64), :: max(1, values.shape[1] // 64)])
            squares.append(np.mean(self.maps.step(tile, some) ** 2))
        return float(np.sqrt(np.mean(squares) / 12)) * self.mm_per_scene


def _area_vector(corner: np.ndarray) -> np.ndarray:
    return np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])


def _uv_area_mm2(surface) -> float:
    return float(surface.area_mm2[surface.has_uv].sum())


def _both_sides(torn: Cracks, which: int):
    if which < 0:
        return None
    return tuple(tuple(float(x) for x in uv) for uv in torn.uv[which])
