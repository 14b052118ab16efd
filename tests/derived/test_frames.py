"""Tangent frames: against the reference implementation of MikkTSpace, and against a slow twin."""

from __future__ import annotations

import numpy as np
import pytest
from meshes import flat_surface, grid, sphere_mesh, torus_mesh, two_charts_mesh
from meshes_traps import halves, plain_mesh, traps
from relief_maps import slow_tangents

from poredepth.derived.frames import tangent_frames, vertex_normals
from poredepth.errors import MeshError
from poredepth.raster.texels import TileRaster
from poredepth.surface.obj import PolygonMesh
from poredepth.surface.skin import Surface, SurfaceWarning, refined, surface_from_mesh

POSITION = [
    [0, 0, 0],
    [10, 0, 2],
    [20, 0, 0],
    [0, 10, 1],
    [10, 12, 4],
    [20, 10, 1],
    [0, 20, 0],
    [10, 20, 1],
    [20, 20, -2],
]
#: T and sign at each UV, made once on these triangles with smooth normals by the reference implementation (npm package
#: mikktspace 1.1.1, which wraps it); the right half is mirrored.
REFERENCE = {
    (0.1, 0.1): (0.979723, -0.065315, 0.189413, 1), (0.3, 0.12): (0.999979, 0.006427, 0.000858, 1),
    (0.1, 0.4): (0.96435, 0.02026, 0.263855, 1), (0.35, 0.45): (0.998437, 0.045662, -0.032222, 1),
    (0.05, 0.8): (0.975112, 0.09992, 0.197921, 1), (0.3, 0.75): (0.989754, 0.068445, -0.12531, 1),
    (0.9, 0.1): (-0.969989, 0.241009, 0.032192, -1), (0.6, 0.2): (-0.906249, 0.3625, 0.2175, -1),
    (0.85, 0.5): (-0.994927, 0.098487, 0.02051, -1), (0.55, 0.45): (-0.952436, 0.143706, 0.268728, -1),
    (0.9, 0.8): (-0.980582, 0.194405, 0.025818, -1), (0.6, 0.9): (-0.951083, 0.158902, 0.264938, -1),
}  # fmt: skip


def _frames(surface, base=None, size_px=64):
    return tangent_frames(TileRaster(surface, size_px, 2), base)


def _surface(mesh) -> Surface:
    return surface_from_mesh(mesh, "mm")


def test_tangents_are_those_of_the_reference_implementation():
    uv = list(REFERENCE)
    left, right = (
        dict(zip((0, 1, 3, 4, 6, 7), range(6), strict=True)),
        dict(zip((1, 2, 4, 5, 7, 8), range(6, 12), strict=True)),
    )
    faces = [[0, 1, 4, 3], [3, 4, 7, 6], [1, 2, 5, 4], [4, 5, 8, 7]]
    face_uv = [[(left if f < 2 else right)[v] for v in face] for f, face in enumerate(faces)]
    surface = _surface(PolygonMesh.from_arrays(np.array(POSITION, float), faces, np.array(uv), face_uv))
    found = _frames(surface)
    for t in range(surface.n_triangles):
        for k in range(3):
            *tangent, sign = REFERENCE[tuple(np.round(surface.corner_uv[t, k], 3).tolist())]
            assert found.tangent[t, k] == pytest.approx(tangent, abs=2e-6)
            assert found.sign[t] == sign


@pytest.mark.parametrize(
    "mesh",
    [
        sphere_mesh(30, 4),
        torus_mesh(n=8, m=6),
        two_charts_mesh(n=4),
        halves(lambda x, y: (0.97 - 0.7 * x, 0.05 + 0.3 * y)),
    ],
    ids=["sphere", "torus", "turned", "mirrored"],
)
def test_frames_equal_their_slow_twin(mesh):
    surface = _surface(mesh)
    normal, tangent, sign = slow_tangents(surface)
    found = _frames(surface)
    assert found.normal == pytest.approx(normal, abs=1e-6)
    assert found.tangent == pytest.approx(tangent, abs=1e-6)
    assert np.array_equal(found.sign, sign)


def test_vertex_normals_of_a_cube_point_to_its_corners():
    """Weighted by angles, a corner's three faces count alike however they are cut into triangles."""
    position = np.array([[x, y, z] for z in (0, 1) for y in (0, 1) for x in (0, 1)], float)
    faces = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]]
    uv = np.tile([[0.1, 0.1], [0.9, 0.1], [0.9, 0.9], [0.1, 0.9]], (6, 1))
    with pytest.warns(SurfaceWarning):
        surface = _surface(PolygonMesh.from_arrays(position, faces, uv, np.arange(24).reshape(6, 4).tolist()))
    assert vertex_normals(surface) == pytest.approx((2 * surface.position_mm - 1) / np.sqrt(3), abs=1e-12)


def test_frames_of_texels_are_at_right_angles_and_b_runs_along_v():
    surface = _surface(sphere_mesh(30, 6))
    raster = TileRaster(surface, 128, 0)
    places = raster.chart_places(1001, raster.whole())
    found = tangent_frames(raster).at(places.triangle, places.barycentric)
    skin = places.triangle >= 0
    n, t = found.normal[skin].astype(float), found.tangent[skin].astype(float)
    assert np.abs((n * t).sum(1)).max() < 1e-6
    assert np.linalg.norm(n, axis=1) == pytest.approx(1, abs=1e-6)
    b = found.sign[skin][:, None] * np.cross(n, t)
    at = surface.points_mm(places.skin.triangle, places.skin.barycentric).reshape(128, 128, 3)
    inner = skin[:-2, 1:-1] & skin[2:, 1:-1] & skin[1:-1, :-2] & skin[1:-1, 2:] & skin[1:-1, 1:-1]
    up, right = (at[:-2] - at[2:])[:, 1:-1][inner], (at[:, 2:] - at[:, :-2])[1:-1][inner]
    middle = inner[skin[1:-1, 1:-1]] if skin[1:-1, 1:-1].sum() == skin.sum() else None
    assert (np.einsum("nx,nx->n", b[middle], up) > 0).all()
    assert (np.einsum("nx,nx->n", t[middle], right) > 0).all()
    assert not found.sign[~skin].any() and not found.normal[~skin].any()


def test_frames_are_those_of_the_surface_before_it_was_split():
    """Split triangles lie in flat ones: their own normals would be those of facets, not what a renderer shades."""
    base = _surface(sphere_mesh(30, 4))
    fine = refined(base, 2.0)
    rng = np.random.default_rng(3)
    raster = TileRaster(fine, 128, 2)
    found = tangent_frames(raster, base)
    coarse = tangent_frames(TileRaster(base, 128, 2))
    points = raster.skin_points(1001, raster.whole())
    same = TileRaster(base, 128, 2).skin_points(1001, raster.whole())
    here = rng.choice(np.flatnonzero(points.triangle >= 0), 500)
    a = found.at(points.triangle[here], points.barycentric[here])
    b = coarse.at(same.triangle[here], same.barycentric[here])
    assert a.normal == pytest.approx(b.normal, abs=2e-5)
    assert a.tangent == pytest.approx(b.tangent, abs=2e-5)
    assert np.array_equal(a.sign, b.sign)
    # they lie in their base: corners come out where they are
    at = np.einsum("tck,tkx->tcx", found.base_barycentric.astype(float), base.corner_mm[found.base_triangle])
    assert at == pytest.approx(fine.corner_mm, abs=1e-4)
    own = tangent_frames(raster)
    assert np.abs(own.at(points.triangle[here], points.barycentric[here]).normal - b.normal).max() > 0.05


def test_splits_of_splits_and_of_bent_quads_are_found():
    base = _surface(plain_mesh())
    fine = refined(refined(base, 3.0), 1.7)
    found = _frames(fine, base)
    assert np.array_equal(base.tri_face[found.base_triangle], fine.tri_face)
    assert found.base_barycentric.min() > -1e-5


def test_a_surface_that_is_no_part_of_its_base_is_refused():
    with pytest.raises(MeshError, match=r"\d+ triangles do not lie in .* the surface before it was split"):
        _frames(_surface(torus_mesh(n=8, m=6)), flat_surface(40, 40, 4))


def test_skin_that_no_renderer_can_frame_gets_some_frame():
    """Triangles without area, without UVs, in a point or a line of UV, folded, fins: unit frames everywhere."""
    for trap in traps():
        if not trap.says:
            continue
        with pytest.warns(SurfaceWarning):
            surface = _surface(trap.mesh)
        raster = TileRaster(surface, 96, 3)
        tile = raster.tiles[0]
        places = raster.chart_places(tile, raster.whole())
        found = tangent_frames(raster).at(places.triangle, places.barycentric)
        skin = places.triangle >= 0
        for one in (found.normal, found.tangent, found.turn):
            assert np.linalg.norm(one[skin], axis=1) == pytest.approx(1, abs=1e-5), trap.name


def test_a_flat_chart_has_the_axes_of_its_uvs():
    position, faces = grid(40, 40, 4, 4)
    turn = np.deg2rad(30)
    uv = position[:, :2] @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]) / 100 + 0.4
    surface = _surface(PolygonMesh.from_arrays(position, faces, uv, faces))
    found = _frames(surface).at(np.arange(surface.n_triangles), np.full((surface.n_triangles, 3), 1 / 3))
    # u grows along (cos, -sin) of the turn
    assert found.tangent == pytest.approx(np.tile([np.cos(turn), -np.sin(turn), 0], (len(found.tangent), 1)), abs=1e-6)
    flat = np.einsum("tax,ta->tx", surface.frame, found.turn)
    assert flat == pytest.approx(found.tangent, abs=1e-6)
