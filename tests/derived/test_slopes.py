"""Slopes in mm along the skin: planes are exact whatever the UVs do; borders, and charts that must not leak."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from meshes import flat_surface, grid, two_charts_mesh
from meshes_traps import charted, halves, traps
from relief_maps import is_inside, map_of
from scipy.ndimage import sobel

from poredepth.derived.heights import MapHeights
from poredepth.derived.slopes import slopes
from poredepth.raster.window import Window, row_blocks
from poredepth.surface.obj import PolygonMesh
from poredepth.surface.skin import SurfaceWarning, refined, surface_from_mesh

TILT = np.array([0.5, -0.3, 0.0])


def _plane(at_mm):
    return at_mm @ TILT


def _surface(mesh):
    return surface_from_mesh(mesh, "mm")


def _flat(mesh: PolygonMesh) -> PolygonMesh:
    faces = [mesh.face_position[a:b].tolist() for a, b in zip(mesh.face_start[:-1], mesh.face_start[1:], strict=True)]
    uvs = [mesh.face_texcoord[a:b].tolist() for a, b in zip(mesh.face_start[:-1], mesh.face_start[1:], strict=True)]
    return PolygonMesh.from_arrays(mesh.position * [1, 1, 0], faces, mesh.texcoord, uvs)


def _wavy() -> PolygonMesh:
    """A flat sheet whose UVs are stretched unevenly, so that their measure jumps at every mesh edge."""
    position, faces = grid(40, 40, 8, 8)
    x, y = position[:, 0] / 40, position[:, 1] / 40
    uv = np.column_stack([0.05 + 0.8 * x + 0.05 * np.sin(7 * x + 3 * y), 0.1 + 0.7 * y + 0.05 * np.cos(6 * x - 4 * y)])
    return PolygonMesh.from_arrays(position, faces, uv, faces)


MESHES = {
    "u and v scaled differently": _flat(halves(lambda x, y: (0.55 + 0.85 * x, 0.1 + 0.11 * y))),
    "mirrored": _flat(halves(lambda x, y: (0.97 - 0.7 * x, 0.05 + 0.7 * y))),
    "turned, mirrored and denser": two_charts_mesh(),
    "sheared": _flat(halves(lambda x, y: (0.55 + 0.5 * x + 0.15 * y, 0.1 + 0.6 * y + 0.3 * x))),
    "uneven": _wavy(),
}


def _in_space(heights: MapHeights) -> np.ndarray:
    """Slopes (rows, cols, 3) as directions in space, from T and B of the texels."""
    places = heights.raster.chart_places(1001, heights.raster.whole())
    frames = heights.frames.at(places.triangle, places.barycentric)
    found = slopes(heights, 1001, heights.raster.whole())
    b = frames.sign[..., None] * np.cross(frames.normal, frames.tangent)
    return found.along_t[..., None] * frames.tangent + found.along_b[..., None] * b


@pytest.mark.parametrize("name", MESHES)
def test_a_plane_has_its_slope_everywhere_under_any_uv(name):
    """No mesh edges, no chart, no seam shows in the slope of a plane; gutters across seams have it too."""
    surface = _surface(MESHES[name])
    for one in (surface, refined(surface, 3.0)):
        heights = map_of(one, _plane, 192, 3, surface)
        places = heights.raster.chart_places(1001, heights.raster.whole())
        known = (places.triangle >= 0) & ~places.is_held
        error = np.abs(_in_space(heights) - TILT).max(axis=2)
        assert known.sum() > 5000
        # corners of charts, where gutters of two borders meet at an angle, hold skin points from elsewhere
        assert error[is_inside(heights)].max() < 5e-4
        assert np.quantile(error[known], 0.999) < 5e-4


def test_the_border_of_the_mesh_has_the_slope_beside_it():
    """In the gutter along an open border heights stay those of the border; slopes run on for what bilinear reading
    meets."""
    heights = map_of(_surface(MESHES["mirrored"]), _plane, 192, 4)
    places = heights.raster.chart_places(1001, heights.raster.whole())
    inside = is_inside(heights)
    beside = np.zeros_like(inside)
    beside[1:-1, 1:-1] = inside[:-2, 1:-1] | inside[2:, 1:-1] | inside[1:-1, :-2] | inside[1:-1, 2:]
    beside &= places.is_held
    assert beside.sum() > 300
    assert np.abs(_in_space(heights) - TILT).max(axis=2)[beside].max() < 1e-3


def test_without_a_gutter_differences_are_one_sided():
    """At a border the difference is to the one neighbour there is: exact on planes, half a texel off on a wave."""
    bare = map_of(_surface(MESHES["turned, mirrored and denser"]), _plane, 192, 0)
    assert np.abs(_in_space(bare) - TILT).max(axis=2)[is_inside(bare)].max() < 5e-4
    square = flat_surface(40, 40, 2)
    wave = map_of(square, lambda p: 0.2 * np.sin(p[:, 0]), 400, 0)
    found = slopes(wave, 1001, wave.raster.whole(), second=True)
    row = wave.height_mm[1001][7].astype(float)
    assert found.along_t[7, 0] == pytest.approx((row[1] - row[0]) / 0.1, rel=1e-4)
    assert found.along_t[7, -1] == pytest.approx((row[-1] - row[-2]) / 0.1, rel=1e-4)
    assert found.along_tt[7, 0] == pytest.approx((row[2] - 2 * row[1] + row[0]) / 0.01, rel=1e-3)
    assert found.along_t[7, 5] == pytest.approx((row[6] - row[4]) / 0.2, rel=1e-4)


def test_flat_skin_agrees_with_general_libraries():
    """np.gradient, and scipy's Sobel filter on a relief that is even along the other axis (docs of both)."""
    square = flat_surface(40, 40, 3)
    heights = map_of(square, lambda p: 0.3 * np.sin(0.9 * p[:, 0]) * np.cos(0.7 * p[:, 1]), 256, 0)
    texel = 40 / 256
    found = slopes(heights, 1001, heights.raster.whole(), second=True)
    z = heights.height_mm[1001].astype(float)
    down, right = np.gradient(z, texel)
    inner = np.s_[1:-1, 1:-1]
    assert found.along_t[inner] == pytest.approx(right[inner], abs=2e-6)
    assert found.along_b[inner] == pytest.approx(-down[inner], abs=2e-6)
    assert found.along_t == pytest.approx(right, abs=2e-6)  # one-sided at the edges too
    xy = -np.gradient(np.gradient(z, texel, axis=1), texel, axis=0)
    assert found.along_tb[2:-2, 2:-2] == pytest.approx(xy[2:-2, 2:-2], abs=2e-4)
    ridge = map_of(square, lambda p: 0.3 * np.sin(0.9 * p[:, 0]), 256, 0)
    sobel_x = sobel(ridge.height_mm[1001].astype(float), axis=1) / (8 * texel)
    assert slopes(ridge, 1001, ridge.raster.whole()).along_t[inner] == pytest.approx(sobel_x[inner], abs=2e-6)


@pytest.mark.parametrize("gap_px", [0.02, 1.0, 2.0])
def test_charts_that_lie_close_do_not_leak(gap_px):
    """Two charts one texel apart hold skin of opposite ends, 20 mm higher and lower: no slope sees the other."""
    size, half = 160, 0.5 * gap_px / 160
    places = [lambda x, y: (0.5 + half + 0.6 * x, 0.1 + 0.8 * y), lambda x, y: (0.6 * x - 0.1 - half, 0.1 + 0.8 * y)]
    mesh = charted(lambda x, y, f: int(x > 0.5), lambda c, x, y: places[c](x, y), *grid(40, 40, 8, 8))
    surface = _surface(mesh)
    for gutter in (0, 3):
        heights = map_of(surface, lambda p: 0.1 * p[:, 0], size, gutter)
        inside = is_inside(heights)
        found = _in_space(heights)
        assert inside[:, 75:85].any()
        assert np.abs(found - [0.1, 0, 0]).max(axis=2)[inside].max() < 5e-4


def test_a_chart_beside_itself_does_not_leak():
    """A strip bent to a U in UV, its legs one texel apart: one chart, but other skin."""
    n = 24
    position, faces = grid(60, 6, n, 1)
    texel = 1 / 200
    along, across = position[:, 0] / 60, position[:, 1] / 6
    legs = np.where(along <= 0.5, along, 1 - along) * 1.6
    side = np.where(along < 0.5, -1, np.where(along > 0.5, 1, 0))
    uv = np.column_stack([0.5 + side * (0.5 * texel + 0.15 * across), 0.9 - legs])
    uv[along == 0.5] = np.column_stack([0.5 + 0 * across[along == 0.5], 0.1 - 0.1 * across[along == 0.5] + 0.02])
    surface = _surface(PolygonMesh.from_arrays(position, faces, uv, faces))
    heights = map_of(surface, lambda p: 0.1 * p[:, 0], 200, 0)
    rows = np.s_[30:150]
    inside = is_inside(heights)[rows]
    assert inside[:, 98:102].sum() > 300
    assert np.abs(_in_space(heights)[rows] - [0.1, 0, 0]).max(axis=2)[inside].max() < 5e-4


def test_several_tiles_and_the_edge_of_a_tile():
    position, faces = grid(40, 40, 6, 6)
    uv = position[:, :2] / 40 + [0.43, 0.0]
    heights = map_of(_surface(PolygonMesh.from_arrays(position, faces, uv, faces)), _plane, 100, 2)
    for tile in (1001, 1002):
        found = slopes(heights, tile, heights.raster.whole())
        inside = is_inside(heights, tile)
        assert inside.any()
        assert found.along_t[inside] == pytest.approx(0.5, abs=1e-4)
        assert found.along_b[inside] == pytest.approx(-0.3, abs=1e-4)
        bare = ~found.has_skin
        assert not found.along_t[bare].any() and not found.along_b[bare].any()


def test_blocks_are_crops_of_the_whole_bit_for_bit():
    heights = map_of(_surface(two_charts_mesh()), lambda p: 0.1 * np.sin(p @ [2.1, 1.3, 0]), 160, 3)
    whole = slopes(heights, 1001, heights.raster.whole(), second=True)
    for block in [*row_blocks(heights.raster.whole(), 160 * 31), Window(31, 17, 44, 60), Window(159, 159, 1, 1)]:
        part = slopes(heights, 1001, block, second=True)
        for name in ("along_t", "along_b", "along_tt", "along_tb", "along_bb", "has_skin"):
            assert np.array_equal(getattr(part, name), getattr(whole, name)[block.slices]), name


def test_second_derivatives_do_not_see_mesh_edges():
    """Where the measure of UVs jumps, a plane bends between texels but not on the skin."""
    surface = _surface(_wavy())
    heights = map_of(surface, _plane, 192, 3)
    found = slopes(heights, 1001, heights.raster.whole(), second=True)
    inside = is_inside(heights)
    places = heights.raster.chart_places(1001, heights.raster.whole())
    inside &= ~places.is_held
    edge = np.zeros_like(inside)
    edge[:, 1:] = places.triangle[:, 1:] != places.triangle[:, :-1]
    assert (edge & inside).sum() > 1000
    for one in (found.along_tt, found.along_tb, found.along_bb):
        assert np.abs(one[inside]).max() < 2e-3  # 1/mm; texels of 0.25 mm, heights of 20 mm in float32
    # a paraboloid has its second derivatives
    bowl = map_of(surface, lambda p: 0.02 * (p[:, 0] - 20) ** 2 - 0.01 * (p[:, 1] - 20) ** 2, 192, 3)
    h = slopes(bowl, 1001, bowl.raster.whole(), second=True)
    assert np.median((h.along_tt + h.along_bb)[inside]) == pytest.approx(0.02, abs=2e-4)
    assert (
        np.quantile(np.abs(h.along_tt + h.along_bb - 0.02)[inside], 0.99) < 0.006
    )  # steps are a tenth off beside edges


def test_a_chart_one_texel_wide_has_no_slope_across():
    position, faces = grid(40, 0.2, 8, 1)
    uv = np.column_stack([0.1 + 0.8 * position[:, 0] / 40, 0.5005 + 0.02 * position[:, 1]])
    surface = _surface(PolygonMesh.from_arrays(position, faces, uv, faces))
    heights = map_of(surface, lambda p: 0.3 * p[:, 0] + 7 * p[:, 1], 200, 0)
    inside = is_inside(heights)
    assert inside.any(axis=1).sum() == 1 and inside.sum() == 160
    found = slopes(heights, 1001, heights.raster.whole(), second=True)
    assert found.along_t[inside] == pytest.approx(0.3, abs=1e-4)
    for one in (found.along_b, found.along_tt, found.along_tb, found.along_bb):
        assert np.abs(one).max() < 1e-3


@pytest.mark.parametrize("trap", traps(), ids=lambda trap: trap.name)
def test_no_trap_of_an_atlas_makes_slopes_that_the_relief_has_not(trap):
    """h = 0.1 x in space: nowhere on any skin is it steeper than 0.1."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", SurfaceWarning)
        surface = _surface(trap.mesh)
    heights = map_of(surface, lambda p: 0.1 * p[:, 0], 128, 3)
    for tile in heights.raster.tiles:
        found = slopes(heights, tile, heights.raster.whole(), second=True)
        steep = np.hypot(found.along_t, found.along_b)
        assert np.isfinite(steep).all() and np.isfinite(found.along_tt + found.along_tb + found.along_bb).all()
        inside = is_inside(heights, tile)
        assert np.quantile(steep[inside], 0.999) < 0.101
        assert steep[inside].max() < 0.12
        assert np.quantile(steep[found.has_skin], 0.99) < 0.11
