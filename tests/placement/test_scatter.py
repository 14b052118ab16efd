from dataclasses import replace

import numpy as np
import pytest
from meshes import flat_surface, sphere_surface, two_sheets_mesh
from reference import sheet_solution, thinned_out, triangles_within

from poredepth.patch.types import HeightPatch
from poredepth.placement.centres import blue_noise, thin_out
from poredepth.placement.matching import random_pieces
from poredepth.placement.prints import Prints, sharpness_for, stretch, visible_area_mm2
from poredepth.placement.scatter import REACH_RATIO, SPACING_RATIO, ScatterSpec, _Sheets, scatter, uncovered
from poredepth.surface.directions import direction_field
from poredepth.surface.locate import nearest_skin_points
from poredepth.surface.points import random_skin_points
from poredepth.surface.skin import refined, surface_from_mesh

PATCH = HeightPatch("flat", np.zeros((100, 200)), 0.1)


def _sphere_prints(print_mm=12.0, triangles=None, **spec):
    s = refined(sphere_surface(30, 12), print_mm / 3)
    field = direction_field(s, [np.array([[-20, 0, 23], [0, 2, 30], [20, 0, 23.0]])])
    triangles = np.ones(s.n_triangles, bool) if triangles is None else triangles(s)
    return (
        s,
        field,
        scatter(s, field, triangles, [PATCH], ScatterSpec(print_mm, print_mm / 20, seed=1, name="x", **spec)),
    )


def _weight_at(prints, points):
    """Largest weight over prints at skin points: plain Python."""
    out = np.zeros(len(points))
    for p, (t, b) in enumerate(zip(points.triangle, points.barycentric, strict=True)):
        rows = slice(prints.start[t], prints.start[t + 1])
        out[p] = (prints.corner_weight[rows] @ b).max(initial=-1.0)
    return out


def test_no_skin_point_is_left_without_a_print():
    s, _, prints = _sphere_prints()
    points = random_skin_points(s, 20000, np.random.default_rng(0))
    assert _weight_at(prints, points).min() > 0


def test_a_region_is_covered_and_the_rest_left_alone():
    s, _, prints = _sphere_prints(triangles=lambda s: s.corner_mm[..., 2].mean(1) > 10)
    inside = s.corner_mm[..., 2].mean(1) > 10
    points = random_skin_points(s, 5000, np.random.default_rng(0), inside)
    assert _weight_at(prints, points).min() > 0
    far = s.corner_mm[..., 2].mean(1) < 10 - 9
    assert (np.diff(prints.start)[far] == 0).all()


def test_empty_region_gives_no_print():
    _, _, prints = _sphere_prints(triangles=lambda s: np.zeros(s.n_triangles, bool))
    assert prints.n_prints == 0
    assert len(prints.print_id) == 0


def test_print_larger_than_the_whole_skin():
    s, _, prints = _sphere_prints(print_mm=90.0)
    points = random_skin_points(s, 2000, np.random.default_rng(0))
    assert _weight_at(prints, points).min() > 0


def test_corner_data_is_continuous_over_every_edge():
    """One value per (welded vertex, print); a print ends where its weight is 0 or less."""
    s, _, prints = _sphere_prints()
    triangle = prints.row_triangle
    seen: dict[tuple[int, int], tuple] = {}
    for row in range(len(triangle)):
        for k in range(3):
            key = (int(s.tri_vertex[triangle[row], k]), int(prints.print_id[row]))
            value = (*prints.corner_mm[row, k], prints.corner_weight[row, k])
            assert seen.setdefault(key, value) == value
    has = {(int(t), int(p)) for t, p in zip(triangle, prints.print_id, strict=True)}
    for t, p in has:
        for k in range(3):
            t2 = int(s.adjacency.triangle[t, k])
            if (t2, p) not in has:  # the edge to a triangle without this print carries no weight
                row = prints.start[t] + np.searchsorted(prints.print_id[prints.start[t] : prints.start[t + 1]], p)
                assert prints.corner_weight[row, (k + 1) % 3] <= 0
                assert prints.corner_weight[row, (k + 2) % 3] <= 0


def _bump():
    s = refined(flat_surface(40, 40, 10), 4.0)
    bump = 4 * np.exp(-((s.position_mm[:, :2] - 20) ** 2).sum(1) / 200)
    return replace(s, position_mm=s.position_mm + bump[:, None] * [0, 0, 1])


def test_sheets_equal_their_definition():
    """Every row of a handful of prints against a dense least-squares solve on the triangles a slow walk gathers."""
    s = _bump()
    field = direction_field(s, [np.array([[5, 20, 1], [35, 26, 1.0]])])
    centre = nearest_skin_points(
        s, np.array([[20, 20, 4], [11.3, 17.9, 1], [30.2, 8.8, 0.5], [1.0, 1.0, 0], [38, 22, 0.3]])
    )
    triangle = np.array([point.triangle for point in centre])
    barycentric = np.array([point.barycentric for point in centre])
    sheets = _Sheets(s, field, ScatterSpec(14, 1))
    sheets.lay(triangle, barycentric)
    rows = sheets.rows()
    row_triangle = np.repeat(np.arange(s.n_triangles), np.diff(rows.start))
    for p in range(len(centre)):
        gathered, away_mm = triangles_within(
            s.position_mm, s.tri_vertex, triangle[p], barycentric[p], REACH_RATIO * 7.0
        )
        xyz = field.xyz(s)[gathered]
        xyz *= np.sign(xyz @ field.xyz(s)[triangle[p]])[:, None]  # the field bends by far less than a right angle
        vertex, local = np.unique(s.tri_vertex[gathered], return_inverse=True)
        want = np.full((s.n_vertices, 2), np.nan)
        # all within 0.7 radius count alike, those on the rim a tenth of it
        share = 1 - 0.9 * np.clip((away_mm / 7.0 - 0.7) / 0.3, 0, 1)
        want[vertex] = sheet_solution(s.corner_mm[gathered], xyz, local.reshape(-1, 3), share)
        want -= barycentric[p] @ want[s.tri_vertex[triangle[p]]]
        mine = np.flatnonzero(rows.print_id == p)
        got, due = rows.uv_mm[mine], want[s.tri_vertex[row_triangle[mine]]]
        got = got * np.sign((got * due).sum())  # a line has no sign
        assert len(mine) > 10
        assert np.abs(got - due).max() < 1e-6
        # the weight is 1 - r / radius, but on the rim; and all triangles within the radius are there
        inner = np.linalg.norm(due, axis=2) < 7.0
        assert rows.weight[mine][inner] == pytest.approx(1 - np.linalg.norm(due, axis=2)[inner] / 7.0, abs=1e-6)
        held = np.flatnonzero((np.linalg.norm(want[s.tri_vertex], axis=2) < 7.0).any(axis=1))
        assert np.array_equal(np.sort(row_triangle[mine]), held)


def test_prints_reach_out_to_their_radius():
    """On a plane: weight 1 - distance / radius at points well off the centre, less what triangles cost a cone."""
    s = refined(flat_surface(60, 60, 15), 2.0)
    every = np.ones(s.n_triangles, bool)
    prints = scatter(s, direction_field(s, []), every, [PATCH], ScatterSpec(9, 0.5, seed=1, name="x"))
    points = random_skin_points(s, 3000, np.random.default_rng(0))
    at = s.points_mm(points.triangle, points.barycentric.astype(float))
    centre = s.points_mm(prints.centre_triangle, prints.centre_barycentric)
    away = np.linalg.norm(at[:, None] - centre[None], axis=2)
    off = []
    for p, (t, b) in enumerate(zip(points.triangle, points.barycentric, strict=True)):
        rows = slice(prints.start[t], prints.start[t + 1])
        weight = dict(zip(prints.print_id[rows].tolist(), prints.corner_weight[rows] @ b, strict=True))
        for near in np.flatnonzero((away[p] > 0.6 * 4.5) & (away[p] < 0.9 * 4.5)):
            off.append(weight[int(near)] - (1 - away[p, near] / 4.5))
    print(f"{len(off)} weights, off by {min(off):.3f} to {max(off):.3f}")
    assert len(off) > 3000
    assert np.abs(off).max() < 0.06


def test_on_a_plane_with_a_constant_field_prints_are_true_to_size():
    s = refined(flat_surface(40, 40, 10), 3.0)
    field = direction_field(s, [np.array([[10, 10, 0], [20, 15, 0.0]])])
    prints = scatter(s, field, np.ones(s.n_triangles, bool), [PATCH], ScatterSpec(9, 0.5, seed=1, name="x"))
    assert stretch(prints, s.flat_mm) == pytest.approx(1.0, abs=1e-5)


def test_stretch_of_sphere_prints_stays_mostly_within_the_allowed():
    """A line field on a sphere has at least two singular points, about which no sheet can follow it."""
    s, _, prints = _sphere_prints()
    values = stretch(prints, s.flat_mm)
    area = s.area_mm2[prints.row_triangle]
    good = (values[:, 0] < 1.25) & (values[:, 1] > 0.8)
    assert area[good].sum() / area.sum() > 0.95


def test_lay_follows_the_field():
    """A patch whose lay is 30 degrees: its direction at 30 degrees lands on the field."""
    s = refined(flat_surface(40, 40, 10), 3.0)
    field = direction_field(s, [np.array([[10, 10, 0], [20, 15, 0.0]])])
    patch = HeightPatch("p", np.zeros((100, 100)), 0.1, lay_deg=30.0)
    prints = scatter(s, field, np.ones(s.n_triangles, bool), [patch], ScatterSpec(9, 0.5, seed=1, name="x"))
    triangle = prints.row_triangle
    on_skin = s.corner_mm[triangle][..., :2]
    e_skin = np.stack([on_skin[:, 1] - on_skin[:, 0], on_skin[:, 2] - on_skin[:, 0]], 2)
    e_patch = np.stack(
        [prints.corner_mm[:, 1] - prints.corner_mm[:, 0], prints.corner_mm[:, 2] - prints.corner_mm[:, 0]], 2
    )
    to_patch = e_patch @ np.linalg.inv(e_skin)
    lay = to_patch @ (np.array([10, 5]) / np.hypot(10, 5))
    angle = np.rad2deg(np.arctan2(lay[:, 1], lay[:, 0])) % 180
    assert angle == pytest.approx(30.0, abs=0.01)
    assert (np.linalg.det(to_patch) > 0).all()  # never mirrored


def test_random_pieces_come_from_the_whole_patch_turned_about_its_lay():
    pieces = random_pieces(4000, [PATCH], [1.0], 20, np.random.default_rng(0))
    off = np.rad2deg(np.minimum(pieces.turn_rad % np.pi, np.pi - pieces.turn_rad % np.pi))
    assert off.max() <= 20
    assert off.mean() == pytest.approx(10, abs=0.5)  # mean of a uniform draw
    assert pieces.shift_mm.max(0) == pytest.approx([20, 10], abs=0.05)
    assert pieces.shift_mm.min(0) == pytest.approx([0, 0], abs=0.05)


def test_same_seed_same_prints_other_seed_other_prints():
    a, b = _sphere_prints()[2], _sphere_prints()[2]
    for one, again in zip(vars(a).values(), vars(b).values(), strict=True):
        assert np.array_equal(one, again)
    s = refined(sphere_surface(30, 12), 4.0)
    field = direction_field(s, [])
    every = np.ones(s.n_triangles, bool)
    c = scatter(s, field, every, [PATCH], ScatterSpec(12, 0.6, seed=1, name="x"))
    d = scatter(s, field, every, [PATCH], ScatterSpec(12, 0.6, seed=2, name="x"))
    e = scatter(s, field, every, [PATCH], ScatterSpec(12, 0.6, seed=1, name="y"))
    for other in (d, e):
        # the first 40 are blue noise, in the order of the draw
        assert (c.centre_triangle[:40] == other.centre_triangle[:40]).mean() < 0.1
        assert np.abs(c.centre_barycentric[:40] - other.centre_barycentric[:40]).max(axis=1).min() > 1e-3


def test_blue_noise_keeps_its_distance_and_is_dense():
    """Bridson 2007: no two points nearer than r.  n r^2 of dart throwing: 0.55 to 0.75 (facts of point packing)."""
    s = flat_surface(100, 100, 20)
    triangle, b = blue_noise(s, np.arange(s.n_triangles), 3.0, np.random.default_rng(0))
    at = s.points_mm(triangle, b)
    from scipy.spatial import cKDTree

    assert cKDTree(at).query(at, k=2)[0][:, 1].min() >= 3.0
    assert 0.55 < len(at) * 3.0**2 / 100**2 < 0.8


def test_blue_noise_sees_both_sides_of_a_thin_fold():
    s = flat_surface(40, 40, 10)
    turned = type(s)(
        np.vstack([s.position_mm, s.position_mm + [0, 0, 0.5]]),
        np.vstack([s.tri_vertex, s.tri_vertex[:, ::-1] + s.n_vertices]),
        np.vstack([s.tri_uv_vertex, s.tri_uv_vertex[:, ::-1]]),
        s.uv,
        np.tile(s.tri_face, 2),
        np.tile(s.tri_group, 2),
        s.group_names,
    )
    triangle, _ = blue_noise(turned, np.arange(turned.n_triangles), 4.0, np.random.default_rng(0))
    upper = (triangle >= s.n_triangles).mean()
    assert 0.4 < upper < 0.6


@pytest.mark.parametrize("n_kept_before", [0, 40])
def test_thinning_equals_its_slow_twin(n_kept_before):
    """On a sphere and on two sides of a thin fold; the first points may be kept already, however near each other."""
    ball, fold = sphere_surface(30, 6), surface_from_mesh(two_sheets_mesh(), "mm")
    for s, spacing_mm in ((ball, 5.0), (fold, 2.0)):
        points = random_skin_points(s, 1500, np.random.default_rng(3))
        barycentric = points.barycentric.astype(float)
        got = thin_out(s, points.triangle, barycentric, spacing_mm, n_kept_before)
        at = s.points_mm(points.triangle, barycentric)
        want = thinned_out(at, s.normal[points.triangle], spacing_mm, n_kept_before)
        assert np.array_equal(got, want)
        assert 50 < got.sum() < 500


def test_uncovered_finds_a_hole():
    s, _, prints = _sphere_prints()
    where = np.arange(s.n_triangles)
    from types import SimpleNamespace

    rows = SimpleNamespace(start=prints.start, weight=prints.corner_weight.astype(float))
    assert len(uncovered(rows, s, where)[0]) == 0
    keep = prints.print_id != prints.print_id[0]
    start = np.zeros(s.n_triangles + 1, np.int64)
    np.cumsum(np.bincount(prints.row_triangle[keep], minlength=s.n_triangles), out=start[1:])
    assert (
        len(uncovered(SimpleNamespace(start=start, weight=prints.corner_weight[keep].astype(float)), s, where)[0]) > 0
    )


def test_overlap_width_is_what_was_asked():
    """10 to 90 % of the cross-fade of two equal prints half a spacing to either side."""
    print_mm, overlap_mm = 10.0, 0.5
    power = sharpness_for(print_mm, overlap_mm)
    x = np.linspace(-1, 1, 20001)
    half = 0.5 * SPACING_RATIO * print_mm * 1.1
    a, b = (1 - np.abs(x + half) / 5) ** power, (1 - np.abs(x - half) / 5) ** power
    share = a / (a + b)
    width = x[np.argmin(np.abs(share - 0.1))] - x[np.argmin(np.abs(share - 0.9))]
    assert width == pytest.approx(overlap_mm, rel=0.15)


def _cone_surface(height_mm=12.0, radius_mm=30.0):
    """A flat square raised to a cone with a sharp tip, 44 degrees less than a full turn around it."""
    s = refined(flat_surface(80, 80, 20), 3.0)
    r = np.linalg.norm(s.position_mm[:, :2] - 40, axis=1)
    z = height_mm * np.clip(1 - r / radius_mm, 0, 1)
    return replace(s, position_mm=np.column_stack([s.position_mm[:, :2], z]))


@pytest.mark.parametrize("surface", ["sphere", "cone"])
def test_what_is_seen_is_true_to_size_where_the_skin_is_strongly_curved(surface):
    """0.8 to 1.25 for 99 % of the area: prints of 16 mm on a ball of 12 mm radius, and on a cone."""
    s = refined(sphere_surface(12, 8), 2.0) if surface == "sphere" else _cone_surface()
    field = direction_field(s, [])
    prints = scatter(s, field, np.ones(s.n_triangles, bool), [PATCH], ScatterSpec(16, 1, seed=1, name="x"))
    area, values = visible_area_mm2(prints, s.area_mm2), stretch(prints, s.flat_mm)
    assert area.sum() == pytest.approx(s.area_mm2.sum(), rel=1e-6)
    outside = (values[:, 1] < 0.8) | (values[:, 0] > 1.25)
    print(f"{surface}: {100 * area[outside].sum() / area.sum():.2f} % outside 0.8 to 1.25")
    assert area[outside].sum() < 0.01 * area.sum()


def test_seen_area_follows_the_shares_of_prints():
    """Two prints, weights 1 - x and x: each is seen on half of the skin."""
    s = flat_surface(10, 10, 1)
    x = (s.corner_mm[..., 0] / 10).astype(np.float32)
    two = np.repeat(np.arange(s.n_triangles), 2)
    prints = Prints(
        start=2 * np.arange(s.n_triangles + 1),
        print_id=np.tile([0, 1], s.n_triangles).astype(np.int32),
        picture=np.zeros(2 * s.n_triangles, np.int32),
        corner_mm=np.zeros((2 * s.n_triangles, 3, 2), np.float32),
        corner_weight=np.stack([1 - x, x], axis=1).reshape(-1, 3),
        zoom=np.ones(2 * s.n_triangles, np.float32),
        pair_start=np.arange(s.n_triangles + 1),
        likeness=np.zeros(s.n_triangles, np.float32),
        sharpness=8,
    )
    area = visible_area_mm2(prints, s.area_mm2)
    assert np.bincount(two, area) == pytest.approx(s.area_mm2)
    assert np.bincount(prints.print_id, area) == pytest.approx([50, 50], abs=1e-6)


@pytest.mark.parametrize(("along", "across", "size"), [(2.0, 1.0, 1.0), (1.0, 0.5, 1.0), (1.0, 1.0, 1.6)])
def test_size_and_stretch_along_the_field(along, across, size):
    """A step of 1 mm along the field is 1 / (size along) mm of the patch."""
    s = refined(flat_surface(60, 60, 10), 4.0)
    field = direction_field(s, [np.array([[10, 10, 0], [50, 40, 0.0]])])
    spec = ScatterSpec(14, 0.7, along_ratio=along, across_ratio=across, seed=1, name="x")
    prints = scatter(
        s, field, np.ones(s.n_triangles, bool), [PATCH], spec, size_at=lambda triangle, _: np.full(len(triangle), size)
    )
    triangle = prints.row_triangle
    flat = s.flat_mm[triangle]
    on_skin = np.stack([flat[:, 1] - flat[:, 0], flat[:, 2] - flat[:, 0]], axis=2)
    c = prints.corner_mm.astype(float)
    jacobian = np.stack([c[:, 1] - c[:, 0], c[:, 2] - c[:, 0]], axis=2) @ np.linalg.inv(on_skin)
    angle = field.angle_rad[triangle]
    for way, ratio in (((np.cos(angle), np.sin(angle)), along), ((-np.sin(angle), np.cos(angle)), across)):
        image = np.einsum("nab,bn->na", jacobian, np.array(way))
        assert np.linalg.norm(image, axis=1) == pytest.approx(1 / (size * ratio), rel=2e-3)
    assert prints.zoom == pytest.approx(1 / (size * min(along, across)))


def test_size_is_that_of_the_centre_of_a_print():
    s = refined(flat_surface(60, 60, 10), 4.0)
    field = direction_field(s, [])

    def size_at(triangle, barycentric):
        return 0.5 + s.points_mm(triangle, barycentric)[:, 0] / 60

    prints = scatter(
        s, field, np.ones(s.n_triangles, bool), [PATCH], ScatterSpec(12, 0.6, seed=1, name="x"), size_at=size_at
    )
    want = 1 / size_at(prints.centre_triangle, prints.centre_barycentric)
    assert stretch(prints, s.flat_mm) == pytest.approx(np.repeat(want[prints.print_id][:, None], 2, axis=1), rel=2e-3)


def test_several_patches_are_drawn_by_their_shares_and_meet_as_they_should():
    s = refined(flat_surface(150, 150, 20), 4.0)
    field = direction_field(s, [])
    rng = np.random.default_rng(0)
    a = HeightPatch("a", rng.normal(0, 0.01, (200, 200)), 0.05)
    b = HeightPatch("b", rng.normal(0, 0.02, (160, 240)), 0.04, lay_deg=30.0)
    spec = ScatterSpec(12, 0.6, seed=1, name="x")
    prints = scatter(s, field, np.ones(s.n_triangles, bool), [a, b], spec, share=[1, 3])
    of_print = np.zeros(prints.n_prints, int)
    of_print[prints.print_id] = prints.picture
    n = prints.n_prints
    assert abs(of_print.mean() - 0.75) < 3 * np.sqrt(0.75 * 0.25 / n)
    # every print shows one picture
    assert (of_print[prints.print_id] == prints.picture).all()
    # noise of two pictures is unrelated
    assert np.abs(prints.likeness).mean() < 0.2


def test_prints_of_two_patches_go_on_in_each_other():
    """The same waves in two pictures, out of step by a third: matched, they are in step where they meet."""
    s = refined(flat_surface(80, 80, 20), 4.0)
    x = (np.arange(400) + 0.5) * 0.05
    a = HeightPatch("a", np.tile(np.sin(2 * np.pi * x / 2), (400, 1)), 0.05)
    b = HeightPatch("b", np.tile(3 * np.sin(2 * np.pi * (x / 2 + 1 / 3)), (400, 1)), 0.05)
    every, field = np.ones(s.n_triangles, bool), direction_field(s, [np.array([[10, 10, 0], [50, 10, 0.0]])])
    found = {}
    for matched in (False, True):
        spec = ScatterSpec(12, 0.6, matched=matched, seed=1, name="x")
        prints = scatter(s, field, every, [a, b], spec)
        found[matched] = float(np.median(prints.likeness))
    print(found)
    assert found[True] > 0.95
    assert found[False] < 0.6
