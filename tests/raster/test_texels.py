import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from meshes import flat_mesh, flat_surface, grid, sphere_surface, two_charts_mesh
from reference import point_in_triangle

from poredepth.raster.texels import TileRaster
from poredepth.raster.window import Window, row_blocks
from poredepth.surface.obj import PolygonMesh
from poredepth.surface.skin import SurfaceWarning, surface_from_mesh

SEAM = surface_from_mesh(two_charts_mesh(), "mm")


def _uv_of(surface, points):
    return np.einsum("nk,nkx->nx", points.barycentric.astype(float), surface.corner_uv[points.triangle])


def test_a_texel_is_the_skin_point_at_its_centre():
    """Texel centres at +0.5, row 0 at the top (v near 1)."""
    raster = TileRaster(SEAM, 200, 0)
    points = raster.skin_points(1001, raster.whole())
    owned = points.triangle >= 0
    rows, cols = np.indices((200, 200))
    want = np.column_stack([(cols.ravel() + 0.5) / 200, 1 - (rows.ravel() + 0.5) / 200])
    got = np.zeros_like(want)
    got[owned] = np.einsum(
        "nk,nkx->nx", points.barycentric[owned].astype(float), SEAM.corner_uv[points.triangle[owned]]
    )
    assert got[owned] == pytest.approx(want[owned], abs=1e-6)
    # area of both charts: left 0.45 x 0.9, right 0.4 x 0.2
    assert owned.mean() == pytest.approx(0.45 * 0.9 + 0.4 * 0.2, abs=0.005)


def test_barycentrics_equal_their_slow_twin():
    raster = TileRaster(SEAM, 64, 0)
    points = raster.skin_points(1001, raster.whole())
    for p in np.flatnonzero(points.triangle >= 0)[::37]:
        at = ((p % 64 + 0.5) / 64, 1 - (p // 64 + 0.5) / 64)
        assert points.barycentric[p] == pytest.approx(
            point_in_triangle(at, SEAM.corner_uv[points.triangle[p]]), abs=1e-5
        )


def test_no_crack_inside_a_chart():
    s = flat_surface(40, 40, 10)
    for size in (40, 97, 128):  # 40: texel centres fall on triangle edges
        raster = TileRaster(s, size, 0)
        assert (raster.skin_points(1001, raster.whole()).triangle >= 0).all()


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 150), st.integers(0, 150), st.integers(1, 90), st.integers(1, 90))
def test_any_window_is_the_crop_of_the_whole(row, col, n_rows, n_cols):
    raster = TileRaster(SEAM, 160, 6)
    window = Window(row, col, min(n_rows, 160 - row) or 1, min(n_cols, 160 - col) or 1)
    whole = raster.skin_points(1001, raster.whole())
    part = raster.skin_points(1001, window)
    assert np.array_equal(part.triangle, whole.triangle.reshape(160, 160)[window.slices].ravel())
    assert np.array_equal(part.barycentric, whole.barycentric.reshape(160, 160, 3)[window.slices].reshape(-1, 3))


@given(st.integers(1, 400), st.integers(1, 300), st.integers(1, 5000))
def test_blocks_partition_the_window(n_rows, n_cols, block):
    blocks = list(row_blocks(Window(3, 5, n_rows, n_cols), block))
    assert sum(b.n_rows for b in blocks) == n_rows
    assert [b.row_px for b in blocks] == list(np.cumsum([3, *[b.n_rows for b in blocks[:-1]]]))
    assert all(b.n_cols == n_cols and b.col_px == 5 for b in blocks)


def test_gutter_runs_on_over_the_seam_onto_the_neighbouring_skin():
    """A gutter texel beyond the seam is the skin point straight on, across it: on a flat sheet cut in two, the
    extension of the left chart's own UV map."""
    raster = TileRaster(SEAM, 400, 8)
    bare = TileRaster(SEAM, 400, 0)
    points, owned = raster.skin_points(1001, raster.whole()), bare.skin_points(1001, bare.whole()).triangle >= 0
    gutter = (points.triangle >= 0) & ~owned
    rows, cols = np.divmod(np.flatnonzero(gutter), 400)
    u, v = (cols + 0.5) / 400, 1 - (rows + 0.5) / 400
    beside = (u > 0.02 + 0.45) & (u < 0.5) & (v > 0.05) & (v < 0.9)  # right of the left chart
    assert beside.sum() > 1000
    at = SEAM.points_mm(points.triangle[gutter][beside], points.barycentric[gutter][beside].astype(float))
    assert at[:, 0] == pytest.approx((u[beside] - 0.02) / 0.9 * 40, abs=1e-4)
    assert at[:, 1] == pytest.approx((v[beside] - 0.02) / 0.9 * 40, abs=1e-4)
    assert (at[:, 0] > 20).all()


def test_gutter_reaches_as_far_as_asked_and_no_farther():
    s = surface_from_mesh(flat_mesh(40, 40, 5, span_uv=0.5), "mm")
    raster = TileRaster(s, 100, 7)
    owner = raster.skin_points(1001, raster.whole()).triangle.reshape(100, 100)
    # the chart ends at u = 0.5: columns 50 to 56 have centres 0.5 to 6.5 texels away
    assert (owner[75, 50:57] >= 0).all()
    assert (owner[75, 57:] == -1).all()


def test_gutter_at_an_open_border_is_the_border():
    s = surface_from_mesh(flat_mesh(40, 40, 5, span_uv=0.5), "mm")
    raster = TileRaster(s, 100, 7)
    points = raster.skin_points(1001, Window(75, 50, 1, 7))
    at = s.points_mm(points.triangle, points.barycentric.astype(float))
    assert at[:, 0] == pytest.approx(40.0, abs=1e-4)
    assert at[:, 1] == pytest.approx((1 - 75.5 / 100) / 0.5 * 40, abs=1e-4)


def test_overlapping_charts_the_first_face_of_the_file_wins():
    position, faces = grid(10, 10, 1, 1)
    both = np.vstack([position, position + [20, 0, 0]])
    second_first = [[i + 4 for i in faces[0]], faces[0]]
    uv = np.vstack([position[:, :2], position[:, :2]]) / 10
    with pytest.warns(
        SurfaceWarning, match="charts overlap in UV: 100 mm2 of skin .50 % of the charts' area. lie under"
    ):
        s = surface_from_mesh(PolygonMesh.from_arrays(both, second_first, uv, second_first), "mm")
    points = TileRaster(s, 20, 0).skin_points(1001, Window(0, 0, 20, 20))
    assert (s.tri_face[points.triangle] == 0).all()
    assert (s.points_mm(points.triangle, points.barycentric.astype(float))[:, 0] >= 20).all()


def test_tiles_by_uv_integer_part():
    position, faces = grid(10, 10, 2, 1)
    uv = position[:, :2] / 10 + [0, 3]
    uv[:, 0] *= 2  # u from 0 to 2: exactly two tiles
    s = surface_from_mesh(PolygonMesh.from_arrays(position, faces, uv, faces), "mm")
    raster = TileRaster(s, 32, 0)
    assert raster.tiles == (1031, 1032)
    for tile, low, high in ((1031, 0, 5), (1032, 5, 10)):
        points = raster.skin_points(tile, raster.whole())
        assert (points.triangle >= 0).all()
        x = s.points_mm(points.triangle, points.barycentric.astype(float))[:, 0]
        assert low < x.min() < x.max() < high


def test_a_chart_across_two_tiles_is_in_both():
    position, faces = grid(10, 10, 1, 1)
    uv = position[:, :2] / 10 + [0.5, 0.0]
    s = surface_from_mesh(PolygonMesh.from_arrays(position, faces, uv, faces), "mm")
    raster = TileRaster(s, 32, 0)
    assert raster.tiles == (1001, 1002)
    shares = [(raster.skin_points(t, raster.whole()).triangle >= 0).mean() for t in raster.tiles]
    assert shares == [0.5, 0.5]


def test_closed_mesh_gutters_lie_on_the_sphere():
    s = sphere_surface(30, 12)
    raster = TileRaster(s, 300, 10)
    points = raster.skin_points(1001, raster.whole())
    on = points.triangle >= 0
    at = s.points_mm(points.triangle[on], points.barycentric[on].astype(float))
    assert np.linalg.norm(at, axis=1).min() > 30 * np.cos(np.deg2rad(6))
    assert points.barycentric[on].min() >= -1e-6
