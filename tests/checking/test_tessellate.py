"""Small triangles: they fill their triangle once, are wound like it, and hold what they are said to hold."""

from __future__ import annotations

import numpy as np
import pytest
from displaced import octahedron
from meshes import flat_mesh, sphere_mesh

from poredepth.checking.tessellate import Tessellation, base_surface
from poredepth.surface.polygons import PolygonMesh


def _sphere(edge_mm):
    return Tessellation(base_surface(sphere_mesh(30, 3), "mm")[0], edge_mm)


@pytest.mark.parametrize("edge_mm", [100.0, 9.0, 2.3])
def test_small_triangles_fill_the_mesh_once(edge_mm):
    tessellation = _sphere(edge_mm)
    small = tessellation.all_small(0, tessellation.n_small)
    at = tessellation.corner_barycentrics(small)
    assert at.min() >= 0 and at.sum(axis=2) == pytest.approx(1)
    corner = np.einsum("nck,nkx->ncx", at, tessellation.corner[small.triangle])
    vector = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]) / 2
    # all wound as their triangle, all of its area over n^2
    area = (vector * tessellation.surface.normal[small.triangle]).sum(axis=1)
    n = tessellation.segments[small.triangle]
    assert area == pytest.approx(tessellation.surface.area_mm2[small.triangle] / n**2, rel=1e-9)
    key = np.column_stack([small.triangle, small.step, small.is_upper])
    assert len(np.unique(key, axis=0)) == len(small)
    longest = np.linalg.norm(corner - np.roll(corner, 1, axis=1), axis=2).max()
    assert longest <= edge_mm * (1 + 1e-9)
    # asked for block by block they are the same
    parts = [tessellation.all_small(a, min(a + 17, len(small))) for a in range(0, len(small), 17)]
    assert np.array_equal(np.concatenate([p.step for p in parts]), small.step)
    assert np.array_equal(np.concatenate([p.is_upper for p in parts]), small.is_upper)


def test_points_lie_in_the_small_triangle_that_holds_them():
    tessellation = _sphere(1.7)
    triangle, barycentric = tessellation.random_points(5000, np.random.default_rng(0))
    small = tessellation.holding(triangle, barycentric)
    corner = tessellation.corner_barycentrics(small)
    inside = np.linalg.solve(np.swapaxes(corner, 1, 2), barycentric[..., None])[..., 0]
    assert inside.min() > -1e-9
    # points on corners and edges of the triangle itself are held too
    rim = np.array([[1, 0, 0], [0, 1, 0], [0, 0, 1], [0.5, 0.5, 0], [0, 0.5, 0.5], [0.5, 0, 0.5]])
    small = tessellation.holding(np.zeros(6, int), rim)
    n = tessellation.segments[0]
    assert ((small.step >= 0).all(axis=1) & (small.step.sum(axis=1) <= n - 1 - small.is_upper)).all()
    corner = tessellation.corner_barycentrics(small)
    assert np.linalg.solve(np.swapaxes(corner, 1, 2), rim[..., None]).min() > -1e-9


def test_random_points_are_spread_by_area_over_skin_with_uvs():
    position = np.array([[0, 0, 0], [3, 0, 0], [3, 1, 0], [0, 1, 0], [1, 0, 0], [1, 1, 0], [0, 2, 0]], float)
    faces = [[0, 4, 5, 3], [4, 1, 2, 5], [3, 5, 6]]
    face_uv = [[0, 4, 5, 3], [4, 1, 2, 5], [-1, -1, -1]]
    mesh = PolygonMesh.from_arrays(position, faces, position[:, :2] / 4, face_uv)
    surface, _ = base_surface(mesh, "mm")
    triangle, _ = Tessellation(surface, 0.1).random_points(20_000, np.random.default_rng(1))
    share = np.bincount(surface.tri_face[triangle], minlength=3) / 20_000
    # 1 mm2 and 2 mm2; binomial, five standard errors
    assert share == pytest.approx([1 / 3, 2 / 3, 0], abs=5 * np.sqrt(2 / 9 / 20_000))


def test_normals_of_corners_flow_over_edges_and_have_length_one():
    tessellation = Tessellation(base_surface(octahedron(5.0), "mm")[0], 0.5)
    points = tessellation.points(*tessellation.random_points(500, np.random.default_rng(2)))
    assert np.linalg.norm(points.normal, axis=1) == pytest.approx(1)
    # of an octahedron they are radial, whatever the interpolation
    assert points.normal == pytest.approx(points.position / np.linalg.norm(points.position, axis=1, keepdims=True))


def test_catmull_clark_steps_are_made_until_the_mesh_is_too_large():
    assert base_surface(flat_mesh(40, 40, 4), "mm", 2)[1] == 2
    surface, steps = base_surface(sphere_mesh(30, 4), "mm", 12, 20_000)
    assert steps == 3  # 96 quads x 4^3 x 2
    assert surface.n_triangles == 12_288


def test_scene_units_are_those_of_the_file():
    tessellation = Tessellation(base_surface(flat_mesh(4, 4, 2), "cm")[0], 1.0)
    assert tessellation.corner.max() == 4.0
    assert tessellation.surface.position_mm.max() == 40.0
    assert tessellation.segments.max() == int(np.ceil(20 * np.sqrt(2)))
