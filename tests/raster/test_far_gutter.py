"""The far gutter against scipy's exact distances, and what it does for mip levels beside seams."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from meshes import flat_mesh, grid, two_charts_mesh
from meshes_atlas import atlas_pairs
from scipy.ndimage import distance_transform_edt

from poredepth.errors import MapFileError
from poredepth.output.levels import box_levels
from poredepth.raster import far_gutter
from poredepth.raster.far_gutter import fill_far_gutter, fill_from_nearest
from poredepth.raster.texels import TileRaster
from poredepth.surface.obj import PolygonMesh
from poredepth.surface.points import random_skin_points
from poredepth.surface.skin import surface_from_mesh


def numbered(has_skin):
    """Heights that tell which texel they are from, and nothing where there is no skin."""
    return np.where(has_skin, np.arange(has_skin.size).reshape(has_skin.shape), -1.0).astype(np.float32)


def filled(has_skin, n_rows=5, **keys):
    height_mm = numbered(has_skin)
    blocks = (has_skin[i : i + n_rows] for i in range(0, len(has_skin), n_rows))
    return height_mm, fill_from_nearest(blocks, height_mm, **keys)


def check_nearest(has_skin):
    """Every texel has the height of a nearest texel with skin, by scipy, an exact Euclidean distance transform."""
    height_mm, n_filled = filled(has_skin)
    assert n_filled == np.count_nonzero(~has_skin)
    row, col = np.indices(has_skin.shape)
    from_row, from_col = np.divmod(height_mm.astype(np.int64), has_skin.shape[1])
    assert has_skin[from_row, from_col].all()
    found = np.hypot(from_row - row, from_col - col)
    assert found == pytest.approx(distance_transform_edt(~has_skin), abs=1e-9)
    assert np.array_equal(height_mm[has_skin], numbered(has_skin)[has_skin])
    return from_row, from_col


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 40), st.integers(1, 40), st.integers(0, 2**32), st.sampled_from([0.003, 0.03, 0.3, 0.97]))
def test_heights_are_those_of_a_nearest_texel(rows, cols, seed, share):
    rng = np.random.default_rng(seed)
    has_skin = rng.random((rows, cols)) < share
    has_skin[rng.integers(rows), rng.integers(cols)] = True
    check_nearest(has_skin)


def test_of_several_it_is_the_lowest_column_then_the_lowest_row():
    rng = np.random.default_rng(8)
    for share in (0.01, 0.05, 0.2):
        has_skin = rng.random((31, 27)) < share  # small numbers: many texels at one distance
        from_row, from_col = check_nearest(has_skin)
        col, row = np.nonzero(has_skin.T)  # by column, then by row
        for r, c in np.ndindex(has_skin.shape):
            first = np.argmin((row - r) ** 2 + (col - c) ** 2)
            assert (from_row[r, c], from_col[r, c]) == (row[first], col[first])


@pytest.mark.parametrize("at", [(0, 0), (0, 299), (299, 0), (299, 299), (140, 7)])
def test_one_texel_fills_the_tile(at):
    has_skin = np.zeros((300, 300), bool)
    has_skin[at] = True
    height_mm, n_filled = filled(has_skin, 64)
    assert n_filled == 300 * 300 - 1
    assert (height_mm == at[0] * 300 + at[1]).all()


def test_frames_lines_and_checks():
    frame = np.zeros((40, 50), bool)
    frame[0], frame[-1], frame[:, 0], frame[:, -1] = True, True, True, True
    check_nearest(frame)
    check_nearest(np.eye(33, dtype=bool))
    check_nearest(np.eye(33, dtype=bool)[::-1])
    check_nearest(np.indices((21, 20)).sum(axis=0) % 2 == 0)
    check_nearest(np.ones((4, 9), bool))
    for shape in ((1, 60), (60, 1)):
        line = np.zeros(shape, bool)
        line.flat[[7, 8, 40]] = True
        check_nearest(line)


def test_distances_of_a_long_map_do_not_run_over():
    # 32768 rows are the most a map may have; a column without skin must not be taken for a far one
    has_skin = np.zeros((32768, 3), bool)
    has_skin[0, 2] = has_skin[-1, 0] = True
    height_mm, _ = filled(has_skin, 4096)
    from_row = height_mm.astype(np.int64) // 3
    assert (from_row[:16384] == 0).all() and (from_row[16384:] == 32767).all()


def test_threads_blocks_and_scratch_files_change_no_bit(tmp_path, monkeypatch):
    has_skin = np.random.default_rng(4).random((90, 130)) < 0.01
    expected, _ = filled(has_skin)
    for keys in (dict(n_threads=1), dict(n_threads=5), dict(n_rows=90), dict(n_rows=1)):
        assert np.array_equal(filled(has_skin, **keys)[0], expected)
    monkeypatch.setattr(far_gutter, "IN_MEMORY_BYTES", 100)
    assert np.array_equal(filled(has_skin, scratch_folder=tmp_path)[0], expected)
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(MapFileError, match="missing: no room for 23400 bytes"):
        filled(has_skin, scratch_folder=tmp_path / "missing")


def test_channels_and_strided_maps_are_filled_in_place():
    has_skin = np.random.default_rng(4).random((20, 30)) < 0.05
    expected, _ = filled(has_skin)
    normal = np.dstack([numbered(has_skin), 2 * numbered(has_skin)])
    fill_from_nearest([has_skin], normal)
    assert np.array_equal(normal[..., 0], expected) and np.array_equal(normal[..., 1], 2 * expected)
    wide = np.zeros((20, 60), np.float32)
    wide[:, ::2] = numbered(has_skin)
    fill_from_nearest([has_skin], wide[:, ::2])
    assert np.array_equal(wide[:, ::2], expected) and (wide[:, 1::2] == 0).all()


def test_no_skin_leaves_all_as_it_is():
    height_mm = np.zeros((7, 9), np.float32)
    assert fill_from_nearest([np.zeros((7, 9), bool)], height_mm) == 0
    assert (height_mm == 0).all()
    with pytest.raises(MapFileError, match="6 rows of skin for a map of 7"):
        fill_from_nearest([np.zeros((6, 9), bool)], height_mm)


def test_what_has_skin_is_asked_of_the_skin_and_not_of_the_heights(tmp_path):
    """Relief that is 0, or passes through it, keeps its bits; skin in two tiles, one chart mirrored, and a gutter."""
    mesh = two_charts_mesh(mirrored=True)
    uv = mesh.texcoord.copy()
    uv[len(uv) // 2 :] += [1.0, 0.0]
    faces = [mesh.face_position[a:b].tolist() for a, b in zip(mesh.face_start[:-1], mesh.face_start[1:], strict=True)]
    face_uv = [mesh.face_texcoord[a:b].tolist() for a, b in zip(mesh.face_start[:-1], mesh.face_start[1:], strict=True)]
    raster = TileRaster(surface_from_mesh(PolygonMesh.from_arrays(mesh.position, faces, uv, face_uv), "mm"), 128, 3)
    assert raster.tiles == (1001, 1002)
    for tile in raster.tiles:
        has_skin = (raster.skin_points(tile, raster.whole()).triangle >= 0).reshape(128, 128)
        height_mm = np.where(has_skin, np.random.default_rng(tile).integers(-1, 2, (128, 128)), 0).astype(np.float32)
        height_mm[has_skin & (height_mm == 0)] = -0.0
        mapped = np.memmap(tmp_path / "h", np.float32, "w+", shape=(128, 128))
        mapped[:] = height_mm
        assert fill_far_gutter(raster, tile, mapped) == np.count_nonzero(~has_skin) > 5000
        assert mapped[has_skin].tobytes() == height_mm[has_skin].tobytes()
        expected = height_mm.copy()
        fill_from_nearest([has_skin], expected)
        assert np.array_equal(mapped, expected) and np.isin(mapped[~has_skin], [-1, 0, 1]).all()


def test_a_chart_of_one_texel_in_a_corner_and_a_tile_without_skin():
    position, faces = grid(10, 10, 1, 1)
    uv = position[:, :2] / 10 / 64 + [63 / 64, 0.0]  # the last texel of the last row
    raster = TileRaster(surface_from_mesh(PolygonMesh.from_arrays(position, faces, uv, faces), "mm"), 64, 0)
    height_mm = np.zeros((64, 64), np.float32)
    height_mm[63, 63] = 0.25
    assert fill_far_gutter(raster, 1001, height_mm) == 64 * 64 - 1
    assert (height_mm == np.float32(0.25)).all()
    empty = np.zeros((64, 64), np.float32)
    assert fill_far_gutter(raster, 1002, empty) == 0 and (empty == 0).all()
    with pytest.raises(MapFileError, match=r"shape \(64, 63\), allowed is \(64, 64\)"):
        fill_far_gutter(raster, 1001, height_mm[:, :63])


def coarse_mm(at_mm):
    """What a coarse level should show: an offset and a wave of 90 mm."""
    return 0.3 + 0.1 * np.sin(2 * np.pi * at_mm @ np.array([0.6, 0.64, 0.48]) / 90)


def relief_mm(at_mm):
    """The same with fine waves of 1.3 mm and 0.05 mm, which hardly any of is left in texels of several mm."""
    return coarse_mm(at_mm) + 0.05 * np.sin(2 * np.pi * at_mm @ np.array([0.48, -0.6, 0.64]) / 1.3)


def along_seams(surface, per_edge=6):
    """UVs (n, 2) along the inside of every chart border, and where that is, (n, 3) mm."""
    t, k = np.nonzero(surface.is_chart_border)
    share = (np.arange(per_edge) + 0.5) / per_edge
    barycentric = np.zeros((len(t), per_edge, 3))
    row = np.arange(len(t))[:, None], np.arange(per_edge)[None]
    barycentric[(*row, ((k + 1) % 3)[:, None])] = 1 - share
    barycentric[(*row, ((k + 2) % 3)[:, None])] = share
    t, barycentric = np.repeat(t, per_edge), barycentric.reshape(-1, 3)
    return np.einsum("nk,nkx->nx", barycentric, surface.corner_uv[t]), surface.points_mm(t, barycentric)


def read(level, uv):
    """Bilinear, texel centres at +0.5, the outermost texels read again beyond the border."""
    n = len(level)
    x = np.column_stack([1 - uv[:, 1], uv[:, 0]]) * n - 0.5
    at = np.floor(x).astype(int)
    f = x - at
    r, c = np.clip(at[:, 0], 0, n - 2), np.clip(at[:, 1], 0, n - 2)
    f = np.clip(x - np.column_stack([r, c]), 0, 1)
    top = level[r, c] * (1 - f[:, 1]) + level[r, c + 1] * f[:, 1]
    return top * (1 - f[:, 0]) + (level[r + 1, c] * (1 - f[:, 1]) + level[r + 1, c + 1] * f[:, 1]) * f[:, 0]


@pytest.mark.parametrize(
    "name, unit, mesh", [(f"{n} {i}", u, m) for n, u, *ms in atlas_pairs() for i, m in enumerate(ms)]
)
def test_coarse_levels_are_right_on_seams(name, unit, mesh):
    """Read on chart borders, coarse levels of a map with a far gutter are about as true as inside charts.

    Against the closed form of what is left of the relief; rms errors in um, at 1024 px.
    """
    surface, size_px = surface_from_mesh(mesh, unit), 1024
    seam_uv, seam_mm = along_seams(surface)
    inside = random_skin_points(surface, 4000, np.random.default_rng(1))
    inside_uv = np.einsum("nk,nkx->nx", inside.barycentric.astype(float), surface.corner_uv[inside.triangle])
    inside_mm = surface.points_mm(inside.triangle, inside.barycentric.astype(float))
    error_um = {}
    for gutter_px, far in ((0, False), (size_px // 128, False), (size_px // 128, True)):
        raster = TileRaster(surface, size_px, gutter_px)
        points = raster.skin_points(1001, raster.whole())
        on = points.triangle >= 0
        height_mm = np.zeros(size_px**2, np.float32)
        height_mm[on] = relief_mm(surface.points_mm(points.triangle[on], points.barycentric[on].astype(float)))
        height_mm = height_mm.reshape(size_px, size_px)
        if far:
            fill_far_gutter(raster, 1001, height_mm)
        levels = [height_mm, *box_levels([height_mm], height_mm.shape)]
        for k in (3, 4, 5):
            for where, uv, at_mm in (("seam", seam_uv, seam_mm), ("inside", inside_uv, inside_mm)):
                off = 1000 * (read(levels[k], uv) - coarse_mm(at_mm))
                error_um[k, gutter_px, far, where] = float(np.sqrt((off**2).mean()))
    for k in (3, 4, 5):
        none, near, far = (error_um[k, g, f, "seam"] for g, f in ((0, False), (8, False), (8, True)))
        inside = error_um[k, 8, True, "inside"]
        print(f"{name}, level {k}: on seams {none:.1f} {near:.1f} {far:.1f}, inside {inside:.1f} um")
        assert far < 0.2 * none and far <= near
    assert error_um[4, 8, True, "seam"] < 0.5 * error_um[4, 8, False, "seam"]


def test_a_map_without_gutter_may_be_filled_too():
    surface = surface_from_mesh(flat_mesh(40, 40, 5, span_uv=0.5), "mm")
    raster = TileRaster(surface, 64, 0)
    height_mm = np.zeros((64, 64), np.float32)
    height_mm[32:, :32] = np.arange(32)
    fill_far_gutter(raster, 1001, height_mm)
    assert (height_mm[:, 32:] == 31).all() and (height_mm[:32, :32] == np.arange(32)).all()
