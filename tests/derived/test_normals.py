"""Normals: signs by the standard, the same skin under any UV, and frames that decode to one normal."""

from __future__ import annotations

import numpy as np
import pytest
from meshes import flat_surface, sphere_surface, torus_mesh, two_charts_mesh
from meshes_traps import halves
from relief_maps import is_inside, map_of, positions_mm, slow_tangents
from scipy.ndimage import binary_dilation

from poredepth.derived.normals import object_normals, tangent_normals
from poredepth.raster.reading import bilinear
from poredepth.raster.seams import seam_points
from poredepth.raster.window import Window
from poredepth.surface.seams import seam_edges
from poredepth.surface.skin import refined, surface_from_mesh

WAVE = 2 * np.pi / 4.0 * np.array([0.6, 0.64, 0.48])  # 4 mm long
DEPTH_MM = 0.15


def _waves(at_mm):
    return DEPTH_MM * np.sin(at_mm @ WAVE)


def _wave_slopes(at_mm):
    return DEPTH_MM * np.cos(at_mm @ WAVE)[..., None] * WAVE


def _whole(heights, of=object_normals, **how):
    return of(heights, 1001, heights.raster.whole(), **how)


def _degrees(a, b):
    return np.degrees(2 * np.arcsin(np.clip(np.linalg.norm(a - b, axis=-1) / 2, 0, 1)))


def test_ramps_of_45_degrees_have_the_signs_of_the_standard():
    """Rising in +u: (-1, 0, 1) / sqrt 2; rising in +v: y = -1 / sqrt 2 (glTF 2.0: +X right, +Y up, linear).

    So RGB is (0.146447, 0.5, 0.853553), and G is 0.146447.
    """
    s = np.sqrt(0.5)
    square = flat_surface(40, 40, 4)
    right, up = map_of(square, lambda p: p[:, 0], 128), map_of(square, lambda p: p[:, 1], 128)
    assert _whole(right, tangent_normals) == pytest.approx(np.full((128, 128, 3), [-s, 0, s]), abs=1e-4)
    assert _whole(up, tangent_normals) == pytest.approx(np.full((128, 128, 3), [0, -s, s]), abs=1e-4)
    assert _whole(up, tangent_normals, green_down=True)[..., 1] == pytest.approx(s, abs=1e-4)
    assert 0.5 + 0.5 * _whole(right, tangent_normals)[64, 64] == pytest.approx([0.146447, 0.5, 0.853553], abs=5e-5)
    assert 0.5 + 0.5 * _whole(up, tangent_normals)[64, 64, 1] == pytest.approx(0.146447, abs=5e-5)


def test_no_relief_is_exactly_straight_up():
    heights = map_of(sphere_surface(30, 6), lambda p: 0 * p[:, 0] + 0.125, 128)
    assert np.array_equal(_whole(heights, tangent_normals), np.broadcast_to([0, 0, 1], (128, 128, 3)))
    skin = np.isfinite(positions_mm(heights)[..., 0])
    assert np.linalg.norm(_whole(heights)[skin], axis=1) == pytest.approx(1, abs=1e-6)
    assert not skin.all() and not _whole(heights)[~skin].any()


@pytest.mark.parametrize(
    "mesh",
    [two_charts_mesh(), two_charts_mesh(mirrored=False), two_charts_mesh(shrink=0.2)],
    ids=["mirrored", "turned", "five times as long as wide"],
)  # fmt: skip
def test_a_tilted_plane_has_one_normal_in_space(mesh):
    tilt = np.array([0.5, -0.3, 0])
    heights = map_of(surface_from_mesh(mesh, "mm"), lambda p: p @ tilt, 192)
    want = np.array([-0.5, 0.3, 1]) / np.sqrt(1.34)
    inside = is_inside(heights)
    assert inside.any()
    assert np.abs(_whole(heights)[inside] - want).max() < 5e-4


def test_a_relief_on_a_sphere_has_the_normals_of_the_closed_form():
    """n = unit(m - grad h) with m from the centre, grad h what of the relief's gradient lies along the sphere."""
    base = sphere_surface(30, 24)
    heights = map_of(base, _waves, 512, 4)
    at, inside = positions_mm(heights), is_inside(heights)
    m = at / np.linalg.norm(at, axis=2, keepdims=True)
    g = _wave_slopes(at)
    g -= (g * m).sum(2, keepdims=True) * m
    want = (m - g) / np.linalg.norm(m - g, axis=2, keepdims=True)
    off = _degrees(_whole(heights), want)
    assert np.degrees(np.arctan(np.linalg.norm(g[inside], axis=1).max())) > 13
    # a central difference over texels of 0.31 mm takes 1 - sin(x) / x = 4 % of a wave of 4 mm: 0.5 of 13 degrees
    assert off[inside].max() < 1.0
    assert np.sqrt(np.mean(off[inside] ** 2)) < 0.35
    beside = np.isfinite(at[..., 0]) & ~inside & binary_dilation(inside, iterations=2)
    assert np.quantile(off[beside], 0.99) < 1.0
    # and nothing changes when the skin is split, if frames are those of the base
    split = map_of(refined(base, 1.5), _waves, 512, 4, base)
    assert _degrees(_whole(split), _whole(heights))[inside].max() < 0.02


def test_no_jump_over_seams_in_space():
    """Read bilinearly on both sides of every seam: they differ by no more than readings of one field do."""
    surface = sphere_surface(30, 16)
    heights = map_of(surface, _waves, 512, 4)
    normals = _whole(heights)
    points = seam_points(heights.raster, seam_edges(surface), 1.0)
    flat = normals.reshape(-1, 3).astype(float)
    read = (flat[points.reading.texel] * points.reading.weight[..., None]).sum(axis=2)
    apart = _degrees(*np.moveaxis(read / np.linalg.norm(read, axis=2, keepdims=True), 1, 0))
    assert len(apart) > 1500
    assert np.quantile(apart, 0.99) < 1.0
    assert apart.max() < 1.5
    # the frames themselves do jump there, by tens of degrees: tangent normals are read on either side in its own frame
    tangent = _whole(heights, tangent_normals).reshape(-1, 3).astype(float)
    other = (tangent[points.reading.texel] * points.reading.weight[..., None]).sum(axis=2)
    assert np.median(_degrees(other[:, 0], other[:, 1])) > 3


@pytest.mark.parametrize(
    "mesh",
    [torus_mesh(25, 10, 20, 10), halves(lambda x, y: (0.97 - 0.7 * x, 0.05 + 0.3 * y)), two_charts_mesh(n=4)],
    ids=["torus", "mirrored", "turned"],
)
def test_tangent_normals_decode_to_the_same_normals(mesh):
    """As a renderer decodes: N and T of corners interpolated, B = sign x cross(N, T), nothing normalised but the sum.

    Frames are worked out corner by corner in the test (see `relief_maps.slow_tangents`), on a coarse mesh: normals turn
    by 36 degrees from corner to corner.
    """
    base = surface_from_mesh(mesh, "mm")
    normal, tangent, sign = slow_tangents(base)
    bare = map_of(base, _waves, 256, 0)
    for surface in (base, refined(base, 2.5)):
        heights = map_of(surface, _waves, 256, 3, base)
        points = bare.raster.skin_points(1001, bare.raster.whole())
        inside = points.triangle >= 0
        t, share = points.triangle[inside], points.barycentric[inside].astype(float)
        n = np.einsum("pk,pkx->px", share, normal[t])
        along = np.einsum("pk,pkx->px", share, tangent[t])
        b = sign[t][:, None] * np.cross(n, along)
        code = _whole(heights, tangent_normals).reshape(-1, 3)[inside].astype(float)
        assert np.linalg.norm(code, axis=1) == pytest.approx(1, abs=1e-6)
        decoded = code[:, :1] * along + code[:, 1:2] * b + code[:, 2:] * n
        decoded /= np.linalg.norm(decoded, axis=1, keepdims=True)
        assert _degrees(decoded, _whole(heights).reshape(-1, 3)[inside]).max() < 0.01
        assert np.abs(code[:, :2]).max() > 0.1


def test_blocks_are_crops_of_the_whole_bit_for_bit():
    heights = map_of(sphere_surface(30, 6), _waves, 160, 4)
    for of in (tangent_normals, object_normals):
        whole = _whole(heights, of)
        for block in (Window(0, 0, 37, 160), Window(37, 11, 80, 60), Window(159, 0, 1, 160)):
            assert np.array_equal(of(heights, 1001, block), whole[block.slices])


def test_reading_texel_numbers_are_those_of_the_map():
    """The seam test reads the map as `raster.reading` does: one tile, row x size + column."""
    surface = flat_surface(40, 40, 2)
    heights = map_of(surface, lambda p: p[:, 0], 16)
    reading = bilinear(heights.raster, np.array([[0.5 / 16, 1 - 2.5 / 16]]), np.array([0]))
    assert reading.texel[0, np.argmax(reading.weight[0])] == 2 * 16
