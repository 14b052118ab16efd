"""Heights along normals, in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from displaced import float_maps, octahedron
from meshes import flat_mesh

from poredepth.checking.ray_heights import ray_heights
from poredepth.checking.rendered import checked_maps
from poredepth.checking.tessellate import Tessellation, base_surface


def _case(mesh, edge_mm, values, unit="mm"):
    tessellation = Tessellation(base_surface(mesh, unit)[0], edge_mm)
    points = tessellation.random_points(4000, np.random.default_rng(0))
    return tessellation, checked_maps(float_maps(values), unit), points


def test_a_plane_rises_by_what_the_map_says():
    tessellation, maps, points = _case(flat_mesh(), 3.0, np.full((8, 8), 0.25))
    assert ray_heights(tessellation, maps, *points) == pytest.approx(0.25, abs=1e-12)


def test_a_ramp_is_met_between_vertices_too():
    """Heights linear in u and v are linear in every small triangle: exact wherever bilinear reading is not held."""
    n = 64
    row, col = np.indices((n, n)) + 0.5
    tessellation, maps, points = _case(flat_mesh(), 0.9, 0.3 * col / n - 0.2 * (1 - row / n))
    uv = tessellation.points(*points).uv
    inside = (np.abs(uv - 0.5) < 0.47).all(axis=1)
    want = 0.3 * uv[:, 0] - 0.2 * uv[:, 1]
    assert ray_heights(tessellation, maps, *points)[inside] == pytest.approx(want[inside], abs=2e-7)


def test_flat_faces_of_a_round_form_are_displaced_in_proportion():
    """One flat triangle for each face of an octahedron of radius R: moved by h along radial normals its corners span
    the same face (R + h) / R as large, which a radial ray from P meets |P| h / R above P."""
    tessellation, maps, points = _case(octahedron(5.0), 100.0, np.full((4, 4), 0.5))
    assert tessellation.segments.max() == 1
    at = tessellation.points(*points).position
    assert ray_heights(tessellation, maps, *points) == pytest.approx(np.linalg.norm(at, axis=1) * 0.5 / 5, rel=1e-12)


def test_cut_finely_a_round_form_rises_evenly():
    """With small faces the height comes to h, up to the sagitta between vertices, of the order of edge^2."""
    for edge_mm, most in ((0.2, 2e-3), (0.05, 1.3e-4)):
        tessellation, maps, points = _case(octahedron(5.0), edge_mm, np.full((4, 4), 0.5))
        off = ray_heights(tessellation, maps, *points) - 0.5
        assert np.isfinite(off).all()
        assert np.abs(off).max() < most


@pytest.mark.parametrize("edge_mm", [0.25, 0.5, 1.0])
def test_what_cutting_coarsely_loses(edge_mm):
    """A wave of length L read at steps e and drawn straight between them is off by, mean square over the wave's own,
    2 (1/2 - sinc(e/L)^2 + (2 + cos(2 pi e/L)) / 6) (own derivation).  For short steps that is (2 pi e/L)^4 / 120, the
    classical error of linear interpolation, f'' x (e - x) / 2."""
    wave_mm, n = 1.7, 2048  # not a whole number of steps, so that all phases come
    col = (np.arange(n) + 0.5) / n * 40
    values = np.tile(0.01 * np.sin(2 * np.pi * col / wave_mm), (8, 1))
    mesh = flat_mesh(40, 40, 1)
    tessellation = Tessellation(base_surface(mesh, "mm")[0], edge_mm * np.sqrt(2))  # the diagonal is the longest edge
    assert tessellation.segments.max() == round(40 / edge_mm)
    maps = checked_maps(float_maps(values), "mm")
    points = tessellation.random_points(20_000, np.random.default_rng(4))
    x = tessellation.points(*points).position[:, 0]
    off = ray_heights(tessellation, maps, *points) - 0.01 * np.sin(2 * np.pi * x / wave_mm)
    share = edge_mm / wave_mm
    want = 2 * (0.5 - np.sinc(share) ** 2 + (2 + np.cos(2 * np.pi * share)) / 6)
    if share < 0.2:
        assert want == pytest.approx((2 * np.pi * share) ** 4 / 120, rel=0.05)
    assert np.mean((off / 0.01) ** 2) * 2 == pytest.approx(want, rel=0.05)


def test_rays_that_meet_nothing_are_told():
    """Moved far sideways at a steep step, no small triangle lies over some points."""
    values = np.zeros((16, 16))
    values[:, 8:] = -40.0
    tessellation, maps, points = _case(octahedron(5.0), 0.5, values)
    height = ray_heights(tessellation, maps, *points)
    assert np.isnan(height).sum() < len(height)
    assert np.abs(height[np.isfinite(height)]).max() <= 50


def test_units_of_the_scene():
    values = np.random.default_rng(5).normal(0, 0.01, (64, 64))
    in_mm = _case(flat_mesh(40, 40, 4), 1.0, values)
    in_cm = _case(flat_mesh(4, 4, 4), 1.0, values, "cm")
    assert ray_heights(*in_cm[:2], *in_cm[2]) * 10 == pytest.approx(ray_heights(*in_mm[:2], *in_mm[2]), abs=1e-9)
