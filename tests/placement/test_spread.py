import numpy as np
import pytest
from meshes import flat_surface, sphere_surface, two_charts_mesh
from recipes import composed_of, grating
from skin_measure import dominant_wave, flat_view, line_angle_difference

from poredepth.errors import PlacementError
from poredepth.patch.types import HeightPatch
from poredepth.placement.prints import stretch
from poredepth.placement.spread import SpreadSpec, spread
from poredepth.surface.directions import direction_field, singular_vertices
from poredepth.surface.points import random_skin_points
from poredepth.surface.skin import refined, surface_from_mesh

PATCH = HeightPatch("p", np.zeros((100, 100)), 0.1)


def _cap(s, height_mm=20.0):
    return s.corner_mm[..., 2].min(axis=1) > height_mm


def _across(s, field, prints):
    """Gradient of patch y in space, and the field, at every row's triangle."""
    t = prints.row_triangle
    flat = s.flat_mm[t]
    to = np.stack([flat[:, 1] - flat[:, 0], flat[:, 2] - flat[:, 0]], axis=2)
    y = prints.corner_mm[..., 1].astype(float)
    gradient = np.einsum("ti,tij->tj", np.stack([y[:, 1] - y[:, 0], y[:, 2] - y[:, 0]], axis=1), np.linalg.inv(to))
    return gradient, field.angle_rad[t]


def test_on_a_plane_the_sheet_is_the_plane():
    s = flat_surface(40, 40, 10)
    field = direction_field(s, [np.array([[5, 5, 0], [35, 20, 0.0]])])
    prints = spread(s, field, np.ones(s.n_triangles, bool), PATCH, SpreadSpec())
    assert stretch(prints, s.flat_mm) == pytest.approx(1.0, abs=1e-6)
    gradient, angle = _across(s, field, prints)
    off = line_angle_difference(np.arctan2(gradient[:, 1], gradient[:, 0]), angle + np.pi / 2)
    assert np.rad2deg(off).max() < 1e-4


def test_ratios_and_phase():
    s = flat_surface(40, 40, 10)
    field = direction_field(s, [np.array([[5, 5, 0], [35, 5, 0.0]])])
    every = np.ones(s.n_triangles, bool)
    plain = spread(s, field, every, PATCH, SpreadSpec())
    drawn = spread(s, field, every, PATCH, SpreadSpec(along_ratio=2.0, across_ratio=0.5, phase_mm=(1.0, 3.0)))
    want = (plain.corner_mm - [1.0, 3.0]) / [2.0, 0.5]
    assert drawn.corner_mm == pytest.approx(want, abs=1e-5)


def test_one_value_per_point_also_over_a_seam():
    s = surface_from_mesh(two_charts_mesh(), "mm")
    field = direction_field(s, [np.array([[5, 5, 0], [35, 12, 0.0]])])
    prints = spread(s, field, np.ones(s.n_triangles, bool), PATCH, SpreadSpec())
    low, high = np.full((s.n_vertices, 2), np.inf), np.full((s.n_vertices, 2), -np.inf)
    np.minimum.at(low, s.tri_vertex[prints.row_triangle].ravel(), prints.corner_mm.reshape(-1, 2))
    np.maximum.at(high, s.tri_vertex[prints.row_triangle].ravel(), prints.corner_mm.reshape(-1, 2))
    assert np.array_equal(low, high)
    assert prints.n_prints == 1


def test_two_separate_pieces_get_a_sheet_each():
    s = flat_surface(40, 40, 10)
    field = direction_field(s, [np.array([[5, 5, 0], [35, 5, 0.0]])])
    x = s.corner_mm[..., 0].mean(axis=1)
    prints = spread(s, field, (x < 12) | (x > 28), PATCH, SpreadSpec())
    assert prints.n_prints == 2
    assert (np.diff(prints.start)[(x > 12) & (x < 28)] == 0).all()


def test_pieces_that_touch_at_a_point_do_not_share_it():
    s = flat_surface(40, 40, 2)
    field = direction_field(s, [np.array([[5, 5, 0], [35, 5, 0.0]])])
    centre = s.corner_mm.mean(axis=1)
    opposite = (centre[:, 0] < 20) == (centre[:, 1] < 20)
    prints = spread(s, field, opposite, PATCH, SpreadSpec())
    assert prints.n_prints == 2
    assert stretch(prints, s.flat_mm) == pytest.approx(1.0, abs=1e-6)


def test_empty_region_gives_an_empty_table():
    s = flat_surface(40, 40, 4)
    prints = spread(s, direction_field(s, []), np.zeros(s.n_triangles, bool), PATCH, SpreadSpec())
    assert len(prints.print_id) == 0


def test_a_region_about_which_the_field_turns_is_refused_with_the_place():
    """Poincare and Hopf: a line field on a sphere has points it turns about; the whole sphere cannot be spread."""
    s = sphere_surface(30, 12)
    field = direction_field(s, [np.array([[-20, 0, 23], [0, 2, 30], [20, 0, 23.0]])])
    with pytest.raises(
        PlacementError, match=r"layer 'x': the direction of the skin turns about a point of the region, near \["
    ):
        spread(s, field, np.ones(s.n_triangles, bool), PATCH, SpreadSpec(name="x"))
    vertex, _ = singular_vertices(s, field)
    # a ring around one singular point of index 1/2: no consistent sign
    away = np.linalg.norm(s.corner_mm.mean(axis=1) - s.position_mm[vertex[0]], axis=1)
    others = np.linalg.norm(s.position_mm[vertex[1:]] - s.position_mm[vertex[0]], axis=1).min()
    ring = (away > 6) & (away < min(0.8 * others, 25))
    with pytest.raises(PlacementError, match="turns about a hole in the region, near"):
        spread(s, field, ring, PATCH, SpreadSpec(name="x"))


def test_constant_field_on_a_disk_has_no_singular_point():
    s = flat_surface(40, 40, 10)
    assert len(singular_vertices(s, direction_field(s, [np.array([[5, 5, 0], [35, 9, 0.0]])]))[0]) == 0


def test_lines_run_unbroken_over_a_cap_of_a_sphere():
    """A 1 mm grating on a curved cap: wavelength within 3 % and direction within 3 degrees (medians)."""
    s = refined(sphere_surface(60, 12), 4.0)
    field = direction_field(s, [np.array([[-30, 5, 52], [0, 10, 59], [30, 5, 52.0]])])
    cap = _cap(s, 52.0)
    from poredepth.patch.levels import build_levels
    from poredepth.raster.evaluate import add_prints, pack_pictures

    patch = grating()
    prints, pictures = spread(s, field, cap, patch, SpreadSpec()), pack_pictures([build_levels(patch)], True)
    points = random_skin_points(s, 150, np.random.default_rng(0), _cap(s, 54.0))
    length, off = [], []
    for t, b in zip(points.triangle, points.barycentric, strict=True):
        view, _ = flat_view(s, int(t), b, 5.0, 64)
        height = np.zeros(len(view), np.float32)
        add_prints(view, np.ones(len(view), np.float32), 1.0, np.full((s.n_triangles, 3), 0.01, np.float32), prints,
                   pictures, height)  # fmt: skip
        found_mm, angle = dominant_wave(height.reshape(64, 64), 5.0 / 64)
        length.append(found_mm)
        off.append(np.rad2deg(line_angle_difference(angle, field.angle_rad[t] + np.pi / 2)))
    assert np.median(np.abs(np.array(length) - 1)) < 0.03
    assert np.percentile(np.abs(np.array(length) - 1), 95) < 0.12
    assert np.median(off) < 3.0


def test_spread_layer_from_a_recipe_stays_in_its_region():
    layer = {"name": "lines", "patch": "grating", "place": "spread", "region": "disk", "across_ratio": 2.0}
    c = composed_of(
        two_charts_mesh(), "mm", {"grating": grating()}, [layer],
        regions={"disk": {"center": [20, 20, 0], "radius_mm": 12, "feather_mm": 2}},
        directions=[{"points": [[5, 5, 0], [35, 5, 0]]}], bands={"transitions": "even"},
    )  # fmt: skip
    points = random_skin_points(c.surface, 4000, np.random.default_rng(0))
    at = c.surface.points_mm(points.triangle, points.barycentric.astype(float))
    r = np.hypot(at[:, 0] - 20, at[:, 1] - 20)
    height = c.height_mm(points, 16384)
    assert (height[r > 13.2] == 0).all()
    inside = r < 10
    wave = at[inside, 1] / 2.0  # across the lines, drawn out twofold: 2 mm from crest to crest
    basis = np.column_stack([np.sin(2 * np.pi * wave), np.cos(2 * np.pi * wave)])
    fit = np.linalg.lstsq(basis, height[inside], rcond=None)[0]
    assert np.hypot(*fit) == pytest.approx(0.01, rel=0.02)
