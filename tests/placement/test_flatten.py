import numpy as np
import pytest
from meshes import flat_surface, grid, sphere_surface, two_charts_mesh

from poredepth.placement.flatten import flatten, skin_within
from poredepth.surface.locate import nearest_skin_points
from poredepth.surface.obj import PolygonMesh
from poredepth.surface.skin import surface_from_mesh


def _stretch(sheet):
    return np.linalg.svd(sheet.jacobian(sheet.uv_mm), compute_uv=False)


def _bent(width_mm, height_mm, nx, ny, where):
    """A grid bent by ``where`` (x, y) -> (x, y, z), charted as the flat grid."""
    position, faces = grid(width_mm, height_mm, nx, ny)
    uv = position[:, :2] / max(width_mm, height_mm)
    bent = np.column_stack(where(position[:, 0], position[:, 1]))
    return surface_from_mesh(PolygonMesh.from_arrays(bent, faces, uv, faces), "mm")


def test_a_plane_stays_as_it_is_whatever_its_seams():
    for surface in (flat_surface(40, 40, 10), surface_from_mesh(two_charts_mesh(), "mm")):
        sheet = flatten(surface, np.arange(surface.n_triangles))
        assert _stretch(sheet) == pytest.approx(1.0, abs=1e-5)
        assert (np.linalg.det(sheet.jacobian(sheet.uv_mm)) > 0).all()  # seen from outside
        assert not sheet.rim.any()


def test_a_cylinder_unrolls_without_stretch():
    """Developable: lengths along and around stay (closed form), also for the polyhedron inscribed in it."""
    r = 15.0
    surface = _bent(60, 30, 24, 12, lambda x, y: (r * np.sin(x / r), y, r * np.cos(x / r)))
    sheet = flatten(surface, np.arange(surface.n_triangles))
    assert _stretch(sheet) == pytest.approx(1.0, abs=2e-4)
    chord_mm = 2 * r * np.sin(2.5 / r / 2)
    span = np.ptp(sheet.uv_mm @ np.linalg.svd(sheet.uv_mm - sheet.uv_mm.mean(axis=0))[2].T, axis=0)
    assert np.hypot(*span) == pytest.approx(np.hypot(24 * chord_mm, 30), rel=0.05)


def test_a_cap_is_stretched_less_than_by_any_map_projection_at_hand():
    """Cap of a sphere of 40 degrees half angle.

    Stereographic and equidistant azimuthal maps stretch by 1 / cos^2(20 deg) = 1.13 and 40 deg / sin(40 deg) = 1.09 at
    the rim (Snyder 1987, Map projections); as rigid as possible stays nearer to 1 everywhere.
    """
    surface = sphere_surface(30, 24)
    cap = np.flatnonzero(surface.corner_mm[..., 2].min(axis=1) > 30 * np.cos(np.deg2rad(40)))
    values = _stretch(flatten(surface, cap))
    assert values.max() < 1.08
    assert values.min() > 0.93
    assert values.max() > 1.02  # a cap cannot lie flat without stretch (Gauss 1827)


def test_skin_is_gathered_along_the_skin_and_never_through_the_air():
    """A strip folded back on itself, 1 mm apart: what lies beneath is 80 mm away along the skin."""
    r = 0.5

    def fold(x, y):
        turn = np.clip((x - 60) / r, 0, np.pi)
        beyond = np.maximum(x - 60 - np.pi * r, 0)
        return np.minimum(x, 60) + r * np.sin(turn) - beyond, y, r * np.cos(turn)

    position, faces = grid(120, 40, 120, 20)
    uv = position[:, :2] / 120
    surface = surface_from_mesh(
        PolygonMesh.from_arrays(np.column_stack(fold(position[:, 0], position[:, 1])), faces, uv, faces), "mm"
    )
    points = nearest_skin_points(surface, np.array([[20, 20, 0.5], [30, 20, 0.5]]))
    near = skin_within(surface, points, 15.0)
    corner_mm = surface.corner_mm[near]
    assert (corner_mm[..., 2] > 0.49).all()
    assert corner_mm[..., 0].min() < 8 and corner_mm[..., 0].max() > 42
    sheet = flatten(surface, near)
    assert sheet.rim.sum() > 10
    assert np.array_equal(np.sort(near), near)


def test_points_whose_surroundings_do_not_meet_give_the_first_ones_alone():
    surface = flat_surface(40, 40, 20)
    points = nearest_skin_points(surface, np.array([[5, 5, 0], [35, 35, 0.0]]))
    near = skin_within(surface, points, 6.0)
    assert surface.corner_mm[near].max() < 15
    both = skin_within(surface, points, 25.0)
    assert np.isin([p.triangle for p in points], both).all()


def test_a_triangle_without_area_joins_what_lies_on_either_side():
    position = np.array([[0, 0, 0], [10, 0, 0], [10, 10, 0], [0, 10, 0], [5, 0, 0], [5, -10, 0]], float)
    faces = [[0, 1, 2, 3], [1, 0, 4], [4, 0, 5], [1, 4, 5]]
    with pytest.warns(match="1 triangles have no area"):
        surface = surface_from_mesh(PolygonMesh.from_arrays(position, faces, position[:, :2] / 40 + 0.5, faces), "mm")
    near = skin_within(surface, nearest_skin_points(surface, np.array([[8, 8, 0.0]])), 30.0)
    assert len(near) == surface.n_triangles
    sheet = flatten(surface, near)
    assert _stretch(sheet)[sheet.area_mm2 > 0] == pytest.approx(1.0, abs=1e-4)
