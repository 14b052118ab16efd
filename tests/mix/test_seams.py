"""Seams made even: closed forms, hazards of UVs, and the promises that a map keeps."""

from __future__ import annotations

import numpy as np
import pytest
from meshes import flat_mesh, sphere_mesh
from meshes_seams import (
    LEFT,
    RIGHT,
    cut_square,
    mirrored_square,
    overlapping_square,
    place_mm,
    square_in_two_tiles,
    square_of_unlike_density,
    square_with_collapsed_uvs,
    touching_square,
    tube,
    turned,
)
from recipes import composed_of, pore_patch, scatter_layer
from scipy.sparse import random as random_sparse

from poredepth import Blocking, compose, measure_seams, preview
from poredepth.mix.blocks import window_height_mm
from poredepth.mix.seams import EQUALISING, _least_squares, correction_of
from poredepth.output import fit_calibration
from poredepth.raster.seams import seam_texels
from poredepth.raster.window import Window

DISK = {"center": [20, 12, 0], "radius_mm": 7, "feather_mm": 2}


def _pores(mesh, size_px=512, seams="eased", region=None, **output):
    return composed_of(
        mesh,
        "mm",
        {"pores": pore_patch()},
        [scatter_layer("pores", 12.0, region=region)],
        regions={"disk": DISK} if region else {},
        output={"size_px": size_px, "seams": seams, **output},
    )


def _skin_mm(raster, tile):
    """x, y of the texels of a tile, and which have skin."""
    points = raster.skin_points(tile, raster.whole())
    at = raster.surface.points_mm(np.maximum(points.triangle, 0), points.barycentric.astype(float))
    shape = raster.whole().shape
    return at[:, 0].reshape(shape), at[:, 1].reshape(shape), (points.triangle >= 0).reshape(shape)


def _plane_map(n):
    """A plane, 0.001 x + 0.002 y, in both charts of the mirrored square and on beyond their borders, float32 (n, n);
    bool (n, n): on the right, between the charts; how far from the cut, in texels."""
    row, col = np.indices((n, n))
    u, v = (col + 0.5) / n, 1 - (row + 0.5) / n
    on_right = u > 0.55
    x, y = (np.where(on_right, b, a) for a, b in zip(place_mm(u, v, *LEFT), place_mm(u, v, *RIGHT), strict=True))
    return (0.001 * x + 0.002 * y).astype(np.float32), on_right, np.abs(x - 20) / np.where(on_right, 90, 100) * n


def _corrected(raster, height_mm, seams):
    how = EQUALISING[seams]
    texels = seam_texels(raster, how.points_per_texel, 2.0)
    row, col = np.divmod(texels.number, raster.size_px)
    correction = correction_of(texels, height_mm[row, col], how)
    out = height_mm.copy()
    correction.add_to(1001, raster.whole(), out)
    return out, correction


@pytest.mark.parametrize("seams", ["eased", "closed"])
def test_an_offset_on_one_side_of_a_plane_is_closed_by_the_texels_that_are_read_there_alone(seams):
    """Closed form: a plane reads alike on both sides; 0.05 mm added to the right chart with its gutter do not."""
    c = composed_of(mirrored_square(), "mm", {}, [], output={"size_px": 256})
    raster = c.raster()
    height_mm, on_right, from_cut_px = _plane_map(256)
    height_mm += np.float32(0.05) * on_right
    before = measure_seams(c, {1001: height_mm})
    assert before.rms_mm == pytest.approx(0.05, abs=1e-6)
    assert before.worst_mm == pytest.approx(0.05, abs=1e-6)
    even_mm, correction = _corrected(raster, height_mm, seams)
    after = measure_seams(c, {1001: even_mm})
    print(f"{seams}: {1000 * after.rms_mm:.6f} um (rms) of 50 um left, change {1000 * correction.largest_change_mm} um")
    assert after.rms_mm < 1e-4 * 0.05 and after.worst_mm < 1e-3 * 0.05
    assert (correction.rms_before_mm, correction.rms_after_mm) == pytest.approx((before.rms_mm, after.rms_mm), rel=1e-6)
    # each side goes half of the way
    change_mm = even_mm.astype(float) - height_mm
    assert change_mm[(change_mm != 0) & ~on_right] == pytest.approx(0.025, abs=1e-5)
    assert change_mm[(change_mm != 0) & on_right] == pytest.approx(-0.025, abs=1e-5)
    # texels farther from the cut than the reading reaches are bit for bit what they were
    moved = even_mm != height_mm
    assert 200 < moved.sum() <= correction.n_texels
    assert from_cut_px[moved].max() < np.sqrt(2)


@pytest.mark.parametrize("seams", ["eased", "closed"])
def test_a_plane_reads_alike_on_both_sides_and_is_left_alone(seams):
    raster = composed_of(mirrored_square(), "mm", {}, [], output={"size_px": 256}).raster()
    height_mm, _, _ = _plane_map(256)
    even_mm, correction = _corrected(raster, height_mm, seams)
    assert correction.rms_before_mm < 1e-8
    assert correction.n_texels == 0
    assert np.array_equal(even_mm, height_mm)


def test_texels_where_both_sides_agree_stay_untouched():
    """Pores on a disk about the lower end of the cut: along the rest of it both sides read 0."""
    c = _pores(mirrored_square(), region="disk")
    plain_mm = compose(_pores(mirrored_square(), seams="untouched", region="disk"))[1001].height_mm
    even_mm = compose(c)[1001].height_mm
    moved = even_mm != plain_mm
    x, y, _ = _skin_mm(c.raster(), 1001)
    assert moved.sum() > 100
    assert y[moved].max() < 12 + 7 + 1 * 2.5 / 0.8 + 0.5 < 30  # the disk's feather, that of its coarse band
    assert (np.abs(x - 20)[moved] < np.sqrt(2) * 100 / 512).all()


def test_a_mesh_without_seams_has_an_empty_correction():
    c = _pores(flat_mesh(), 128)
    correction = c.seam_correction()
    assert (correction.n_texels, correction.n_points, correction.largest_change_mm) == (0, 0, 0.0)
    plain = compose(_pores(flat_mesh(), 128, seams="untouched"))[1001].height_mm
    assert np.array_equal(compose(c)[1001].height_mm, plain)
    assert _pores(flat_mesh(), 128, seams="untouched").seam_correction() is None


def test_the_solver_finds_the_least_squares_solution_of_least_norm():
    """Against dense solutions: ridge regression for a cost, the pseudo-inverse for none."""
    rng = np.random.default_rng(0)
    readings = random_sparse(60, 90, 0.1, format="csr", random_state=rng)
    wanted = rng.normal(size=60)
    dense = readings.toarray()
    for cost in (1.0, 0.1, 0.01):
        want = np.linalg.solve(dense.T @ dense + cost * np.eye(90), dense.T @ wanted)
        assert _least_squares(readings, wanted, cost, 0.0) == pytest.approx(want, abs=2e-4 * np.abs(want).max())
    want = np.linalg.pinv(dense) @ wanted
    assert _least_squares(readings, wanted, 0.0, 0.0) == pytest.approx(want, abs=2e-3 * np.abs(want).max())


@pytest.mark.filterwarnings("ignore:.*no area in UV:poredepth.surface.skin.SurfaceWarning")
@pytest.mark.parametrize(
    ("mesh", "size_px"),
    [
        (mirrored_square, 1024),
        (square_in_two_tiles, 512),
        (square_of_unlike_density, 1024),
        (square_with_collapsed_uvs, 512),
        (tube, 512),
        (sphere_mesh, 1024),
    ],
    ids=["mirrored", "two tiles", "40 x denser", "collapsed UVs", "one chart", "sphere"],
)
def test_seams_come_together_whatever_the_uvs(mesh, size_px):
    """eased: to less than 0.6, the worst place too; closed: to one 16-bit step of the map's fitted calibration."""
    plain = compose(_pores(mesh(), size_px, seams="untouched"))
    found = {}
    for seams in ("eased", "closed"):
        c = _pores(mesh(), size_px, seams=seams)
        maps, correction = compose(c), c.seam_correction()
        found[seams] = measure_seams(c, maps)
        assert correction.n_left_out == 0
        change_mm = {tile: maps[tile].height_mm.astype(float) - plain[tile].height_mm for tile in maps}
        assert correction.n_texels >= sum(np.count_nonzero(one) for one in change_mm.values()) > 0
        assert correction.largest_change_mm == pytest.approx(max(np.abs(h).max() for h in change_mm.values()), abs=1e-7)
        assert found[seams].rms_mm == pytest.approx(correction.rms_after_mm, rel=1e-3)
        print(f"{1000 * correction.rms_before_mm:.4f} um, {seams} {1000 * correction.rms_after_mm:.4f} um, "
              f"change {1000 * correction.largest_change_mm:.2f} um")  # fmt: skip
    before = measure_seams(c, plain)
    assert before.rms_mm > 1e-4
    assert found["eased"].rms_mm < 0.6 * before.rms_mm
    assert found["eased"].worst_mm < 0.7 * before.worst_mm
    low = min(float(one.height_mm.min()) for one in maps.values())
    high = max(float(one.height_mm.max()) for one in maps.values())
    assert found["closed"].rms_mm < 1e-3 * fit_calibration("png-16", "mm", low, high).code_step_um


@pytest.mark.filterwarnings("ignore:.*charts overlap:poredepth.surface.skin.SurfaceWarning")
def test_a_seam_is_not_drawn_into_the_middle_of_another_chart():
    """The right chart lies on the left one, which wins; its own texels are out of reach, those of the left stay."""
    c = _pores(overlapping_square())
    correction = c.seam_correction()
    assert correction.n_left_out > 0.9 * correction.n_points
    plain = compose(_pores(overlapping_square(), seams="untouched"))[1001].height_mm
    x, _, _ = _skin_mm(c.raster(), 1001)
    moved = compose(c)[1001].height_mm != plain
    # but for ends of the cut that lie free: the left chart's own border, never the place of the right one inside it
    assert (np.abs(x - 20)[moved] < 0.5).all()


def test_charts_that_touch_keep_their_own_texels():
    """Where charts touch, each side reads the other's texels: nothing can be closed there without harm."""
    c = _pores(touching_square())
    correction = c.seam_correction()
    assert correction.n_left_out > 0
    assert correction.rms_after_mm <= correction.rms_before_mm
    assert correction.largest_change_mm < 0.05


def test_gutters_that_meet_are_one_unknown():
    """Charts a texel and a half apart, shifted along the cut: a texel between them is read by both."""
    size_px = 512
    gap = 1.5 / size_px
    mesh = cut_square(turned(0, 100, (0.4, 0.5)), turned(0, 100, (0.4 + gap, 0.53)))
    c = _pores(mesh, size_px)
    correction = c.seam_correction()
    changes = correction.changes[1001]
    key = changes.row_px.astype(np.int64) * size_px + changes.col_px
    assert (np.diff(key) > 0).all()  # each texel once, sorted
    assert correction.rms_after_mm < 0.5 * correction.rms_before_mm
    assert np.isfinite(changes.change_mm).all() and correction.largest_change_mm < 0.1


def test_without_a_gutter_seams_are_left_as_they_are():
    c = _pores(mirrored_square(), gutter_px=0)
    correction = c.seam_correction()
    assert correction.n_left_out > 0.99 * correction.n_points
    assert correction.n_texels < 0.01 * correction.n_points


@pytest.mark.parametrize("seams", ["eased", "closed"])
def test_crops_blocks_and_threads_change_no_bit_of_a_map_with_even_seams(seams):
    """Through a mirrored seam: preview = crop, block = whole, one thread = many, one composition = the next."""
    c = _pores(mirrored_square(), seams=seams)
    whole = compose(c, blocking=Blocking(1, 1 << 30))[1001].height_mm
    correction = c.seam_correction()
    assert correction.n_texels > 500
    for blocking in (Blocking(2, 512 * 7), Blocking(5, 1), Blocking(3, 512 * 100)):
        assert np.array_equal(compose(c, blocking=blocking)[1001].height_mm, whole)
    rng = np.random.default_rng(0)
    changes, raster = correction.changes[1001], c.raster()
    for k in rng.integers(0, len(changes.row_px), 12):  # windows with a changed texel in a corner or inside
        row, col = int(changes.row_px[k]), int(changes.col_px[k])
        row, col = max(0, row - int(rng.integers(0, 20))), max(0, col - int(rng.integers(0, 20)))
        window = Window(row, col, min(20, 512 - row), min(20, 512 - col))
        crop = window_height_mm(c.layers, c.ground, raster, 1001, window, correction)
        assert np.array_equal(crop, whole[window.slices])
    seen = preview(c, None, size_px=300)
    assert np.array_equal(seen.height_mm, whole[seen.window.slices])
    again = compose(_pores(mirrored_square(), seams=seams))[1001].height_mm
    assert np.array_equal(again, whole)


def test_the_function_on_the_skin_knows_nothing_of_seams():
    one, other = (_pores(mirrored_square(), seams=seams) for seams in ("eased", "untouched"))
    one.seam_correction()
    skin = one.raster().skin_points(1001, Window(100, 100, 200, 200))
    assert np.array_equal(one.height_mm(skin), other.height_mm(skin))
