"""Ambient occlusion of the relief, against closed forms.

The cosine-weighted share of the sky above a horizon of elevation h in every direction is the mean of cos^2 h (Dozier &
Frew 1990, IEEE Trans. Geoscience and Remote Sensing 28:963, level ground); the forms below are integrals of it.
"""

from __future__ import annotations

import numpy as np
import pytest
from maps_painted import painted_heights, texel_values
from meshes import flat_surface, sphere_surface
from meshes_density import mirrored_density_square, stretched_square
from meshes_seams import mirrored_square, square_in_two_tiles, touching_square

from poredepth.derived.occlusion import occlusion
from poredepth.errors import PatchError
from poredepth.raster.window import Window
from poredepth.surface.skin import surface_from_mesh


def _square(name):
    meshes = {
        "even": lambda: stretched_square(45, 45),
        "u and v 1 : 2": lambda: stretched_square(45, 90),
        "u and v 2 : 1": lambda: stretched_square(90, 45),
        "mirrored": mirrored_square,
    }
    return surface_from_mesh(meshes[name](), "mm")


NAMES = ["even", "u and v 1 : 2", "u and v 2 : 1", "mirrored"]


def _nearest_texel(surface, size_px, place_mm):
    heights = painted_heights(surface, lambda p: p[:, 0], size_px)
    at, _ = texel_values(heights, heights.block)
    number = np.linalg.norm(at[:, :2] - place_mm, axis=1).argmin()
    return number, at[number, :2]


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("half_angle_deg", [20, 45, 70])
def test_the_bottom_of_a_groove_sees_the_sine_of_its_half_angle(name, half_angle_deg):
    """The mean of 1 / (1 + cot^2 a cos^2 f) over directions f is sin a.  The groove runs along texels."""
    surface, turn = _square(name), np.radians(-20 if name == "mirrored" else 0)
    across = np.array([np.cos(turn), np.sin(turn)])
    texel, bottom = _nearest_texel(surface, 800, [12, 12])

    def groove(p):
        return np.abs((p[:, :2] - bottom) @ across) / np.tan(np.radians(half_angle_deg))

    heights = painted_heights(surface, groove, 800)
    _, got = texel_values(heights, occlusion(heights, 6.0).block)
    want = np.sin(np.radians(half_angle_deg))
    print(f"{name}, {half_angle_deg} deg: {got[texel]:.4f}, sine {want:.4f}")
    assert got[texel] == pytest.approx(want, abs=0.003)


@pytest.mark.parametrize("name", NAMES)
def test_smooth_relief_is_as_its_continuous_form(name):
    """Against the horizons of the formula itself, looked for in 720 directions at steps of 5 um."""
    surface = _square(name)

    def form(x, y):
        return 0.5 * np.sin(1.9 * x + 0.7 * y) + 0.4 * np.cos(1.1 * y - 0.8 * x)

    heights = painted_heights(surface, lambda p: form(p[:, 0], p[:, 1]), 1200)
    at, got = texel_values(heights, occlusion(heights, 2.0).block)
    inside = np.flatnonzero(((at[:, :2] > 6) & (at[:, :2] < 17)).all(axis=1))
    angle, far = np.arange(720) * np.pi / 360, np.arange(1, 401) * 0.005
    off = []
    for texel in np.random.default_rng(2).choice(inside, 60):
        x, y = at[texel, :2]
        there = form(x + far[:, None] * np.cos(angle), y + far[:, None] * np.sin(angle))
        slope = np.maximum((there - form(x, y)) / far[:, None], 0).max(axis=0)
        off.append(got[texel] - (1 / (1 + slope**2)).mean())
    print(f"{name}: off by {np.std(off):.4f} (rms), {np.abs(off).max():.4f} at worst; {got[inside].min():.2f} to 1")
    assert got[inside].min() < 0.7
    # where relief is rounded, a horizon one texel away is less steep than the one at hand
    assert np.std(off) < 0.006
    assert np.abs(off).max() < 0.018


def test_the_foot_of_a_wall_sees_half_of_the_sky():
    heights = painted_heights(_square("even"), lambda p: 1e4 * (p[:, 0] > 20.0), 801)
    at, got = texel_values(heights, occlusion(heights, 8.0).block)
    inside = (at[:, 1] > 9) & (at[:, 1] < 31)
    foot = inside & (at[:, 0] < 20) & (at[:, 0] > 20 - 0.06)
    assert foot.sum() > 100
    assert got[foot] == pytest.approx(np.full(foot.sum(), 0.5), abs=1e-5)
    assert (got[inside & (at[:, 0] > 20)] == 1).all()


@pytest.mark.parametrize("n_directions", [8, 16, 33])
@pytest.mark.parametrize("depth_mm", [1.0, 4.0])
def test_the_middle_of_a_round_pit(depth_mm, n_directions):
    """Radius a, depth d, upright wall: the horizon is atan(d / a) all round, so a^2 / (a^2 + d^2) is open."""
    radius_mm = 2.0
    heights = painted_heights(
        _square("u and v 1 : 2"), lambda p: depth_mm * (np.hypot(p[:, 0] - 20, p[:, 1] - 20) > radius_mm), 2000
    )
    window = Window(2000 - 600, 850, 250, 250)
    points = heights.raster.skin_points(1001, window)
    at = heights.raster.surface.points_mm(points.triangle, points.barycentric.astype(float))
    middle = np.linalg.norm(at[:, :2] - 20, axis=1).argmin()
    got = occlusion(heights, 3.0, n_directions).block(1001, window).ravel()[middle]
    want = radius_mm**2 / (radius_mm**2 + depth_mm**2)
    print(f"pit of {depth_mm} mm, {n_directions} directions: {got:.4f}, closed form {want:.4f}")
    assert np.linalg.norm(at[middle, :2] - 20) < 0.05
    # the wall is a texel wide: 0.045 mm along v
    assert want <= got < want + 0.035
    # what lies beyond the radius does not occlude
    assert occlusion(heights, 1.5, n_directions).block(1001, window).ravel()[middle] == 1


def test_tall_things_far_away_are_not_missed():
    """Beyond 32 texels samples stand farther apart; a wall of two texels' width must not fall between them."""
    heights = painted_heights(_square("even"), lambda p: 5.0 * (np.abs(p[:, 0] - 20) < 0.3), 800)
    at, got = texel_values(heights, occlusion(heights, 6.0, 64).block)
    here = (np.abs(at[:, 1] - 20) < 5) & (np.abs(at[:, 0] - 16) < 0.03)
    f = (np.arange(100000) + 0.5) / 100000 * 2 * np.pi
    far = 3.7 / np.maximum(np.cos(f), 1e-9)
    want = np.where(far < 6.0, far**2 / (far**2 + 25), 1.0).mean()
    print(f"a fence 107 texels off: {got[here].mean():.4f}, integral {want:.4f}")
    assert got[here] == pytest.approx(np.full(here.sum(), want), abs=0.02)


@pytest.mark.parametrize("level_mm", [0.0, 0.37])
def test_flat_maps_are_open(level_mm):
    for surface in (_square("mirrored"), sphere_surface(), surface_from_mesh(square_in_two_tiles(), "mm")):
        heights = painted_heights(surface, lambda p: np.full(len(p), level_mm), 255)
        for tile in heights.raster.tiles:
            got = occlusion(heights).block(tile, heights.raster.whole())
            assert got.dtype == np.float32
            assert (got == 1).all()


def test_a_pit_is_alike_on_both_sides_of_a_seam():
    """The gutter shows the skin beyond the border, and its texels count as the chart's own."""
    surface = surface_from_mesh(mirrored_density_square(), "mm")

    def pits(p):
        return 0.3 * np.cos(2 * np.pi * p[:, 0] / 4) * np.cos(2 * np.pi * p[:, 1] / 4)

    heights = painted_heights(surface, pits, 2048, gutter_px=32)
    at, got = texel_values(heights, occlusion(heights, 1.0).block)
    near = (np.abs(at[:, 0] - 20) < 0.4) & (np.abs(at[:, 1] - 20) < 14)
    far = (np.abs(at[:, 0] - 12) < 0.4) & (np.abs(at[:, 1] - 20) < 14)
    place = np.floor((at[:, 1] % 4) * 5).astype(int)
    for k in range(20):
        a, b = (got[here & (place == k)] for here in (near, far))
        assert a.mean() == pytest.approx(b.mean(), abs=0.01), k
    assert got.min() < 0.85


def test_other_charts_beside_one_do_not_occlude():
    surface = surface_from_mesh(touching_square(), "mm")
    chart = surface.tri_chart
    left = chart[surface.corner_mm[:, :, 0].mean(axis=1) < 20][0]
    heights = painted_heights(surface, lambda p: np.zeros(len(p)), 400)
    plane = heights.raster.chart_places(1001, heights.raster.whole()).triangle
    wall = np.where((plane >= 0) & (chart[plane] != left), np.float32(5), np.float32(0))
    heights.height_mm[1001][:] = wall
    got = occlusion(heights, 2.0).block(1001, heights.raster.whole())
    assert (wall > 0).sum() > 1000
    assert (got == 1).all()


def test_blocks_change_no_bit():
    surface = surface_from_mesh(mirrored_square(), "mm")
    heights = painted_heights(surface, lambda p: 0.2 * np.sin(5 * p[:, 0]) * np.sin(4 * p[:, 1]), 333)
    found = occlusion(heights, 1.5)
    whole = found.block(1001, heights.raster.whole())
    assert whole.min() < 0.9
    for window in (Window(0, 0, 9, 333), Window(150, 101, 40, 37), Window(332, 332, 1, 1), Window(0, 0, 1, 1)):
        assert np.array_equal(found.block(1001, window), whole[window.slices])


def test_wrong_numbers_are_told():
    heights = painted_heights(flat_surface(40, 40, 4), lambda p: p[:, 0], 32)
    with pytest.raises(PatchError, match="occlusion: radius_mm is 0; allowed is a number above 0"):
        occlusion(heights, 0)
    for wrong in (3, 65, 16.0):
        with pytest.raises(PatchError, match=f"n_directions is {wrong}; allowed is a whole number from 4 to 64"):
            occlusion(heights, 1.0, wrong)
