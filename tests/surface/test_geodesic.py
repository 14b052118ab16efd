import numpy as np
import pytest
from meshes import flat_surface, sphere_surface, two_sheets_mesh

from poredepth.surface import kernels
from poredepth.surface.geodesic import distance_from_point_mm, distance_from_vertices_mm
from poredepth.surface.locate import nearest_skin_points
from poredepth.surface.skin import refined, surface_from_mesh


def test_distance_from_a_point_on_a_plane_is_exact():
    """Circular fronts are exact on a flat sheet (own derivation)."""
    s = refined(flat_surface(40, 40, 8), 3.0)
    point = nearest_skin_points(s, np.array([13.3, 17.9, 0]))[0]
    d = distance_from_point_mm(s, point)
    assert d == pytest.approx(np.linalg.norm(s.position_mm - [13.3, 17.9, 0], axis=1), abs=0.02)


def test_distance_on_a_sphere_is_the_great_circle():
    """Great-circle distance (textbook); the mesh is inscribed, hence a little short."""
    s = sphere_surface(30, 40)
    point = nearest_skin_points(s, np.array([30.0, 0, 0]))[0]
    d = distance_from_point_mm(s, point)
    true = 30 * np.arccos(np.clip(s.position_mm[:, 0] / 30, -1, 1))
    far = true > 5
    assert np.abs(d[far] / true[far] - 1).max() < 0.01


def test_distance_from_a_border_line_on_a_plane():
    s = refined(flat_surface(40, 40, 8), 3.0)
    source = np.flatnonzero(s.position_mm[:, 0] < 1e-9)
    d = distance_from_vertices_mm(s, source)
    assert d == pytest.approx(s.position_mm[:, 0], abs=0.05)


def test_distance_never_goes_through_the_air():
    """Two sheets 0.5 mm apart: nothing is reached on the other one."""
    s = surface_from_mesh(two_sheets_mesh(), "mm")
    d = distance_from_point_mm(s, nearest_skin_points(s, np.array([10.0, 10, 0]))[0])
    assert np.isinf(d[s.position_mm[:, 2] > 0.25]).all()
    assert np.isfinite(d[s.position_mm[:, 2] < 0.25]).all()


def test_nearest_point_beats_brute_force_sampling():
    s = sphere_surface(30, 6)
    rng = np.random.default_rng(2)
    for point in rng.normal(size=(20, 3)) * 30:
        found = nearest_skin_points(s, point)[0]
        at = s.points_mm(np.array([found.triangle]), found.barycentric[None])[0]
        assert np.linalg.norm(at - point) == pytest.approx(found.snapped_mm, abs=1e-9)
        grid_b = np.array([(i, j, 12 - i - j) for i in range(13) for j in range(13 - i)]) / 12
        brute = np.linalg.norm(np.einsum("bk,tkx->tbx", grid_b, s.corner_mm) - point, axis=2).min()
        assert found.snapped_mm <= brute + 1e-9


def test_walk_over_a_flat_sheet_is_a_straight_line():
    s = refined(flat_surface(40, 40, 7), 2.5)
    rng = np.random.default_rng(3)
    start = nearest_skin_points(s, np.array([20.0, 20.0, 0]))[0]
    to = rng.uniform(1, 39, (200, 2))
    corner = s.corner_mm[start.triangle, :, :2]
    system = np.vstack([corner.T, np.ones(3)])
    b = np.linalg.solve(system, np.vstack([to.T, np.ones(200)])).T.copy()
    t = np.full(200, start.triangle, np.int64)
    kernels.walk_many(t, b, s.flat_mm, s.adjacency.triangle, s.adjacency.edge)
    assert s.points_mm(t, b)[:, :2] == pytest.approx(to, abs=1e-9)


def test_walk_beyond_an_open_border_ends_at_its_nearest_point():
    s = flat_surface(40, 40, 10)
    start = nearest_skin_points(s, np.array([38.5, 21.0, 0]))[0]
    corner = s.corner_mm[start.triangle, :, :2]
    b = np.linalg.solve(np.vstack([corner.T, np.ones(3)]), [44.0, 22.0, 1.0])[None].copy()
    t = np.array([start.triangle])
    kernels.walk_many(t, b, s.flat_mm, s.adjacency.triangle, s.adjacency.edge)
    assert s.points_mm(t, b)[0] == pytest.approx([40.0, 22.0, 0.0], abs=1e-6)


def test_walk_on_a_sphere_keeps_its_length():
    """A straight walk over an unfolded sphere stays near a great circle (textbook)."""
    s = sphere_surface(30, 40)
    start = nearest_skin_points(s, np.array([30.0, 0.1, 0.1]))[0]
    flat = s.flat_mm[start.triangle]
    centre = start.barycentric @ flat
    for angle in np.linspace(0, 2 * np.pi, 12, endpoint=False):
        to = centre + 25 * np.array([np.cos(angle), np.sin(angle)])
        b = np.linalg.solve(np.vstack([flat.T, np.ones(3)]), [*to, 1.0])[None].copy()
        t = np.array([start.triangle])
        kernels.walk_many(t, b, s.flat_mm, s.adjacency.triangle, s.adjacency.edge)
        end = s.points_mm(t, b)[0]
        begin = s.points_mm(np.array([start.triangle]), start.barycentric[None])[0]
        arc = 30 * np.arccos(end @ begin / np.linalg.norm(end) / np.linalg.norm(begin))
        assert arc == pytest.approx(25, rel=0.01)
