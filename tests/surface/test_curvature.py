"""Curvature of a form, and lines that run where it is bent least; closed forms from textbooks."""

import numpy as np
import pytest
from meshes import flat_surface, grid, sphere_surface
from skin_measure import line_angle_difference

from poredepth.recipe.model_skin import DirectionSpec
from poredepth.surface.curvature import angle_weighted_normals, second_fundamental_form, straightest
from poredepth.surface.direction_sources import DirectionInputs, build_pulls
from poredepth.surface.directions import direction_field
from poredepth.surface.obj import PolygonMesh
from poredepth.surface.pulls import form_pull
from poredepth.surface.skin import refined, surface_from_mesh

INPUTS = DirectionInputs(lines=lambda name: [], angles=lambda name: {})


def sheet(height_of, n=24, turn=None):
    """A square of 60 mm, its middle at the origin, lifted by a function of x and y; turned by (3, 3)."""
    position, faces = grid(60, 60, n, n)
    x, y = position[:, 0] - 30, position[:, 1] - 30
    lifted = np.column_stack([x, y, height_of(x, y)])
    lifted = lifted if turn is None else lifted @ turn.T
    return surface_from_mesh(PolygonMesh.from_arrays(lifted, faces, position[:, :2] / 60, faces), "mm")


def trough(radius_mm, axis_deg=0.0, n=24, sign=1):
    """Part of a cylinder about an axis that lies ``axis_deg`` from x."""
    across = np.radians(axis_deg + 90)
    return sheet(
        lambda x, y: sign * np.sqrt(radius_mm**2 - (x * np.cos(across) + y * np.sin(across)).clip(-29.9, 29.9) ** 2), n
    )


def inner(surface, margin_mm=6.0):
    """Triangles away from the open border, where normals are one-sided."""
    return (np.abs(surface.corner_mm.mean(axis=1)[:, :2]) < 30 - margin_mm).all(axis=1)


def cylinder(radius_mm=20.0, length_mm=60.0, around=48, rings=12):
    """A whole cylinder about z, cut open for its UVs only."""
    turn = np.linspace(0, 2 * np.pi, around + 1)
    z = np.linspace(0, length_mm, rings + 1)
    position = [(radius_mm * np.cos(a), radius_mm * np.sin(a), h) for h in z for a in turn[:-1]]
    uv = [(a / 7, h / 70) for h in z for a in turn]
    faces, face_uv = [], []
    for j in range(rings):
        for i in range(around):
            right = (i + 1) % around
            faces.append([j * around + i, j * around + right, (j + 1) * around + right, (j + 1) * around + i])
            m = around + 1
            face_uv.append([j * m + i, j * m + i + 1, (j + 1) * m + i + 1, (j + 1) * m + i])
    return surface_from_mesh(PolygonMesh.from_arrays(np.array(position), faces, np.array(uv), face_uv), "mm")


def test_curvatures_of_a_sphere_a_plane_and_a_cylinder():
    for surface, expected in ((sphere_surface(30, 16), (1 / 30, 1 / 30)), (cylinder(20), (0, 1 / 20))):
        k = np.linalg.eigvalsh(second_fundamental_form(surface))
        z = surface.corner_mm.mean(axis=1)[:, 2]
        away = slice(None) if expected[0] else (z > 6) & (z < 54)
        assert np.median(k[away], axis=0) == pytest.approx(expected, abs=0.05 / 20)
    assert np.abs(second_fundamental_form(flat_surface())).max() < 1e-12


def test_outward_bulges_count_above_0_and_hollows_below():
    for sign in (1, -1):
        k = np.linalg.eigvalsh(second_fundamental_form(trough(60, sign=sign)))
        assert np.median(k.sum(axis=1)) * sign == pytest.approx(1 / 60, rel=0.05)


def test_normals_do_not_depend_on_how_quads_are_cut():
    s = cylinder()
    normal = angle_weighted_normals(s)
    inside = (s.position_mm[:, 2] > 1) & (s.position_mm[:, 2] < 59)
    out = s.position_mm * [1 / 20, 1 / 20, 0]
    assert np.abs(normal - out)[inside].max() < 1e-9


def test_lines_run_along_the_axis_of_a_cylinder_within_a_degree():
    s = cylinder()
    field = direction_field(s, pulls=build_pulls(s, [DirectionSpec(curvature=True)], INPUTS))
    off = np.degrees(np.arccos(np.clip(np.abs(field.xyz(s)[:, 2]), 0, 1)))
    print(f"off the axis of a cylinder: largest {off.max():.4f} degrees")
    assert off.max() < 1


@pytest.mark.parametrize("axis_deg", [0, 17, 50, 133])
@pytest.mark.parametrize("sign", [1, -1])
def test_lines_run_along_a_ridge_or_a_groove_whichever_way_the_mesh_runs(axis_deg, sign):
    s = trough(45, axis_deg, sign=sign)
    doubled, contrast = straightest(s)
    field = direction_field(s, pulls=[form_pull(s, s, strength=20)])
    xyz = field.xyz(s)
    off = np.degrees(line_angle_difference(np.arctan2(xyz[:, 1], xyz[:, 0]), np.radians(axis_deg)))
    assert np.median(off[inner(s)]) < 0.7 and np.percentile(off[inner(s)], 99) < 1.5
    assert np.median(contrast[inner(s)]) == pytest.approx(1 / 45, rel=0.05)


def test_a_wrinkle_is_followed():
    """Waves of 8 mm across 40 degrees on a plate: lines along their crests."""
    across = np.radians(130)
    s = sheet(lambda x, y: 0.6 * np.sin(2 * np.pi * (x * np.cos(across) + y * np.sin(across)) / 8), n=60)
    xyz = direction_field(s, pulls=[form_pull(s, s)]).xyz(s)
    slope = np.linalg.norm(xyz[:, :2], axis=1)
    off = np.degrees(line_angle_difference(np.arctan2(xyz[:, 1], xyz[:, 0]), np.radians(40)))
    assert np.median(off[inner(s)]) < 1 and np.percentile(off[inner(s) & (slope > 0.9)], 95) < 5


def test_planes_spheres_and_even_saddles_do_not_pull():
    s = flat_surface()
    assert (form_pull(s, s).weight == 0).all()
    s = sphere_surface(30, 16)
    assert np.median(form_pull(s, s).weight / (0.01 * s.area_mm2)) < 0.03
    s = sheet(lambda x, y: (x**2 - y**2) / 120)
    share = form_pull(s, s).weight / (0.01 * s.area_mm2)
    near = np.hypot(*s.corner_mm.mean(axis=1)[:, :2].T) < 8  # away from the middle its curvatures differ
    assert share[near].max() < 0.02
    s = cylinder(20)
    z = s.corner_mm.mean(axis=1)[:, 2]
    share = form_pull(s, s).weight / (0.01 * s.area_mm2)
    assert share[(z > 6) & (z < 54)] == pytest.approx(10 / 20, rel=0.03)


def test_the_form_is_that_of_the_mesh_and_not_of_its_split_triangles():
    coarse = cylinder(20, around=24, rings=6)
    fine = refined(coarse, 2.0)
    pull, whole = form_pull(fine, coarse), form_pull(coarse, coarse)
    assert np.bincount(fine.tri_parent, pull.weight) == pytest.approx(whole.weight, rel=1e-9)
    angle = np.angle(pull.target) / 2
    xyz = np.cos(angle)[:, None] * fine.frame[:, 0] + np.sin(angle)[:, None] * fine.frame[:, 1]
    middle = np.abs(fine.corner_mm.mean(axis=1)[:, 2] - 30) < 18
    assert np.abs(xyz[middle, 2]).min() > 0.9999


def test_a_flat_plate_with_curvature_has_the_field_it_has_without():
    turn = np.linalg.qr(np.random.default_rng(2).normal(size=(3, 3)))[0]
    s = sheet(lambda x, y: 0 * x, turn=turn * np.linalg.det(turn))
    with_form = direction_field(s, pulls=build_pulls(s, [DirectionSpec(curvature=True)], INPUTS))
    assert np.abs(with_form.doubled - direction_field(s).doubled).max() < 1e-6


def test_a_guide_wins_over_the_form_near_it():
    s = cylinder(20)
    guide = DirectionSpec(points=[[20, -3, 20], [20, 3, 40]])
    xyz = direction_field(s, pulls=build_pulls(s, [DirectionSpec(curvature=True), guide], INPUTS)).xyz(s)
    middle = s.corner_mm.mean(axis=1)
    lean = np.degrees(np.arctan2(np.abs(np.cross(middle, xyz)[:, 2]) / 20, np.abs(xyz[:, 2])))
    on_guide = (np.hypot(middle[:, 0] - 20, middle[:, 1]) < 3) & (np.abs(middle[:, 2] - 30) < 5)
    assert np.median(lean[on_guide]) > 12  # the guide leans 17 degrees
    assert np.median(lean[middle[:, 0] < -15]) < 4
