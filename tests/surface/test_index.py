"""The index theorem: points the field turns about and its turning along borders add up to the Euler characteristic.

Poincare and Hopf for surfaces with a border (textbook); Ray et al. 2008 for line fields on meshes.
"""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pytest
from meshes import flat_surface, ring_mesh, sphere_mesh, sphere_surface, torus_mesh
from meshes_atlas import face_uvs_of, faces_of
from meshes_traps import traps
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from shared_data import read_if_there

from poredepth import PolygonMesh, load_recipe, read_obj
from poredepth.errors import PoredepthWarning
from poredepth.sources import direction_inputs
from poredepth.surface.direction_sources import build_pulls
from poredepth.surface.directions import (
    DirectionField,
    border_index,
    corner_angles,
    direction_field,
    edge_turns,
    singular_vertices,
)
from poredepth.surface.skin import refined, surface_from_mesh

DEMO = Path(__file__).parents[2] / "demo_data"


def euler_characteristic(surface) -> int:
    """Points - edges + faces, a point counted once for each piece of the surface that merely meets the others there."""
    t, k = np.nonzero(surface.adjacency.triangle >= 0)
    t2, k2 = surface.adjacency.triangle[t, k].astype(int), surface.adjacency.edge[t, k].astype(int)
    # a corner is the same point as its twin across an edge, which runs the other way round over there
    one = np.concatenate([3 * t + (k + 1) % 3, 3 * t + (k + 2) % 3])
    other = np.concatenate([3 * t2 + (k2 + 2) % 3, 3 * t2 + (k2 + 1) % 3])
    same = coo_matrix((np.ones(len(one)), (one, other)), shape=2 * (3 * surface.n_triangles,))
    n_points = connected_components(same, directed=False)[0]
    n_borders = int((surface.adjacency.triangle < 0).sum())
    return n_points - (3 * surface.n_triangles + n_borders) // 2 + surface.n_triangles


def _field(surface, angle_of) -> DirectionField:
    """The line at ``angle_of(x, y)`` to +x, for a flat surface in the xy plane."""
    x, y = surface.corner_mm.mean(axis=1)[:, :2].T
    way = np.column_stack([np.cos(angle_of(x, y)), np.sin(angle_of(x, y)), 0 * x])
    a, b = np.einsum("tax,tx->at", surface.frame, way)
    return DirectionField((a + 1j * b) ** 2, edge_turns(surface))


def _polar(x, y):
    return np.arctan2(y, x)


TURNING = {  # name: angle of the line, and how often it turns when one walks once about the middle
    "uniform": (lambda x, y: 0.3 + 0 * x, 0.0),
    "radial": (_polar, 1.0),
    "tangent": (lambda x, y: _polar(x, y) + np.pi / 2, 1.0),
    "spiral": (lambda x, y: _polar(x, y) + 0.7, 1.0),
    "half turn": (lambda x, y: _polar(x, y) / 2, 0.5),
    "three-armed": (lambda x, y: -_polar(x, y) / 2, -0.5),
    "saddle": (lambda x, y: -_polar(x, y), -1.0),
}


@pytest.mark.parametrize("name", TURNING)
def test_on_a_disk_the_border_has_what_the_middle_lacks(name):
    """Euler characteristic of a disk: 1."""
    angle_of, turns = TURNING[name]
    s = surface_from_mesh(ring_mesh(0.0), "mm")
    field = _field(s, angle_of)
    vertex, index = singular_vertices(s, field)
    assert index.tolist() == [turns] * (turns != 0)
    assert np.linalg.norm(s.position_mm[vertex], axis=1) == pytest.approx([0.0] * (turns != 0), abs=1e-9)
    loops, border = border_index(s, field)
    assert border.tolist() == [1.0 - turns]
    [loop] = loops
    assert np.linalg.norm(s.position_mm[loop], axis=1) == pytest.approx(20.0)
    # walked with the skin to the left: anticlockwise, each point once
    step = np.diff(np.unwrap(np.arctan2(*s.position_mm[loop, 1::-1].T)))
    assert len(loop) == 24 and (step > 0).all()


@pytest.mark.parametrize("name", TURNING)
def test_on_an_annulus_the_two_borders_have_opposite_indices(name):
    """Euler characteristic of an annulus: 0, and no field must turn about a point in it."""
    angle_of, turns = TURNING[name]
    s = surface_from_mesh(ring_mesh(8.0), "mm")
    field = _field(s, angle_of)
    assert len(singular_vertices(s, field)[0]) == 0
    loops, border = border_index(s, field)
    radius = [round(float(np.linalg.norm(s.position_mm[loop[0]]))) for loop in loops]
    assert dict(zip(radius, border, strict=True)) == {20: 1.0 - turns, 8: turns - 1.0}


def test_borders_that_are_not_round_are_turned_away():
    """A square plate, cut to a U: corners of 90 and 270 degrees."""
    s = flat_surface(40, 40, 8)
    x, y = s.corner_mm.mean(axis=1)[:, :2].T
    keep = ~((np.abs(x - 20) < 5) & (y > 10))
    faces = s.tri_vertex[keep].tolist()
    u = surface_from_mesh(PolygonMesh.from_arrays(s.position_mm, faces, s.position_mm[:, :2] / 50, faces), "mm")
    for name in ("uniform", "radial"):  # the radial one turns about a corner of the plate, outside of it
        loops, border = border_index(u, _field(u, TURNING[name][0]))
        assert border.tolist() == [1.0]


def _surfaces():
    """(name, surface, Euler characteristic by what the thing is: 2 less 2 for each handle, less 1 for each hole)."""
    found = [
        ("sphere", sphere_surface(30, 6), 2),
        ("fine sphere", sphere_surface(30, 12), 2),
        ("torus", surface_from_mesh(torus_mesh(), "mm"), 0),
        ("disk", surface_from_mesh(ring_mesh(0.0), "mm"), 1),
        ("annulus", surface_from_mesh(ring_mesh(), "mm"), 0),
        ("demo head, open at the neck", surface_from_mesh(read_obj(DEMO / "head.obj"), "cm"), 1),
        ("head without eyes and lips", _without_groups(read_obj(DEMO / "head.obj"), ("eyes", "lips")), -2),
    ]
    face = read_if_there("face_one_chart_cm.obj")
    return found + ([("face mask", surface_from_mesh(face, "cm"), 1)] if face is not None else [])


def _without_groups(mesh, names):
    left_out = [mesh.group_names.index(name) for name in names]
    keep = [f for f in range(mesh.n_faces) if mesh.face_group[f] not in left_out]
    faces, uvs = ([x[f] for f in keep] for x in (faces_of(mesh), face_uvs_of(mesh)))
    return surface_from_mesh(PolygonMesh.from_arrays(mesh.position, faces, mesh.texcoord, uvs), "cm")


@pytest.fixture(scope="module", params=_surfaces(), ids=lambda p: p[0])
def thing(request):
    return request.param


def test_indices_of_points_and_borders_add_up_to_the_euler_characteristic(thing):
    name, s, characteristic = thing
    assert euler_characteristic(s) == characteristic
    rng = np.random.default_rng(5)
    guides = s.corner_mm[rng.integers(0, s.n_triangles, 3), :2]
    fields = [direction_field(s, []), direction_field(s, guides)]
    # any field at all, also the wildest, obeys the theorem
    fields += [DirectionField(np.exp(2j * np.pi * rng.random(s.n_triangles)), edge_turns(s)) for _ in range(3)]
    for field in fields:
        loops, border = border_index(s, field)
        points = singular_vertices(s, field)[1]
        assert points.sum() + border.sum() == characteristic
        assert sum(len(loop) for loop in loops) == (s.adjacency.triangle < 0).sum()
    print(f"{name}: points {points.sum():g}, borders {border.tolist()}, characteristic {characteristic}")


def test_the_demo_head_with_its_guides():
    """Open at the neck, one border: 1 in all.  The guides make the lines run round the neck, so its index is 0."""
    recipe = load_recipe(DEMO / "head.yaml")
    s = surface_from_mesh(read_obj(DEMO / "head.obj"), "cm")
    field = direction_field(s, pulls=build_pulls(s, recipe.directions, direction_inputs(recipe), s))
    [loop], [border] = border_index(s, field)
    points = singular_vertices(s, field)[1]
    lowest = s.position_mm[loop, 1].max()
    print(f"demo head: border of {len(loop)} points, index {border:g}; {len(points)} points, sum {points.sum():g}")
    assert lowest < np.percentile(s.position_mm[:, 1], 5)  # the rim of the neck
    assert border + points.sum() == 1.0
    assert border == 0.0


# angles mean nothing in a face without area: the points of such faces are not looked at
@pytest.mark.parametrize("trap", [t for t in traps() if t.name != "face without area"], ids=lambda trap: trap.name)
def test_the_theorem_holds_on_every_trap(trap):
    """Non-manifold edges and faces turned round are borders, of what is left when the skin is taken apart there."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", PoredepthWarning)
        s = surface_from_mesh(trap.mesh, "mm")
    rng = np.random.default_rng(0)
    for field in (
        direction_field(s, []),
        DirectionField(np.exp(2j * np.pi * rng.random(s.n_triangles)), edge_turns(s)),
    ):
        total = singular_vertices(s, field)[1].sum() + border_index(s, field)[1].sum()
        assert total == euler_characteristic(s)


def test_pieces_that_meet_in_a_point_have_a_border_each():
    position = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [-1, 0, 0], [0, -1, 0]], float)
    faces = [[0, 1, 2], [0, 3, 4]]
    s = surface_from_mesh(PolygonMesh.from_arrays(position, faces, position[:, :2] / 3 + 0.5, faces), "mm")
    loops, border = border_index(s, direction_field(s, []))
    assert sorted(len(loop) for loop in loops) == [3, 3]
    assert border.tolist() == [1.0, 1.0]


def test_a_field_turned_by_a_constant_angle_keeps_its_indices():
    s = surface_from_mesh(ring_mesh(0.0), "mm")
    field = _field(s, TURNING["half turn"][0])
    turned = DirectionField(field.doubled * np.exp(2j * 0.4), field.turn)
    assert border_index(s, turned)[1].tolist() == border_index(s, field)[1].tolist() == [0.5]


def test_angles_of_a_triangle_add_up_to_half_a_turn():
    s = refined(surface_from_mesh(sphere_mesh(30, 4), "mm"), 9.0)
    assert corner_angles(s).sum(axis=1) == pytest.approx(np.pi, abs=1e-12)
