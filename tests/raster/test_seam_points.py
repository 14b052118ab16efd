"""Where seams are, and what is read there: both sides of every edge, bilinearly, texel centres at +0.5."""

from __future__ import annotations

import numpy as np
import pytest
from meshes import flat_mesh, sphere_mesh, two_charts_mesh
from meshes_seams import (
    cut_square,
    mirrored_square,
    square_in_two_tiles,
    square_of_unlike_density,
    square_with_collapsed_uvs,
    tube,
    turned,
)
from reference import point_in_triangle
from scipy import ndimage

from poredepth.raster.reading import bilinear, read_maps
from poredepth.raster.seams import seam_points, seam_texels
from poredepth.raster.texels import TileRaster
from poredepth.surface.seams import seam_edges
from poredepth.surface.skin import surface_from_mesh

MESHES = {"mirrored": mirrored_square, "two tiles": square_in_two_tiles, "unlike": square_of_unlike_density,
          "sphere": sphere_mesh, "tube": tube}  # fmt: skip


def _surface(mesh):
    return surface_from_mesh(mesh, "mm")


@pytest.mark.parametrize("name", MESHES)
def test_both_sides_of_a_seam_point_are_one_place_of_the_skin(name):
    surface = _surface(MESHES[name]())
    edges, rng = seam_edges(surface), np.random.default_rng(0)
    which = rng.integers(0, len(edges), 200)
    uv = edges.uv_at(which, rng.random(200))
    place = np.empty((200, 2, 3))
    for p in range(200):
        for side in (0, 1):
            triangle = edges.triangle[which[p], side]
            place[p, side] = point_in_triangle(uv[p, side], surface.corner_uv[triangle]) @ surface.corner_mm[triangle]
    assert np.abs(place[:, 0] - place[:, 1]).max() < 1e-9
    assert np.abs(uv[:, 0] - uv[:, 1]).max() > 0.1


def test_every_seam_edge_comes_once_and_open_borders_never():
    # 10 edges along the cut; 12 edges of a cube with 12 parts each; 8 along the cut of the tube, in one chart
    for mesh, count in ((mirrored_square(), 10), (sphere_mesh(), 144), (tube(), 8), (flat_mesh(), 0)):
        edges = seam_edges(_surface(mesh))
        assert len(edges) == count
        assert len(np.unique(np.sort(edges.triangle, axis=1), axis=0)) == count
    surface = _surface(tube())
    assert (surface.tri_chart[seam_edges(surface).triangle] == 0).all()


def test_points_lie_twice_a_texel_of_the_side_that_has_more_of_them():
    surface = _surface(square_of_unlike_density())
    raster = TileRaster(surface, 500, 8)
    points = seam_points(raster, seam_edges(surface), 2.0)
    # the cut is 40 mm = 40 / 80 of a tile on the denser side
    assert len(points) == pytest.approx(2 * 500 * 40 / 80, rel=0.02)
    assert points.span_px.sum() == pytest.approx(500 * 40 / 80, rel=1e-9)
    assert points.span_px.max() <= 0.5


def test_reading_is_bilinear_with_texel_centres_at_half():
    """Against scipy's linear interpolation."""
    surface = _surface(two_charts_mesh())
    raster, rng = TileRaster(surface, 64, 4), np.random.default_rng(1)
    height_mm = rng.normal(size=(64, 64)).astype(np.float32)
    triangle = rng.integers(0, surface.n_triangles, 500)
    b = rng.dirichlet((1, 1, 1), 500)
    uv = np.einsum("nk,nkx->nx", b, surface.corner_uv[triangle])
    reading = bilinear(raster, uv, triangle)
    want = ndimage.map_coordinates(
        height_mm.astype(float), [(1 - uv[:, 1]) * 64 - 0.5, uv[:, 0] * 64 - 0.5], order=1, mode="nearest"
    )
    assert reading.of(height_mm.ravel().astype(float)) == pytest.approx(want, abs=1e-9)
    texel_mm = read_maps(raster, {1001: height_mm}, reading.texel.ravel()).reshape(-1, 4)
    assert (texel_mm * reading.weight).sum(axis=1) == pytest.approx(want, abs=1e-6)


def test_a_seam_on_the_border_of_a_tile_is_read_in_the_tile_of_its_chart():
    """The left chart ends at u = 1, exactly; the right one begins at u = 2 of the tile after next."""
    mesh = cut_square(turned(0, 50, (1.0, 0.5)), turned(0, 50, (2.0, 0.5)))
    surface = _surface(mesh)
    raster = TileRaster(surface, 32, 4)
    assert raster.tiles == (1001, 1003)
    points = seam_points(raster, seam_edges(surface), 2.0)
    tile, within = np.divmod(points.reading.texel, 32 * 32)
    columns = within % 32
    for side in (0, 1):
        left = points.uv[:, side, 0] == 1.0
        assert (tile[left, side] == 0).all() and (columns[left, side] == 31).all()
        assert (tile[~left, side] == 1).all() and (columns[~left, side] == 0).all()


@pytest.mark.filterwarnings("ignore:.*no area in UV:poredepth.surface.skin.SurfaceWarning")
def test_edges_without_texels_on_one_side_are_left_out():
    surface = _surface(square_with_collapsed_uvs())
    raster = TileRaster(surface, 256, 8)
    assert (~raster.has_texels).sum() == 1
    edges = seam_edges(surface)
    points = seam_points(raster, edges, 2.0)
    assert len(edges) == 10
    assert set(range(10)) - set(points.edge) == {int(np.flatnonzero(~raster.has_texels[edges.triangle].all(axis=1))[0])}


@pytest.mark.parametrize("name", MESHES)
@pytest.mark.parametrize(("size_px", "gutter_px"), [(100, 5), (333, 1), (512, 0)])
def test_single_texels_have_the_skin_points_of_windows_bit_for_bit(name, size_px, gutter_px):
    surface = _surface(MESHES[name]())
    raster = TileRaster(surface, size_px, gutter_px)
    bare = TileRaster(surface, size_px, 0)
    texels = seam_texels(raster, 3.0)
    tile, within = np.divmod(texels.number, size_px**2)
    for k, number in enumerate(raster.tiles):
        whole = raster.skin_points(number, raster.whole())
        inside = bare.skin_points(number, bare.whole()).triangle >= 0
        here = tile == k
        assert here.any()
        assert np.array_equal(texels.skin.triangle[here], whole.triangle[within[here]])
        assert np.array_equal(texels.skin.barycentric[here], whole.barycentric[within[here]])
        assert np.array_equal(texels.is_inside[here], inside[within[here]])
        if gutter_px > 2:  # any texel near a chart, asked in any order
            near = np.random.default_rng(2).permutation(np.flatnonzero(whole.triangle >= 0))
            points, is_inside = raster.skin_points_at(number, near // size_px, near % size_px, gutter_px)
            assert np.array_equal(points.triangle, whole.triangle[near])
            assert np.array_equal(points.barycentric, whole.barycentric[near])
            assert np.array_equal(is_inside, inside[near])


def test_all_texels_read_at_seams_have_skin_with_a_gutter_of_two():
    for mesh in MESHES.values():
        texels = seam_texels(TileRaster(_surface(mesh()), 200, 2), 3.0)
        assert texels.reads_own_skin(texels.points[0]).all()
