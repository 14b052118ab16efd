import warnings

import numpy as np
import pytest
from meshes import cut_apart, flat_mesh, flat_surface, grid, sphere_mesh, sphere_surface, two_charts_mesh

from poredepth.errors import MeshError
from poredepth.surface.metric import footprint, is_mirrored, median_texel_mm, mm_per_uv, singular_values_mm
from poredepth.surface.obj import PolygonMesh
from poredepth.surface.skin import SurfaceWarning, refined, surface_from_mesh


def test_every_edge_of_a_closed_mesh_has_a_neighbour_and_euler_holds():
    """Euler characteristic of a sphere is 2 (textbook)."""
    s = sphere_surface()
    assert (s.adjacency.triangle >= 0).all()
    assert s.n_vertices - 1.5 * s.n_triangles + s.n_triangles == 2
    t, k = np.indices(s.adjacency.triangle.shape)
    back = s.adjacency.triangle[s.adjacency.triangle, s.adjacency.edge]
    assert (back == t).all()
    assert (s.adjacency.edge[s.adjacency.triangle, s.adjacency.edge] == k).all()


def test_sphere_area_and_outward_normals():
    s = surface_from_mesh(sphere_mesh(30, 40), "mm")
    assert s.area_mm2.sum() == pytest.approx(4 * np.pi * 30**2, rel=2e-3)
    assert (np.einsum("tx,tx->t", s.normal, s.corner_mm.mean(1)) > 0).all()


def test_six_charts_of_the_cube_sphere():
    s = sphere_surface()
    assert s.tri_chart.max() + 1 == 6
    # 12 edges of the cube, 12 mesh edges each, seen from both sides
    assert s.is_chart_border.sum() == 2 * 12 * 12


def test_a_mesh_cut_apart_at_its_seams_is_joined_again():
    whole, cut = surface_from_mesh(sphere_mesh(), "mm"), surface_from_mesh(cut_apart(sphere_mesh()), "mm")
    assert cut.n_joined_edges == 12 * 12
    assert cut.n_vertices == whole.n_vertices
    assert (cut.adjacency.triangle >= 0).all()
    assert cut.tri_chart.max() == 5


def test_two_sheets_that_only_touch_are_not_joined():
    position, faces = grid(10, 10, 2, 2)
    n = len(position)
    # a second square with one corner in common, and a third lying 0.5 mm above the first
    both = np.vstack([position, position + [10, 10, 0], position + [0, 0, 0.5]])
    all_faces = faces + [[i + n for i in f] for f in faces] + [[i + 2 * n for i in f] for f in faces]
    uv = both[:, :2] / 30 + [0.6, 0] * (both[:, 2:] > 0)  # no chart on another
    s = surface_from_mesh(PolygonMesh.from_arrays(both, all_faces, uv, all_faces), "mm")
    assert s.n_joined_edges == 0
    assert s.n_vertices == 3 * n


def test_a_repeated_vt_makes_no_seam():
    position, faces = grid(10, 10, 4, 4)
    uv = np.vstack([position[:, :2], position[:, :2]]) / 20
    second = [[i + (len(position) if f % 2 else 0) for i in face] for f, face in enumerate(faces)]
    s = surface_from_mesh(PolygonMesh.from_arrays(position, faces, uv, second), "mm")
    assert s.tri_chart.max() == 0


def test_order_of_faces_and_corners_changes_nothing():
    mesh = flat_mesh(n=4)
    faces = [mesh.face_position[a:b].tolist() for a, b in zip(mesh.face_start[:-1], mesh.face_start[1:], strict=True)]
    shuffled = [faces[i][j % 4 :] + faces[i][: j % 4] for j, i in enumerate(np.random.default_rng(0).permutation(16))]
    a = surface_from_mesh(mesh, "mm")
    b = surface_from_mesh(PolygonMesh.from_arrays(mesh.position, shuffled, mesh.texcoord, shuffled), "mm")
    assert np.array_equal(a.tri_vertex, b.tri_vertex)


def test_unit_is_applied():
    assert surface_from_mesh(flat_mesh(4, 4), "cm").area_mm2.sum() == pytest.approx(1600)
    assert surface_from_mesh(flat_mesh(1, 1), "in").area_mm2.sum() == pytest.approx(25.4**2)


def test_no_uv_at_all_is_an_error_and_some_missing_a_warning():
    position, faces = grid(10, 10, 2, 2)
    with pytest.raises(MeshError, match="no face has UVs; allowed: faces with texture coordinates"):
        surface_from_mesh(PolygonMesh.from_arrays(position, faces), "mm")
    face_uv = [face if i else [-1] * 4 for i, face in enumerate(faces)]
    with pytest.warns(SurfaceWarning, match="2 triangles have no UVs and get no texels"):
        s = surface_from_mesh(PolygonMesh.from_arrays(position, faces, position[:, :2] / 10, face_uv), "mm")
    assert s.has_uv.sum() == 6


def test_non_manifold_edge_is_a_border_with_a_warning():
    position = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, -1, 0], [0, 0, 1]], float)
    faces = [[0, 1, 2], [1, 0, 3], [0, 1, 4]]
    uv = np.vstack([position[:, :2] / 4 + 0.3, [[0.7, 0.7], [0.9, 0.7], [0.7, 0.9]]])
    mesh = PolygonMesh.from_arrays(position, faces, uv, [[0, 1, 2], [1, 0, 3], [5, 6, 7]])
    with pytest.warns(
        SurfaceWarning, match=r"shared by more than two faces .* the first at \[0\.5, 0\.0, 0\.0\] in mesh units"
    ):
        s = surface_from_mesh(mesh, "mm")
    assert (s.adjacency.triangle == -1).all()


def test_refining_keeps_surface_area_charts_and_uv():
    s = surface_from_mesh(two_charts_mesh(), "mm")
    fine = refined(s, 1.3)
    c = fine.corner_mm
    assert max(np.linalg.norm(c[:, i] - c[:, j], axis=1).max() for i, j in ((0, 1), (1, 2), (2, 0))) <= 1.3 * (1 + 1e-6)
    assert fine.area_mm2.sum() == pytest.approx(s.area_mm2.sum(), rel=1e-12)
    assert fine.tri_chart.max() == s.tri_chart.max() == 1
    assert (fine.adjacency.triangle < 0).sum() * 0.5 < fine.n_triangles  # still one sheet: only outer borders are open
    border = fine.adjacency.triangle < 0
    t, k = np.nonzero(border)
    mid = 0.5 * (c[t, (k + 1) % 3] + c[t, (k + 2) % 3])
    assert np.all(np.isclose(mid[:, :2] % 40, 0).any(axis=1))
    # the UV map of a parent triangle is affine, so every fine triangle has its parent's Jacobian's singular values
    assert np.allclose(
        np.unique(np.round(singular_values_mm(fine), 6), axis=0), np.unique(np.round(singular_values_mm(s), 6), axis=0)
    )


def test_refined_sphere_stays_closed():
    fine = refined(sphere_surface(), 2.0)
    assert (fine.adjacency.triangle >= 0).all()
    assert fine.n_vertices - 0.5 * fine.n_triangles == 2


def test_jacobian_of_a_known_unwrap():
    s = surface_from_mesh(two_charts_mesh(40, 10, mirrored=True, shrink=0.5), "mm")
    left = s.corner_mm[..., 0].mean(1) < 20
    assert np.allclose(singular_values_mm(s)[left], 40 / 0.9)
    # the right half: u = 0.4 y / 40, v = 0.4 x / 40
    assert np.allclose(singular_values_mm(s)[~left], 100.0)
    assert not is_mirrored(s)[left].any()
    assert is_mirrored(s)[~left].all()
    assert np.allclose(np.abs(np.linalg.det(mm_per_uv(s)))[left], (40 / 0.9) ** 2)


def test_footprint_takes_both_stretches():
    s = surface_from_mesh(two_charts_mesh(40, 10, shrink=0.25), "mm")
    texels = footprint(s, 1000)
    left = s.corner_mm[..., 0].mean(1) < 20
    assert np.allclose(texels.size_mm[left], 40 / 0.9 / 1000, rtol=1e-5)
    assert (texels.length_mm[left] == 0).all()
    # 0.1 x 0.2 mm: evenly for 1.5 times the shorter side, and along the longer one for its whole length
    assert np.allclose(texels.size_mm[~left], 1.5 * 40 / 0.4 / 1000, rtol=1e-5)
    assert np.allclose(texels.length_mm[~left], 40 / 0.2 / 1000, rtol=1e-5)


def test_median_texel():
    assert median_texel_mm(flat_surface(40, 40), 1000) == pytest.approx(0.04)


def test_no_warning_for_a_sound_mesh():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        sphere_surface()


def test_median_texel_of_some_skin_goes_by_weight():
    """Two halves, the right one unwrapped with other texels: the median of each half alone is its own."""
    surface = surface_from_mesh(two_charts_mesh(40, shrink=0.5), "mm")
    right = surface.corner_mm[:, :, 0].mean(axis=1) > 20
    left_mm, right_mm = 40 / 0.9 / 1000, 40 / 0.4 / 1000  # u and v spans 0.9 of 40 mm; 0.4 along both
    assert median_texel_mm(surface, 1000, np.where(right, 0.0, surface.area_mm2)) == pytest.approx(left_mm)
    assert median_texel_mm(surface, 1000, np.where(right, surface.area_mm2, 0.0)) == pytest.approx(right_mm)
    with pytest.raises(MeshError, match="no face has area in UV"):
        median_texel_mm(surface, 1000, np.zeros(surface.n_triangles))
