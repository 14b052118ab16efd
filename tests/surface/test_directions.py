import numpy as np
import pytest
from meshes import flat_mesh, flat_surface, sphere_surface, two_charts_mesh
from skin_measure import line_angle_difference

from poredepth.errors import RegionError
from poredepth.surface.directions import carried, connection_laplacian, direction_field, edge_turns
from poredepth.surface.skin import refined, surface_from_mesh


def _angle_on_plane(s, field):
    xyz = field.xyz(s)
    return np.arctan2(xyz[:, 1], xyz[:, 0])


def test_one_guide_on_a_plane_gives_a_constant_field():
    s = flat_surface(40, 40, 10)
    field = direction_field(s, [np.array([[10, 10, 0], [20, 15, 0]])])
    assert np.rad2deg(line_angle_difference(_angle_on_plane(s, field), np.arctan2(5, 10))).max() < 1e-6


def test_a_guide_and_its_reverse_are_the_same():
    s = flat_surface(40, 40, 10)
    guide = np.array([[5, 5, 0], [20, 30, 0], [35, 32, 0]], float)
    a, b = direction_field(s, [guide]), direction_field(s, [guide[::-1]])
    assert np.abs(a.doubled - b.doubled).max() < 1e-9


def test_two_parallel_guides_far_apart_agree_between():
    s = refined(flat_surface(40, 40, 10), 2.0)
    field = direction_field(s, [np.array([[2, 2, 0], [2, 38, 0.0]]), np.array([[38, 2, 0], [38, 38, 0.0]])])
    assert np.rad2deg(line_angle_difference(_angle_on_plane(s, field), np.pi / 2)).max() < 1e-6


def test_field_meets_its_guides_and_bends_between():
    s = refined(flat_surface(40, 40, 10), 2.0)
    upright = [np.array([[x, 4, 0], [x, 36, 0.0]]) for x in (5, 35)]
    field = direction_field(s, [*upright, np.array([[20, 20, 0], [22, 20, 0.0]])])
    angle = _angle_on_plane(s, field)
    x = s.corner_mm[..., 0].mean(1)
    y = s.corner_mm[..., 1].mean(1)
    on_guide = (np.abs(x - 5) < 0.7) & (np.abs(y - 20) < 10)
    assert np.rad2deg(line_angle_difference(angle[on_guide], np.pi / 2)).mean() < 3
    in_middle = (np.abs(x - 21) < 0.8) & (np.abs(y - 20) < 0.8)
    assert np.rad2deg(line_angle_difference(angle[in_middle], 0)).max() < 8


def test_seams_do_not_exist_for_the_field():
    one = surface_from_mesh(flat_mesh(40, 40, 10), "mm")
    two = surface_from_mesh(two_charts_mesh(40, 10), "mm")
    guides = [np.array([[5, 5, 0], [12, 20, 0]]), np.array([[30, 30, 0], [38, 31, 0.0]])]
    a, b = direction_field(one, guides), direction_field(two, guides)
    assert np.abs(a.doubled - b.doubled).max() < 1e-12


def test_turns_undo_each_other_and_laplacian_is_hermitian():
    s = sphere_surface(30, 8)
    turn = edge_turns(s)
    back = turn[s.adjacency.triangle, s.adjacency.edge]
    assert np.abs(np.angle(np.exp(1j * (turn + back)))).max() < 1e-12
    laplacian = connection_laplacian(s, turn)
    assert abs(laplacian - laplacian.getH()).max() < 1e-12


def test_turns_around_a_vertex_add_up_to_its_angle_defect():
    """Holonomy equals the angle defect (Gauss-Bonnet, textbook)."""
    s = sphere_surface(30, 6)
    turn = edge_turns(s)
    corner = s.corner_mm
    angles = np.empty((s.n_triangles, 3))
    for k in range(3):
        a, b = corner[:, (k + 1) % 3] - corner[:, k], corner[:, (k + 2) % 3] - corner[:, k]
        angles[:, k] = np.arccos((a * b).sum(1) / np.linalg.norm(a, axis=1) / np.linalg.norm(b, axis=1))
    defect = 2 * np.pi - np.bincount(s.tri_vertex.ravel(), angles.ravel(), s.n_vertices)
    assert defect.sum() == pytest.approx(4 * np.pi)
    for vertex in range(0, s.n_vertices, 17):
        first = t = int(np.flatnonzero((s.tri_vertex == vertex).any(1))[0])
        total = 0.0
        while True:
            k = (int(np.flatnonzero(s.tri_vertex[t] == vertex)[0]) + 1) % 3
            total += turn[t, k]
            t = s.adjacency.triangle[t, k]
            if t == first:
                break
        assert np.angle(np.exp(1j * (total - defect[vertex]))) == pytest.approx(0, abs=1e-9) or np.angle(
            np.exp(1j * (total + defect[vertex]))
        ) == pytest.approx(0, abs=1e-9)


def test_without_guides_the_field_is_smooth_and_the_same_after_moving():
    s = sphere_surface(30, 8)
    field = direction_field(s, [])
    assert np.abs(np.abs(field.doubled) - 1).max() < 1e-12
    turn = np.linalg.qr(np.random.default_rng(1).normal(size=(3, 3)))[0]
    turn *= np.linalg.det(turn)
    moved = type(s)(
        s.position_mm @ turn.T + 5, s.tri_vertex, s.tri_uv_vertex, s.uv, s.tri_face, s.tri_group, s.group_names
    )
    assert np.abs(direction_field(moved, []).doubled - field.doubled).max() < 1e-9


def test_guide_far_from_the_skin_is_refused_with_its_number():
    with pytest.raises(
        RegionError, match=r"directions\[1\]: a point of the guide is 90\.0 mm from the skin; allowed: up to"
    ):
        direction_field(flat_surface(), [np.array([[1, 1, 0], [5, 5, 0]]), np.array([[1, 1, 90], [5, 5, 90.0]])])


def test_guide_without_length_is_refused():
    with pytest.raises(RegionError, match=r"directions\[0\]: the guide has no length along the skin"):
        direction_field(flat_surface(), [np.array([[5, 5, 0], [5, 5, 0.0]])])


def test_a_field_carried_to_finer_triangles_is_the_same_in_space():
    coarse = sphere_surface(30, 6)
    field = direction_field(coarse, [np.array([[-20, 0, 23], [0, 2, 30], [20, 0, 23.0]])])
    fine = refined(coarse, 3.0)
    on_fine = carried(field, coarse, fine)
    same = np.abs(np.einsum("tx,tx->t", on_fine.xyz(fine), field.xyz(coarse)[fine.tri_parent]))
    assert same.min() > 1 - 1e-9
    assert fine.n_triangles > 4 * coarse.n_triangles
