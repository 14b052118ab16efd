"""Mean curvature against closed forms; sign: above 0 on bumps, below 0 in pits."""

from __future__ import annotations

import numpy as np
import pytest
from meshes import flat_surface, sphere_surface, two_charts_mesh
from relief_maps import is_inside, map_of
from scipy.ndimage import binary_dilation

from poredepth.derived.curvature import mean_curvature
from poredepth.surface.skin import surface_from_mesh


def _whole(heights):
    return mean_curvature(heights, 1001, heights.raster.whole())


def test_a_ball_has_one_over_its_radius():
    """Mean curvature of a sphere of radius R is 1 / R (any textbook of differential geometry), down to steep slopes."""
    radius = 6.0
    square = flat_surface(20, 20, 3)
    r2 = lambda p: ((p[:, :2] - 10) ** 2).sum(1)  # noqa: E731
    bump = map_of(square, lambda p: np.sqrt(np.maximum(radius**2 - r2(p), 1.0)), 400)
    distance = np.hypot(*(np.indices((400, 400)) - 199.5)) * 20 / 400
    cap = distance < 4.5  # slopes up to 1.13
    assert _whole(bump)[cap] == pytest.approx(1 / radius, rel=3e-3)
    pit = map_of(square, lambda p: -np.sqrt(np.maximum(radius**2 - r2(p), 1.0)), 400)
    assert _whole(pit)[cap] == pytest.approx(-1 / radius, rel=3e-3)


def test_waves_have_their_closed_form_under_any_uv():
    """h = A sin(k x): H = -h'' / (2 (1 + h'^2)^1.5)."""
    a, k = 0.08, 2 * np.pi / 3
    surface = surface_from_mesh(two_charts_mesh(shrink=0.4), "mm")
    heights = map_of(surface, lambda p: a * np.sin(k * p[:, 0]), 1024)
    points = heights.raster.skin_points(1001, heights.raster.whole())
    x = surface.points_mm(points.triangle, points.barycentric.astype(float))[:, 0].reshape(1024, 1024)
    want = a * k * k * np.sin(k * x) / 2 / (1 + (a * k * np.cos(k * x)) ** 2) ** 1.5
    inside = is_inside(heights)
    assert np.abs(want[inside]).max() > 0.17
    places = heights.raster.chart_places(1001, heights.raster.whole())
    at_border = binary_dilation(places.is_held) & inside
    off = np.abs(_whole(heights) - want)
    # texels of 0.04 to 0.12 mm: second differences take (k d)^2 / 12 = 0.5 % of the wave
    assert off[inside & ~at_border].max() < 0.003
    # along the border of the mesh it is that of the next texel: A k^3 d / 2 off, 0.045
    assert at_border.sum() > 500 and off[at_border].max() < 0.045


def test_the_mesh_itself_has_none():
    heights = map_of(sphere_surface(30, 6), lambda p: 0 * p[:, 0] + 0.25, 128)
    assert not _whole(heights).any()


def test_crests_and_furrows():
    square = flat_surface(20, 20, 2)
    crest = map_of(square, lambda p: 0.1 * np.exp(-((p[:, 0] - 10) ** 2)), 200)
    found = _whole(crest)
    assert (found[:, 95:105] > 0).all()
    # h'' of A exp(-x^2) at 0 is -2 A
    assert found[100, 99:101] == pytest.approx(0.1, rel=0.02)
    furrow = map_of(square, lambda p: -0.1 * np.exp(-((p[:, 0] - 10) ** 2)), 200)
    assert _whole(furrow) == pytest.approx(-found, abs=1e-6)
