"""Polygons to triangles, against closed-form areas and the counts any triangulation must have."""

import os
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poredepth.surface.obj import PolygonMesh, read_obj
from poredepth.surface.triangulate import triangulate

SHARED = Path(__file__).resolve().parents[3] / "shared" / "data"


def mesh_of(points, faces=None, **more):
    points = np.asarray(points, float)
    points = np.column_stack([points, np.zeros(len(points))]) if points.shape[1] == 2 else points
    return PolygonMesh.from_arrays(points, [list(range(len(points)))] if faces is None else faces, **more)


def split(points, faces=None):
    mesh = mesh_of(points, faces)
    return triangulate(mesh, mesh.position).position


def signed_areas(points, triangles):
    a, b, c = (np.asarray(points, float)[triangles[:, i], :2] for i in range(3))
    return 0.5 * ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])


def shoelace(points):
    x, y = np.asarray(points, float)[:, :2].T
    return 0.5 * np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))


def cyclic(triangles):
    """Triangles as a set, whichever corner each begins with; the winding still counts."""
    return {tuple(np.roll(t, -int(np.argmin(t))).tolist()) for t in np.asarray(triangles)}


def assert_triangulates(points, triangles, polygon=None):
    """All positive, areas sum up, outline edges once, inner edges once each way: then it covers the polygon once."""
    polygon = list(range(len(points))) if polygon is None else polygon
    areas = signed_areas(points, triangles)
    assert len(triangles) == len(polygon) - 2
    assert areas.min() > -1e-12
    np.testing.assert_allclose(areas.sum(), shoelace(np.asarray(points)[polygon]), rtol=1e-12, atol=1e-14)
    edges = Counter((int(t[i]), int(t[(i + 1) % 3])) for t in triangles for i in range(3))
    outline = {(a, b) for a, b in zip(polygon, polygon[1:] + polygon[:1], strict=True)}
    assert set(edges.values()) == {1}
    assert outline <= set(edges)
    assert all((b, a) in edges for a, b in set(edges) - outline)


# ---- closed-form polygons

L_SHAPE = [(0, 0), (3, 0), (3, 1), (1, 1), (1, 3), (0, 3)]
COMB = [(0, 0), (7, 0), (7, 4), (6, 4), (6, 1), (5, 1), (5, 4), (4, 4), (4, 1), (3, 1), (3, 4), (2, 4), (2, 1), (1, 1)]
COMB += [(1, 4), (0, 4)]
ARROW = [(0, 0), (4, -3), (1, 0), (4, 3)]
BORDERED = [(0, 0), (1, 0), (2, 0), (3, 0), (3, 1), (3, 2), (2, 2), (1, 2), (0, 2), (0, 1)]
TENT = [(0, 0), (1, 0), (2, 0), (3, 0), (4, 0), (2, 5)]


def star(n=5, inner=0.3):
    angle = np.arange(2 * n) * np.pi / n
    radius = np.where(np.arange(2 * n) % 2, inner, 1.0)
    return np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1)


def spiral(turns=3.0, n=60, width=0.5):
    angle = np.linspace(0.0, 2 * np.pi * turns, n)
    direction = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    radius = 1.0 + angle[:, None] / (2 * np.pi)
    return np.concatenate([(radius + width) * direction, (radius * direction)[::-1]])


# areas by hand; a star of n points: n r R sin(pi / n)
SHAPES = {
    "L": (L_SHAPE, 5.0),
    "comb": (COMB, 7.0 + 4 * 3.0),
    "arrow": (ARROW, 3.0),
    "square with corners along its sides": (BORDERED, 6.0),
    "triangle with corners along one side": (TENT, 10.0),
    "star": (star(), 5 * 0.3 * np.sin(np.pi / 5)),
    "sharp star": (star(9, 0.05), 9 * 0.05 * np.sin(np.pi / 9)),
    "spiral": (spiral(), shoelace(spiral())),
    "octagon": (star(4, 1.0), 4 * np.sin(np.pi / 4)),
}


@pytest.mark.parametrize("name", SHAPES)
def test_areas_winding_and_edges(name):
    points, area = SHAPES[name]
    np.testing.assert_allclose(shoelace(points), area, rtol=1e-12)
    assert_triangulates(points, split(points))


@pytest.mark.parametrize("name", SHAPES)
def test_no_flat_triangle_where_corners_lie_on_a_line(name):
    points, area = SHAPES[name]
    assert signed_areas(points, split(points)).min() > 1e-4 * area


@pytest.mark.parametrize("name", SHAPES)
def test_the_first_corner_listed_changes_nothing(name):
    points = SHAPES[name][0]
    polygon = list(range(len(points)))
    wanted = cyclic(split(points))
    for shift in range(1, len(polygon)):
        assert cyclic(split(points, [polygon[shift:] + polygon[:shift]])) == wanted


@pytest.mark.parametrize("name", SHAPES)
def test_winding_is_kept_when_turned_over(name):
    points = SHAPES[name][0]
    polygon = list(range(len(points)))[::-1]
    areas = signed_areas(points, split(points, [polygon]))
    assert areas.max() < 0.0
    np.testing.assert_allclose(areas.sum(), -shoelace(points), rtol=1e-12)


@pytest.mark.parametrize("name", SHAPES)
@pytest.mark.parametrize("size", [1e-3, 1.0, 1e5])
def test_a_rigid_motion_and_a_scale_change_nothing(name, size):
    points = np.asarray(SHAPES[name][0], float)
    rng = np.random.default_rng(11)
    turn, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    turn *= np.linalg.det(turn)
    flat = np.column_stack([points, np.zeros(len(points))])
    assert cyclic(split(size * (flat @ turn.T + 2.0))) == cyclic(split(points))


# ---- quads


@pytest.mark.parametrize(
    ("points", "wanted"),
    [
        ([(0, 0), (1, 0), (1, 1), (0, 1)], {(0, 1, 2), (0, 2, 3)}),  # a tie goes to the smallest id
        ([(0, 0), (3, 0), (4, 1), (1, 1)], {(0, 1, 3), (1, 2, 3)}),  # 1-3 is shorter: sqrt(5) < sqrt(17)
        ([(1, 0), (4, 0), (3, 1), (0, 1)], {(0, 1, 2), (0, 2, 3)}),
        ([(0, 0), (9, -1), (1, 0), (9, 1)], {(0, 1, 2), (0, 2, 3)}),  # 1-3 would lie outside of the arrow
        ([(9, 1), (0, 0), (9, -1), (8, 0)], {(0, 1, 3), (1, 2, 3)}),
        ([(0, 0), (1, 0), (2, 0), (1, 5)], {(0, 1, 3), (1, 2, 3)}),  # 0-2 is shorter, but would leave a flat triangle
        ([(2, 0), (1, 5), (0, 0), (1, 0)], {(0, 1, 3), (1, 2, 3)}),
        ([(0, 0, 0), (1, 0, 0), (1, 1, 1), (0, 1, 0)], {(0, 1, 3), (1, 2, 3)}),  # bent: sqrt(2) < sqrt(3)
    ],
)
def test_quad_diagonal(points, wanted):
    assert cyclic(split(points)) == wanted


def test_the_diagonal_of_a_square_is_that_of_the_smallest_id():
    square = np.array([(0, 0), (1, 0), (1, 1), (0, 1)], float)
    for ids in ([0, 1, 2, 3], [1, 0, 2, 3], [2, 3, 1, 0], [3, 2, 0, 1]):
        points = np.empty((4, 2))
        points[ids] = square
        for shift in range(4):
            triangles = split(points, [ids[shift:] + ids[:shift]])
            assert all(0 in triangle for triangle in triangles)
            assert_triangulates(points, triangles, ids)


def test_ties_are_not_settled_by_rounding():
    square = np.array([(0, 0), (1, 0), (1, 1), (0, 1)], float)
    for angle in np.linspace(0.0, 6.0, 50):
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        assert cyclic(split(square @ turn.T + 0.1)) == {(0, 1, 2), (0, 2, 3)}


def test_random_quads_against_a_plain_rule():
    rng = np.random.default_rng(3)
    n = 500
    angle = np.sort(rng.random((n, 4)), axis=1) * 0.5 * np.pi + np.arange(4) * 0.5 * np.pi
    radius = rng.uniform(0.2, 1.0, (n, 4))
    points = np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=-1)
    faces = np.arange(4 * n).reshape(n, 4)
    mesh = mesh_of(points.reshape(-1, 2), faces)
    result = triangulate(mesh, mesh.position)
    assert result.face.tolist() == np.repeat(np.arange(n), 2).tolist()
    for i in range(n):
        triangles = result.position[2 * i : 2 * i + 2] - 4 * i
        assert_triangulates(points[i], triangles)
        either = {0: [(0, 1, 2), (0, 2, 3)], 1: [(0, 1, 3), (1, 2, 3)]}
        inside = [k for k in either if signed_areas(points[i], np.array(either[k])).min() > 0]
        length = [np.linalg.norm(points[i][2] - points[i][0]), np.linalg.norm(points[i][3] - points[i][1])]
        assert cyclic(triangles) == set(either[min(inside, key=length.__getitem__)])


# ---- whole meshes


def test_mixed_sizes_keep_face_order_and_texcoords():
    points = [(0, 0), (1, 0), (1, 1), (0, 1), (0.5, 1.5), (2, 0), (2, 1)]
    faces = [[0, 1, 2, 4, 3], [1, 5, 2], [5, 6, 2, 1]]
    mesh = mesh_of(
        points,
        faces,
        texcoord=np.arange(24.0).reshape(12, 2),
        face_texcoord=[[10, 9, 8, 7, 6], [5, -1, 3], [0, 1, 2, 3]],
    )
    result = triangulate(mesh, mesh.position)
    assert result.face.tolist() == [0, 0, 0, 1, 2, 2]
    assert result.position[3].tolist() == [1, 5, 2] and result.texcoord[3].tolist() == [5, -1, 3]
    texcoord_of = [dict(zip(face, row, strict=True)) for face, row in
                   zip(faces, [[10, 9, 8, 7, 6], [5, -1, 3], [0, 1, 2, 3]], strict=True)]  # fmt: skip
    for face, position, texcoord in zip(result.face, result.position, result.texcoord, strict=True):
        assert [texcoord_of[face][p] for p in position.tolist()] == texcoord.tolist()
    for array in (result.position, result.texcoord, result.face):
        assert array.dtype == np.int64
    for i, face in enumerate(faces):
        assert_triangulates(points, result.position[result.face == i], face)


@pytest.mark.parametrize(
    "points",
    [
        np.zeros((6, 3)),  # all in one place
        np.column_stack([np.arange(6.0), np.zeros((6, 2))]),  # all on a line
        [(0, 0), (2, 2), (2, 0), (0, 2)],  # crosses itself
        [(0, 0), (2, 2), (2, 0), (0, 2), (-1, 1)],
        [(0, 0), (1, 0), (0, 0), (1, 0), (0, 0)],
    ],
)
def test_polygons_without_a_proper_answer_still_give_n_minus_2(points):
    triangles = split(points)
    assert triangles.shape == (len(points) - 2, 3)
    edges = Counter((int(t[i]), int(t[(i + 1) % 3])) for t in triangles for i in range(3))
    outline = {(i, (i + 1) % len(points)) for i in range(len(points))}
    assert outline <= set(edges) and all((b, a) in edges for a, b in set(edges) - outline)


def test_a_hole_reached_by_a_bridge():
    # a ring between two squares, cut open along a bridge: two ids at each end of it; area 16 - 4
    points = [(0, 0), (4, 0), (4, 4), (0, 4), (0, 0), (1, 1), (1, 3), (3, 3), (3, 1), (1, 1)]
    assert_triangulates(points, split(points))


def measured_files():
    """Files of the trial data that are here; none elsewhere."""
    path = SHARED / "quads_and_ngons.obj"
    return [path] if os.path.exists(path) else []


def test_trial_files():
    """160 quads, 16 polygons of 5 corners, 4 triangles: counted in the file's text, independent of the reader."""
    for path in measured_files():
        sizes = Counter(len(line.split()) - 1 for line in path.read_text().splitlines() if line.startswith("f "))
        mesh = read_obj(path)
        assert Counter(mesh.face_size.tolist()) == sizes == {3: 4, 4: 160, 5: 16}
        result = triangulate(mesh, mesh.position)
        assert len(result.face) == 4 + 2 * 160 + 3 * 16
        # a closed or open mesh either way: inside a face each diagonal runs both ways, so borders stay as they were
        borders = Counter()
        for triangle in result.position.tolist():
            for a, b in zip(triangle, triangle[1:] + triangle[:1], strict=True):
                borders[a, b] += 1
        for start, stop in zip(mesh.face_start[:-1], mesh.face_start[1:], strict=True):
            ids = mesh.face_position[start:stop].tolist()
            for a, b in zip(ids, ids[1:] + ids[:1], strict=True):
                borders[a, b] -= 1
        inner = {edge: n for edge, n in borders.items() if n}
        assert all(inner.get((b, a)) == n for (a, b), n in inner.items())
        assert sum(inner.values()) == 2 * (160 + 2 * 16)


# ---- any star-shaped polygon


@st.composite
def star_shaped(draw):
    """A simple polygon around the origin: one corner in each sector, sectors below half a turn."""
    n = draw(st.integers(5, 14))
    part = np.array(draw(st.lists(st.floats(0.05, 0.95), min_size=n, max_size=n)))
    radius = np.array(draw(st.lists(st.floats(0.05, 1.0), min_size=n, max_size=n)))
    angle = (np.arange(n) + part) * 2 * np.pi / n
    return np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1)


@settings(max_examples=300, deadline=None)
@given(points=star_shaped(), shift=st.integers(0, 13))
def test_star_shaped_polygons(points, shift):
    triangles = split(points)
    assert_triangulates(points, triangles)
    polygon = list(range(len(points)))
    shift %= len(points)
    assert cyclic(split(points, [polygon[shift:] + polygon[:shift]])) == cyclic(triangles)
