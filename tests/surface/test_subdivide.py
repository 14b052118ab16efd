import numpy as np
import pytest
from meshes import cut_apart, flat_mesh, sphere_mesh, two_charts_mesh

from poredepth.surface.metric import is_mirrored
from poredepth.surface.obj import PolygonMesh
from poredepth.surface.skin import surface_from_mesh
from poredepth.surface.subdivide import subdivided


def _cube():
    position = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)], float)
    faces = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]]
    return PolygonMesh.from_arrays(position, faces, np.array([[0, 0], [1, 0], [1, 1], [0, 1.0]]), [[0, 1, 2, 3]] * 6)


def test_cube_after_one_step():
    """Catmull & Clark 1978 by hand: corner (5/9, 5/9, 5/9), edge (3/4, 3/4, 0), face (1, 0, 0); 26 / 48 / 24."""
    fine = subdivided(_cube(), 1)
    found = {tuple(np.round(np.sort(np.abs(p)), 9)) for p in fine.position}
    assert found == {(0.555555556,) * 3, (0.0, 0.75, 0.75), (0.0, 0.0, 1.0)}
    assert len(fine.position) == 26
    assert fine.n_faces == 24
    edges = {frozenset((int(fine.face_position[4 * f + k]), int(fine.face_position[4 * f + (k + 1) % 4])))
             for f in range(24) for k in range(4)}  # fmt: skip
    assert len(edges) == 48


def test_cube_tends_to_a_round_shape_that_stays_put():
    """The limit of a corner is (n^2 P + 4 sum E + sum F) / (n (n + 5)), n = 3 (Halstead, Kass & DeRose 1993)."""
    fine = subdivided(_cube(), 5)
    p = np.array([1.0, 1, 1])
    neighbours = np.array([[-1, 1, 1], [1, -1, 1], [1, 1, -1.0]])
    diagonals = np.array([[-1, -1, 1], [1, -1, -1], [-1, 1, -1.0]])
    limit = (9 * p + 4 * neighbours.sum(0) + diagonals.sum(0)) / (3 * (3 + 5))
    assert np.linalg.norm(fine.position - limit, axis=1).min() < 2e-3


def test_open_border_becomes_a_cubic_curve_and_corners_stay():
    """(1, 6, 1) / 8 along a border (uniform cubic B-spline)."""
    position = np.array([[0, 0, 0], [1, 0, 0], [2, 1, 0], [0, 2, 0], [1, 2, 0], [2, 3, 0.0]])
    mesh = PolygonMesh.from_arrays(
        position, [[0, 1, 4, 3], [1, 2, 5, 4]], position[:, :2] / 4, [[0, 1, 4, 3], [1, 2, 5, 4]]
    )
    fine = subdivided(mesh, 1)
    assert fine.position[1] == pytest.approx((position[0] + 6 * position[1] + position[2]) / 8)
    assert fine.position[0] == pytest.approx(position[0])
    assert fine.position[5] == pytest.approx(position[5])


def test_flat_chart_keeps_its_uvs_and_its_place():
    mesh = flat_mesh(40, 40, 4)
    fine = subdivided(mesh, 2)
    assert fine.n_faces == 16 * mesh.n_faces
    assert fine.position[:, 2] == pytest.approx(0)
    uv = np.empty((fine.n_corners, 2))
    uv[:] = fine.texcoord[fine.face_texcoord]
    inside = (np.abs(fine.position[fine.face_position, :2] - 20) < 9.9).all(axis=1)
    assert uv[inside] == pytest.approx(fine.position[fine.face_position[inside], :2] / 40)
    assert uv.min() == pytest.approx(0.0)
    assert uv.max() == pytest.approx(1.0)


def test_charts_keep_their_outline_and_number():
    coarse = surface_from_mesh(two_charts_mesh(), "mm")
    fine = surface_from_mesh(subdivided(two_charts_mesh(), 2), "mm")
    assert fine.tri_chart.max() == coarse.tri_chart.max() == 1
    assert is_mirrored(fine).mean() == pytest.approx(0.5)
    for chart in (0, 1):
        a = coarse.corner_uv[coarse.tri_chart == chart].reshape(-1, 2)
        b = fine.corner_uv[fine.tri_chart == chart].reshape(-1, 2)
        assert b.min(0) == pytest.approx(a.min(0))
        assert b.max(0) == pytest.approx(a.max(0))


def test_seams_cut_apart_in_the_file_do_not_open():
    fine = surface_from_mesh(subdivided(cut_apart(sphere_mesh(30, 6)), 1), "mm")
    whole = surface_from_mesh(subdivided(sphere_mesh(30, 6), 1), "mm")
    assert (fine.adjacency.triangle >= 0).all()
    assert fine.n_vertices == whole.n_vertices
    assert sorted(map(tuple, np.round(fine.position_mm, 9))) == sorted(map(tuple, np.round(whole.position_mm, 9)))


def test_n_gons_and_faces_without_uvs():
    angle = np.linspace(0, 2 * np.pi, 6)[:-1]
    position = np.column_stack([np.cos(angle), np.sin(angle), 0 * angle])
    position = np.vstack([position, [[2, 0, 0], [2, 1, 0]]])
    faces = [[0, 1, 2, 3, 4], [0, 5, 6], [0, 6, 1]]
    mesh = PolygonMesh.from_arrays(position, faces, position[:, :2], [[0, 1, 2, 3, 4], [-1] * 3, [0, 6, 1]])
    fine = subdivided(mesh, 1)
    assert fine.n_faces == 11
    assert (fine.face_texcoord.reshape(-1, 4) < 0).all(axis=1).sum() == 3
    assert np.isfinite(fine.position).all()


def test_groups_are_inherited_and_level_zero_is_the_mesh():
    mesh = PolygonMesh.from_arrays(
        [[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0], [2, 0, 0], [2, 1, 0]], [[0, 1, 2, 3], [1, 4, 5, 2]],
        [[0, 0], [1, 0], [1, 1], [0, 1]], [[0, 1, 2, 3]] * 2, groups=["left", "right"],
    )  # fmt: skip
    fine = subdivided(mesh, 1)
    assert fine.face_group.tolist() == [0] * 4 + [1] * 4
    assert subdivided(mesh, 0) is mesh
