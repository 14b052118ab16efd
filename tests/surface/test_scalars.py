"""Factors over the skin: ramps between points, painted pictures."""

import numpy as np
import pytest
from meshes import flat_surface, sphere_surface, two_sheets_mesh
from meshes_seams import square_in_two_tiles

from poredepth.errors import RegionError
from poredepth.recipe.model_layers import VarySpec
from poredepth.surface.locate import nearest_skin_points
from poredepth.surface.masks import MissingTileWarning
from poredepth.surface.points import random_skin_points
from poredepth.surface.scalars import build_factor, factor_at
from poredepth.surface.skin import Surface, refined, surface_from_mesh


def _ramp(*stops):
    return VarySpec(ramp=[{"at": at, "value": value} for at, value in stops])


def _values(surface: Surface, spec: VarySpec, n=2000, pictures=None):
    points = random_skin_points(surface, n, np.random.default_rng(1))
    factor = build_factor(surface, spec, "layers[0].vary.gain", lambda name: pictures)
    at = surface.points_mm(points.triangle, points.barycentric)
    return at, factor_at(surface, factor, points.triangle, points.barycentric)


def test_a_ramp_is_even_between_its_stops_and_at_rest_beyond():
    """On the straight line through both stops the share is the distance covered; elsewhere (d1 - d2 + D) / 2D."""
    s = refined(flat_surface(60, 60, 20), 2.0)
    at, value = _values(s, _ramp(((10, 30, 0), 2.0), ((50, 30, 0), 1.0)))
    d1, d2 = (np.linalg.norm(at - [x, 30, 0], axis=1) for x in (10, 50))
    want = 2.0 - np.clip((d1 - d2 + 40) / 80, 0, 1)
    assert np.abs(value - want).max() < 0.02
    near_line = np.abs(at[:, 1] - 30) < 1
    assert value[near_line & (at[:, 0] < 9)] == pytest.approx(2.0, abs=0.01)
    assert value[near_line & (at[:, 0] > 51)] == pytest.approx(1.0, abs=0.01)


def test_stops_of_one_value_in_a_row_are_one_place_so_both_sides_are_alike():
    s = refined(flat_surface(60, 60, 20), 2.0)
    at, value = _values(s, _ramp(((30, 30, 0), 1.0), ((5, 30, 0), 3.0), ((55, 30, 0), 3.0)))
    near = np.abs(at[:, 1] - 30) < 1
    assert value[near] == pytest.approx(1 + 2 * np.clip(np.abs(at[near, 0] - 30) / 25, 0, 1), abs=0.06)


def test_three_places_in_a_row_are_passed_one_after_the_other():
    s = refined(flat_surface(80, 20, 20), 1.0)
    at, value = _values(s, _ramp(((0, 10, 0), 0.0), ((40, 10, 0), 2.0), ((80, 10, 0), 1.0)))
    near = np.abs(at[:, 1] - 10) < 0.5
    assert value[near] == pytest.approx(np.interp(at[near, 0], [0, 40, 80], [0, 2, 1]), abs=0.03)


def _at(surface, spec, places):
    factor = build_factor(surface, spec, "layers[0].vary.gain", lambda name: None)
    found = nearest_skin_points(surface, np.array(places, float))
    return factor_at(
        surface, factor, np.array([p.triangle for p in found]), np.array([p.barycentric for p in found], np.float32)
    )


@pytest.mark.parametrize("values", [(0.0, 1.0, 0.0), (0.5, 1.5, 0.5), (2.0, 1.0, 4.0), (1.0, 3.0, 2.0)])
def test_places_that_do_not_lie_in_a_row_have_their_values_and_none_beyond(values):
    s = refined(flat_surface(40, 40, 40), 1.0)
    places = [(8, 8, 0), (32, 8, 0), (20, 28, 0)]
    spec = _ramp(*zip(places, values, strict=True))
    assert _at(s, spec, places) == pytest.approx(values, abs=0.02)
    _, everywhere = _values(s, spec)
    assert min(values) - 1e-6 <= everywhere.min() and everywhere.max() <= max(values) + 1e-6


def test_places_on_two_pieces_of_mesh():
    """Each piece has its own stops, joined by a place with a point on both, in either order."""
    s = surface_from_mesh(two_sheets_mesh(20, 8, 0.5), "mm")
    low, high = s.position_mm[:, 2].min(), s.position_mm[:, 2].max()
    joined = [((10, 10, low), 1.0), ((10, 10, high), 1.0)]
    for middle in (joined, joined[::-1]):
        spec = _ramp(((2, 10, low), 0.0), *middle, ((18, 10, high), 3.0))
        found = _at(s, spec, [(2, 10, low), (10, 10, low), (10, 10, high), (18, 10, high)])
        assert found == pytest.approx([0, 1, 1, 3], abs=0.12)  # between the points of the mesh it is linear
    with pytest.raises(RegionError, match="do not hang together"):
        _at(s, _ramp(((2, 10, low), 0.0), ((18, 10, high), 3.0)), [(2, 10, low)])


def test_a_picture_that_leaves_a_tile_out_is_told():
    s = surface_from_mesh(square_in_two_tiles(), "mm")
    white = {1001: np.ones((8, 8), np.float32)}
    with pytest.warns(MissingTileWarning, match=r"layers\[0\]\.vary\.gain\.map: no picture for UV tile 1012"):
        build_factor(s, VarySpec(map="x.png"), "layers[0].vary.gain", lambda name: white)


def test_a_ramp_runs_along_the_skin():
    """Half round a ball of 30 mm is 94 mm, not 60."""
    s = refined(sphere_surface(30, 16), 2.5)
    at, value = _values(s, _ramp(((0, 0, 30), 1.0), ((0, 0, -30), 0.0)))
    assert value == pytest.approx(1 - np.arccos(np.clip(at[:, 2] / 30, -1, 1)) / np.pi, abs=0.02)


def test_a_picture_runs_from_black_to_white():
    s = flat_surface(40, 40, 4)
    picture = np.tile(np.linspace(0, 1, 64, dtype=np.float32), (64, 1))
    at, value = _values(s, VarySpec(map="x.png", black=0.5, white=2.0), pictures={1001: picture})
    inside = (at[:, 0] > 1) & (at[:, 0] < 39)
    want = 0.5 + 1.5 * np.clip((at[:, 0] / 40 * 64 - 0.5) / 63, 0, 1)
    assert value[inside] == pytest.approx(want[inside], abs=1e-4)


@pytest.mark.parametrize(
    ("stops", "told"),
    [
        ([((10, 30, 0), 1.0), ((10, 300, 0), 2.0)], r"layers\[0\]\.vary\.gain\.ramp\[1\]\.at: \[10, 300, 0\] is 240"),
        ([((10, 30, 0), 1.0), ((10, 30, 0), 2.0)], "two stops of different value lie at one point"),
        ([((14, 16, 0), 1.0), ((14, 16, 0), 2.0)], "two stops of different value lie at one point"),
    ],
)
def test_stops_that_make_no_ramp_are_refused(stops, told):
    with pytest.raises(RegionError, match=told):
        _values(flat_surface(60, 60, 6), _ramp(*stops))
