"""Any atlas: every texel shows the skin that lies there, and what cannot is told with its place.

Which skin point a texel is comes from brute force over the triangles of the mesh as it was given (tests/reference.py),
not from the raster: a wrong rasterisation cannot hide behind itself.
"""

from __future__ import annotations

import re
import warnings

import numpy as np
import pytest
from meshes_atlas import faces_of
from meshes_traps import Trap, plain_mesh, traps
from recipes import composed_of, relief_patch, scatter_layer
from reference import holders, nearest_segments, texel_centre_uv

from poredepth import compose, random_skin_points
from poredepth.errors import PoredepthWarning
from poredepth.placement.mapped import map_prints
from poredepth.surface.locate import nearest_skin_points
from poredepth.surface.masks import sample_pictures
from poredepth.surface.metric import singular_values_mm
from poredepth.surface.obj import PolygonMesh
from poredepth.surface.points import SkinPoints
from poredepth.surface.skin import surface_from_mesh

SIZE_PX, GUTTER_PX = 256, 4
GUIDES = [{"points": [[5, 12, 2], [20, 20, 5], [35, 22, 2]]}]
TRAPS = traps()
BASE = {"name": "base", "map": "array", "scale_mm": 1.0}


def _composed(mesh, size_px=SIZE_PX):
    """A composition, and what was warned of on the way."""
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always", PoredepthWarning)
        c = composed_of(
            mesh, "mm", {"relief": relief_patch()}, [scatter_layer("relief", 16.0)], directions=GUIDES,
            output={"size_px": size_px, "gutter_px": GUTTER_PX, "seams": "untouched"},
        )  # fmt: skip
    return c, [str(w.message) for w in said if issubclass(w.category, PoredepthWarning)]


@pytest.fixture(scope="module", params=TRAPS, ids=lambda trap: trap.name)
def laid(request):
    trap: Trap = request.param
    c, said = _composed(trap.mesh)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", PoredepthWarning)
        as_given = surface_from_mesh(trap.mesh, "mm")
    texels = {tile: texel_centre_uv(tile, SIZE_PX) for tile in c.raster().tiles}
    held = {tile: holders(uv, as_given.corner_uv, as_given.tri_face) for tile, uv in texels.items()}
    return trap, c, said, as_given, held


def test_all_that_is_due_is_told_and_nothing_else(laid):
    trap, _, said, *_ = laid
    assert len(said) == len(trap.says), said
    for pattern, message in zip(trap.says, said, strict=True):
        assert re.search(pattern, message), message


def test_every_texel_is_the_skin_that_lies_there(laid):
    trap, c, _, as_given, held = laid
    raster = c.raster()
    assert len(raster.tiles) == {"over two tiles": 2, "over four tiles": 4}.get(trap.name, 1)
    owned = 0
    for tile in raster.tiles:
        points = raster.skin_points(tile, raster.whole())
        triangle, barycentric = held[tile]
        here = triangle >= 0
        owned += here.sum()
        assert (points.triangle[here] >= 0).all()
        assert points.barycentric.min() > -1e-6
        got_mm = c.surface.points_mm(points.triangle[here], points.barycentric[here].astype(float))
        want_mm = as_given.points_mm(triangle[here], barycentric[here])
        # barycentrics are float32
        assert np.linalg.norm(got_mm - want_mm, axis=1).max() < 1e-5
        outside = np.random.default_rng(2).permutation(np.flatnonzero(~here))[:6000]
        _check_gutter(as_given, c.surface, points, outside, texel_centre_uv(tile, SIZE_PX))
    assert owned > 100


def _check_gutter(as_given, surface, points, outside, uv):
    """Beyond charts: nothing farther than the gutter; within it, skin no farther from the border than the texel is.

    The way on over the skin from the border is as long as the texel lies beyond it, measured by the border's triangle,
    so the skin point is at most that far away.  At an open border it is the border's nearest point.
    """
    t, k = np.nonzero(as_given.is_chart_border & as_given.has_uv[:, None])
    corner = as_given.corner_uv
    area = np.abs(np.linalg.det(np.stack([corner[t, 1] - corner[t, 0], corner[t, 2] - corner[t, 0]], axis=1)))
    t, k = t[area > 1e-13], k[area > 1e-13]
    start, end = corner[t, (k + 1) % 3], corner[t, (k + 2) % 3]
    away, share = nearest_segments(uv[outside], start, end)
    away_px = away * SIZE_PX
    filled = points.triangle[outside] >= 0
    nearest_px = away_px.min(axis=1)
    assert not filled[nearest_px > GUTTER_PX + 1e-4].any()
    assert filled[nearest_px < GUTTER_PX - 1e-4].all()
    some = np.flatnonzero(filled)
    at_mm = surface.points_mm(points.triangle[outside[some]], points.barycentric[outside[some]].astype(float))
    excess = np.full(len(some), np.inf)
    for e in range(len(t)):
        near = np.flatnonzero(away_px[some, e] < nearest_px[some] + 1e-3)
        if len(near) == 0:
            continue
        i, j = (k[e] + 1) % 3, (k[e] + 2) % 3
        at = share[some[near], e][:, None]
        foot_mm = (1 - at) * as_given.corner_mm[t[e], i] + at * as_given.corner_mm[t[e], j]
        foot_uv = (1 - at) * start[e] + at * end[e]
        to_uv = uv[outside[some[near]]] - foot_uv
        # the triangle's own plane carried on over its border
        edges_uv = np.column_stack([corner[t[e], 1] - corner[t[e], 0], corner[t[e], 2] - corner[t[e], 0]])
        edges_mm = np.column_stack(
            [
                as_given.corner_mm[t[e], 1] - as_given.corner_mm[t[e], 0],
                as_given.corner_mm[t[e], 2] - as_given.corner_mm[t[e], 0],
            ]
        )
        beyond_mm = np.linalg.norm(np.linalg.solve(edges_uv, to_uv.T).T @ edges_mm.T, axis=1)
        excess[near] = np.minimum(excess[near], np.linalg.norm(at_mm[near] - foot_mm, axis=1) - beyond_mm)
    assert excess.max(initial=0.0) < 1e-3


def test_the_map_is_the_function_of_the_skin_at_those_places(laid):
    """300 texels a tile: the place by brute force, the nearest point of the skin to it, the function there."""
    trap, c, _, as_given, held = laid
    rng = np.random.default_rng(4)
    for tile, height_map in compose(c).items():
        height_mm = height_map.height_mm.ravel()
        raster = c.raster()
        assert np.array_equal(c.height_mm(raster.skin_points(tile, raster.whole())), height_mm)
        triangle, barycentric = held[tile]
        some = rng.permutation(np.flatnonzero(triangle >= 0))[:300]
        place_mm = as_given.points_mm(triangle[some], barycentric[some])
        # on an edge either triangle may be found, and a texel is what the one it lies in makes of it: one that is
        # nothing in UV knows no texel's form
        points = _skin_points(c.surface, place_mm)
        shown = singular_values_mm(c.surface)[points.triangle, 0] < 1e6
        assert (~shown).sum() <= (1 if trap.name == "quad in a point of UV" else 0)
        want = c.height_mm(points)
        assert np.abs(height_mm[some] - want)[shown].max() < 2e-5
        assert len(some) < 100 or height_mm[some].std() > 0.005


def _skin_points(surface, place_mm) -> SkinPoints:
    found = nearest_skin_points(surface, place_mm)
    assert max(p.snapped_mm for p in found) < 1e-6
    return SkinPoints(
        np.array([p.triangle for p in found], np.int32), np.array([p.barycentric for p in found], np.float32)
    )


@pytest.mark.parametrize("trap", [t for t in TRAPS if t.plain], ids=lambda trap: trap.name)
def test_the_relief_is_that_of_the_same_sheet_in_one_plain_chart(trap):
    """No map, no UVs: heights at skin points do not know how the skin was unwrapped."""
    plain, c = _composed(plain_mesh())[0], _composed(trap.mesh)[0]
    assert np.array_equal(plain.surface.tri_vertex, c.surface.tri_vertex)
    points = random_skin_points(plain.surface, 4000, np.random.default_rng(1))
    want = plain.height_mm(points, 32768)
    assert want.std() > 0.01
    assert np.abs(c.height_mm(points, 32768) - want).max() < 2e-6


def _mesh(name):
    return next(trap.mesh for trap in TRAPS if trap.name == name)


@pytest.mark.parametrize("name", ["over four tiles", "over two tiles", "over u = 0"])
def test_a_map_over_tile_borders_shows_each_tile_its_own_picture(name):
    """Pictures of noise, one a tile: the composed map is the pictures, texel by texel, also in faces over borders."""
    rng, n = np.random.default_rng(0), 128
    pictures = {tile: rng.normal(0, 0.1, (n, n)).astype(np.float32) for tile in (1001, 1002, 1011, 1012)}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", PoredepthWarning)
        c = composed_of(_mesh(name), "mm", {}, [BASE], maps={"base": pictures})
    raster = c.raster(n)
    for tile, height_map in compose(c, size_px=n).items():
        inside = _inside(c, raster, tile)
        assert inside.sum() > 1000
        assert np.abs(height_map.height_mm - pictures[tile])[inside].max() < 2e-5


def test_a_tile_without_a_picture_is_flat_and_told():
    n = 128
    pictures = {tile: np.full((n, n), 0.1, np.float32) for tile in (1001, 1011, 1012)}
    with pytest.warns(PoredepthWarning, match="no picture for UV tile 1002, the layer is flat there"):
        c = composed_of(_mesh("over four tiles"), "mm", {}, [BASE], maps={"base": pictures})
    for tile, height_map in compose(c, size_px=n).items():
        want = 0.0 if tile == 1002 else 0.1
        assert height_map.height_mm[_inside(c, c.raster(n), tile)] == pytest.approx(want, abs=1e-6)


def _inside(c, raster, tile):
    """bool (rows, cols): texels whose centre lies in a chart."""
    n = raster.size_px
    points = raster.skin_points(tile, raster.whole())
    uv = np.einsum("nk,nkx->nx", points.barycentric.astype(float), c.surface.corner_uv[points.triangle])
    return ((points.triangle >= 0) & (np.abs(uv - texel_centre_uv(tile, n)).max(axis=1) < 1e-4)).reshape(n, n)


def test_a_mask_over_tile_borders_is_read_from_the_tile_a_point_lies_in():
    s = surface_from_mesh(_mesh("over four tiles"), "mm")
    values = {1001: 0.1, 1002: 0.3, 1011: 0.6, 1012: 0.9}
    pictures = {tile: np.full((16, 16), value, np.float32) for tile, value in values.items()}
    points = random_skin_points(s, 3000, np.random.default_rng(0))
    uv = np.einsum("nk,nkx->nx", points.barycentric.astype(float), s.corner_uv[points.triangle])
    clear = (np.abs(uv - np.round(uv)) > 1e-6).all(axis=1)
    want = np.array([values[1001 + int(u) + 10 * int(v)] for u, v in np.floor(uv)], np.float32)
    got = sample_pictures(s, pictures, points.triangle, points.barycentric)
    assert np.array_equal(got[clear], want[clear])


def test_uvs_far_outside_the_tiles_cost_nothing():
    mesh = plain_mesh()
    wild = PolygonMesh.from_arrays(mesh.position, faces_of(mesh), 1e7 * (mesh.texcoord - 0.4), faces_of(mesh))
    with pytest.warns(PoredepthWarning, match="reach outside the UV tiles"):
        s = surface_from_mesh(wild, "mm")
    assert len(map_prints(s, (1001,)).print_id) < 150 * s.n_triangles


def test_points_repeated_along_seams_change_no_bit():
    whole, repeated = _mesh("rotated chart"), _mesh("points repeated along seams")
    assert len(repeated.position) > len(whole.position)
    one, other = (compose(_composed(mesh)[0])[1001].height_mm for mesh in (whole, repeated))
    assert np.array_equal(one, other)
